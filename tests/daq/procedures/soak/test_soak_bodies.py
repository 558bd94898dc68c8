"""Coils in heat that all share: whose probe says what, whose winding goes along, and who is stopped by it."""

from __future__ import annotations

import pytest

from analysis.physics.copper import resistance_factor
from daq.bench.bench import Bench
from daq.bench.guard.guard import Guard
from daq.bench.harness import Harness, Routes
from daq.bench.operator import AbsentOperator
from daq.clock import VirtualClock
from daq.errors import CeilingError, OvenError, ProbeLostError
from daq.instruments.number import Number
from daq.procedures.procedure import Procedure
from daq.procedures.soak.heat_limits import HeatCeilings
from daq.procedures.soak.soak import CoilPlan, Soak, SoakPlan
from daq.record.writer import Reading
from tests.daq.kits.fake_bench import FakeOven, FakeSwitch

COILS = ("Y1", "Y2", "Y3")
STEP_DEGC, SCAN_S = 90.0, 15.0
R20_OHM = 3.3
PLAN = SoakPlan(
    coils=tuple(CoilPlan(coil, 3.0) for coil in COILS),
    voltage_V=8.4,
    heat_voltage_V=8.4,
    steps_degC=(STEP_DEGC,),
    hold_s=0.0,
    max_step_s=1e5,
    hold_readings=1,
    drive_s=0.0,
    ceilings=HeatCeilings(body_degC=112.0, winding_degC=130.0),
    max_run_s=1e6,
)


class Bodies:
    """What probes, windings and the oven's air are told to say; a record and a screen too."""

    def __init__(self) -> None:
        self.probe_degC = dict.fromkeys(COILS, 20.0)
        self.winding_degC: dict[str, float | None] = dict.fromkeys(COILS, 20.0)
        self.rows: list[Reading] = []
        self.events: list[tuple[str, str, str]] = []

    def temperature(self, coil: str) -> Number:
        return Number(self.probe_degC[coil], "ok")

    def resistance(self, coil: str, *, quick: bool = False) -> Number:
        degC = self.winding_degC[coil]
        if degC is None:
            return Number(None, "open or over range")
        return Number(R20_OHM * resistance_factor(degC), "ok")

    def row(self, reading: Reading) -> None:
        self.rows.append(reading)

    def event(self, kind: str, text: str, coil: str = "") -> None:
        self.events.append((kind, text, coil))


class Person(AbsentOperator):
    """Does what is asked for, and says so."""

    def __init__(self) -> None:
        self.asked: list[str] = []
        self.told: list[str] = []

    def confirm(self, text: str) -> None:
        self.asked.append(text)

    def tell(self, text: str) -> None:
        self.told.append(text)


class Shared:
    """A soak of three coils at a step, in an oven or by hand."""

    def __init__(self, *, in_oven: bool) -> None:
        self.bodies, self.person, self.clock = Bodies(), Person(), VirtualClock()
        self.oven = FakeOven()
        oven = self.oven if in_oven else None
        self.guard = Guard(
            None, oven, self.clock, voltage_V=12.0, current_A=4.0, body_degC=120.0, alarm=print
        )
        channels = {coil: 101 + number for number, coil in enumerate(COILS)}
        harness = Harness(
            self.guard, self.clock, switch=FakeSwitch(), routes=Routes(sense=channels), operator=self.person
        )
        bench = Bench(
            self.clock,
            self.guard,
            harness,
            self.bodies,
            self.bodies,
            self.person,
            oven=oven,  # type: ignore[arg-type]
        )
        self.soak = Soak(Procedure(bench, self.bodies, self.bodies), PLAN)  # type: ignore[arg-type]
        self.soak.in_oven, self.soak.by_hand = in_oven, not in_oven
        for watch in self.soak.watches.values():
            watch.cold(R20_OHM, 20.0)

    def all_at(self, degC: float) -> None:
        """Let probes, windings and air be at *degC*."""
        self.oven.air_degC = degC
        self.bodies.probe_degC = dict.fromkeys(COILS, degC)
        self.bodies.winding_degC = dict.fromkeys(COILS, degC)

    def rounds(self, count: int) -> None:
        """Read all coils that are still read, round after round, as soaks do."""
        for _ in range(count):
            newest = {
                coil: self.soak.look(coil, "rise", STEP_DEGC, heating=True)
                for coil in self.soak.left(self.soak.watched())
            }
            self.soak.see_company(newest)
            self.soak.see_unprobed(COILS, STEP_DEGC)
            self.clock.sleep(SCAN_S)

    def warm_up(self) -> None:
        """Bring all to the step and let them be read there."""
        self.clock.sleep(1800.0)
        self.all_at(STEP_DEGC)
        self.rounds(3)


def test_in_an_oven_a_probe_that_jumps_alone_costs_its_own_coil_and_no_other() -> None:
    """A bad contact puts one probe 16 K above the setpoint; air and winding are where they were."""
    shared = Shared(in_oven=True)
    with shared.guard.heating(120.0) as heat:
        heat.go_to(STEP_DEGC)
        shared.warm_up()
        shared.bodies.probe_degC["Y2"] = STEP_DEGC + 16.0
        shared.rounds(4)
        assert shared.oven.heating
    assert shared.soak.lost == {"Y2"}
    ((text, coil),) = {(text, coil) for kind, text, coil in shared.bodies.events if kind == "heat"}
    assert (coil, text.startswith("its probe was lost")) == ("Y2", True)


@pytest.mark.parametrize("known", [True, False])
def test_in_an_oven_a_body_that_gets_too_hot_with_its_winding_stops_the_heat(known: bool) -> None:
    """Then it is the oven, whatever its own thermometer says; so it is where the winding tells nothing."""
    shared = Shared(in_oven=True)
    with shared.guard.heating(120.0) as heat:
        heat.go_to(STEP_DEGC)
        shared.warm_up()
        shared.bodies.probe_degC["Y2"] = STEP_DEGC + 16.0
        shared.bodies.winding_degC["Y2"] = STEP_DEGC + 10.0 if known else None
        with pytest.raises(OvenError, match="the body of coil Y2"):
            shared.rounds(4)


def dropped_by_hand() -> Shared:
    """Return a soak by hand whose Y2 has lost its probe at the step."""
    shared = Shared(in_oven=False)
    shared.warm_up()
    shared.bodies.probe_degC["Y2"] = 25.0
    shared.rounds(4)
    assert shared.soak.lost == {"Y2"}
    assert ["take it off the heat" in text for text in shared.person.told] == [True]
    return shared


@pytest.mark.parametrize("degC", [113.0, 131.0])
def test_by_hand_a_coil_without_its_probe_is_stopped_by_its_winding(degC: float) -> None:
    """Above the ceiling of its body, or of its winding: the others are still sound and read."""
    shared = dropped_by_hand()
    shared.rounds(4)
    assert shared.bodies.rows[-1].coil == "Y2"
    assert shared.bodies.rows[-1].status == "missing: the probe is lost"
    shared.bodies.winding_degC["Y2"] = degC
    shared.clock.sleep(60.0)
    with pytest.raises(CeilingError, match=r"coil Y2: .*winding at 1"):
        shared.rounds(1)


def test_by_hand_a_coil_that_nothing_sees_has_to_be_taken_off_the_heat() -> None:
    """Its probe is lost and its winding open: the person is asked, and only then is it watched no more."""
    shared = dropped_by_hand()
    shared.bodies.winding_degC["Y2"] = None
    shared.rounds(3)
    assert shared.person.asked == []
    shared.rounds(1)
    assert shared.person.asked == ["Nobody sees any more how hot coil Y2 gets: take it off the heat"]
    rows = sum(row.coil == "Y2" for row in shared.bodies.rows)
    shared.rounds(4)
    assert len(shared.person.asked) == 1
    assert sum(row.coil == "Y2" for row in shared.bodies.rows) == rows
    assert "taken off the heat" in shared.bodies.events[-1][1]


def test_by_hand_the_last_probe_that_is_lost_ends_the_soak() -> None:
    """Nobody follows the heat any more."""
    shared = dropped_by_hand()
    shared.bodies.probe_degC |= {"Y1": 25.0, "Y3": 25.0}
    with pytest.raises(ProbeLostError):
        shared.rounds(4)
