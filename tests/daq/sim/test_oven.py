"""The oven: heater, controller, vent and fan."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from daq.sim.faults import Oven
from daq.sim.world.air import OvenAir
from tests.daq.kits.sim import ask, bench, tell

OVEN = {"oven": {"sensor_noise_K": 0.0}}


def test_between_ticks_the_air_is_exact() -> None:
    """Heater and air follow a general integrator run to a tight tolerance."""
    oven = Oven()
    air = OvenAir(oven, 22.0)
    air.setpoint_degC = 60.0
    air.switch(on=True)
    rate_K_per_s = oven.heating_K_per_min / 60.0
    solved = solve_ivp(
        lambda _, y: (
            (1.0 - y[0]) / oven.heater_lag_s,
            rate_K_per_s * y[0] - (y[1] - 22.0) / oven.closed_loss_s,
        ),
        (0.0, 45.0),
        (0.0, 22.0),
        rtol=1e-10,
        atol=1e-10,
    )
    air.advance(45.0)
    assert air.air_degC == pytest.approx(solved.y[1, -1], abs=1e-6)


@given(st.floats(0.1, 100.0), st.floats(0.1, 100.0))
def test_two_advances_are_one(one_s: float, other_s: float) -> None:
    """It makes no difference where a stretch of constant command is cut."""
    whole, cut = OvenAir(Oven(), 22.0), OvenAir(Oven(), 22.0)
    for air in (whole, cut):
        air.setpoint_degC = 90.0
        air.switch(on=True)
    whole.advance(one_s + other_s)
    cut.advance(one_s)
    cut.advance(other_s)
    assert cut.air_degC == pytest.approx(whole.air_degC, abs=1e-9)


def test_steps_overshoot_a_little_and_settle() -> None:
    """Each step of the default soak overshoots by 1-3 K, heats no faster than the oven can, and settles."""
    built, clock = bench(**OVEN)
    tell(built, "oven", "OUTP ON")
    for setpoint_degC in (50.0, 70.0, 90.0):
        tell(built, "oven", f"SOUR:TEMP:SPO {setpoint_degC}")
        last_degC = built.air_degC()
        peak_degC = last_degC
        for _ in range(150):
            clock.sleep(10.0)
            now_degC = built.air_degC()
            assert now_degC - last_degC <= 10.0 * 7.0 / 60.0 + 1e-9
            peak_degC, last_degC = max(peak_degC, now_degC), now_degC
        assert 1.0 < peak_degC - setpoint_degC < 3.0
        assert last_degC == pytest.approx(setpoint_degC, abs=0.05)
        assert built.winding_degC("Y1") == pytest.approx(setpoint_degC, abs=0.2)
        assert float(ask(built, "oven", "MEAS:TEMP?")) == pytest.approx(setpoint_degC, abs=0.06)


@pytest.mark.parametrize("how", ["OUTP OFF", "SOUR:TEMP:SPO 22"])
def test_cold_again_in_half_an_hour(how: str) -> None:
    """Switched off or set to ambient, the vented oven brings the coils from 90 degC to near ambient."""
    built, clock = bench(**OVEN)
    tell(built, "oven", "SOUR:TEMP:SPO 90;:OUTP ON")
    clock.sleep(3600.0)
    tell(built, "oven", how)
    clock.sleep(1800.0)
    assert built.air_degC() == pytest.approx(22.0, abs=0.02)
    assert built.winding_degC("Y1") == pytest.approx(22.0, abs=0.2)


def test_a_lower_setpoint_is_reached_too() -> None:
    """From 90 to 50 degC the vent opens, closes, and the controller takes over."""
    built, clock = bench(**OVEN)
    tell(built, "oven", "SOUR:TEMP:SPO 90;:OUTP ON")
    clock.sleep(2400.0)
    tell(built, "oven", "SOUR:TEMP:SPO 50")
    clock.sleep(1800.0)
    assert built.air_degC() == pytest.approx(50.0, abs=0.1)


def test_the_fan_starts_with_the_oven_and_stays() -> None:
    """A coil cools faster once the oven has been on, also after it is off again."""
    falls_K = []
    for first in ("", "OUTP ON", "OUTP ON;OUTP OFF"):
        built, clock = bench(**OVEN)
        if first:
            tell(built, "oven", first)
        tell(built, "switch", "ROUT:CLOS (@101)")
        tell(built, "supply", "VOLT 8.4;OUTP ON")
        clock.sleep(600.0)
        tell(built, "supply", "OUTP OFF")
        clock.sleep(200.0)
        hot_degC = built.body_degC("Y1")
        clock.sleep(100.0)
        falls_K.append((hot_degC - built.body_degC("Y1")) / (hot_degC - built.air_degC()))
    still, on, off_again = falls_K
    assert on == pytest.approx(off_again, abs=0.02)
    assert on > 1.8 * still


def test_settings_read_back_and_wrong_ones_are_refused() -> None:
    """Setpoint and output answer what was set; *RST switches off."""
    built, _ = bench(**OVEN)
    tell(built, "oven", "SOURce:TEMPerature:SPOint 70;:OUTPut ON")
    assert ask(built, "oven", "SOUR:TEMP:SPO?;:OUTP?") == "70.00;1"
    built.peers["oven"].feed(b"SOUR:TEMP:SPO 400\n")
    assert ask(built, "oven", "SYST:ERR?;:SOUR:TEMP:SPO?") == '-222,"Data out of range";70.00'
    tell(built, "oven", "*RST")
    assert ask(built, "oven", "OUTP?") == "0"
