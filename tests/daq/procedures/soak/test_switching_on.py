"""A reply that is lost as a coil is switched on, or a probe's under power: such a slip ends no run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from daq.bench.bench import Bench
from daq.bench.guard.guard import Guard
from daq.bench.harness import Harness, Routes
from daq.bench.operator import AbsentOperator
from daq.clock import VirtualClock
from daq.errors import LinkTimeoutError, OutputUnknownError, ProbeLostError, ReplyError
from daq.instruments.number import Number
from daq.procedures.procedure import Procedure, Progress
from daq.procedures.soak.heat_limits import BEARABLE_MISSES
from daq.procedures.soak.powered_rows import DrivenRows
from daq.procedures.soak.self_heating import SelfHeating
from daq.procedures.soak.soak import BLIND_PULSES, CoilPlan, Soak
from daq.record.writer import Reading
from tests.daq.kits.fake_bench import ONE_COIL, FakeOven, FakeSupply, FakeSwitch

COIL = CoilPlan("Y1", 3.0)
PLAN = replace(ONE_COIL, steps_degC=(50.0,))


class DeafSupply(FakeSupply):
    """A supply that switches on and does not say so, as often as told."""

    def __init__(self) -> None:
        super().__init__()
        self.fails: list[Exception] = []
        self.amperes_when_on = 2.0

    def switch_output(self, on: bool) -> None:
        super().switch_output(on)
        if on and self.fails:
            raise self.fails.pop()


class World:
    """One coil on supply, meter and thermometer; a record and a screen too."""

    def __init__(self) -> None:
        self.supply, self.oven, self.clock = DeafSupply(), FakeOven(), VirtualClock()
        self.probe_fails = 0
        self.rows: list[Reading] = []
        self.told: list[str] = []
        self.guard = Guard(
            self.supply, self.oven, self.clock, voltage_V=12.0, current_A=4.0, body_degC=120.0, alarm=print
        )
        routes = Routes(power={"Y1": 101}, sense={"Y1": 201})
        harness = Harness(
            self.guard, self.clock, switch=FakeSwitch(), routes=routes, operator=AbsentOperator()
        )
        self.bench = Bench(
            self.clock,
            self.guard,
            harness,
            self,
            self,
            AbsentOperator(),
            supply=self.supply,
            oven=self.oven,  # type: ignore[arg-type]
        )
        self.procedure = Procedure(self.bench, self, self)  # type: ignore[arg-type]
        self.soak = Soak(self.procedure, PLAN)
        self.soak.watches["Y1"].cold(4.2, 20.0)

    def temperature(self, _coil: str) -> Number:
        if self.probe_fails:
            self.probe_fails -= 1
            raise LinkTimeoutError("probe: 'READ?': no reply within 1 s")
        return Number(20.0, "ok")

    def voltage(self, _coil: str = "") -> Number:
        return self.supply.voltage()

    def row(self, reading: Reading) -> None:
        self.rows.append(reading)

    def event(self, _kind: str, text: str, _coil: str = "") -> None:
        self.told.append(text)

    def progress(self, *_: object) -> None:
        """Show nothing."""


def lost() -> Exception:
    """Return what a reply that does not come is."""
    return LinkTimeoutError("supply: 'SYST:ERR?': no reply within 1 s")


def pulses(world: World) -> Callable[[], None]:
    """Return what drives the coil for one pulse of heating by its own current."""
    heating = SelfHeating(world.soak, COIL, Progress(world, []), lambda: None)
    heating._ohm, heating._body_degC = 4.2, 20.0
    return lambda: heating._pulse(50.0)


def drives(world: World) -> Callable[[], None]:
    """Return what drives the coil for its test at a step."""
    return lambda: world.soak.drive(COIL, 50.0)


@pytest.mark.parametrize("driving", [pulses, drives])
@pytest.mark.parametrize("fails", [lost(), ReplyError("supply: answered '?!'")])
def test_a_reply_lost_at_switching_on_costs_one_pulse(
    driving: Callable[[World], Callable[[], None]], fails: Exception
) -> None:
    """The coil is off, all answer again, and the next pulse goes as ever: only three in succession count."""
    world = World()
    drive = driving(world)
    for _ in range(BLIND_PULSES):
        world.supply.fails = [fails]
        drive()
        assert not world.supply.on
        assert world.told[-1].startswith("switched off at once: supply: ")
        assert all(row.source != "V/I" for row in world.rows)
        drive()
        assert world.rows[-1].source in {"V/I", "switching"}
        world.rows.clear()
    assert world.guard.proved


@pytest.mark.parametrize("driving", [pulses, drives])
def test_replies_lost_at_switching_on_again_and_again_end_the_run(
    driving: Callable[[World], Callable[[], None]],
) -> None:
    """Three in succession are a supply that fails."""
    world = World()
    drive = driving(world)
    world.supply.fails = [lost() for _ in range(BLIND_PULSES)]
    for _ in range(BLIND_PULSES - 1):
        drive()
    with pytest.raises(LinkTimeoutError):
        drive()
    assert not world.supply.on


@pytest.mark.parametrize("driving", [pulses, drives])
def test_an_output_that_does_not_go_off_after_that_ends_the_run_at_once(
    driving: Callable[[World], Callable[[], None]],
) -> None:
    """Off that is not proved is no slip."""
    world = World()
    drive = driving(world)
    world.supply.fails, world.supply.stuck_on = [lost()], True
    with pytest.raises(OutputUnknownError):
        drive()


def test_the_oven_heats_on_after_a_blind_drive() -> None:
    """It is told to stop while nobody answers, and goes on with the run."""
    world = World()
    with world.guard.heating(120.0) as heat:
        heat.go_to(50.0)
        world.supply.fails = [lost()]
        world.soak.drive(COIL, 50.0)
        assert world.oven.heating


def test_a_probe_that_is_late_under_power_is_a_missing_reading() -> None:
    """A few are borne, each with its reason in the record; more are a probe that is lost."""
    world = World()
    with world.guard.energised("Y1", voltage_V=8.4, coil_voltage_V=9.0, coil_current_A=3.0) as drive:
        rows = DrivenRows(world.procedure, world.soak.watches["Y1"], drive, "Y1", "heat", 50.0)
        world.probe_fails = BEARABLE_MISSES
        for _ in range(BEARABLE_MISSES):
            reading, _ = rows.take(probe=True)
            assert (reading.probe_degC, reading.resistance_ohm) == (None, 4.2)
            assert reading.status == "missing: the probe did not answer in time"
        assert rows.take(probe=True)[0].probe_degC == 20.0
        world.probe_fails = BEARABLE_MISSES + 1
        with pytest.raises(ProbeLostError):
            for _ in range(BEARABLE_MISSES + 1):
                rows.take(probe=True)
