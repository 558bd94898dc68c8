"""The line with errors in both axes against ODRPACK, which minimises the same distance by another road."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import odrpack
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.arrays import FloatArray
from analysis.statistics.line import line_errors_in_both

Table = Callable[[str], dict[str, FloatArray]]


def straight(x: FloatArray, beta: FloatArray) -> FloatArray:
    """The model in ODRPACK's order of arguments."""
    return beta[0] + beta[1] * x


def referee(x: FloatArray, ux: FloatArray, y: FloatArray, uy: FloatArray) -> odrpack.OdrResult:
    """Orthogonal distance regression with the weights that the uncertainties give, exact derivatives."""
    slope, intercept = np.polyfit(x, y, 1)
    return odrpack.odr_fit(
        straight,
        x,
        y,
        np.array([intercept, slope]),
        weight_x=ux**-2,
        weight_y=uy**-2,
        jac_beta=lambda x, _: np.stack([np.ones_like(x), x]),
        jac_x=lambda x, beta: np.full_like(x, beta[1]),
        sstol=1e-15,
        partol=1e-15,
        maxit=500,
    )


def test_pearson_with_york_weights(table: Table) -> None:
    """Parameters and covariance are ODRPACK's for Pearson's points, in each of the two conventions.

    Its cov_beta rests on the stated uncertainties, as ours; its sd_beta is scaled as in widened().
    """
    data = table("pearson_york")
    columns = data["x"], data["weight_x"] ** -0.5, data["y"], data["weight_y"] ** -0.5
    line, odr = line_errors_in_both(*columns), referee(*columns)
    assert [line.intercept, line.slope] == pytest.approx(odr.beta, rel=1e-7)
    assert line.covariance == pytest.approx(odr.cov_beta, rel=1e-5)
    assert np.sqrt(np.diag(line.widened().covariance)) == pytest.approx(odr.sd_beta, rel=1e-5)
    assert line.misfit == pytest.approx(odr.res_var, rel=1e-7)


@given(st.integers(3, 20), st.floats(-0.05, 0.05), st.integers(0, 2**32 - 1))
def test_random_lines(n: int, slope: float, seed: int) -> None:
    """Over lines of either sign with uneven uncertainties in both axes the two agree in all figures."""
    rng = np.random.default_rng(seed)
    ux, uy = rng.uniform(0.1, 2.0, n), rng.uniform(0.005, 0.05, n)
    true = np.linspace(20.0, 90.0, n)
    x = true + ux * rng.standard_normal(n)
    y = 3.0 + slope * true + uy * rng.standard_normal(n)
    line, odr = line_errors_in_both(x, ux, y, uy), referee(x, ux, y, uy)
    u = np.sqrt(np.diag(line.covariance))
    # Half a ten-thousandth of the uncertainty: both stop their iteration far below what the data tell.
    assert np.abs([line.intercept, line.slope] - odr.beta) / u == pytest.approx([0.0, 0.0], abs=5e-5)
    assert line.covariance == pytest.approx(odr.cov_beta, rel=1e-3)
    assert line.chi2 == pytest.approx(odr.sum_square, rel=1e-6)
