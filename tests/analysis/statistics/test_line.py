"""Straight lines against certified and worked examples."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st

from analysis.arrays import FloatArray
from analysis.statistics.line import line_errors_in_both, theil_sen
from tests.analysis.kits.line import STATED, known_line, scattered_line

Table = Callable[[str], dict[str, FloatArray]]


def test_norris(table: Table) -> None:
    """NIST StRD, Norris: certified parameters, their standard deviations and the residual sum of squares."""
    data = table("norris")
    line = scattered_line(data["x"], data["y"])
    s0, s1 = np.sqrt(np.diag(line.covariance))
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-10)
    assert s0 == pytest.approx(0.232818234301152, rel=1e-10)
    assert s1 == pytest.approx(0.429796848199937e-03, rel=1e-10)
    assert line.chi2 * STATED**2 == pytest.approx(26.6173985294224, rel=1e-10)
    assert line.misfit**0.5 * STATED == pytest.approx(0.884796396144373, rel=1e-10)
    assert line.dof == 34


def test_noint1(table: Table) -> None:
    """NIST StRD, NoInt1: certified slope through the origin, its deviation and residual sum of squares.

    Points and their mirror images through the origin have the same slope and no intercept, twice the sum of
    squares, and half the variance that the points alone leave to the slope.
    """
    data = table("noint1")
    x, y = data["x"], data["y"]
    line = scattered_line(np.concatenate([x, -x]), np.concatenate([y, -y]))
    squares, dof = line.chi2 * STATED**2 / 2.0, x.size - 1
    assert line.intercept == pytest.approx(0.0, abs=1e-12)
    assert line.slope == pytest.approx(2.07438016528926, rel=1e-12)
    assert squares == pytest.approx(127.272727272727, rel=1e-12)
    assert (squares / dof) ** 0.5 == pytest.approx(3.56753034006338, rel=1e-12)
    assert (2.0 * line.covariance[1, 1] * line.dof / (2 * dof)) ** 0.5 == pytest.approx(
        0.165289256198347e-01, rel=1e-12
    )


def test_gum_h3(table: Table) -> None:
    """JCGM 100:2008, H.3: calibration line of a thermometer about 20 degC, and its correction at 30 degC.

    Printed figures to half the last digit; the long ones were computed by four independent libraries.
    """
    data = table("gum_h3")
    points = data["reading_degC"], data["correction_degC"]
    line, at_30 = (scattered_line(*points, reference=degC) for degC in (20.0, 30.0))
    u1, u2 = np.sqrt(np.diag(line.covariance))
    b30, u30 = at_30.intercept, at_30.covariance[0, 0] ** 0.5
    assert (line.intercept, u1) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (line.slope, u2) == pytest.approx((0.00218, 0.00067), abs=5e-6)
    assert line.covariance[0, 1] / (u1 * u2) == pytest.approx(-0.930, abs=5e-4)
    assert line.misfit**0.5 * STATED == pytest.approx(0.0035, abs=5e-5)
    assert (b30, u30) == pytest.approx((-0.1494, 0.0041), abs=5e-5)
    assert line.dof == 9
    assert (line.intercept, u1) == pytest.approx((-0.17120379013135, 0.00287759783516), rel=1e-9)
    assert (line.slope, u2) == pytest.approx((0.00218269773988729, 0.000667938773227833), rel=1e-9)
    assert (b30, u30) == pytest.approx((-0.149376812732, 0.00413859575285), rel=1e-9)


X6 = np.arange(1.0, 7.0)


def test_iso_28037_equal_weights() -> None:
    """ISO/TS 28037:2010, weighted least squares with equal uncertainties."""
    y, u = np.array([3.3, 5.6, 7.1, 9.3, 10.7, 12.1]), np.full(6, 0.5)
    line = known_line(X6, y, u)
    assert (line.intercept, line.slope) == pytest.approx((1.866667, 1.757143), abs=5e-7)
    assert np.sqrt(np.diag(line.covariance)) == pytest.approx([0.4654747, 0.1195229], abs=5e-8)
    assert line.covariance[0, 1] == pytest.approx(-0.050, abs=5e-4)
    assert line.chi2 == pytest.approx(1.665, abs=7e-4)
    assert line.dof == 4


def test_iso_28037_unequal_weights() -> None:
    """ISO/TS 28037:2010, weighted least squares with unequal uncertainties."""
    y, u = np.array([3.2, 4.3, 7.6, 8.6, 11.7, 12.8]), np.array([0.5, 0.5, 0.5, 1.0, 1.0, 1.0])
    line = known_line(X6, y, u)
    assert (line.intercept, line.slope) == pytest.approx((0.8852, 2.0570), abs=5e-5)
    assert np.sqrt(np.diag(line.covariance)) == pytest.approx([0.5297081, 0.1778920], abs=5e-8)
    assert line.covariance[0, 1] == pytest.approx(-0.08227848, abs=5e-9)
    assert line.chi2 == pytest.approx(4.131, abs=5e-4)


def test_iso_28037_errors_in_both() -> None:
    """ISO/TS 28037:2010, generalized distance regression; covariance to the two digits printed.

    The long figures are York's (2004) for the same data, computed from his formulas.
    """
    x, ux = np.array([1.2, 1.9, 2.9, 4.0, 4.7, 5.9]), np.full(6, 0.2)
    y, uy = np.array([3.4, 4.4, 7.2, 8.5, 10.8, 13.5]), np.array([0.2, 0.2, 0.2, 0.4, 0.4, 0.4])
    line = line_errors_in_both(x, ux, y, uy)
    assert (line.intercept, line.slope, line.chi2) == pytest.approx((0.5788, 2.1597, 2.743), abs=5e-4)
    assert np.sqrt(np.diag(line.covariance)) == pytest.approx([0.4764, 0.1355], abs=5e-5)
    assert (line.intercept, line.slope, line.chi2) == pytest.approx(
        (0.5788221, 2.1596566, 2.7426768), abs=6e-8
    )
    assert np.sqrt(np.diag(line.covariance)) == pytest.approx([0.4764206, 0.1355479], abs=6e-8)
    assert line.covariance[0, 1] == pytest.approx(-0.0577169, abs=6e-8)


def test_pearson_with_york_weights(table: Table) -> None:
    """Pearson's points with York's weights: parameters (Neri et al. 1989) and York's (2004) covariance.

    The covariance is that at the expected points; the observed points (Kalantar 1992) would give
    0.29193 and 0.057617.
    """
    data = table("pearson_york")
    line = line_errors_in_both(data["x"], data["weight_x"] ** -0.5, data["y"], data["weight_y"] ** -0.5)
    assert (line.intercept, line.slope) == pytest.approx((5.47991022, -0.480533407), abs=5e-9)
    assert line.misfit == pytest.approx(1.4833, abs=5e-5)
    assert np.sqrt(np.diag(line.covariance)) == pytest.approx([0.294970735, 0.057985009], abs=2e-9)
    assert line.covariance[0, 1] == pytest.approx(-0.0164725447, abs=2e-10)
    assert np.sqrt(np.diag(line.widened().covariance)) == pytest.approx([0.359247, 0.0706203], abs=5e-7)


lines = st.tuples(st.integers(3, 20), st.integers(0, 2**32 - 1))


@given(lines)
def test_known_weights_agree_with_an_independent_library(case: tuple[int, int]) -> None:
    """Parameters and covariance are those of statsmodels' WLS with its scale fixed."""
    n, seed = case
    rng = np.random.default_rng(seed)
    x, u = 20.0 + 70.0 * np.linspace(0.0, 1.0, n), rng.uniform(0.5, 2.0, n)
    y = 3.0 + 0.012 * x + u * rng.standard_normal(n)
    line = known_line(x, y, u)
    referee = sm.WLS(y, sm.add_constant(x), weights=u**-2).fit(cov_type="fixed scale")
    assert [line.intercept, line.slope] == pytest.approx(referee.params, rel=1e-7, abs=1e-9)
    assert line.covariance == pytest.approx(referee.cov_params(), rel=1e-7)


@given(st.floats(1e-3, 1e3), st.permutations(range(10)))
def test_scale_and_order(scale: float, order: list[int]) -> None:
    """A change of unit scales the line and its uncertainty; the order of the points does not matter."""
    x = np.linspace(20.0, 90.0, 10)
    y = 3.0 + 0.012 * x + 0.002 * np.cos(np.arange(10.0) ** 2)
    ux, uy = np.full(10, 0.1), np.full(10, 0.001)
    plain = line_errors_in_both(x, ux, y, uy, reference=20.0)
    other = line_errors_in_both(x[order], ux, y[order] * scale, uy * scale, reference=20.0)
    assert other.intercept == pytest.approx(plain.intercept * scale, rel=1e-9)
    assert other.slope == pytest.approx(plain.slope * scale, rel=1e-9)
    assert other.covariance == pytest.approx(plain.covariance * scale**2, rel=1e-6)


def test_stated_uncertainty_is_that_seen() -> None:
    """Over 500 repetitions the scatter of the slope is the stated standard uncertainty, within a tenth."""
    rng = np.random.default_rng(3)
    x = np.repeat([22.0, 50.0, 70.0, 90.0], 4)
    ux, uy = np.full(16, 0.5), np.full(16, 0.005)
    fits = [
        line_errors_in_both(
            x + ux * rng.standard_normal(16), ux, 3.0 + 0.013 * x + uy * rng.standard_normal(16), uy
        )
        for _ in range(500)
    ]
    slopes = np.array([fit.slope for fit in fits])
    assert slopes.std() == pytest.approx(fits[0].covariance[1, 1] ** 0.5, rel=0.1)
    assert np.mean([fit.misfit for fit in fits]) == pytest.approx(1.0, abs=0.05)


def test_widened_only_by_misfit() -> None:
    """Points that fit better than stated do not narrow the uncertainty."""
    y, u = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0]), np.full(6, 0.5)
    line = known_line(X6, y, u)
    assert line.widened().covariance == pytest.approx(line.covariance)


def test_median_slope_bears_outliers() -> None:
    """A quarter of wild points leaves the line of median slopes where it was."""
    x = np.linspace(20.0, 90.0, 40)
    y = 3.0 + 0.012 * x
    y[::4] += 8.0
    assert theil_sen(x, y) == pytest.approx((3.0, 0.012), rel=1e-6)


@pytest.mark.parametrize(
    ("x", "y", "u"),
    [([1.0], [1.0], [1.0]), ([1.0, 1.0], [1.0, 2.0], [1.0, 1.0]), ([1.0, 2.0], [1.0, 2.0], [1.0, 0.0])],
)
def test_no_line_without_two_places(x: list[float], y: list[float], u: list[float]) -> None:
    """One point, one place or a point said to be perfect give no line."""
    with pytest.raises(ValueError, match="expected"):
        known_line(np.array(x), np.array(y), np.array(u))
