"""Copper's laws against print."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from analysis.arrays import FloatArray
from analysis.physics import copper

Table = Callable[[str], dict[str, FloatArray]]


def test_alpha20_is_the_standards_value() -> None:
    """Annealed copper gains 0.00393 of its 20 degC resistance each kelvin.

    NBS Handbook 100, Copper Wire Tables (1966), section 1.1; the same value in IEC 60028:1925.
    """
    assert copper.ALPHA20_PER_K == 0.00393


def test_factor_is_that_of_the_copper_law(table: Table) -> None:
    """Factors from 0 to 150 degC are those computed from the definition of NBS Handbook 100."""
    printed = table("copper_factor")
    got = copper.resistance_factor(printed["temperature_degC"])
    assert got == pytest.approx(printed["factor"], abs=5e-6)


def test_wire_number_30_at_other_temperatures(table: Table) -> None:
    """AWG 30 has the tabulated ohms per 1000 feet at each temperature, from its ohms at 20 degC alone.

    20 degC: NBS Circular 31 / Handbook 100 (103.2); other temperatures computed from the definition.
    """
    printed = table("awg30_ohm_per_1000ft")
    at_20 = copper.to_20degC(printed["resistance_ohm"], printed["temperature_degC"])
    assert at_20 == pytest.approx(np.full(8, 103.19), rel=1e-4)
    assert at_20 == pytest.approx(np.full(8, 103.2), abs=0.05)


def test_zero_point_is_that_of_the_same_law() -> None:
    """20 - 1/alpha20 is the inferred zero, printed as -234.5 degC (NBS Handbook 100)."""
    zero_degC = 20.0 - 1.0 / copper.ALPHA20_PER_K
    assert zero_degC == pytest.approx(-copper.ZERO_BELOW_K, abs=0.05)


@pytest.mark.parametrize(
    ("constant_K", "winding_degC", "rise_K"),
    [(235.0, 90.0, 63.0), (234.5, 89.875, 62.875), (225.0, 87.5, 60.5)],
)
def test_rise_by_resistance(constant_K: float, winding_degC: float, rise_K: float) -> None:
    """10 ohm at 25 degC that became 12.5 ohm tells winding temperature and rise over 27 degC.

    IEC 60034-1, 8.6.2: 235 for copper and 225 for aluminium (from memory); figures computed from the
    definition.
    """
    found_degC = copper.winding_temperature(12.5, 10.0, 25.0, constant_K)
    assert found_degC == pytest.approx(winding_degC, abs=1e-9)
    assert found_degC - 27.0 == pytest.approx(rise_K, abs=1e-9)


def test_pure_copper_lies_within_the_published_span(table: Table) -> None:
    """The slope of pure copper, steeper than IACS copper, still counts as copper.

    CRC Handbook, wire tables: resistivities at 0, 20, 25 and 100 degC.
    """
    printed = table("pure_copper_resistivity")
    t, rho = printed["temperature_degC"], printed["resistivity_1e8_ohm_m"]
    alpha20 = (rho[3] - rho[0]) / (t[3] - t[0]) / rho[1]
    low, high = copper.PUBLISHED_ALPHA20_PER_K
    assert alpha20 == pytest.approx(0.004035, abs=3e-5)
    assert low < alpha20 < high


def test_shop_figure_of_a_hot_coil() -> None:
    """3.2 ohm at 13 degC is 4.196 ohm at 90 degC (computed from the definition)."""
    at_20 = copper.to_20degC(3.2, 13.0)
    assert at_20 * copper.resistance_factor(90.0) == pytest.approx(4.196, abs=5e-4)
