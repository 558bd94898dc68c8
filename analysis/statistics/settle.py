"""Has a series settled, and where and when will it settle.

``settled`` is asked with every new reading of every coil while a soak runs: plain arithmetic, far below
a millisecond. ``predict`` fits exponentials and takes some milliseconds: now and then, not every time.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import hypot, isfinite, log, sqrt

import numpy as np

from analysis.arrays import BoolArray, FloatArray, IndexArray
from analysis.statistics.exponentials import SumOfExponentials, fit_rates

#: A straight trend needs this many readings to be told from noise.
MIN_POINTS = 4
#: One exponential has three parameters, two have five; fewer readings than this say nothing about them.
MIN_APPROACH_POINTS, _MIN_DOUBLE_POINTS = 6, 12
#: A longer time constant than this many times what was seen is a guess.
_LONGEST = 10.0
#: Differences below this share of the range are rounding, not noise.
_ROUNDING_REL = 1e-9


@dataclass(frozen=True)
class Approach:
    """An exponential approach.

    Attributes:
        final: Where it ends.
        u_final: Standard uncertainty of *final*, widened where neighbouring residuals are alike.
        tau_s: The longest time constant.
        falls: Amplitude at the first reading and time constant in seconds of each exponential.
        seen_s: From the first reading to the last.
    """

    final: float
    u_final: float
    tau_s: float
    falls: tuple[tuple[float, float], ...]
    seen_s: float

    def settles_in_s(self, *, window_s: float, tolerance: float) -> float:
        """Return how long from the last reading until it moves by less than *tolerance* over *window_s*."""
        ends_s = max(self.seen_s, window_s) + np.linspace(0.0, window_s + 20.0 * self.tau_s, 800)
        moved = self._away(ends_s - window_s) - self._away(ends_s)
        moving = np.flatnonzero(np.abs(moved) > tolerance)
        first = 0 if not moving.size else min(int(moving[-1]) + 1, ends_s.size - 1)
        return float(ends_s[first]) - self.seen_s

    def _away(self, time_s: FloatArray) -> FloatArray:
        amplitudes, taus_s = np.array(self.falls).T
        return np.asarray(np.exp(-np.multiply.outer(time_s, 1.0 / taus_s)) @ amplitudes)


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


def settled_at(time_s: FloatArray, value: FloatArray, *, window_s: float, tolerance: float) -> BoolArray:
    """Return at which rows :func:`settled` holds for what came up to there, shape (n,).

    Sums over all windows at once, so that a record of a million rows is sorted in a second.

    Args:
        time_s: Increasing times, shape (n,).
        value: Readings, shape (n,), all finite.
        window_s: Length of the window.
        tolerance: Greatest movement, in the unit of *value*.
    """
    if time_s.size < MIN_POINTS:
        return np.zeros(time_s.size, dtype=np.bool_)
    row = np.arange(time_s.size)
    first = np.searchsorted(time_s, time_s - window_s, side="right") - 1
    count = row - first + 1
    asked = np.flatnonzero((first >= 0) & (count >= MIN_POINTS))
    begin, end, n = first[asked], row[asked], count[asked].astype(np.float64)
    t, y = time_s - time_s.mean(), value - value.mean()

    def total(values: FloatArray, drop: int = 0) -> FloatArray:
        """Sums over each window less its last *drop* values."""
        sums = np.concatenate(([0.0], np.cumsum(values)))
        return np.asarray(sums[end + 1 - drop] - sums[begin])

    txx = total(t * t) - total(t) ** 2 / n
    txy = total(t * y) - total(t) * total(y) / n
    moved = np.abs(txy / np.maximum(txx, 1e-300)) * (time_s[end] - time_s[begin])
    noise = np.sqrt(total(np.diff(y, 2) ** 2, drop=2) / (6.0 * (n - 2.0)))
    spread = _highest(y, begin, end) + _highest(-y, begin, end)
    still = np.zeros(time_s.size, dtype=np.bool_)
    still[asked] = (moved <= tolerance) & (spread <= tolerance + 4.0 * noise)
    return still


def _highest(values: FloatArray, first: IndexArray, last: IndexArray) -> FloatArray:
    """Greatest value of each window, shape (m,): two spans of a power of two cover any window."""
    found = np.empty(first.size)
    level = np.frexp((last - first + 1).astype(np.float64))[1] - 1
    spans = values
    for k in range(int(level.max(initial=-1)) + 1):
        if k:
            half = 1 << (k - 1)
            spans = np.maximum(spans[:-half], spans[half:])
        mine = level == k
        found[mine] = np.maximum(spans[first[mine]], spans[last[mine] + 1 - (1 << k)])
    return found


def left_to_go(
    time_s: Sequence[float] | FloatArray, value: Sequence[float] | FloatArray, *, slowest_s: float
) -> tuple[float, float]:
    """Return how far a series will still move, and the standard uncertainty of that; inf, inf if untold.

    A sum of exponential falls has left to go what each still moves in its own time constant: no more than
    the present rate times the longest of them. So a slow fall behind a fast one, which no fit of a short
    series tells from an end, is allowed for. Evenly likely is whatever lies between that and rest (JCGM
    100, 4.3.7); the rate is that of the later half of the series, with its uncertainty.

    Args:
        time_s: Increasing times, shape (n,).
        value: Readings, shape (n,), all finite.
        slowest_s: No time constant is longer than this.
    """
    t, y = np.asarray(time_s, dtype=np.float64), np.asarray(value, dtype=np.float64)
    late = t >= 0.5 * (t[0] + t[-1])
    if np.count_nonzero(late) < MIN_POINTS:
        return np.inf, np.inf
    (rate, _), covariance = np.polyfit(t[late] - t[-1], y[late], 1, cov=True)
    most = float(rate) * slowest_s
    return most / 2.0, hypot(most / sqrt(12.0), sqrt(float(covariance[0, 0])) * slowest_s)


def predict(time_s: Sequence[float] | FloatArray, value: Sequence[float] | FloatArray) -> Approach | None:
    """Return where an exponential approach will end, or None while the readings do not tell.

    Least squares of final + a exp(-t/tau), or of two such terms, or of none, whichever has the least of
    Schwarz's criterion; readings are taken as equally good.

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
    rounding = n * (_ROUNDING_REL * float(np.ptp(y))) ** 2
    centred = y - y.mean()
    scatter = float(centred @ centred)
    if not scatter > rounding:
        return None
    one = fit_rates(t, y)
    two = fit_rates(t, y, fewer=one) if one is not None and n >= _MIN_DOUBLE_POINTS else None
    fits = [fit for fit in (one, two) if fit is not None]
    best = min(fits, key=lambda fit: fit.bic(rounding), default=None)
    if best is None or best.bic(rounding) >= n * log(scatter / n) + log(n):
        return None
    return _approach(t, y, best)


def _approach(t: FloatArray, y: FloatArray, fit: SumOfExponentials) -> Approach | None:
    taus_s = 1.0 / fit.rates_per_s
    rest = y - fit.linear[0] - np.exp(-np.multiply.outer(t, fit.rates_per_s)) @ fit.linear[1:]
    # What a form that is not quite true leaves over is alike from reading to reading: no noise to average.
    squares = float(rest @ rest)
    alike = min(max(float(rest[1:] @ rest[:-1]) / squares, 0.0), 0.99) if squares > 0.0 else 0.0
    u_final = sqrt(float(fit.covariance[0, 0]) * (1.0 + alike) / (1.0 - alike))
    if not (isfinite(u_final) and float(taus_s.max()) <= _LONGEST * float(t[-1])):
        return None
    falls = tuple(zip(fit.linear[1:].tolist(), taus_s.tolist(), strict=True))
    return Approach(float(fit.linear[0]), u_final, float(taus_s.max()), falls, float(t[-1]))
