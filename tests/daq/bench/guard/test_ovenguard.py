"""The oven's heat as the guard has it, where the oven's own thermometer fails or goes with the mains."""

from __future__ import annotations

import math

import pytest

from daq.bench.guard.oven_guard import OVEN_HOT, OVEN_ON, OvenGuard
from daq.clock import VirtualClock
from daq.errors import LinkClosedError, ReadbackError
from daq.instruments.number import Number
from tests.daq.kits.fake_bench import FakeOven


class DeadOven(FakeOven):
    """An oven whose controller answers until its mains are gone."""

    def __init__(self) -> None:
        super().__init__()
        self.dead = False

    def _alive(self) -> None:
        if self.dead:
            raise LinkClosedError("oven: nobody answers")

    def set_temperature(self, temperature_degC: float) -> None:
        self._alive()
        super().set_temperature(temperature_degC)

    def switch_heat(self, on: bool) -> None:
        self._alive()
        super().switch_heat(on)

    def hush(self) -> None:
        self._alive()
        super().hush()

    def temperature(self) -> Number:
        self._alive()
        return super().temperature()


@pytest.mark.parametrize("obeyed", [True, False], ids=["off before", "never off"])
@pytest.mark.parametrize("probes", [True, False], ids=["probes", "no probe"])
def test_mains_that_take_the_controller_too_leave_the_bodies_to_decide(obeyed: bool, probes: bool) -> None:
    """The alarm ends by the bodies that cool; where there is none it stays, and asks for a look."""
    oven, clock, said = DeadOven(), VirtualClock(), list[str]()
    guard = OvenGuard(oven, clock, said.append)
    guard.begin()
    guard.aim(60.0)
    oven.air_degC = 60.0
    if obeyed:
        guard.stop()
    else:
        oven.dead = True
        with pytest.raises(LinkClosedError):
            guard.stop()
    alarms = set[str]()
    for second in range(3600):
        if second < 120 and not oven.dead:
            oven.air_degC = 60.0 + 0.2 * second  # it heats on though it says that it is off
        oven.dead = oven.dead or second >= 120
        body_degC = 22.0 + 58.0 * math.exp(-max(second - 120, 0) / 900.0)
        guard.try_again({"Y1": body_degC} if probes and second % 10 == 0 else {})
        alarms.add(guard.alarm)
        if not guard.may_heat:
            break
        clock.sleep(1.0)
    alarm = OVEN_HOT if obeyed else OVEN_ON
    if probes:
        assert (guard.may_heat, guard.alarm) == (False, "")
        assert said[-1].startswith("heating stopped: ")
    else:
        assert (guard.may_heat, guard.alarm) == (True, alarm)
        assert guard.told().endswith("look at the oven yourself")
    assert alarm in alarms or not obeyed


class OnOven(FakeOven):
    """An oven whose heat stays on, as it says itself; only its setpoint obeys."""

    def switch_heat(self, on: bool) -> None:
        super().switch_heat(True)
        if not on:
            raise ReadbackError("oven: after 'OUTP OFF' output reads back True, expected False")


def test_an_oven_that_says_it_is_on_is_not_proved_off_by_being_cold() -> None:
    """Its setpoint went low and it cools to the room's temperature: it may heat again at any time."""
    oven, clock, said = OnOven(), VirtualClock(), list[str]()
    guard = OvenGuard(oven, clock, said.append)
    oven.air_degC = 22.0
    guard.begin()
    guard.aim(60.0)
    oven.air_degC = 60.0
    with pytest.raises(ReadbackError):
        guard.stop()
    for _ in range(3600):
        clock.sleep(1.0)
        oven.air_degC = 22.0 + (oven.air_degC - 22.0) * math.exp(-1.0 / 300.0)
        guard.try_again({"Y1": oven.air_degC})
    assert guard.may_heat
    assert not said
