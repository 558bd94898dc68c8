"""The supply: constant voltage and current, speed, protection, and what it says it measures."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.sim.bench import SimBench
from tests.daq.kits.sim import ask, bench, refusal, tell

#: Copper of 3.3 ohm at 20 degC with the bench at 20 degC, contact 0.05 and lead 0.06 ohm.
LOAD_OHM = 3.3 + 0.05 + 0.06


def cold_bench() -> tuple[SimBench, object]:
    """Build an ideal bench at 20 degC with coil Y1 on the supply."""
    built, clock = bench(ambient_degC=20.0)
    tell(built, "switch", "ROUT:CLOS (@101)")
    return built, clock


@pytest.mark.slow
@given(st.floats(0.5, 20.0), st.floats(0.1, 6.0))
def test_the_limit_that_is_reached_first_holds(voltage_V: float, limit_A: float) -> None:
    """Below the current limit the voltage holds (CV, bit 8), above it the current (CC, bit 10)."""
    built, clock = cold_bench()
    tell(built, "supply", f"VOLT {voltage_V:.4f};CURR {limit_A:.4f};OUTP ON")
    clock.sleep(0.25)
    volts = float(ask(built, "supply", "MEAS:VOLT?"))
    amperes = float(ask(built, "supply", "MEAS:CURR?"))
    condition = int(ask(built, "supply", "STAT:OPER:COND?"))
    # The winding has warmed a little meanwhile: the ratio is read, not assumed.
    ratio_ohm = built.resistance_ohm("Y1") + 0.11
    assert LOAD_OHM <= ratio_ohm < LOAD_OHM * 1.1
    if round(voltage_V, 4) / ratio_ohm > round(limit_A, 4):
        assert condition == 1 << 10
        assert amperes == pytest.approx(limit_A, abs=1e-4)
        assert volts == pytest.approx(limit_A * ratio_ohm, rel=2e-3, abs=1e-4)
    else:
        assert condition == 1 << 8
        assert volts == pytest.approx(voltage_V, abs=1e-4)
        assert amperes == pytest.approx(voltage_V / ratio_ohm, rel=2e-3, abs=1e-4)


def test_the_mode_changes_as_the_winding_warms() -> None:
    """In CC a coil's voltage rises as it warms until the voltage limit takes over."""
    built, clock = cold_bench()
    tell(built, "supply", "VOLT 8;CURR 2.2;OUTP ON")
    clock.sleep(0.2)
    assert ask(built, "supply", "STAT:OPER:COND?") == "1024"
    clock.sleep(300.0)
    assert ask(built, "supply", "STAT:OPER:COND?") == "256"
    assert float(ask(built, "supply", "MEAS:CURR?")) < 2.2


def test_voltage_takes_its_time_up_and_down() -> None:
    """The output slews at 150 V/s, and current flows until it is down."""
    built, clock = cold_bench()
    tell(built, "supply", "VOLT 12;OUTP ON")
    assert built.output_V() == 0.0
    clock.sleep(0.04)
    assert built.output_V() == pytest.approx(6.0, abs=0.01)
    clock.sleep(1.0)
    assert built.output_V() == 12.0
    tell(built, "supply", "OUTP OFF")
    assert ask(built, "supply", "OUTP?") == "0"
    clock.sleep(0.04)
    assert built.current_A("Y1") > 1.0
    clock.sleep(0.05)
    assert built.current_A("Y1") == 0.0
    assert not built.output_on()


def test_nothing_flows_with_no_contact_closed() -> None:
    """An output that is on without a load shows its voltage, no current, and CV."""
    built, clock = bench()
    tell(built, "supply", "VOLT 12;OUTP ON")
    clock.sleep(1.0)
    assert ask(built, "supply", "MEAS:VOLT?;CURR?;:STAT:OPER:COND?") == "12.0000;0.0000;256"


@pytest.mark.parametrize("closed", [True, False])
def test_over_voltage_trips(closed: bool) -> None:
    """Above the protection level the output goes off and stays off until the trip is cleared."""
    built, clock = bench()
    if closed:
        tell(built, "switch", "ROUT:CLOS (@101)")
    tell(built, "supply", "VOLT 10;VOLT:PROT 9;:OUTP ON")
    clock.sleep(0.5)
    assert ask(built, "supply", "VOLT:PROT:TRIP?;:CURR:PROT:TRIP?;:OUTP?") == "1;0;0"
    assert built.output_V() == 0.0
    assert refusal(built, "supply", "OUTP ON") == '-221,"Settings conflict"'
    tell(built, "supply", "VOLT 8;OUTP:PROT:CLE")
    assert ask(built, "supply", "VOLT:PROT:TRIP?;:OUTP?") == "0;0"
    tell(built, "supply", "OUTP ON")
    clock.sleep(0.5)
    assert built.output_V() == 8.0


def test_over_current_trips() -> None:
    """A load that draws more than the protection level switches the output off."""
    built, clock = cold_bench()
    tell(built, "supply", "VOLT 8.4;CURR 4;CURR:PROT 2;PROT:STAT ON;:OUTP ON")
    clock.sleep(0.5)
    assert ask(built, "supply", "CURR:PROT:TRIP?;:VOLT:PROT:TRIP?;:OUTP?") == "1;0;0"
    assert built.current_A("Y1") == 0.0


def test_a_level_that_is_not_armed_does_nothing() -> None:
    """Over-current protection acts only where it was told to, whatever its level reads back as."""
    built, clock = cold_bench()
    assert ask(built, "supply", "VOLT:PROT:STAT?;:CURR:PROT:STAT?") == "1;0"
    tell(built, "supply", "VOLT 8.4;CURR 4;CURR:PROT 2;:OUTP ON")
    clock.sleep(0.5)
    assert ask(built, "supply", "CURR:PROT:TRIP?;:OUTP?;:CURR:PROT?") == "0;1;2.0000"
    assert built.current_A("Y1") > 2.0
    tell(built, "supply", "CURR:PROT:STAT ON")
    clock.sleep(0.1)
    assert ask(built, "supply", "CURR:PROT:TRIP?;:OUTP?") == "1;0"


def test_a_current_limit_below_the_protection_does_not_trip() -> None:
    """Limiting the current is not tripping."""
    built, clock = cold_bench()
    tell(built, "supply", "VOLT 8.4;CURR 1.5;CURR:PROT 2;PROT:STAT ON;:OUTP ON")
    clock.sleep(5.0)
    assert ask(built, "supply", "CURR:PROT:TRIP?;:OUTP?") == "0;1"


def test_readback_errs_within_the_specification_and_always_alike() -> None:
    """Gain errors of setting and reading stay within their limits and differ from seed to seed."""
    seen = set()
    for seed in range(20):
        built, clock = bench(
            seed=seed, supply={"setting_error_rel": 3e-4, "readback_error_rel": 5e-4, "readback_noise_V": 0.0}
        )
        tell(built, "supply", "VOLT 20;OUTP ON")
        clock.sleep(1.0)
        assert abs(built.output_V() / 20.0 - 1.0) <= 3e-4
        reading = float(ask(built, "supply", "MEAS:VOLT?"))
        assert abs(reading / built.output_V() - 1.0) <= 5e-4 + 1e-5
        assert float(ask(built, "supply", "MEAS:VOLT?")) == reading
        seen.add(reading)
    assert len(seen) > 10


def test_reset_switches_off() -> None:
    """*RST leaves zero volts, output off and no trips."""
    built, clock = cold_bench()
    tell(built, "supply", "VOLT 10;OUTP ON")
    clock.sleep(1.0)
    tell(built, "supply", "*RST")
    clock.sleep(1.0)
    assert ask(built, "supply", "VOLT?;:OUTP?;:MEAS:VOLT?") == "0.0000;0;0.0000"


def test_energy_is_voltage_times_current_over_time() -> None:
    """What a coil has taken equals the integral of its own voltage and current."""
    built, clock = bench(kinds={"plain": {"copper_ohm": 3.3, "spread_rel": 0.0, "joint_ohm": 0.3}})
    tell(built, "switch", "ROUT:CLOS (@101)")
    tell(built, "supply", "VOLT 8.4;OUTP ON")
    integral_J, step_s = 0.0, 0.05
    for _ in range(int(60 / step_s)):
        before_W = built.current_A("Y1") ** 2 * built.resistance_ohm("Y1")
        clock.sleep(step_s)
        after_W = built.current_A("Y1") ** 2 * built.resistance_ohm("Y1")
        integral_J += (before_W + after_W) / 2.0 * step_s
    assert built.energy_J("Y1") == pytest.approx(integral_J, rel=2e-3)
    assert built.energy_J("Y2") == 0.0
