"""`coilsoak compare` from the command line: table, JSON, files, and what it refuses."""

from __future__ import annotations

import io
import json
import shutil
from pathlib import Path

import pytest
from rich.cells import cell_len
from rich.console import Console

from analysis.history.history import history
from analysis.history.words import state
from daq.archive.comparison import comparison_object
from daq.archive.comparison_table import comparison
from tests.analysis.kits.history import SOUND, run, swept
from tests.daq.kits.cli import say

SAMPLES = Path(__file__).parents[3] / "sample_runs"
(SOAK,) = (SAMPLES / "faults").glob("*-as-received")
(BEFORE,) = (SAMPLES / "cleaning").glob("*-as-received")
(AFTER,) = (SAMPLES / "cleaning").glob("*-after-cleaning")


def test_a_cleaned_contact_is_told_in_80_columns(capsys: pytest.CaptureFixture[str]) -> None:
    """The one coil that changed stands out in the table, with a sentence of its own; all lines fit."""
    said = say(capsys, "compare", BEFORE, AFTER)
    assert said.status == 0
    assert said.err == ""
    assert max(map(len, said.out.splitlines())) <= 80
    rows = {line.split()[0]: line.split()[-1] for line in said.out.splitlines() if line.startswith("Y")}
    assert rows["Y5"] == "SG-105)"  # the last line that starts so is the heading of its sentence
    assert [name for name, last in rows.items() if last == "same"] == [f"Y{n}" for n in (1, 2, 3, 4, 6, 7, 8)]
    assert "R20 fell by 0.327" in said.out
    assert "FAIL in run 1, PASS in run 2" in said.out


def test_long_labels_and_many_ohms_fit_80_columns() -> None:
    """Labels of twelve letters and coils of hundreds of ohms leave each coil its one line."""
    coils = {"Vorsteuer-A1": 331.68, "Kupplung K14": 331.8, "磁気弁第二": 332.0, "Y4": 33.1}
    found = history([run(n, swept(coils, 20.0 + n, seed=n)) for n in range(4)])
    out = io.StringIO()
    Console(file=out, width=80).print(comparison(found))
    lines = out.getvalue().splitlines()
    assert max(map(cell_len, lines)) <= 80
    for coil in coils:
        (row,) = (line for line in lines if line.startswith(f"{coil} ") and "±" in line)
        assert row.rstrip().endswith(state(next(c for c in found.coils if c.name == coil), found.runs))


def test_a_set_that_moved_together_is_in_the_json_as_figures() -> None:
    """Who moved from which run to which, by what share, and how sure that is."""
    found = history([run(1, swept(SOUND)), run(2, swept(SOUND, seed=2, hotter_K=3.0))])
    (move,) = comparison_object(found)["together"]  # type: ignore[misc]
    assert (move["first"], move["second"], move["coils"]) == (1, 2, tuple(SOUND))
    assert move["share"]["mean"] == pytest.approx(3.0 / 254.5, rel=0.05)
    assert move["share"]["n"] == 5
    assert move["share"]["expanded_u"] > 2.0 * move["share"]["u"]


def test_a_failed_soak_stands_over_cold_sweeps(capsys: pytest.CaptureFixture[str]) -> None:
    """Y2 failed in heat and passes cold: that takes nothing back; energised coils are to be re-checked."""
    said = say(capsys, "compare", SOAK, BEFORE, AFTER, "--json").json()
    standing = {coil["coil"]: coil["standing"] for coil in said["coils"]}
    assert standing["Y2"] == "fail"
    assert standing["Y1"] == "pass"
    assert [run["energised"] != [] for run in said["runs"]] == [True, False, False]
    (note,) = said["notes"]
    assert note.startswith("Y1, Y2, Y3, Y4, Y5, Y6, Y7, Y8: not re-checked since energised in run 1")


def test_json_has_changes_with_their_budgets(capsys: pytest.CaptureFixture[str]) -> None:
    """Of each coil its results, its steps and the whole, runs counted from 1, with what U is made of."""
    said = say(capsys, "compare", BEFORE, AFTER, "--json").json()
    y5 = next(coil for coil in said["coils"] if coil["coil"] == "Y5")
    assert (y5["state"], y5["serial"]) == ("changed", "SG-105")
    whole = y5["whole"]
    assert (whole["first"], whole["second"], whole["significant"]) == (1, 2, True)
    assert whole["r20"]["value"] == pytest.approx(-0.327, abs=2e-3)
    assert {"meter offset", "probe offset", "noise of the readings"} < {
        part["name"] for part in whole["r20"]["components"]
    }
    assert whole["read_ohm"] == pytest.approx(
        y5["results"][1]["read"]["ohm"] - y5["results"][0]["read"]["ohm"]
    )


@pytest.mark.slow
def test_files_are_written_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--report makes JSON and plot, and writes over nothing."""
    folder = tmp_path / "new" / "comparison"
    assert say(capsys, "compare", BEFORE, AFTER, "--report", folder).status == 0
    assert sorted(path.name for path in folder.iterdir()) == ["comparison.json", "slopes.png", "slopes.svg"]
    assert len(json.loads((folder / "comparison.json").read_bytes())["coils"]) == 8
    again = say(capsys, "compare", BEFORE, AFTER, "--report", folder).complaint()
    assert "is not overwritten" in again


def test_what_is_no_comparison_is_refused_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One run, no run, a table, a folder without a record, the same run twice or as a copy."""
    (tmp_path / "empty").mkdir()
    table = tmp_path / "table.csv"
    table.write_text("coil,probe_degC,resistance_ohm\nY1,20,3.3\n", encoding="utf-8")
    copy = tmp_path / "copy"
    shutil.copytree(BEFORE, copy)
    for second, why in (
        (tmp_path / "none", "is no run folder"),
        (table, "is no run folder"),
        (tmp_path / "empty", "expected a run folder"),
        (BEFORE, "is the same run"),
        (BEFORE / "..", "expected a run folder"),
        (BEFORE.parent / "." / BEFORE.name, "is the same run"),
        (copy, "is the same run"),
    ):
        assert why in say(capsys, "compare", BEFORE, second).complaint(), second
    assert "expected two or more" in say(capsys, "compare", BEFORE).complaint()
    assert "expected one of" in say(capsys, "compare", BEFORE, AFTER, "--language", "xx").complaint()


def test_runs_without_a_coil_in_common_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Other serial numbers in the same places are other parts, and nothing is left to compare."""
    other = tmp_path / "other"
    shutil.copytree(AFTER, other)
    text = (other / "coil_set.toml").read_text(encoding="utf-8")
    assert "SG-1" in text
    (other / "coil_set.toml").write_text(text.replace("SG-1", "XX-1"), encoding="utf-8")
    assert "no coil in common" in say(capsys, "compare", BEFORE, other).complaint()
