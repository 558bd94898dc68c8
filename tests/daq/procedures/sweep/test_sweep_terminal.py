"""Sweeps driven through a pseudo-terminal, as a person at the bench drives them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from daq.config.builtin import builtin
from daq.errors import InputError
from daq.record.format import AGAIN
from daq.record.reader import read_run
from tests.daq.kits.cli import ROOT, only_run, spoiled
from tests.daq.kits.hand import hand_rig, sweep_by_hand
from tests.daq.kits.soak import table
from tests.daq.kits.terminal import CTRL_C, Terminal, terminal

AMBIENT, LEADS = "beside each other [degC]: ", "leads held together: resistance [ohm]: "
STOPPED = "coilsoak: stopped by the operator; what was measured is kept"


@pytest.fixture
def fine_rig(tmp_path: Path) -> Path:
    """The example's hand bench, with a meter good to 0.5 % and three digits of 0.01 ohm."""
    rig = builtin("rigs", "example_hand")
    for old, new in (
        ("range_ohm = 400.0", "range_ohm = 50.0"),
        ("reading_rel = 0.009", "reading_rel = 0.005"),
        ("offset_ohm = 0.3", "offset_ohm = 0.03"),
        ("noise_ohm = 0.05", "noise_ohm = 0.005"),
    ):
        rig = spoiled(tmp_path, rig, old, new)
    return rig


def type_figures(bench: Terminal, *typed: tuple[str, str]) -> None:
    """Type what thermometer and leads read, and then coil by coil what the meter shows."""
    bench.type("22", at=AMBIENT)
    bench.type("0.3", at=LEADS)
    for coil, figure in typed:
        bench.wait_for(f"{coil} (")
        bench.type(figure, at="of 8) [ohm]: ")


@pytest.mark.slow
def test_a_typed_sweep_is_what_the_readme_shows(tmp_path: Path, fine_rig: Path) -> None:
    """Eight figures, a slip of ten times and a correction: verdicts, and README's cut of the screen."""
    out = tmp_path / "runs"
    with terminal("sweep", "--rig", fine_rig, "--out", out) as bench:
        type_figures(
            bench,
            *(("Y1", "3.6"), ("Y2", "3.61"), ("Y3", "36"), ("Y3", "3.62"), ("Y4", "b"), ("Y3", "3.61")),
            *(("Y4", "3600m"), ("Y5", "4.12 ohm"), ("Y6", "5.6"), ("Y7", "5,61"), ("Y8", "OL")),
        )
        bench.type("", at="b: back to the last one: ")
        assert bench.end() == 0
        bench.assert_as_before()
    folder = only_run(out)
    assert read_run(folder).state == "complete"
    assert [row["coil"] for row in table(folder / "readings.csv") if row["source"] == AGAIN] == ["Y3"]
    shown = [line.rstrip() for line in bench.text.splitlines()]
    section = (ROOT / "README.md").read_text(encoding="utf-8").split("### A sweep in ten lines")[1]
    block = re.findall(r"```text\n(.*?)```", section, re.DOTALL)[0]
    cuts = [cut.strip("\n").splitlines() for cut in re.split(r"^\.\.\.$", block, flags=re.MULTILINE)]
    assert sum(map(len, cuts)) > 10
    at = 0
    for cut in cuts:
        places = (place for place in range(at, len(shown)) if shown[place : place + len(cut)] == cut)
        at = next(places, -1)
        assert at >= 0, f"{cut} is not in {shown}"


@pytest.mark.slow
def test_ctrl_c_amid_a_typed_sweep_keeps_what_was_typed(tmp_path: Path) -> None:
    """Exit status 130, one line, a record that reads, and a terminal as before."""
    out = tmp_path / "runs"
    with terminal("sweep", "--rig", "example_hand", "--out", out) as bench:
        type_figures(bench, ("Y1", "3.6"), ("Y2", "3.61"), ("Y3", "3.62"))
        bench.wait_for("Y4 (")
        bench.press(f"3.{CTRL_C}")
        assert bench.end() == 130
        bench.assert_as_before()
    assert STOPPED in bench.text
    assert "Traceback" not in bench.text
    run = read_run(only_run(out))
    assert (run.state, run.problems) == ("stopped", ())
    assert [trace.coil for trace in run.traces()] == ["Y1", "Y2", "Y3"]


def paced_rig(folder: Path, *open_coils: str) -> Path:
    """Write the rig of a simulated hand, ten times as fast as life; at an open coil it waits for a key."""
    changes = [("wobbles_s = { Y5 = 7.0 }", "")]
    for label in open_coils:
        old = f'label = "{label}"\nkind = "switching"\n'
        changes.append((old, f"{old}copper_ohm = 1e9\n"))
    return hand_rig(folder, *changes, pace="pace = 10.0\n")


@pytest.mark.slow
def test_keys_steer_a_sweep_that_follows_the_leads(tmp_path: Path) -> None:
    """'o' at an open coil, 's' at another, back and again, and Ctrl-C: all kept, terminal as before."""
    out = tmp_path / "runs"
    with terminal("sweep", "--rig", paced_rig(tmp_path, "Y2", "Y3", "Y4"), "--out", out) as bench:
        bench.wait_for("tips: hold the two tips together")
        bench.wait_for("Y2: put the leads on it")
        bench.press("o")
        bench.wait_for("Y3: put the leads on it")
        bench.press("s")
        bench.wait_for("Y4: put the leads on it")
        bench.press("b")
        bench.wait_for("Y3: put the leads on it")
        bench.press("s")
        bench.wait_for("Y4: put the leads on it")
        bench.press("1")
        bench.wait_for("Y1: put the leads on it")
        bench.wait_for("Y4: put the leads on it")
        bench.press(" ")
        bench.wait_for("Y1: put the leads on it")
        bench.wait_for("Y4: put the leads on it")
        bench.press(CTRL_C)
        assert bench.end() == 130
        bench.assert_as_before()
    assert STOPPED in bench.text
    assert "Traceback" not in bench.text
    # Tips and Y1 three times good: one each; the open coil two; one at the end.
    assert bench.bells == 7
    run = read_run(only_run(out))
    assert (run.state, run.problems) == ("stopped", ())
    rows = [(row["coil"], row["source"]) for row in table(run.folder / "readings.csv")]
    assert rows == [
        ("", "leads"),
        *[("Y1", "ohms")] * 3,
        *[("Y2", "ohms")] * 5,
        *[("Y1", AGAIN), *[("Y1", "ohms")] * 3] * 2,
    ]
    assert [event.kind for event in run.events] == [
        "leads",
        "open",
        "skipped",
        "skipped",
        AGAIN,
        AGAIN,
        "stopped",
    ]


def test_without_an_operator_to_ask_a_sweep_refuses(tmp_path: Path) -> None:
    """Nobody at a terminal to read the temperature of the parts: one line, and no run folder."""
    typed = ('resource = "sim:thermometer"\nkind = "instrument"', 'kind = "typed"')
    for rig in (Path("example_hand"), hand_rig(tmp_path, rig=(typed,))):
        with pytest.raises(InputError, match="temperature of the parts, without which no coil is judged"):
            sweep_by_hand(tmp_path / "runs", rig)
    assert not (tmp_path / "runs").exists()
