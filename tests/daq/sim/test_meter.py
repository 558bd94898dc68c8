"""The meter: what it sees through which contacts, in how much time, and how wrong."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from daq.sim.bench import SimBench
from tests.daq.kits.sim import OVERLOAD, ask, bench, tell

COLD = {"ambient_degC": 20.0}
LEADS_OHM = 0.12 + 0.05


def read(built: SimBench, function: str = "FRES", span: float = 100.0, nplc: float = 1.0) -> float:
    """Set function, range and integration time, then take one reading."""
    tell(built, "meter", f'FUNC "{function}";{function}:RANG {span};NPLC {nplc}')
    return float(ask(built, "meter", "READ?"))


def test_four_wires_see_the_coil_two_wires_also_the_leads() -> None:
    """Four-wire ohms are the coil's own; two-wire ohms add leads and contact."""
    built, _ = bench(**COLD)
    tell(built, "switch", "ROUT:CLOS (@201)")
    assert read(built) == pytest.approx(3.3, abs=1e-4)
    assert read(built, "RES") == pytest.approx(3.3 + LEADS_OHM, abs=1e-4)


def test_shorted_leads_show_their_share() -> None:
    """On the shorting channel two wires read the leads alone and four wires nothing."""
    built, _ = bench()
    tell(built, "switch", "ROUT:CLOS (@209)")
    assert read(built, "RES") == pytest.approx(LEADS_OHM, abs=1e-4)
    assert read(built) == 0.0


@pytest.mark.parametrize("function", ["FRES", "RES"])
def test_no_closed_path_is_an_overload(function: str) -> None:
    """Ohms with nothing connected are written as the overload of SCPI-1999, 9.9E37."""
    built, _ = bench()
    assert read(built, function) == OVERLOAD


def test_volts_with_nothing_connected_are_stray() -> None:
    """An open volts input reads some millivolts that differ from reading to reading."""
    built, _ = bench()
    readings = {read(built, "VOLT:DC", 10.0) for _ in range(5)}
    assert len(readings) == 5
    assert max(map(abs, readings)) < 0.05


@pytest.mark.slow
@given(st.floats(0.1, 40.0))
def test_above_120_percent_of_the_range_is_an_overload(copper_ohm: float) -> None:
    """On the 10 ohm range up to 12 ohm are read, more is an overload."""
    built, _ = bench(**COLD, kinds={"plain": {"copper_ohm": copper_ohm, "spread_rel": 0.0, "joint_ohm": 0.0}})
    tell(built, "switch", "ROUT:CLOS (@201)")
    value = read(built, span=10.0)
    if copper_ohm > 12.0001:
        assert value == OVERLOAD
    elif copper_ohm < 11.9999:
        assert value == pytest.approx(copper_ohm, abs=1e-5)


def test_two_coils_on_the_meter_are_in_parallel() -> None:
    """Wrongly closed contacts give the parallel value, not an error."""
    built, _ = bench(**COLD)
    tell(built, "switch", "ROUT:CLOS (@201,202)")
    assert read(built) == pytest.approx(1.65, abs=1e-4)


@pytest.mark.parametrize(
    ("nplc", "compensated", "expected_s"), [(1, 0, 0.032), (10, 0, 0.212), (10, 1, 0.424)]
)
def test_a_reading_takes_its_power_line_cycles(nplc: int, compensated: int, expected_s: float) -> None:
    """At 50 Hz a cycle is 20 ms; settling comes on top; offset compensation measures twice."""
    built, clock = bench()
    tell(built, "meter", f'FUNC "FRES";FRES:NPLC {nplc};OCOM {compensated}')
    before_s = clock.monotonic()
    ask(built, "meter", "READ?")
    assert clock.monotonic() - before_s == pytest.approx(expected_s)


def test_settings_read_back() -> None:
    """Settings answer what was set; a range is the next one that holds the value."""
    built, _ = bench()
    tell(built, "meter", 'FUNC "FRESistance";FRES:RANG 3.3;NPLC 10;OCOM ON')
    assert ask(built, "meter", "FUNC?") == '"FRES"'
    assert [float(ask(built, "meter", f"FRES:{item}?")) for item in ("RANG", "NPLC", "OCOM")] == [
        10.0,
        10.0,
        1.0,
    ]
    tell(built, "meter", "RES:RANG 13;:VOLT:RANG 12;:VOLT:DC:NPLC 0.2")
    assert float(ask(built, "meter", "RES:RANG?")) == 100.0
    assert float(ask(built, "meter", "VOLT:DC:RANG?")) == 10.0
    assert float(ask(built, "meter", "FRES:RANG?")) == 10.0


def test_offset_compensation_removes_thermal_emf() -> None:
    """Microvolts of the contacts shift ohms by EMF over test current, until compensated."""
    built, _ = bench(**COLD, wiring={"contact_emf_V": 5e-6})
    shifts = []
    for channel in (201, 202):
        tell(built, "switch", f"ROUT:OPEN:ALL;:ROUT:CLOS (@{channel})")
        tell(built, "meter", "FRES:OCOM OFF")
        plain_ohm = read(built)
        tell(built, "meter", "FRES:OCOM ON")
        assert read(built) == pytest.approx(3.3, abs=1e-4)
        emf_V = built.world.harness.contacts[channel].emf_V
        assert plain_ohm - 3.3 == pytest.approx(emf_V / 1e-3, abs=2e-4)
        shifts.append(abs(plain_ohm - 3.3))
    assert max(shifts) > 1e-3


def test_errors_of_a_range_are_within_specification_and_constant() -> None:
    """Gain and offset errors stay inside their limits, are the same each time, and vary with the seed."""
    seen = set()
    for seed in range(20):
        built, _ = bench(
            **COLD,
            seed=seed,
            meter={"gain_error_rel": 1e-4, "offset_error_of_range": 4e-5, "noise_of_range": 0.0},
        )
        tell(built, "switch", "ROUT:CLOS (@201)")
        value = read(built)
        assert abs(value - 3.3) <= 3.3 * 1e-4 + 100.0 * 4e-5 + 1e-4
        assert read(built) == value
        seen.add(value)
    assert len(seen) > 10


@pytest.mark.parametrize("nplc", [1.0, 100.0])
def test_noise_falls_with_the_root_of_the_cycles(nplc: float) -> None:
    """The scatter is the specified share of the range over the root of NPLC (chi-square bounds, 99.9 %)."""
    built, _ = bench(**COLD, meter={"noise_of_range": 1e-5})
    tell(built, "switch", "ROUT:CLOS (@201)")
    readings = np.array([read(built, nplc=nplc) for _ in range(200)])
    expected = 1e-5 * 100.0 / math.sqrt(nplc)
    # The reading's last digit adds its own uniform scatter.
    variance = expected**2 + 1e-4**2 / 12.0
    low, high = stats.chi2.ppf([0.0005, 0.9995], 199) / 199
    assert low < readings.var(ddof=1) / variance < high


def test_ohms_of_a_driven_coil_are_nonsense() -> None:
    """With volts on the coil ohms overload; with the output on at zero they are the supply's leads."""
    built, clock = bench(**COLD)
    tell(built, "switch", "ROUT:CLOS (@101,201)")
    tell(built, "supply", "VOLT 8.4;OUTP ON")
    clock.sleep(1.0)
    assert read(built) == OVERLOAD
    tell(built, "supply", "VOLT 0")
    clock.sleep(1.0)
    assert read(built) < 0.2
    tell(built, "supply", "OUTP OFF")
    assert read(built) > 3.3


def test_volts_across_a_driven_coil_leave_out_the_leads() -> None:
    """Sense contacts see the coil's own voltage: current times its resistance, less than the supply gives."""
    built, clock = bench(**COLD)
    tell(built, "switch", "ROUT:CLOS (@101,201)")
    tell(built, "supply", "VOLT 8.4;OUTP ON")
    clock.sleep(1.0)
    volts = read(built, "VOLT:DC", 10.0)
    assert volts == pytest.approx(built.current_A("Y1") * built.resistance_ohm("Y1"), rel=1e-5)
    assert volts < 8.4 - 0.2
    tell(built, "switch", "ROUT:OPEN (@201);CLOS (@202)")
    assert read(built, "VOLT:DC", 10.0) == pytest.approx(0.0, abs=1e-5)


def test_a_heat_opened_coil_reads_open() -> None:
    """An open coil is an overload in ohms, shows the whole supply voltage, and draws nothing."""
    built, clock = bench(
        ambient_degC=20.0,
        coils=[
            {
                "label": "Y1",
                "kind": "plain",
                "heat_open": {"opens_above_degC": 19.0, "closes_below_degC": 10.0},
            },
            {"label": "Y2", "kind": "plain"},
        ],
    )
    clock.sleep(2.0)
    tell(built, "switch", "ROUT:CLOS (@101,201)")
    assert read(built) == OVERLOAD
    tell(built, "supply", "VOLT 8.4;OUTP ON")
    clock.sleep(1.0)
    assert read(built, "VOLT:DC", 10.0) == pytest.approx(8.4, abs=1e-4)
    assert float(ask(built, "supply", "MEAS:CURR?")) == 0.0
    assert built.resistance_ohm("Y1") == math.inf


def test_a_dropout_inside_the_window_spoils_the_reading() -> None:
    """A reading is off exactly when its window overlaps an open stretch; off means too high or overload."""
    built, clock = bench(
        ambient_degC=20.0,
        coils=[
            {
                "label": "Y1",
                "kind": "plain",
                "dropouts": {
                    "onset_degC": -60.0,
                    "reference_degC": 0.0,
                    "open_share": 0.1,
                    "mean_open_s": 0.2,
                },
            },
            {"label": "Y2", "kind": "plain"},
        ],
    )
    tell(built, "switch", "ROUT:CLOS (@201)")
    spoiled = 0
    for _ in range(300):
        began_s = clock.monotonic()
        value = read(built, nplc=10.0)
        ended_s = clock.monotonic()
        overlap_s = sum(max(0.0, min(b, ended_s) - max(a, began_s)) for a, b in built.opens_s("Y1"))
        if overlap_s == 0.0:
            assert value == pytest.approx(3.3, abs=1e-4)
        elif overlap_s > 1e-3:
            spoiled += 1
            assert value > 3.31
    assert spoiled > 20


def test_the_meter_reads_the_platinum_probe() -> None:
    """Through a probe channel the meter sees the Pt100 at the body: 107.79 ohm at 20 degC (IEC 60751)."""
    built, _ = bench(**COLD)
    tell(built, "switch", "ROUT:CLOS (@301)")
    assert read(built) == pytest.approx(107.79, abs=0.005)


def test_leakage_to_the_body() -> None:
    """A sound coil's insulation is beyond the highest range; a leaking one is read, less when hot."""
    built, _ = bench(
        ambient_degC=30.0,
        coils=[{"label": "Y1", "kind": "plain", "leakage_ohm": 2e6}, {"label": "Y2", "kind": "plain"}],
    )
    tell(built, "switch", "ROUT:CLOS (@401)")
    assert read(built, "RES", 1e8) == pytest.approx(1e6, rel=1e-3)
    tell(built, "switch", "ROUT:OPEN (@401);CLOS (@402)")
    assert read(built, "RES", 1e8) == OVERLOAD
