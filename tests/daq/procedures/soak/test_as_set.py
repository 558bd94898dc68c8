"""A supply that gives more than it was set to is stopped at once, and said to be that."""

from __future__ import annotations

import pytest

from daq.errors import CeilingError, InterlockError, StaleError
from daq.instruments.number import Number
from daq.procedures.soak.heat_limits import HeatCeilings, HeatWatch
from daq.procedures.soak.powered_rows import DrivenRows
from daq.procedures.soak.soak import CoilPlan
from tests.daq.procedures.soak.test_switching_on import World

COIL = CoilPlan("Y1", 3.0)


class Reading:
    """A measurement that is a factor of the true one for the first so many times."""

    def __init__(self, true: float, factor: float, times: int) -> None:
        self._true, self._factor, self._left = true, factor, times

    def __call__(self, _coil: str = "") -> Number:
        self._left -= 1
        return Number(self._true * (self._factor if self._left >= 0 else 1.0), "ok")


def test_twice_the_voltage_that_was_set_stops_the_run_with_that_reason() -> None:
    """Outputs that track or stand in series give twice as much; no temperature is made of it."""
    world = World()
    with world.guard.energised("Y1", voltage_V=8.4, coil_voltage_V=9.0, coil_current_A=3.0) as drive:
        rows = DrivenRows(world.procedure, world.soak.watches["Y1"], drive, "Y1", "drive", 50.0)
        world.voltage = Reading(8.4, 2.0, 9)  # type: ignore[method-assign]
        with pytest.raises(
            InterlockError,
            match=r"Y1: the supply was set to 8\.4 V and the meter sees 16\.8 V .*2 times",
        ):
            rows.take()
        world.voltage = Reading(0.0, 1.0, 0)  # type: ignore[method-assign]
    assert not world.supply.on
    assert not world.rows


def test_one_voltage_that_is_wrong_by_a_digit_stops_nothing() -> None:
    """What a second look does not show was no voltage."""
    world = World()
    with world.guard.energised("Y1", voltage_V=8.4, coil_voltage_V=9.0, coil_current_A=3.0) as drive:
        rows = DrivenRows(world.procedure, world.soak.watches["Y1"], drive, "Y1", "drive", 50.0)
        world.voltage = Reading(8.4, 2.0, 1)  # type: ignore[method-assign]
        rows.take()
        world.voltage = Reading(0.0, 1.0, 0)  # type: ignore[method-assign]
    assert world.rows[0].voltage_V == 16.8


def test_more_current_than_its_limit_is_said_to_be_that() -> None:
    """A supply that says that twice its limit flows has a wrong scale, or outputs in parallel."""
    world = World()
    world.supply.amperes_when_on = 6.0
    with (
        pytest.raises(InterlockError, match=r"limited to 3 A and says that 6 A flow, 2 times as much"),
        world.guard.energised("Y1", voltage_V=8.4, coil_voltage_V=9.0, coil_current_A=3.0) as drive,
    ):
        DrivenRows(world.procedure, world.soak.watches["Y1"], drive, "Y1", "drive", 50.0).take()


def watch() -> HeatWatch:
    """Return the watch of a coil of 3.3 ohm at 20 degC that is about to be driven."""
    coil = HeatWatch("Y1", HeatCeilings(body_degC=110.0, winding_degC=150.0), stale_s=60.0)
    coil.cold(3.3, 20.0)
    return coil


def test_half_the_current_is_no_winding_at_389_degC() -> None:
    """V/I twice what the ohmmeter read before, and twice alike, is a scale and no temperature."""
    coil = watch()
    coil.see_winding(0.2, 6.6, driven=True)
    with pytest.raises(
        StaleError, match=r"V/I is 6\.62 ohm and the meter read 3\.3 ohm just before, 2 times"
    ):
        coil.see_winding(1.2, 6.62, driven=True)


def test_a_dropout_within_the_first_readings_is_no_scale() -> None:
    """Two high readings that differ come from interruptions; the third is the winding."""
    coil = watch()
    for time_s, ohm in ((0.2, 6.6), (1.2, 9.1), (2.2, 3.4), (3.2, 3.5)):
        coil.see_winding(time_s, ohm, driven=True)
    assert coil.winding_degC(3.5) == pytest.approx(35.4, abs=0.1)


def test_a_winding_that_gets_too_hot_under_power_still_trips() -> None:
    """Once V/I has agreed with the ohmmeter what is too hot is too hot, however far it has come."""
    coil = watch()
    with pytest.raises(CeilingError):
        for step in range(60):
            coil.see_winding(5.0 * step, 3.3 * (1.0 + 0.03 * step), driven=True)
