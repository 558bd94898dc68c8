"""A coil in the oven whose resistance says a winding above its ceiling, and what is around it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from daq.bench.bench import Bench
from daq.bench.guard.guard import Guard
from daq.bench.harness import Harness, Routes
from daq.bench.operator import AbsentOperator
from daq.clock import VirtualClock
from daq.errors import CeilingError
from daq.instruments.number import Number
from daq.procedures.procedure import Procedure
from daq.procedures.soak.soak import Soak
from daq.record.reader import read_run
from daq.record.writer import Reading
from tests.daq.kits.fake_bench import ONE_COIL, FakeOven, FakeSupply, FakeSwitch
from tests.daq.kits.fault_layer import Fault
from tests.daq.kits.fault_soak import SCRIPT, WINDING_DEGC, Ended, files, run_with

COLD_OHM, COLD_DEGC = 3.3, 20.0
NO_READING = Number(None, "missing: no reply")


class Told:
    """A record, or a screen, of events alone."""

    def __init__(self) -> None:
        self.events: list[tuple[str, str, str]] = []

    def row(self, reading: Reading) -> None:
        raise AssertionError("no row is written by a check")

    def event(self, kind: str, text: str, coil: str = "") -> None:
        self.events.append((kind, text, coil))

    def progress(self, *_: object) -> None:
        raise AssertionError("a check shows no progress")


class AirOven(FakeOven):
    """An oven whose own thermometer says what it is told to."""

    def __init__(self, air: Number) -> None:
        super().__init__()
        self.air = air

    def temperature(self) -> Number:
        return self.air


def make_soak(air: Number, *, in_oven: bool = True) -> tuple[Soak, Told]:
    """Return a soak of Y1 after its cold reading, and what is told."""
    clock, told = VirtualClock(), Told()
    guard = Guard(FakeSupply(), None, clock, voltage_V=12.0, current_A=4.0, body_degC=120.0, alarm=print)
    harness = Harness(guard, clock, switch=FakeSwitch(), routes=Routes(), operator=AbsentOperator())
    # No meter and no probe: a check takes what was read already.
    bench = Bench(clock, guard, harness, None, None, AbsentOperator(), oven=AirOven(air))  # type: ignore[arg-type]
    soak = Soak(Procedure(bench, told, Told()), ONE_COIL)
    soak.in_oven = in_oven
    soak.watches["Y1"].cold(COLD_OHM, COLD_DEGC)
    return soak, told


def at(winding_degC: float, time_s: float = 0.0) -> Reading:
    """Return an undriven reading of Y1 as copper at *winding_degC* has it (alpha20 0.00393)."""
    ohm = COLD_OHM * (1.0 + 0.00393 * (winding_degC - COLD_DEGC))
    return Reading(time_s=time_s, coil="Y1", phase="hold", resistance_ohm=ohm)


def test_a_winding_hotter_than_all_around_it_is_a_loose_contact() -> None:
    """Body at 89 degC, oven at 90 degC, 160 degC from the resistance: said once, and the soak goes on."""
    soak, told = make_soak(Number(90.0, "ok"))
    soak.check(at(160.0), Number(89.0, "ok"))
    soak.check(at(170.0, 15.0), Number(89.0, "ok"))
    ((kind, text, coil),) = told.events
    assert (kind, coil) == ("contact", "Y1")
    assert "a winding at 160 degC, but body and oven are at 90 degC: no heat, a loose contact" in text


def test_a_coil_whose_winding_is_no_thermometer_is_driven_no_more() -> None:
    """Under power nothing would tell how hot it is: the supply is not even asked."""
    soak, _ = make_soak(Number(90.0, "ok"))
    soak.check(at(160.0), Number(89.0, "ok"))
    supply = FakeSupply()
    soak.procedure.bench = replace(soak.procedure.bench, supply=supply)
    soak.drive(ONE_COIL.coils[0], 90.0)
    assert supply.calls == []


@pytest.mark.parametrize(
    ("winding_degC", "body", "air"),
    [
        (131.0, Number(89.0, "ok"), Number(118.0, "ok")),
        (200.0, Number(89.0, "ok"), Number(113.5, "ok")),
        (200.0, Number(114.0, "ok"), Number(90.0, "ok")),
        (160.0, Number(89.0, "ok"), NO_READING),
        (160.0, NO_READING, Number(90.0, "ok")),
    ],
    ids=[
        "the oven is nearly as hot",
        "the oven has run away and the probe is elsewhere",
        "the body is too hot and the oven's thermometer says nothing of it",
        "the oven's thermometer is gone",
        "the probe is gone",
    ],
)
def test_without_two_thermometers_that_say_otherwise_it_is_heat(
    winding_degC: float, body: Number, air: Number
) -> None:
    """Whatever does not clearly speak against the resistance leaves its ceiling in force."""
    soak, told = make_soak(air)
    with pytest.raises(CeilingError, match=rf"winding at {winding_degC:.1f} degC passes its ceiling"):
        soak.check(at(winding_degC), body)
    assert told.events == []


def test_outside_an_oven_the_ceiling_holds_as_it_is() -> None:
    """A coil that heated itself, or was heated by hand, may be hotter than what is around it."""
    soak, _ = make_soak(Number(22.0, "ok"), in_oven=False)
    with pytest.raises(CeilingError):
        soak.check(at(160.0), Number(89.0, "ok"))


def test_a_passed_over_reading_is_no_thermometer_for_the_next() -> None:
    """The ceiling under power is held against true temperatures, before and after a loose contact."""
    soak, _ = make_soak(Number(90.0, "ok"))
    watch = soak.watches["Y1"]
    soak.check(at(89.0), Number(89.0, "ok"))
    soak.check(at(160.0, 200.0), Number(89.0, "ok"))
    soak.check(at(89.5, 215.0), Number(89.0, "ok"))
    with pytest.raises(CeilingError):
        watch.see_winding(225.0, at(135.0).resistance_ohm, driven=True)


def loose(tmp_path: Path, *faults: Fault) -> Ended:
    """Soak two coils in the oven, of which Y2 loses contact within most of its warm readings."""
    inputs = files(tmp_path / "inputs")
    script = SCRIPT.replace(
        'label = "Y2"\nkind = "switching"',
        'label = "Y2"\nkind = "switching"\n'
        "dropouts = { onset_degC = 28.0, reference_degC = 40.0, open_share = 0.025, mean_open_s = 0.005 }",
    )
    assert script != SCRIPT
    (inputs.rig.parent / "two_coils.toml").write_text(script, encoding="utf-8")
    return run_with(tmp_path / "runs", "oven", faults, 1, inputs)


@pytest.mark.slow
def test_the_soak_of_the_others_goes_on_beside_a_loose_contact(tmp_path: Path) -> None:
    """It goes to its end; the coil that loses contact fails for it, the sound one is soaked and driven."""
    ended = loose(tmp_path)
    assert (ended.status, ended.outcome) == (0, "soak went on to its end"), ended.said
    assert ended.folder is not None
    read = read_run(ended.folder)
    assert any(event.kind == "contact" and event.coil == "Y2" for event in read.events)
    sound = set(read.readings.phase[read.readings.coil == "Y1"])
    assert sound >= {"ambient", "rise", "hold", "drive", "cool", "return"}
    assert ended.verdicts() == {"Y1": "pass", "Y2": "fail"}


@pytest.mark.slow
def test_an_oven_that_runs_away_is_stopped_after_a_loose_contact(tmp_path: Path) -> None:
    """True heat ends the soak as before, whatever a loose contact said before it."""
    ended = loose(tmp_path, Fault("oven runs away", "meter", 560))
    assert ended.folder is not None
    assert any(event.kind == "contact" for event in read_run(ended.folder).events)
    assert ended.outcome == "made safe, exit status 3"
    assert "the oven's air is at 5" in ended.said
    assert ended.peak_degC < WINDING_DEGC
