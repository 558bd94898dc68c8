from __future__ import annotations

import csv
import errno
import resource
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.model import Accuracy
from analysis.words import Message, say
from daq.archive.judgement import judge_run
from daq.clock import VirtualClock
from daq.errors import RecordError
from daq.record.format import READING_COLUMNS, cell_text, number_cell, text_cell
from daq.record.reader import read_run
from daq.record.writer import RunWriter, folder_name
from tests.daq.kits.cli import ROOT
from tests.daq.kits.record import START, header, reading, start


def test_a_closed_record_reads_back_as_it_was_written(tmp_path: Path) -> None:
    """Header, rows, events, result and state come back equal, and nothing is complained about."""
    clock = VirtualClock(START)
    with start(tmp_path, clock) as writer:
        writer.row(reading(0))
        writer.row(reading(1, voltage_V=8.4, current_A=2.5, energy_J=21.0, source="V/I"))
        writer.row(reading(2, coil="Y2", resistance_ohm=None, status="open or over range"))
        clock.sleep(2.5)
        writer.event("step", "oven to 50 degC, please wait", "Y1")
        writer.close("complete", {"coils": [{"coil": "Y1", "verdict": "pass"}]})
    run = read_run(writer.folder)
    assert run.header == header()
    assert run.state == "complete"
    assert run.problems == ()
    assert run.result == {"coils": [{"coil": "Y1", "verdict": "pass"}]}
    assert [(e.time_s, e.utc, e.kind, e.coil, e.text) for e in run.events] == [
        (2.5, "2026-01-05T08:00:02.500Z", "step", "Y1", "oven to 50 degC, please wait")
    ]
    assert run.readings.resistance_ohm.tolist()[:2] == [3.2, 3.200001]
    assert np.isnan(run.readings.resistance_ohm[2])
    assert run.readings.voltage_V[1] == 8.4
    assert run.readings.status.tolist() == ["ok", "ok", "open or over range"]


def test_an_event_comes_back_as_what_was_said(tmp_path: Path) -> None:
    """A sentence of the catalogue keeps its key and figures; a text of another's hand stays a text."""
    with start(tmp_path) as writer:
        writer.event("heat", say("event.plateau", body=71.25, step=90.0), "Y1")
        writer.event("fault", 'meter: said "=1+1", and no more', "")
    told, quoted = read_run(writer.folder).events
    assert isinstance(told.text, Message)
    assert (told.text.key, dict(told.text.figures)) == ("event.plateau", {"body": 71.25, "step": 90.0})
    assert type(quoted.text) is str
    assert quoted.text == 'meter: said "=1+1", and no more'


def test_a_record_of_the_first_layout_reads_as_ever() -> None:
    """Its events have their sentence alone; verdicts and figures are those that it was closed with."""
    run = read_run(ROOT / "fixtures" / "records" / "schema_1")
    assert run.header.schema == 1
    assert run.state == "complete"
    assert [event.text for event in run.events if event.kind == "step"] == [
        "oven to 50 degC",
        "oven to 70 degC",
        "oven to 90 degC",
        "oven off, back to cold",
    ]
    assert all(isinstance(event.text, Message) for event in run.events if event.kind == "step")
    closed = msgspec.convert(run.result, dict)["coils"]
    again = judge_run(run).result.coils
    assert [coil.verdict for coil in again] == [coil["verdict"] for coil in closed]
    for was, now in zip(closed, again, strict=True):
        for name in ("r20_ohm", "r20_u_ohm", "joint_ohm", "joint_u_ohm", "hottest_degC"):
            assert getattr(now, name) == (None if was[name] is None else pytest.approx(was[name], rel=1e-9))


def test_traces_hold_each_coil_in_time_order(tmp_path: Path) -> None:
    """Rows of a coil come together in time order; coils stay in the order of their first row."""
    with start(tmp_path) as writer:
        for number, coil in [(3, "Y8"), (1, "Y1"), (2, "Y8"), (4, "Y1"), (5, "")]:
            writer.row(reading(number, coil=coil))
    traces = read_run(writer.folder).traces()
    assert [trace.coil for trace in traces] == ["Y8", "Y1"]
    assert traces[0].time_s.tolist() == [2.0, 3.0]
    assert traces[1].resistance_ohm.tolist() == [3.200001, 3.200004]


def test_the_headings_carry_the_units(tmp_path: Path) -> None:
    """The first line of readings.csv is the column list, numbers are short and blank where missing."""
    with start(tmp_path) as writer:
        writer.row(reading(1, resistance_ohm=3.2047123456, probe_degC=None, current_A=-0.0))
    lines = (writer.folder / "readings.csv").read_text().splitlines()
    assert lines[0] == ",".join(READING_COLUMNS)
    assert lines[1] == "1.0,Y1,hold,50.0,,3.204712,,0.0,0.0,,ohms,ok"


@pytest.mark.parametrize("ohm", [float("nan"), float("inf"), float("-inf"), None])
def test_a_resistance_that_is_no_number_is_written_as_missing(tmp_path: Path, ohm: float | None) -> None:
    """NaN, infinity or nothing under the status ok becomes an empty cell with a reason."""
    with start(tmp_path) as writer:
        writer.row(reading(1, resistance_ohm=ohm))
    cells = (writer.folder / "readings.csv").read_text().splitlines()[1].split(",")
    assert cells[5] == ""
    assert cells[11].startswith("missing: ")


def test_a_folder_is_never_used_twice(tmp_path: Path) -> None:
    """Runs of the same second and job get -2 and -3, and a stray empty folder of that name is left alone."""
    name = folder_name(header())
    (tmp_path / name).mkdir()
    writers = [start(tmp_path), start(tmp_path)]
    assert [writer.folder.name for writer in writers] == [f"{name}-2", f"{name}-3"]
    assert list((tmp_path / name).iterdir()) == []
    for writer in writers:
        writer.close("stopped", None)
    assert {p.name for p in tmp_path.iterdir()} == {name, f"{name}-2", f"{name}-3"}


def test_the_folder_name_says_when_which_job_kind_and_stage() -> None:
    """The name is UTC start, job, kind of run and stage; without a job it says run."""
    assert folder_name(header(stage="after heat")) == "20260105T080000Z-J-1-soak-after-heat"
    assert folder_name(header(job="")) == "20260105T080000Z-run-soak-as-received"
    assert folder_name(header(job="../../etc/passwd")) == "20260105T080000Z-etc-passwd-soak-as-received"


@given(job=st.text(st.characters(exclude_categories=[]), max_size=300))
def test_no_job_text_leaves_the_parent_folder(job: str) -> None:
    """Whatever the job is called, the folder name is one component that every file system takes."""
    name = folder_name(header(job=job))
    assert Path("runs", name).parent == Path("runs")
    assert len(name.encode()) <= 255
    assert not set(name) & set('/\\:*?"<>|\0\n. ')


@given(text=st.text(st.characters(exclude_categories=[])))
def test_a_text_cell_survives_csv_and_no_spreadsheet_runs_it(text: str) -> None:
    """Printable text comes back exactly; the cell never starts like a formula and stays on one line."""
    cell = text_cell(text)
    assert "\n" not in cell
    assert "\r" not in cell
    (row,) = csv.reader([f"1,{cell},2"])
    assert len(row) == 3
    assert not row[1].lstrip().startswith(("=", "+", "-", "@", "\t"))
    printable = "".join(c if c.isprintable() else " " for c in text)
    assert cell_text(row[1]) == printable


@given(value=st.floats(-1e6, 1e6))
def test_a_number_cell_is_true_to_its_digits(value: float) -> None:
    """A number reads back within half of its last kept decimal."""
    assert abs(float(number_cell(value, 6)) - value) <= 0.5e-6 + 1e-9


@pytest.mark.parametrize("operator", ['O\'Neil "=1+1"', "r\udce4tsel", "Łukasz\n\0", "=cmd|' /C calc'!A0"])
def test_hostile_names_do_not_harm_the_header(tmp_path: Path, operator: str) -> None:
    """Quotes, line ends and bytes that are no text in a name still give a header that reads."""
    with start(tmp_path, operator=operator, job=operator) as writer:
        writer.close("complete", None)
    run = read_run(writer.folder)
    assert run.header.operator == operator.replace("\udce4", "?")
    assert run.problems == ()


def test_results_may_hold_structs_arrays_and_nan(tmp_path: Path) -> None:
    """Dataclasses and arrays become JSON, and NaN becomes null."""
    with start(tmp_path) as writer:
        writer.close(
            "complete", {"accuracy": Accuracy(), "points": np.array([1.0, np.nan]), "n": np.int64(3)}
        )
    result = read_run(writer.folder).result
    assert isinstance(result, dict)
    assert result["points"] == [1.0, None]
    assert result["n"] == 3
    assert result["accuracy"]["probe_K"] == 0.5


def test_a_closed_record_takes_no_more(tmp_path: Path) -> None:
    """After close, rows and events are refused; closing again changes nothing."""
    with start(tmp_path) as writer:
        writer.close("stopped", None)
        before = (writer.folder / "manifest.json").read_bytes()
        writer.close("complete", {"late": True})
        for late in (
            lambda: writer.row(reading(1)),
            lambda: writer.event("late", "x"),
        ):
            with pytest.raises(RecordError, match="record is closed"):
                late()
    assert (writer.folder / "manifest.json").read_bytes() == before
    assert read_run(writer.folder).state == "stopped"


def test_texts_are_kept_byte_for_byte(tmp_path: Path) -> None:
    """rig.toml and coil_set.toml in the record are the texts as used; other names are refused."""
    writer = RunWriter.create(tmp_path, header(), {"rig.toml": "# Öl\r\n"}, VirtualClock(START))
    writer.close("complete", None)
    assert (writer.folder / "rig.toml").read_bytes() == "# Öl\r\n".encode()
    with pytest.raises(RecordError, match="no place for"):
        RunWriter.create(tmp_path, header(), {"../x": ""}, VirtualClock(START))


def test_a_place_that_cannot_be_written_is_said_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A parent that is a file, or a read-only one, gives one line with the place and the reason."""
    (tmp_path / "file").write_text("x")
    with pytest.raises(
        RecordError, match=r"file: a run folder cannot be made here \(.+\); choose a writable"
    ):
        start(tmp_path / "file")

    def refuse(self: Path, *args: object, **kwargs: object) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(RecordError, match=r"cannot be made here \(Read-only file system\)") as caught:
        start(tmp_path)
    assert "\n" not in str(caught.value)


@contextmanager
def file_size_limit(size: int) -> Iterator[None]:
    """Make the system itself refuse to let any file of this process grow beyond *size* bytes."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_full_disk_keeps_whole_rows(tmp_path: Path) -> None:
    """When the disk takes only part of a row, the part is taken back and an error says so."""
    with start(tmp_path) as writer:
        writer.row(reading(0))
        size = (writer.folder / "readings.csv").stat().st_size
        with (
            file_size_limit(size + 10),
            pytest.raises(RecordError, match=r"readings\.csv: the record cannot"),
        ):
            writer.row(reading(1))
        assert (writer.folder / "readings.csv").stat().st_size == size
        writer.row(reading(2))
        writer.close("fault", None)
    run = read_run(writer.folder)
    assert run.readings.time_s.tolist() == [0.0, 2.0]
    assert run.problems == ()


def test_a_disk_that_reports_no_space_is_an_error_of_the_record(tmp_path: Path) -> None:
    """ENOSPC from the file becomes a RecordError with the path and what to do."""

    class FullFile:
        def __init__(self, raw: object) -> None:
            self.raw = raw

        def write(self, line: bytes) -> int:
            raise OSError(errno.ENOSPC, "No space left on device")

        def __getattr__(self, name: str) -> object:
            return getattr(self.raw, name)

    with start(tmp_path) as writer:
        writer._readings._raw = FullFile(writer._readings._raw)  # type: ignore[assignment]
        with pytest.raises(RecordError, match=r"No space left on device.*make room") as caught:
            writer.row(reading(0))
        assert caught.value.exit_status == 3


def test_a_disk_full_at_the_end_leaves_a_cut_record(tmp_path: Path) -> None:
    """If even the manifest cannot be written, close says so and the record reads as cut."""
    with start(tmp_path) as writer:
        writer.row(reading(0))
        with (
            file_size_limit(20),
            pytest.raises(RecordError, match=r"result\.json: the record cannot be written"),
        ):
            writer.close("complete", {"a": "b" * 100})
    run = read_run(writer.folder)
    assert run.state == "cut"
    assert len(run.readings) == 1
    assert not [p for p in writer.folder.iterdir() if p.name.startswith(".")]
    assert run.result is None
