"""A cut soak goes on: what was done is kept, the part in the middle is done again, the record says so."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from analysis.model import OVER_RANGE
from daq.record.format import EVENTS, MANIFEST, READINGS
from daq.record.reader import read_run
from daq.run.resume import open_cut_run
from tests.daq.kits.cli import COIL_SET, RIG, say, spoiled
from tests.daq.kits.soak import FAULTS, Ran, run, small_set, table

STEPS = {"oven": "[50, 70, 90]", "supply": "[60]"}
VERDICTS = {label: FAULTS[label] for label in ("Y1", "Y4", "Y5")}


def expected(heat: str, whole: Ran) -> dict[str, tuple[str, str]]:
    """Verdicts and reasons: by its own heat a joint convicts only beside two sound like parts."""
    if heat == "oven":
        return VERDICTS
    verdict, reasons = whole.verdicts()["Y5"]
    assert (verdict, reasons.split()[0]) == ("retest", "joint-own-heat")
    return VERDICTS | {"Y5": (verdict, reasons)}


@pytest.fixture(scope="module")
def soaks(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Ran]:
    """A complete soak of each kind of heating, made once, of three coils."""
    out = tmp_path_factory.mktemp("soaks")
    return {heat: run(out / heat, heat=heat, coil_set=coil_set(out, heat)) for heat in ("oven", "supply")}


def coil_set(folder: Path, heat: str) -> Path:
    """Write a set of three coils, two of them bad, whose soak is short."""
    known = {"joint_u_ohm": 0.02, "cool_s": 600} if heat == "supply" else {}
    return small_set(folder, "Y1", "Y4", "Y5", steps_degC=STEPS[heat], hold_s=60, **known)


def resume(old: Path, out: Path, heat: str) -> Ran:
    """Go on with *old*, with the same set."""
    out.mkdir(exist_ok=True)
    return run(out, resume=old, coil_set=coil_set(out, heat))


def cut(ran: Ran, folder: Path, after: str, coil: str = "", rows: int = 150) -> Path:
    """Copy a run as if it had been killed *rows* rows after a part was done, while writing one more."""
    shutil.copytree(ran.outcome.folder, folder)
    for name in (MANIFEST, "result.json", "report.pdf"):
        (folder / name).unlink(missing_ok=True)
    events = (folder / EVENTS).read_text().splitlines(keepends=True)
    done = [f",done,{coil},{after}," in event for event in events].index(True)
    done_s = float(events[done].split(",")[0])
    lines = (folder / READINGS).read_text().splitlines(keepends=True)
    kept = sum(1 for line in lines[1:] if float(line.split(",")[0]) <= done_s) + 1
    (folder / READINGS).write_text("".join(lines[: kept + rows]) + lines[kept + rows][:17])
    cut_s = float(lines[kept + rows].split(",")[0])
    (folder / EVENTS).write_text("".join(e for e in events if e[0] == "t" or float(e.split(",")[0]) < cut_s))
    return folder


@pytest.mark.slow
@pytest.mark.parametrize(
    ("heat", "after", "coil"),
    [("oven", "step 50 degC", ""), ("oven", "cold before", ""), ("supply", "soaked", "Y1")],
)
def test_a_cut_soak_ends_with_the_verdicts_of_one_that_was_not(
    tmp_path: Path, soaks: dict[str, Ran], heat: str, after: str, coil: str
) -> None:
    """Resumed in a folder of its own: same verdicts; rows done are copied, those of the cut part are not."""
    whole = soaks[heat]
    old = cut(whole, tmp_path / "old", after, coil)
    before = {path.name: path.read_bytes() for path in old.iterdir() if path.is_file()}
    ran = resume(old, tmp_path / "runs", heat)
    assert ran.outcome.error is None
    assert ran.verdicts() == whole.verdicts() == expected(heat, whole)
    new = read_run(ran.outcome.folder)
    assert (new.state, new.problems) == ("complete", ())
    assert new.header.settings["heat"] == heat
    assert new.header.resumed is not None
    assert new.header.resumed.folder == "old"
    kept = new.header.resumed.rows_kept
    heading, *lines, _torn = before[READINGS].splitlines(keepends=True)
    # While Y1 cooled, Y4 was heated: rows of a coil that was not done are not copied.
    done = lines[:-150] if heat == "oven" else [line for line in lines[:-150] if line.split(b",")[1] == b"Y1"]
    assert ran.bytes_of(READINGS).splitlines(keepends=True)[: kept + 1] == [heading, *done]
    assert new.header.resumed.rows_left == len(lines) - kept
    times = new.readings.time_s
    assert (times[kept:] > times[kept - 1] + 59.0).all()
    said = [event.text for event in new.events if event.kind == "resume"]
    assert said[0].startswith("goes on with old (cut off); kept from it: ")
    assert said[0] in ran.screen
    # Nothing that was logged is touched.
    assert {path.name: path.read_bytes() for path in old.iterdir() if path.is_file()} == before


@pytest.mark.slow
def test_only_what_was_not_done_is_done_again(tmp_path: Path, soaks: dict[str, Ran]) -> None:
    """After the resume no row of a finished step or coil is new, and all the others are."""
    ran = resume(cut(soaks["oven"], tmp_path / "a", "step 70 degC"), tmp_path / "oven", "oven")
    kept = ran_rows_kept(ran)
    assert {row["step_degC"] for row in ran.rows()[kept:]} == {"90.0", ""}
    assert {row["phase"] for row in ran.rows()[kept:]} == {"rise", "hold", "drive", "cool", "return", "sweep"}
    ran = resume(cut(soaks["supply"], tmp_path / "b", "soaked", "Y1"), tmp_path / "supply", "supply")
    kept = ran_rows_kept(ran)
    assert {row["coil"] for row in ran.rows()[kept:]} == {"Y4", "Y5"}
    assert "ambient" in {row["phase"] for row in ran.rows()[kept:]}
    assert any(
        event["coil"] == "Y4" and event["text"].startswith("waits until it is back at")
        for event in ran.events()
    )


def ran_rows_kept(ran: Ran) -> int:
    """Return how many rows a resumed run took over."""
    resumed = read_run(ran.outcome.folder).header.resumed
    assert resumed is not None
    return resumed.rows_kept


@pytest.mark.slow
def test_a_resumed_run_that_is_cut_again_is_resumed_again(tmp_path: Path, soaks: dict[str, Ran]) -> None:
    """Time goes on from run to run, and the first start stays the origin."""
    first = cut(soaks["oven"], tmp_path / "first", "cold before")
    second = cut(resume(first, tmp_path / "runs", "oven"), tmp_path / "second", "step 70 degC")
    third = resume(second, tmp_path / "runs", "oven")
    assert third.verdicts() == VERDICTS
    header = read_run(third.outcome.folder).header
    assert header.resumed is not None
    assert header.resumed.folder == "second"
    assert header.resumed.start_utc == read_run(first).header.start_utc
    times = [float(row["time_s"]) for row in third.rows()]
    assert times == sorted(times)


def test_a_dropout_seen_in_the_cut_part_is_not_forgotten(tmp_path: Path, soaks: dict[str, Ran]) -> None:
    """Rows left behind count for no verdict, but what they showed open is said in the new record."""
    old = cut(soaks["supply"], tmp_path / "old", "soaked", "Y1", rows=600)
    behind = [
        row for row in table(old / READINGS)[:-1] if row["coil"] == "Y4" and row["status"] == OVER_RANGE
    ]
    assert behind
    told = dict(open_cut_run(old).notes)
    assert told["Y4"] == f"{len(behind)} readings open or over range in the part that was cut, see old"


def test_other_files_are_refused_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], soaks: dict[str, Ran]
) -> None:
    """A set or rig file that is not the one the soak was begun with, or another --heat, is named."""
    old = cut(soaks["oven"], tmp_path / "old", "step 50 degC")
    common = ("soak", "--resume", old, "--out", tmp_path / "runs")
    complaint = say(capsys, *common, "--set", COIL_SET).complaint()
    assert complaint == (
        f"--resume {old}: {COIL_SET} is not the file that soak was begun with "
        "(winch and blade manifold (invented)); "
        f"expected the same --set, of which {old / 'coil_set.toml'} is a copy"
    )
    other = spoiled(tmp_path, RIG, "voltage_V = 14.0", "voltage_V = 13.0")
    assert "expected the same --rig" in say(capsys, *common, "--rig", other).complaint()
    assert "heats by oven; leave --heat out" in say(capsys, *common, "--heat", "supply").complaint()
    assert not (tmp_path / "runs").exists()


def test_what_cannot_be_resumed_is_refused_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], soaks: dict[str, Ran]
) -> None:
    """A complete soak, a sweep, a folder that is no record, and a header that says no heating."""
    whole = soaks["oven"].outcome.folder
    assert "that soak is complete" in say(capsys, "soak", "--resume", whole).complaint()
    assert "expected a run folder" in say(capsys, "soak", "--resume", tmp_path).complaint()
    sweep = run(tmp_path / "runs", kind="sweep").outcome.folder
    assert "a sweep, expected a soak" in say(capsys, "soak", "--resume", sweep).complaint()
    old = cut(soaks["oven"], tmp_path / "old", "step 50 degC")
    header = json.loads((old / "header.json").read_text())
    header["settings"]["heat"] = "by the sun"
    (old / "header.json").write_text(json.dumps(header))
    assert "does not say how it heated" in say(capsys, "soak", "--resume", old).complaint()


def test_a_damaged_record_is_resumed_from_what_reads(tmp_path: Path, soaks: dict[str, Ran]) -> None:
    """Done-marks without a time, rows without a number and a missing table take nothing else with them."""
    old = cut(soaks["oven"], tmp_path / "old", "step 50 degC")
    rows = open_cut_run(old).resumed.rows_kept
    lines = (old / READINGS).read_text().splitlines(keepends=True)
    lines[5] = "x" + lines[5]
    lines[6] = lines[6].rpartition(",")[0] + "\n"
    (old / READINGS).write_text("".join(lines))
    assert open_cut_run(old).resumed.rows_kept == rows - 2
    events = (old / EVENTS).read_text()
    (old / EVENTS).write_text(events + ",x,done,,step 90 degC\n")
    assert ("", "step 90 degC") not in open_cut_run(old).finished.parts
    (old / READINGS).unlink()
    assert open_cut_run(old).resumed.rows_kept == 0
    (old / EVENTS).unlink()
    assert open_cut_run(old).finished.parts == frozenset()
