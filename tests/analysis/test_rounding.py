"""Value and uncertainty rounded together."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.rounding import with_uncertainty


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        # JCGM 100:2008, 7.2.2 writes 100 g standard of 100.021 47 g and 0.35 mg as 100.021 47(35) g.
        (100.02147, 0.00035, "100.02147(35)"),
        # JCGM 100:2008, 7.2.6: 10.057 62 ohm with 27 mohm is given as 10.058 ohm.
        (10.05762, 0.027, "10.058(27)"),
        # NIST CODATA 2018, electron mass in 1e-31 kg.
        (9.1093837015, 0.0000000028, "9.1093837015(28)"),
        (3.20471, 0.00312, "3.2047(31)"),
        (3.3, 0.0998, "3.30(10)"),
        (105.3, 12.4, "105(12)"),
        (12.34, 1.5, "12.3(1.5)"),
        (12345.0, 230.0, "12340(230)"),
        (-0.01, 0.02, "-0.010(20)"),
        (0.0, 0.5, "0.00(50)"),
        (1e300, 1.0, "1e+300"),
        (3.2, 0.0, "3.2"),
    ],
)
def test_value_takes_the_place_of_its_uncertainty(value: float, u: float, text: str) -> None:
    """Two digits of uncertainty stand behind a value rounded to the same place."""
    assert with_uncertainty(value, u) == text


@given(st.floats(-1e6, 1e6), st.floats(1e-5, 0.9))
def test_what_is_read_back_is_near(value: float, u: float) -> None:
    """Read back, value and uncertainty differ from those given by at most a twentieth of the uncertainty."""
    number, bracket = with_uncertainty(value, u).removesuffix(")").split("(")
    places = len(number.partition(".")[2])
    assert abs(float(number) - value) <= 0.0501 * u + 1e-9
    assert abs(int(bracket) * 10.0**-places - u) <= 0.0501 * u


@pytest.mark.parametrize(("value", "u"), [(math.nan, 1.0), (1.0, math.inf), (1.0, -0.1)])
def test_nonsense_is_refused(value: float, u: float) -> None:
    """What is no number is not written as one."""
    with pytest.raises(ValueError, match="finite"):
        with_uncertainty(value, u)
