"""Sums of exponentials by least squares, with a starting guess of their own.

Only the rates are searched for: given them, everything else is a linear fit (variable projection, Golub
and Pereyra, SIAM Journal on Numerical Analysis 10 (1973) 413; Kaufman's derivative, BIT 15 (1975) 49).
Rates are positive, so their logarithms are searched, from the best of a ladder of rates between what a
series of this length can show and what readings this far apart can.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import log

import numpy as np
from scipy.optimize import least_squares

from analysis.arrays import FloatArray

#: Columns of the linear fit, shape (n, m), at times (n,) and rates (p,), and their derivatives by each rate,
#: shape (p, n, m).
Columns = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]

_LADDER = 14
#: Slowest rate tried, over the span; fastest, over the median spacing.
_SLOWEST, _FASTEST = 0.1, 3.0
_TOLERANCE = 1e-12
#: Rates stay within this factor of the ladder: beyond it they show as an offset, or not at all.
_BEYOND = 1e4
_MOST_CALLS = 200


@dataclass(frozen=True)
class SumOfExponentials:
    """A fit.

    Attributes:
        rates_per_s: One rate a term, shape (p,), falling.
        linear: Coefficients of the columns, shape (m,).
        covariance: Of the linear coefficients and then the rates, shape (m + p, m + p), scaled by the
            scatter; NaN where as many parameters as readings leave no scatter.
        squares: Sum of squares left over.
        dof: Readings less parameters.
    """

    rates_per_s: FloatArray
    linear: FloatArray
    covariance: FloatArray
    squares: float
    dof: int

    def bic(self, least_squares_left: float) -> float:
        """Return Schwarz's criterion, where less than *least_squares_left* is rounding and no merit."""
        parameters = self.linear.size + self.rates_per_s.size
        n = self.dof + parameters
        return n * log(max(self.squares, least_squares_left) / n) + parameters * log(n)


def offset_and_falls(time_s: FloatArray, rates_per_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Columns of final + sum of a exp(-rate t): ones, then one fall a rate."""
    falls = np.exp(-np.multiply.outer(time_s, rates_per_s))
    matrix = np.column_stack([np.ones_like(time_s), falls])
    derivatives = np.zeros((rates_per_s.size, *matrix.shape))
    for k in range(rates_per_s.size):
        derivatives[k, :, k + 1] = -time_s * falls[:, k]
    return matrix, derivatives


def fit_rates(
    time_s: FloatArray,
    value: FloatArray,
    *,
    columns: Columns = offset_and_falls,
    fewer: SumOfExponentials | None = None,
) -> SumOfExponentials | None:
    """Fit one exponential, or one more than there are in *fewer*.

    Args:
        time_s: Increasing times from about zero, shape (n,).
        value: Equally good readings, shape (n,).
        columns: The form; an offset and falls when left out.
        fewer: The fit of the same readings with one term less, from whose rates to begin.

    Returns:
        The fit, None where there are fewer readings than parameters or two rates cannot be told apart.
    """
    near = np.empty(0) if fewer is None else fewer.rates_per_s
    span_s = float(np.ptp(time_s))
    ladder = np.geomspace(_SLOWEST / span_s, _FASTEST / float(np.median(np.diff(time_s))), _LADDER)
    starts = [np.append(near, rate) for rate in ladder]
    if columns(time_s, starts[0])[0].shape[1] + near.size + 1 > time_s.size:
        return None

    def bounded(log_rates: FloatArray) -> FloatArray:
        return np.exp(np.clip(log_rates, log(ladder[0] / _BEYOND), log(ladder[-1] * _BEYOND)))

    def residual(log_rates: FloatArray) -> FloatArray:
        matrix = columns(time_s, bounded(log_rates))[0]
        q = np.linalg.qr(matrix)[0]
        return value - q @ (q.T @ value)

    def jacobian(log_rates: FloatArray) -> FloatArray:
        rates = bounded(log_rates)
        matrix, derivatives = columns(time_s, rates)
        q, r = np.linalg.qr(matrix)
        moved = (derivatives @ _solved(r, q.T @ value)).T * rates
        return q @ (q.T @ moved) - moved

    start = min((np.log(rates) for rates in starts), key=lambda at: float(np.sum(residual(at) ** 2)))
    found = least_squares(
        residual,
        start,
        jacobian,
        method="lm",
        ftol=_TOLERANCE,
        xtol=_TOLERANCE,
        gtol=_TOLERANCE,
        max_nfev=_MOST_CALLS,
    )
    return _finished(time_s, value, np.sort(bounded(found.x))[::-1], columns)


def _finished(
    time_s: FloatArray, value: FloatArray, rates: FloatArray, columns: Columns
) -> SumOfExponentials | None:
    matrix, derivatives = columns(time_s, rates)
    q, r = np.linalg.qr(matrix)
    linear = _solved(r, q.T @ value)
    whole = np.column_stack([matrix, *(derivatives @ linear)])
    scale = np.linalg.norm(whole, axis=0)
    # A fall over before the second reading leaves nothing by which to know its rate.
    if not (np.isfinite(scale).all() and (scale > 1e-100).all()):
        return None
    _, size, v = np.linalg.svd(whole / scale, full_matrices=False)
    if size[-1] < 1e-13 * size[0]:
        return None
    rest = value - matrix @ linear
    squares, dof = float(rest @ rest), time_s.size - scale.size
    half = v / size[:, None] / scale
    covariance = half.T @ half * (squares / dof if dof else np.nan)
    return SumOfExponentials(rates, linear, covariance, squares, dof)


def _solved(r: FloatArray, rotated: FloatArray) -> FloatArray:
    """Solve a triangular system of a few unknowns that may be singular on the way to the fit."""
    return np.asarray(np.linalg.lstsq(r, rotated, rcond=1e-15)[0])
