"""Straight lines: by least squares with uncertainties in both axes, and one that bears outliers."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.arrays import FloatArray

_MAX_STEPS = 60


@dataclass(frozen=True)
class Line:
    """A line by its slope and by *intercept*, its value at the reference that was asked for.

    *covariance* has shape (2, 2), in the order intercept, slope, and rests on the stated uncertainties.
    *chi2* is the weighted sum of squares, expected near *dof*.
    """

    intercept: float
    slope: float
    covariance: FloatArray
    dof: int
    chi2: float

    @property
    def misfit(self) -> float:
        """Chi-square over degrees of freedom; 1 where nothing is left over."""
        return self.chi2 / self.dof if self.dof else 1.0

    def widened(self, misfit: float | None = None) -> Line:
        """Return the line with its covariance widened where points scatter more than stated.

        By its own misfit, or by *misfit* where more lines than this one tell of the scatter. A misfit below
        one narrows nothing: luck is no evidence (Birge ratio, taken one way).
        """
        return replace(self, covariance=self.covariance * max(self.misfit if misfit is None else misfit, 1.0))


def line_errors_in_both(
    x: FloatArray, u_x: FloatArray, y: FloatArray, u_y: FloatArray, *, reference: float = 0.0
) -> Line:
    """Fit with known independent standard uncertainties of x and y, each of shape (n,), n >= 2.

    Method and covariance of York, Evensen, Lopez Martinez and De Basabe Delgado, American Journal of
    Physics 72 (2004) 367, with the covariance taken at the *expected* (adjusted) points. Other
    authors take it at the observed points or scale it by chi2/dof; see :meth:`Line.widened`. The intercept
    is that at *reference*.

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
    return Line(float(y_mean - slope * x_mean), slope, covariance, x.size - 2, chi2)


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
