"""Straight lines by least squares, each named by what it takes for known.

All of them return the whole covariance of intercept and slope, chi-square and degrees of freedom,
and say whether the covariance rests on stated standard uncertainties (``absolute``) or was scaled
by the scatter about the line (``scaled``).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt
from typing import Literal

import numpy as np

from analysis.model import FloatArray

_MAX_STEPS = 60


@dataclass(frozen=True)
class Line:
    """y = intercept + slope (x - reference).

    *covariance* has shape (2, 2), in the order intercept, slope. *chi2* is the weighted sum of
    squares; with absolute sigmas it is expected near *dof*.
    """

    intercept: float
    slope: float
    covariance: FloatArray
    dof: int
    chi2: float
    sigmas: Literal["absolute", "scaled"]
    reference: float

    @property
    def misfit(self) -> float:
        """Chi-square over degrees of freedom; 1 where nothing is left over."""
        return self.chi2 / self.dof if self.dof else 1.0

    def at(self, x: float) -> tuple[float, float]:
        """Return the line's value at *x* and its standard uncertainty."""
        lever = np.array([1.0, x - self.reference])
        return self.intercept + self.slope * lever[1], sqrt(float(lever @ self.covariance @ lever))

    def widened(self) -> Line:
        """Return the line with its covariance widened by the misfit, where points scatter more than stated.

        A misfit below one narrows nothing: luck is no evidence (Birge ratio, taken one way).
        """
        return replace(self, covariance=self.covariance * max(self.misfit, 1.0))


def line_weights_known(x: FloatArray, y: FloatArray, u_y: FloatArray, *, reference: float = 0.0) -> Line:
    """Fit with known standard uncertainties *u_y* and exact *x*, each of shape (n,), n >= 2.

    Raises:
        ValueError: Shapes differ, an uncertainty is not positive, or all x are the same.
    """
    return line_errors_in_both(x, np.zeros_like(u_y), y, u_y, reference=reference)


def line_weights_relative(
    x: FloatArray, y: FloatArray, u_y: FloatArray | None = None, *, reference: float = 0.0
) -> Line:
    """Fit with uncertainties known up to a common factor, which the scatter tells; n >= 3.

    Args:
        x: Exact positions, shape (n,).
        y: Values, shape (n,).
        u_y: Relative standard uncertainties, shape (n,); all alike when left out.
        reference: Where the intercept is taken.

    Raises:
        ValueError: As for :func:`line_weights_known`, or fewer than three points.
    """
    line = line_weights_known(x, y, np.ones_like(y) if u_y is None else u_y, reference=reference)
    if line.dof < 1:
        raise ValueError(f"line: expected at least 3 points to tell their scatter, got {x.size}")
    return replace(line, covariance=line.covariance * line.misfit, sigmas="scaled")


def line_through_origin(x: FloatArray, y: FloatArray) -> Line:
    """Fit y = slope x with equal unknown uncertainties, each of shape (n,), n >= 2.

    Raises:
        ValueError: Fewer than two points, or all x are zero.
    """
    sxx = float(x @ x)
    if x.size < 2 or not sxx > 0.0:
        raise ValueError("line through the origin: expected at least 2 points away from zero")
    slope = float(x @ y) / sxx
    chi2 = float(np.sum((y - slope * x) ** 2))
    dof = x.size - 1
    covariance = np.array([[0.0, 0.0], [0.0, chi2 / dof / sxx]])
    return Line(0.0, slope, covariance, dof, chi2, "scaled", 0.0)


def line_errors_in_both(
    x: FloatArray, u_x: FloatArray, y: FloatArray, u_y: FloatArray, *, reference: float = 0.0
) -> Line:
    """Fit with known independent standard uncertainties of x and y, each of shape (n,), n >= 2.

    Method and covariance of York, Evensen, Lopez Martinez and De Basabe Delgado, American Journal of
    Physics 72 (2004) 367, with the covariance taken at the *expected* (adjusted) points. Other
    authors take it at the observed points or scale it by chi2/dof; see :meth:`Line.widened`.

    Raises:
        ValueError: Shapes differ, a point has no uncertainty at all, or all x are the same.
    """
    if not (x.shape == u_x.shape == y.shape == u_y.shape) or x.ndim != 1 or x.size < 2:
        raise ValueError("line: expected four arrays of one length of at least 2")
    vx, vy = u_x**2, u_y**2
    if not (np.all(vx >= 0.0) and np.all(vy >= 0.0) and np.all(vx + vy > 0.0) and np.ptp(x) > 0.0):
        raise ValueError("line: expected positive uncertainties and x that differ")
    shifted = x - reference
    # A start from exact x; where only x is uncertain, plain least squares.
    start = 1.0 / vy if np.all(vy > 0.0) else np.ones_like(y)
    slope = _slope(shifted, y, start)
    for _ in range(_MAX_STEPS):
        previous = slope
        weight = 1.0 / (vy + slope * slope * vx)
        dx = shifted - np.average(shifted, weights=weight)
        dy = y - np.average(y, weights=weight)
        beta = weight * (dx * vy + slope * dy * vx)
        slope = float(np.sum(weight * beta * dy) / np.sum(weight * beta * dx))
        if abs(slope - previous) <= 1e-15 * abs(slope):
            break
    weight = 1.0 / (vy + slope * slope * vx)
    total = float(np.sum(weight))
    x_mean, y_mean = np.average(shifted, weights=weight), np.average(y, weights=weight)
    dx, dy = shifted - x_mean, y - y_mean
    adjusted = weight * (dx * vy + slope * dy * vx)
    centre = np.average(adjusted, weights=weight)
    lever = float(x_mean + centre)
    slope_variance = 1.0 / float(np.sum(weight * (adjusted - centre) ** 2))
    covariance = np.array(
        [
            [1.0 / total + lever * lever * slope_variance, -lever * slope_variance],
            [-lever * slope_variance, slope_variance],
        ]
    )
    chi2 = float(np.sum(weight * (dy - slope * dx) ** 2))
    return Line(float(y_mean - slope * x_mean), slope, covariance, x.size - 2, chi2, "absolute", reference)


def _slope(x: FloatArray, y: FloatArray, weight: FloatArray) -> float:
    dx = x - np.average(x, weights=weight)
    return float(np.sum(weight * dx * y) / np.sum(weight * dx * dx))


def theil_sen(x: FloatArray, y: FloatArray, *, most: int = 200) -> tuple[float, float]:
    """Return intercept (at x = 0) and slope of the line of median slopes, which bears 29 % of outliers.

    Sen, Journal of the American Statistical Association 63 (1968) 1379.

    Args:
        x: Positions, shape (n,), not all the same.
        y: Values, shape (n,).
        most: Longer series are thinned evenly to about this many points.
    """
    stride = -(-x.size // most)
    x, y = x[::stride], y[::stride]
    i, j = np.triu_indices(x.size, 1)
    dx = x[j] - x[i]
    apart = np.abs(dx) > 0.0
    slope = float(np.median((y[j] - y[i])[apart] / dx[apart])) if apart.any() else 0.0
    return float(np.median(y - slope * x)), slope
