"""Judging records and tables from the command line: same verdicts, damage told, nothing overwritten."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader

from analysis.physics.copper import resistance_factor
from daq.archive.judgement import judge_path
from daq.record.reader import read_run
from tests.daq.kits.cli import COIL_SET, ROOT, say, spoiled
from tests.daq.kits.soak import run

MEASURED = ROOT / "fixtures" / "tables" / "copper_measured_2011.csv"


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a complete run: a sweep of the invented set, with its report."""
    return run(tmp_path_factory.mktemp("recorded"), kind="sweep", drawn=True).outcome.folder


@pytest.fixture
def copy(recorded: Path, tmp_path: Path) -> Path:
    """A copy of that run, to be damaged."""
    return Path(shutil.copytree(recorded, tmp_path / "copy"))


def table(path: Path, text: str) -> Path:
    """Write a CSV file."""
    path.write_text(text, encoding="utf-8")
    return path


def copper(r20_ohm: float, *temperatures_degC: float, joint_ohm: float = 0.0) -> list[tuple[float, float]]:
    """Return settled points of an invented copper coil with something in series."""
    return [(t, r20_ohm * float(resistance_factor(t)) + joint_ohm) for t in temperatures_degC]


@pytest.mark.slow
def test_a_folder_is_judged_as_its_own_result_says(
    capsys: pytest.CaptureFixture[str], recorded: Path
) -> None:
    """Judging a finished run again gives the coils of its result.json, number for number."""
    said = say(capsys, "judge", recorded, "--json")
    kept = json.loads((recorded / "result.json").read_bytes())
    assert (said.status, said.err) == (0, "")
    assert said.json()["coils"] == kept["coils"]
    assert said.json()["run"] == str(recorded)
    assert said.json()["notes"] == kept["notes"]


def test_a_note_of_the_judgement_stands_in_the_report_once() -> None:
    """What is told of the whole set is told once, and not again as a note of the run."""
    (recorded,) = (Path(__file__).parents[3] / "sample_runs" / "healthy").iterdir()
    notes = json.loads((recorded / "result.json").read_bytes())["notes"]
    text = " ".join(page.extract_text() for page in PdfReader(recorded / "report.pdf").pages)
    assert notes
    assert [" ".join(text.split()).count(note[:60]) for note in notes] == [1] * len(notes)


@pytest.mark.slow
def test_a_record_tells_what_its_readings_could_have_missed(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The meter's integration time on record tells the missed share; a bare table, only the spacing."""
    (recorded,) = (Path(__file__).parents[3] / "sample_runs" / "healthy").iterdir()
    told = [note for note in say(capsys, "judge", recorded, "--json").json()["notes"] if "while warm" in note]
    assert told
    assert all("by chance: " in note and "1 ms" in note for note in told)
    rows = say(capsys, "judge", recorded / "readings.csv", "--json").json()
    bare = [note for note in rows["notes"] if "while warm" in note]
    assert bare
    assert all("cannot be told without the meter's integration time" in note for note in bare)
    assert all(coil["interruptions"]["kind"] for coil in rows["coils"])


@pytest.mark.slow
def test_judging_again_leaves_the_record_alone(capsys: pytest.CaptureFixture[str], recorded: Path) -> None:
    """A record is evidence: after judge it is byte for byte what it was."""
    before = {path: path.read_bytes() for path in recorded.rglob("*") if path.is_file()}
    assert say(capsys, "judge", recorded).status == 0
    assert {path: path.read_bytes() for path in recorded.rglob("*") if path.is_file()} == before


@pytest.mark.slow
def test_a_torn_row_is_left_out_and_told(capsys: pytest.CaptureFixture[str], copy: Path) -> None:
    """A run cut in the middle of a row is judged up to there, says cut, and tells about the row."""
    readings = copy / "readings.csv"
    readings.write_bytes(readings.read_bytes()[:-7])
    (copy / "manifest.json").unlink()
    said = say(capsys, "judge", copy, "--json")
    result = said.json()
    assert said.status == 0
    assert result["state"] == "cut"
    assert any("the last row is torn" in note for note in result["notes"])
    assert len(result["coils"]) == 8
    shown = say(capsys, "judge", copy)
    assert "note: readings.csv: the last row is torn" in shown.out


@pytest.mark.slow
def test_a_flipped_byte_is_told(capsys: pytest.CaptureFixture[str], copy: Path) -> None:
    """A digit changed after the run closed does not stop the judgement, but it is said which file changed."""
    readings = copy / "readings.csv"
    data = bytearray(readings.read_bytes())
    at = data.index(b",sweep,")
    at = data.index(b".", at) + 1
    data[at] = ord("9") if data[at] != ord("9") else ord("8")
    readings.write_bytes(bytes(data))
    said = say(capsys, "judge", copy, "--json")
    assert said.status == 0
    assert any("readings.csv: was changed after the run closed" in note for note in said.json()["notes"])


@pytest.mark.slow
def test_a_record_of_a_newer_program_is_refused(capsys: pytest.CaptureFixture[str], copy: Path) -> None:
    """A header of a schema that this program does not know is not guessed at."""
    header = copy / "header.json"
    plain = json.loads(header.read_bytes()) | {"schema": 999}
    header.write_text(json.dumps(plain), encoding="utf-8")
    line = say(capsys, "judge", copy, "--json").complaint()
    assert "written by a newer program (schema 999" in line
    assert "update this one" in line


@pytest.mark.slow
def test_a_record_without_its_coil_set_takes_another(
    capsys: pytest.CaptureFixture[str], recorded: Path, copy: Path
) -> None:
    """Where the coil set of a record is damaged its path is named, and --set gives it another."""
    (copy / "coil_set.toml").write_text("what?", encoding="utf-8")
    assert say(capsys, "judge", copy).complaint().startswith(f"{copy / 'coil_set.toml'}:1: not valid TOML")
    said = say(capsys, "judge", copy, "--set", "snow_groomer", "--json")
    assert said.status == 0
    verdicts = [coil["verdict"] for coil in said.json()["coils"]]
    assert verdicts == [coil.verdict for coil in judge_path(recorded, None).result.coils]


@pytest.mark.slow
def test_other_limits_give_other_verdicts(
    capsys: pytest.CaptureFixture[str], recorded: Path, tmp_path: Path
) -> None:
    """--set stands before the record's own set: a narrow tolerance fails what passed."""
    narrow = spoiled(tmp_path, COIL_SET, "r20_ohm = 3.30 ", "r20_ohm = 3.60 ")
    narrow = spoiled(tmp_path, narrow, "r20_tolerance_rel = 0.10", "r20_tolerance_rel = 0.01")
    verdict = {
        coil["coil"]: coil["verdict"] for coil in say(capsys, "judge", recorded, "--json").json()["coils"]
    }
    said = say(capsys, "judge", recorded, "--set", narrow, "--json")
    other = {coil["coil"]: coil["verdict"] for coil in said.json()["coils"]}
    assert verdict["Y1"] == "pass"
    assert other["Y1"] == "fail"
    assert other["Y6"] == verdict["Y6"]


def test_measured_copper_with_a_slope_no_copper_has_is_not_passed(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A real measurement whose slope lies 22 % below that of copper is a retest, with that reason.

    Source: sample report of a student laboratory, Czech Technical University in Prague (2011).
    """
    points = [line.split(",")[2:4] for line in MEASURED.read_text(encoding="utf-8").splitlines()[1:]]
    assert len(points) == 17
    text = "probe_degC,resistance_ohm\n" + "".join(f"{t},{ohm}\n" for t, ohm in points)
    said = say(capsys, "judge", table(tmp_path / "copper.csv", text), "--json")
    (coil,) = said.json()["coils"]
    assert said.status == 0
    assert coil["verdict"] == "retest"
    # The table ends at 60 degC, on the way up.
    assert [reason["code"] for reason in coil["reasons"]] == ["slope-implausible", "broken-off"]
    assert coil["coil"] == "copper"
    slope_ohm_per_K, zero_ohm = np.polyfit(*np.array(points, dtype=float).T, 1)
    straight_per_K = slope_ohm_per_K / (zero_ohm + 20.0 * slope_ohm_per_K)
    assert coil["alpha20_per_K"] == pytest.approx(straight_per_K, rel=0.02)


def test_settled_points_need_no_time(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Columns in any order, empty cells, columns of others, several coils, a decimal comma: judged all."""
    lines = ["resistance_ohm;remark;coil;probe_degC"]
    for label, points in (
        ("B", copper(5.3, 20.0, 40.0, 60.0, 80.0)),
        ("A", copper(3.3, 20.0, 40.0, 60.0, 80.0, joint_ohm=0.4)),
    ):
        lines += [f"{ohm:.4f};x;{label};{t:.1f}".replace(".", ",") for t, ohm in points]
    lines.append(";not read;A;70,0")
    said = say(capsys, "judge", table(tmp_path / "t.csv", "\n".join(lines)), "--json")
    b, a = said.json()["coils"]
    assert (b["coil"], a["coil"]) == ("B", "A")
    assert b["verdict"] == "pass"
    assert b["r20_ohm"] == pytest.approx(5.3, abs=0.01)
    assert a["verdict"] != "pass"
    assert a["joint_ohm"] == pytest.approx(0.4, abs=2 * a["joint_u_ohm"])
    assert said.json()["state"] == "complete"


def test_resistance_is_taken_from_volts_and_amperes_where_no_ohms_are(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A table of probe, voltage and current is one coil named like its file."""
    rows = [f"{t},{8.4},{8.4 / ohm:.5f}" for t, ohm in copper(3.3, 20.0, 50.0, 80.0)]
    text = "\n".join(["probe_degC,voltage_V,current_A", *rows])
    (coil,) = say(capsys, "judge", table(tmp_path / "valve.csv", text), "--json").json()["coils"]
    assert coil["coil"] == "valve"
    assert coil["r20_ohm"] == pytest.approx(3.3, abs=0.02)


def test_one_temperature_determines_no_slope(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """From readings at one temperature R20 is had and slope and joint are null; without any, R20 too."""
    text = "coil,probe_degC,resistance_ohm\n" + "one,21.0,3.313\n" * 3 + "none,21.0,OL\nvoid,21.0,\n"
    one, none, void = say(capsys, "judge", table(tmp_path / "t.csv", text), "--json").json()["coils"]
    assert one["r20_ohm"] == pytest.approx(3.30, abs=0.01)
    for key in ("alpha20_per_K", "alpha20_u_per_K", "joint_ohm", "joint_u_ohm"):
        assert one[key] is None
    assert none["r20_ohm"] is none["r20_u_ohm"] is void["r20_ohm"] is None
    assert none["verdict"] != "pass"
    assert void["verdict"] == "retest"


@pytest.mark.slow
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_table_gets_its_report(capsys: pytest.CaptureFixture[str], tmp_path: Path, paper: str) -> None:
    """--report makes the folder and writes report, curves of each coil and the JSON that --json prints."""
    rows = [f"{label},{t},{ohm:.4f}" for label in ("A", "B/../C") for t, ohm in copper(3.3, 20.0, 50.0, 80.0)]
    path = table(tmp_path / "t.csv", "\n".join(["coil,probe_degC,resistance_ohm", *rows]))
    folder = tmp_path / "deep" / "report"
    said = say(capsys, "judge", path, "--report", folder, "--paper", paper, "--json")
    assert said.status == 0
    assert json.loads((folder / "result.json").read_bytes()) == said.json()
    assert (folder / "report.pdf").read_bytes().startswith(b"%PDF-")
    assert {path.name for path in folder.iterdir()} == {"report.pdf", "curves", "result.json"}
    assert sorted(path.suffix for path in (folder / "curves").iterdir()) == [".png", ".png", ".svg", ".svg"]


@pytest.mark.slow
def test_a_report_never_replaces_anything(
    capsys: pytest.CaptureFixture[str], recorded: Path, tmp_path: Path
) -> None:
    """A folder that holds a result, a report or curves, or is no folder, is refused and stays as it was."""
    path = table(tmp_path / "t.csv", "probe_degC,resistance_ohm\n20,3.3\n")
    for name in ("result.json", "report.pdf", "curves"):
        folder = tmp_path / name.partition(".")[0]
        folder.mkdir()
        (folder / name).write_text("mine", encoding="utf-8")
        line = say(capsys, "judge", path, "--report", folder).complaint()
        assert line == f"{folder / name}: is there already and is not overwritten; choose another folder"
        assert [each.name for each in folder.iterdir()] == [name]
        assert (folder / name).read_text(encoding="utf-8") == "mine"
    assert "cannot be written" in say(capsys, "judge", path, "--report", path).complaint()
    line = say(capsys, "judge", recorded, "--report", recorded).complaint()
    assert "is not overwritten" in line
    assert read_run(recorded).problems == ()


def test_a_table_is_held_to_what_its_bench_is_good_for(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A rig file says how good the probes of a table were; without one a guess that matters is told."""
    rows = [f"Y1,{degC},{ohm:.4f}" for degC, ohm in copper(3.6, 21.0, 50.0, 70.0, 90.0, 21.0, joint_ohm=0.07)]
    path = table(tmp_path / "points.csv", "coil,probe_degC,resistance_ohm\n" + "\n".join(rows) + "\n")
    guessed, known = (
        say(capsys, "judge", path, *rig, "--json").json() for rig in ((), ("--rig", "simulated"))
    )
    assert known["coils"][0]["r20_u_ohm"] < 0.75 * guessed["coils"][0]["r20_u_ohm"]
    assert guessed["coils"][0]["reasons"][0]["code"] == "joint-unsure"
    assert any("give it with --rig" in note for note in guessed["notes"])
    assert not any("give it with --rig" in note for note in known["notes"])


@pytest.mark.slow
def test_a_run_says_itself_what_it_was_measured_with(
    capsys: pytest.CaptureFixture[str], recorded: Path
) -> None:
    """A rig file beside a run is refused: another one would change what the record says."""
    assert "leave it out" in say(capsys, "judge", recorded, "--rig", "simulated").complaint()
