"""Has a series settled, and where will it settle.

Called with every new reading of every coil while a soak runs, so both functions stay far below a
millisecond: plain arithmetic, no solver.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import exp, isfinite, log, sqrt

import numpy as np

from analysis.model import FloatArray

#: A straight trend needs this many readings to be told from noise.
MIN_POINTS = 4
#: An exponential has three parameters; fewer readings than this say nothing about them.
MIN_APPROACH_POINTS = 6


@dataclass(frozen=True)
class Approach:
    """An exponential approach: where it ends, how well that is known (k = 1), and its time constant."""

    final: float
    u_final: float
    tau_s: float


def settled(
    time_s: Sequence[float] | FloatArray,
    value: Sequence[float] | FloatArray,
    *,
    window_s: float,
    tolerance: float,
) -> bool:
    """Return whether *value* has moved by no more than *tolerance* over the last *window_s*.

    The movement is that of the straight trend, so independent noise does not keep a series from
    settling; a bow or a jump beyond the noise does.

    Args:
        time_s: Increasing times, shape (n,).
        value: Readings, shape (n,), all finite.
        window_s: Length of the window; a shorter series has not settled.
        tolerance: Greatest movement, in the unit of *value*.
    """
    times = time_s.tolist() if isinstance(time_s, np.ndarray) else time_s
    values = value.tolist() if isinstance(value, np.ndarray) else value
    if not times or times[-1] - times[0] < window_s:
        return False
    first = bisect_right(times, times[-1] - window_s) - 1
    times, values = times[first:], values[first:]
    n = len(times)
    if n < MIN_POINTS:
        return False
    span = times[-1] - times[0]
    centre_s, mean = sum(times) / n, sum(values) / n
    txx = txy = 0.0
    for t, y in zip(times, values, strict=True):
        dt = t - centre_s
        txx += dt * dt
        txy += dt * (y - mean)
    if abs(txy / txx) * span > tolerance:
        return False
    # Second differences know the noise without trend and bow; each has six times the variance of a reading.
    steps = [b - a for a, b in pairwise(values)]
    noise = sqrt(sum([(b - a) ** 2 for a, b in pairwise(steps)]) / (6.0 * (n - 2)))
    return max(values) - min(values) <= tolerance + 4.0 * noise


def predict(time_s: Sequence[float] | FloatArray, value: Sequence[float] | FloatArray) -> Approach | None:
    """Return where an exponential approach will end, or None while the readings do not tell.

    Least squares of final + a exp(-t/tau), started from the means of three thirds and improved by
    Gauss-Newton steps; readings are taken as equally good and independent.

    Args:
        time_s: Increasing times, shape (n,).
        value: Readings, shape (n,), all finite.
    """
    y = np.asarray(value, dtype=np.float64)
    t = np.asarray(time_s, dtype=np.float64)
    n = y.size
    if n < MIN_APPROACH_POINTS:
        return None
    t = t - t[0]
    start = _from_thirds(t, y)
    if start is None:
        return None
    final, a, tau = start
    jacobian = np.ones((3, n))
    variance = 0.0
    for _ in range(3):
        falling = np.exp(t / -tau)
        jacobian[1] = falling
        jacobian[2] = falling * t * (a / tau)
        residual = y - final - a * falling
        inverse = _inverse3((jacobian @ jacobian.T).tolist())
        if inverse is None:
            return None
        g0, g1, g2 = (jacobian @ residual).tolist()
        step = [row[0] * g0 + row[1] * g1 + row[2] * g2 for row in inverse]
        scatter = max(float(residual @ residual) - step[0] * g0 - step[1] * g1 - step[2] * g2, 0.0)
        final, a = final + step[0], a + step[1]
        tau *= exp(min(max(step[2], -1.0), 1.0))
        variance = scatter / (n - 3) * inverse[0][0]
    u_final = sqrt(variance)
    # Longer than ten times what was seen, the bend is a guess.
    if not (isfinite(final) and isfinite(u_final)) or tau > 10.0 * float(t[-1]):
        return None
    return Approach(final, u_final, tau)


def _from_thirds(t: FloatArray, y: FloatArray) -> tuple[float, float, float] | None:
    """Final value, amplitude at t = 0 and time constant from three means; exact for even steps."""
    third = y.size // 3
    y1, y2, y3 = (y[: 3 * third].reshape(3, third).sum(axis=1) / third).tolist()
    first, second = y2 - y1, y3 - y2
    if first == 0.0 or not 0.0 < second / first < 1.0:
        return None
    step_s = float(t[2 * third - 1] - t[third - 1])
    ratio = second / first
    tau = -step_s / log(ratio)
    final = y1 + first / (1.0 - ratio)
    middle_s = float(t[0] + t[third - 1]) / 2.0
    return final, (y1 - final) * exp(middle_s / tau), tau


def _inverse3(m: list[list[float]]) -> list[list[float]] | None:
    """Inverse of a symmetric positive 3x3 matrix by cofactors, None where it is as good as singular."""
    (a, b, c), (_, d, e), (_, _, f) = m
    c00, c01, c02 = d * f - e * e, c * e - b * f, b * e - c * d
    determinant = a * c00 + b * c01 + c * c02
    if not determinant > 1e-14 * abs(a * d * f):
        return None
    c11, c12, c22 = a * f - c * c, b * c - a * e, a * d - b * b
    return [[x / determinant for x in row] for row in ((c00, c01, c02), (c01, c11, c12), (c02, c12, c22))]
