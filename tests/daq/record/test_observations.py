"""Observations beside a closed record: they only grow, and tell whether they were touched."""

from __future__ import annotations

import csv
import os
import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.history.observations import DONE, NOTE, Observation
from daq.clock import VirtualClock
from daq.errors import ForeignFileError, InputError, RecordError
from daq.record.format import OBSERVATIONS
from daq.record.observations import MAX_NOTE, MAX_OBSERVATIONS, append_observations, read_observations
from daq.record.reader import read_run
from tests.daq.kits.cli import say
from tests.daq.kits.record import START, start

SAMPLES = Path(__file__).parents[3] / "sample_runs"
(SWEPT,) = (SAMPLES / "cleaning").glob("*-as-received")
STUCK, WASHED = Observation("Y3", "plunger", "stuck"), Observation("Y3", DONE, "washed")
CLOCK = VirtualClock(START)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A closed run."""
    with start(tmp_path) as record:
        record.close("complete", {"coils": []})
        return record.folder


def read(folder: Path) -> tuple[list[Observation], list[str]]:
    """Return what was noted, and what is wrong with it."""
    problems: list[str] = []
    return list(read_observations(folder, problems)), problems


def test_what_is_noted_is_read_back_and_the_record_stays_as_it_was(folder: Path) -> None:
    """Rows carry time and operator; no other file changes, and the manifest holds against all it names."""
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    noted = append_observations(folder, [STUCK, Observation("Y3", NOTE, "", "bent pin", "", "A. T.")], CLOCK)
    noted += append_observations(folder, [WASHED], CLOCK)
    assert read(folder) == (noted, [])
    assert [(each.utc, each.operator) for each in noted[:2]] == [
        ("2026-01-05T08:00:00Z", ""),
        ("2026-01-05T08:00:00Z", "A. T."),
    ]
    assert {path.name: path.read_bytes() for path in folder.iterdir() if path.name in before} == before
    run = read_run(folder)
    assert (run.problems, run.state, list(run.observations)) == ((), "complete", noted)


def test_an_observation_of_a_run_that_still_goes_is_none_of_its_closed_files(tmp_path: Path) -> None:
    """What is noted before the run closes may grow after it, and is not taken for a changed file."""
    with start(tmp_path) as record:
        append_observations(record.folder, [STUCK], CLOCK)
        record.close("complete", None)
    append_observations(record.folder, [WASHED], CLOCK)
    assert read_run(record.folder).problems == ()


@pytest.mark.slow
@settings(max_examples=40)
@given(texts=st.lists(st.text(max_size=40), min_size=1, max_size=4))
def test_any_text_comes_back_on_one_line_with_its_check(
    tmp_path_factory: pytest.TempPathFactory, texts: list[str]
) -> None:
    """Commas, quotes, formulas, line ends, codes, half letters: read as noted, and the checks hold."""
    folder = tmp_path_factory.mktemp("run")
    (folder / "header.json").write_text("{}", encoding="utf-8")
    noted = append_observations(folder, [Observation("Y1", NOTE, "", text) for text in texts], CLOCK)
    assert read(folder) == (noted, [])
    assert len((folder / OBSERVATIONS).read_bytes().splitlines()) == 1 + len(texts)


@pytest.mark.parametrize("text", ["=1+1", "@SUM(A1)", "+3", "-3", "a;=1+1", "\t=1", "＝1"])
def test_no_spreadsheet_runs_a_note(folder: Path, text: str) -> None:
    """A cell that would start as a formula is marked."""
    append_observations(folder, [Observation("Y1", NOTE, "", text, "", text)], CLOCK)
    with (folder / OBSERVATIONS).open(encoding="utf-8", newline="") as file:
        row = list(csv.reader(file))[1]
    for cell in (row[1], row[5]):
        assert all(part.lstrip().startswith("'") for part in cell.split(";")[-1:]), cell


def test_changes_after_the_fact_are_found(folder: Path) -> None:
    """A word changed, a row taken out, a row put in: the row where it shows is named; once each."""
    append_observations(folder, [STUCK], CLOCK)
    append_observations(folder, [WASHED], CLOCK)
    append_observations(folder, [STUCK], CLOCK)
    table = folder / OBSERVATIONS
    heading, *rows = table.read_text(encoding="utf-8").splitlines(keepends=True)
    for changed, line in (
        ([rows[0].replace("stuck", "free"), *rows[1:]], 2),
        (rows[1:], 2),
        ([rows[0], rows[2]], 3),
        ([rows[0], rows[0], *rows[1:]], 3),
    ):
        table.write_text(heading + "".join(changed), encoding="utf-8")
        problems = [each for each in read(folder)[1] if "not as it was written" in each]
        assert problems[0].startswith(f"{OBSERVATIONS}:{line}:")
        assert any(OBSERVATIONS in each for each in read_run(folder).problems)


def test_rows_of_another_run_are_found(folder: Path, tmp_path: Path) -> None:
    """The first check is made of the run's own header."""
    append_observations(folder, [STUCK], CLOCK)
    with start(tmp_path / "other", job="J-2") as record:
        shutil.copy(folder / OBSERVATIONS, record.folder)
    assert "not as it was written" in read(record.folder)[1][0]


def test_a_torn_row_costs_itself_alone(folder: Path) -> None:
    """What a crash cut stays cut, is said, and what is noted next stands on a line of its own."""
    append_observations(folder, [STUCK, STUCK], CLOCK)
    table = folder / OBSERVATIONS
    table.write_bytes(table.read_bytes()[:-30])
    noted = append_observations(folder, [WASHED], CLOCK)
    seen, problems = read(folder)
    assert [each.found for each in seen] == ["stuck", "washed"]
    assert seen[-1] == noted[0]
    assert len(problems) == 1
    assert "cells instead of" in problems[0]


def test_two_at_once_make_one_chain(folder: Path) -> None:
    """Programs that note something at the same moment wait for each other."""
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda _: append_observations(folder, [STUCK, WASHED], CLOCK), range(16)))
    seen, problems = read(folder)
    assert (len(seen), problems) == (32, [])


def test_words_that_are_not_on_the_list_are_left_out(folder: Path) -> None:
    """Noted they are refused; found in a table they are named and nothing is made of them."""
    with pytest.raises(InputError, match="not on the list"):
        append_observations(folder, [Observation("Y1", "plunger", "purple")], CLOCK)
    assert not (folder / OBSERVATIONS).exists()
    append_observations(folder, [STUCK], CLOCK)
    table = folder / OBSERVATIONS
    table.write_text(table.read_text("utf-8").replace("plunger", "engine"), encoding="utf-8")
    seen, problems = read(folder)
    assert seen == []
    assert "nothing that this program would note" in problems[-1]


def test_room_is_bounded(folder: Path) -> None:
    """Endless texts and endless tables are refused, in words."""
    with pytest.raises(InputError, match="--note: 501 characters"):
        append_observations(folder, [Observation("Y1", NOTE, "", "x" * (MAX_NOTE + 1))], CLOCK)
    append_observations(folder, [STUCK] * MAX_OBSERVATIONS, CLOCK)
    with pytest.raises(InputError, match="no room"):
        append_observations(folder, [STUCK], CLOCK)
    table = folder / OBSERVATIONS
    table.write_bytes(table.read_bytes() + b"x,x,x,x,x,x,x\n")
    seen, problems = read(folder)
    assert len(seen) == MAX_OBSERVATIONS
    assert "more than" in problems[0]


def test_a_pipe_or_folder_in_its_place_holds_nobody_up(folder: Path) -> None:
    """Neither is opened; a pipe is nothing that a run ever had."""
    table = folder / OBSERVATIONS
    os.mkfifo(table)
    with pytest.raises(ForeignFileError, match="not a plain file"):
        read(folder)
    with pytest.raises(ForeignFileError, match="not a plain file"):
        append_observations(folder, [STUCK], CLOCK)
    table.unlink()
    table.mkdir()
    assert "is a folder" in read(folder)[1][0]
    with pytest.raises(RecordError, match="is a folder"):
        append_observations(folder, [STUCK], CLOCK)


def test_the_command_notes_and_lists(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`observe` writes what was seen and done, shows it again, and judge, compare and JSON tell of it."""
    run = tmp_path / "run"
    shutil.copytree(SWEPT, run)
    assert say(capsys, "observe", run).out == "nothing was noted of this run\n"
    said = say(capsys, "observe", run, "--coil", "Y3", "--plunger", "stuck", "--debris", "fine metal",
               "--did", "washed", "--note", "left pin bent", "--operator", "A. T.")  # fmt: skip
    assert said.out.startswith('Y3: plunger stuck, debris: fine metal, washed, "left pin bent"')
    assert say(capsys, "observe", run, "--coil", "y5", "--contact", "sound").out.startswith(
        "Y5: contact sound"
    )
    assert say(capsys, "observe", run, "--all", "--did", "demagnetised").out.startswith("Y1, Y2, Y3, Y4")
    assert len(say(capsys, "observe", run).out.splitlines()) >= 2
    assert "seen: Y3: plunger stuck" in say(capsys, "judge", run).out
    seen = say(capsys, "judge", run, "--json").json()["observations"]
    assert len(seen) == 4 + 1 + 8
    assert {"coil", "item", "found", "text", "utc", "operator"} == seen[0].keys()
    (after,) = (SAMPLES / "cleaning").glob("*-after-cleaning")
    out = say(capsys, "compare", run, after).out
    assert "seen or done after run 1: plunger stuck, debris: fine metal, washed" in out
    assert "note: all coils after run 1: demagnetised" in out


def test_what_is_not_to_be_noted_is_refused_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No run, nothing to note, nobody named, a coil that is not there, a word that is not on the list."""
    run = tmp_path / "run"
    shutil.copytree(SWEPT, run)
    for args, why in (
        ((tmp_path / "none", "--all", "--did", "washed"), "expected a run folder"),
        ((run, "--coil", "Y1"), "nothing to note"),
        ((run, "--did", "washed"), "whose?"),
        ((run, "--all", "--coil", "Y1", "--did", "washed"), "whose?"),
        ((run, "--coil", "Y99", "--did", "washed"), "--coil Y99: not in this run"),
        ((run, "--coil", "Y1", "--plunger", "purple"), "'purple' is not one of"),
    ):
        assert why in say(capsys, "observe", *args).complaint(), args
    assert not (run / OBSERVATIONS).exists()
    (run / OBSERVATIONS).mkdir()
    assert (
        "see that you may write in the run folder"
        in say(capsys, "observe", run, "--all", "--did", "washed").complaint()
    )
