"""What goes wrong with one coil of several: a probe that is lost, a drive that is not what was asked for."""

from __future__ import annotations

from pathlib import Path

import pytest

from daq.record.reader import read_run
from tests.daq.kits.fault_layer import Fault
from tests.daq.kits.fault_soak import Ended, files, run_with

#: Numbers of exchanges with the meter: while the oven heats, and with the supply: in the drive of Y1.
HEATING, DRIVING = 480, 60


def soak(tmp_path: Path, heat: str, *faults: Fault, seed: int = 1, **changed: str) -> Ended:
    """Soak under *faults*, with lines of the coil set changed."""
    inputs = files(tmp_path / "inputs")
    text = inputs.coil_set.read_text(encoding="utf-8")
    for old, new in changed.items():
        key = next(line for line in text.splitlines() if line.startswith(f"{old} ="))
        text = text.replace(key, f"{old} = {new}")
    inputs.coil_set.write_text(text, encoding="utf-8")
    return run_with(tmp_path / "runs", heat, faults, seed, inputs)


def told(ended: Ended, kind: str) -> list[tuple[str, str]]:
    """Return coil and text of the events of *kind*."""
    assert ended.folder is not None
    return [(event.coil, event.text) for event in read_run(ended.folder).events if event.kind == kind]


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "why"), [("probe open", "probe open"), ("probe shorted", "shorted")])
def test_in_the_oven_a_coil_whose_probe_is_lost_is_dropped_and_the_others_go_on(
    tmp_path: Path, kind: str, why: str
) -> None:
    """It is said once, the coil is read no more, and the soak of the other goes to its end."""
    ended = soak(tmp_path, "oven", Fault(kind, "meter", HEATING))
    assert (ended.status, ended.complaints) == (0, []), ended.said
    ((lost, text),) = told(ended, "heat")
    assert text.startswith("its probe was lost: no probe temperature for 4 readings (missing: probe")
    assert why in text
    assert ended.folder is not None
    readings = read_run(ended.folder).readings
    phases = {coil: set(readings.phase[readings.coil == coil]) for coil in ("Y1", "Y2")}
    (kept,) = {"Y1", "Y2"} - {lost}
    assert phases[kept] >= {"ambient", "rise", "hold", "drive", "cool", "return"}
    assert phases[lost] <= {"ambient", "sweep", "rise"}
    assert ended.verdicts() == {kept: "pass", lost: "retest"}


@pytest.mark.slow
def test_without_any_probe_left_the_heat_stops(tmp_path: Path) -> None:
    """Two coils, two probes lost: nobody watches the oven any more."""
    faults = [Fault("probe open", "meter", HEATING + number) for number in range(12)]
    ended = soak(tmp_path, "oven", *faults)
    assert (ended.outcome, ended.complaints) == ("made safe, exit status 3", [])
    assert "no probe temperature for" in ended.said


@pytest.mark.slow
def test_with_a_probe_lost_the_ovens_own_thermometer_bounds_the_heat(tmp_path: Path) -> None:
    """An oven that runs away where a body is unseen is stopped by its air before that body is too hot."""
    away = Fault("oven runs away", "oven", 12)
    ended = soak(tmp_path, "oven", Fault("probe open", "meter", 260), away, Fault("hang", "oven", 40))
    assert (ended.outcome, ended.complaints) == ("made safe, exit status 3", [])
    assert "the oven's air is at 5" in ended.said
    assert "more than 10 K above it; heating told to stop" in ended.said
    assert all(ended.bench.body_degC(coil) < 53.0 for coil in ("Y1", "Y2"))


@pytest.mark.slow
def test_a_trip_in_the_drive_ends_it_and_the_next_coil_is_driven(tmp_path: Path) -> None:
    """The supply's doing is no open coil: the row says that it tripped, and the coil is tested again."""
    ended = soak(tmp_path, "oven", Fault("trip", "supply", DRIVING))
    assert (ended.status, ended.complaints) == (0, []), ended.said
    ((coil, text),) = told(ended, "drive")
    assert (coil, text) == ("Y1", "a protection of the supply has tripped")
    assert ended.folder is not None
    readings = read_run(ended.folder).readings
    driven = (readings.phase == "drive") & (readings.coil == "Y1")
    assert readings.status[driven][-1] == "protection tripped"
    assert ended.verdicts() == {"Y1": "retest", "Y2": "pass"}
    assert ((readings.phase == "drive") & (readings.coil == "Y2")).any()


@pytest.mark.slow
def test_a_run_that_takes_too_long_heats_no_further(tmp_path: Path) -> None:
    """test.max_run_s is a limit on the whole run, whatever each step may still take."""
    ended = soak(tmp_path, "oven", hold_s="600\nmax_run_s = 400")
    assert (ended.outcome, ended.complaints) == ("made safe, exit status 3", [])
    assert "the run has lasted its 400 s; heating told to stop" in ended.said
