"""The thermometer and the platinum elements."""

from __future__ import annotations

import pytest

from daq.sim.devices.thermometer import pt100_ohm
from tests.daq.kits.sim import OVERLOAD, ask, bench, tell


@pytest.mark.parametrize(
    ("probe_degC", "printed_ohm", "full_ohm"),
    [
        (-200.0, 18.52, 18.5201),
        (-100.0, 60.26, 60.2558),
        (-50.0, 80.31, 80.3063),
        (0.0, 100.00, 100.0),
        (20.0, 107.79, 107.7935),
        (50.0, 119.40, 119.3971),
        (100.0, 138.51, 138.5055),
        (150.0, 157.33, 157.3251),
        (200.0, 175.86, 175.8560),
        (850.0, 390.48, 390.4811),
    ],
)
def test_platinum_follows_its_standard(probe_degC: float, printed_ohm: float, full_ohm: float) -> None:
    """A Pt100 has the printed resistance (IEC 60751 table; full digits computed from its equation)."""
    assert pt100_ohm(probe_degC) == pytest.approx(printed_ohm, abs=0.005)
    assert pt100_ohm(probe_degC) == pytest.approx(full_ohm, abs=1e-4)


def test_the_probe_lags_the_body() -> None:
    """While the body warms its probe is behind; afterwards they agree."""
    built, clock = bench()
    tell(built, "switch", "ROUT:CLOS (@101)")
    tell(built, "supply", "VOLT 8;OUTP ON")
    clock.sleep(60.0)
    behind_K = built.body_degC("Y1") - float(ask(built, "thermometer", "MEAS:TEMP? (@1)"))
    assert 0.1 < behind_K < 3.0
    tell(built, "supply", "OUTP OFF")
    clock.sleep(20_000.0)
    assert float(ask(built, "thermometer", "MEAS:TEMP? (@1)")) == pytest.approx(
        built.body_degC("Y1"), abs=0.001
    )


def test_a_list_of_channels_is_answered_in_order() -> None:
    """One reply a channel, in the order asked."""
    built, clock = bench()
    tell(built, "switch", "ROUT:CLOS (@102)")
    tell(built, "supply", "VOLT 8;OUTP ON")
    clock.sleep(120.0)
    second, first = map(float, ask(built, "thermometer", "MEAS:TEMP? (@2,1)").split(","))
    assert first == pytest.approx(22.0, abs=0.001)
    assert second > 24.0


def test_broken_and_loose_probes() -> None:
    """A broken probe is an overload, also for the meter; a loose one shows the air and not the body."""
    built, clock = bench(
        coils=[
            {"label": "Y1", "kind": "plain", "probe": "open"},
            {"label": "Y2", "kind": "plain", "probe": "loose"},
        ]
    )
    tell(built, "switch", "ROUT:CLOS (@102)")
    tell(built, "supply", "VOLT 8;OUTP ON")
    clock.sleep(300.0)
    assert float(ask(built, "thermometer", "MEAS:TEMP? (@1)")) == OVERLOAD
    assert float(ask(built, "thermometer", "MEAS:TEMP? (@2)")) == pytest.approx(22.0, abs=0.001)
    assert built.body_degC("Y2") > 30.0
    tell(built, "switch", "ROUT:CLOS (@301)")
    tell(built, "meter", 'FUNC "FRES";FRES:RANG 100')
    assert float(ask(built, "meter", "READ?")) == OVERLOAD


def test_a_shorted_probe() -> None:
    """A shorted element has no resistance, and reads below any temperature."""
    built, _ = bench(coils=[{"label": "Y1", "kind": "plain", "probe": "shorted"}])
    assert float(ask(built, "thermometer", "MEAS:TEMP? (@1)")) == -OVERLOAD
    tell(built, "switch", "ROUT:CLOS (@301)")
    tell(built, "meter", 'FUNC "FRES";FRES:RANG 1000')
    assert abs(float(ask(built, "meter", "READ?"))) < 0.1


def test_each_channel_has_its_own_constant_error() -> None:
    """Offsets stay within their limit, differ from channel to channel and not from reading to reading."""
    built, _ = bench(thermometer={"offset_limit_K": 0.2})
    one, other = (float(ask(built, "thermometer", f"MEAS:TEMP? (@{n})")) for n in (1, 2))
    assert one != other
    assert max(abs(one - 22.0), abs(other - 22.0)) <= 0.2005
    assert float(ask(built, "thermometer", "MEAS:TEMP? (@1)")) == one


def test_a_gain_error_grows_from_20_degC() -> None:
    """Nothing at 20 degC; further off the error is a constant share of the distance, within its limit."""
    shares = []
    for ambient_degC in (20.0, 35.0, 50.0):
        built, _ = bench(thermometer={"gain_limit_rel": 0.05}, ambient_degC=ambient_degC)
        shown = [float(ask(built, "thermometer", f"MEAS:TEMP? (@{n})")) for n in (1, 2)]
        shares.append([each - ambient_degC for each in shown])
    assert shares[0] == pytest.approx([0.0, 0.0], abs=0.001)
    assert shares[2] == pytest.approx([2.0 * each for each in shares[1]], abs=0.002)
    assert all(0.0 < abs(each) <= 0.05 * 15.0 for each in shares[1])
    assert shares[1][0] != shares[1][1]
