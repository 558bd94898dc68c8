"""Has a coil changed: cold before against cold after heat, and during the hottest hold."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from analysis.copper import ALPHA20_PER_K, to_20degC
from analysis.model import Accuracy, FloatArray
from analysis.rows import SHORT_OHM, BoolArray, Rows, Story, spans

#: How well winding and probe agree at rest, before against after (standard uncertainty, common practice).
_REST_K = 0.15
#: After heat a coil counts as cold again within this of where it began.
_COLD_BELOW_K = 10.0
_COLD_K = 6.0
#: A hold shorter than this, or of fewer readings, tells no trend.
_HOLD_S, _HOLD_ROWS = 60.0, 6


@dataclass(frozen=True)
class Drift:
    """A relative change of resistance at 20 degC, upward positive, and its standard uncertainty."""

    change_rel: float
    u_rel: float


def before_heat(rows: Rows) -> BoolArray:
    """Settled rows, shape (n,), taken cold before the coil was heated."""
    return _cold_parts(rows)[0]


def cold_drift(rows: Rows, accuracy: Accuracy) -> Drift | None:
    """Cold after heat against cold before, referred to 20 degC by the copper law; None without both."""
    before, after = _cold_parts(rows)
    if not before.any() or not after.any():
        return None
    first, u_first = _at_20(rows, before, accuracy)
    second, u_second = _at_20(rows, after, accuracy)
    if first < SHORT_OHM:
        return None
    u_rest_rel = ALPHA20_PER_K * _REST_K
    return Drift(second / first - 1.0, sqrt((u_first**2 + u_second**2) / first**2 + u_rest_rel**2))


def hot_drift(rows: Rows, accuracy: Accuracy) -> Drift | None:
    """Trend over the hottest hold, as the change over its length; None without such a hold."""
    probe = rows.trace.probe_degC
    settled = rows.settled & ~rows.driven
    if not rows.timed or rows.story is not Story.STEPS or not spans(probe[settled]):
        return None
    hold = np.flatnonzero(settled & (probe > probe[settled].max() - 2.0))
    time_s = rows.time_s[hold]
    if hold.size < _HOLD_ROWS or np.ptp(time_s) < _HOLD_S:
        return None
    at_20 = to_20degC(rows.trace.resistance_ohm[hold], probe[hold])
    middle = float(np.median(at_20))
    if middle < SHORT_OHM:
        return None
    belongs = np.abs(at_20 - middle) < 0.02 * middle
    t, y = time_s[belongs] - time_s[belongs].mean(), at_20[belongs] / middle
    if t.size < _HOLD_ROWS:
        return None
    slope = float(t @ y) / float(t @ t)
    residual = y - y.mean() - slope * t
    noise_rel = max(_noise_ohm(middle, accuracy) / middle, sqrt(float(residual @ residual) / (t.size - 2)))
    span_s = float(np.ptp(t))
    return Drift(slope * span_s, noise_rel * span_s / sqrt(float(t @ t)))


def _cold_parts(rows: Rows) -> tuple[BoolArray, BoolArray]:
    """Settled rows before and after heat, each of shape (n,), by phase or else by time."""
    none = np.zeros_like(rows.settled)
    phase = rows.trace.phase
    if (phase != "").any():
        return rows.settled & (phase == "ambient"), rows.settled & (phase == "return")
    if not rows.timed or not rows.heated or not rows.settled.any() or rows.story is Story.COOLING:
        return none, none
    probe = rows.trace.probe_degC
    # What precedes the top must have been cold, or noise on a cooling curve makes a 'before' of its peak.
    top_s = rows.time_s[int(np.nanargmax(probe))]
    early = rows.settled & (rows.time_s < top_s)
    if not early.any():
        return none, none
    start_degC = float(probe[early].min())
    if start_degC > float(np.nanmax(probe)) - _COLD_BELOW_K:
        return none, none
    cold = rows.settled & (np.abs(probe - start_degC) < _COLD_K)
    return cold & early, cold & (rows.time_s > top_s)


def _at_20(rows: Rows, chosen: BoolArray, accuracy: Accuracy) -> tuple[float, float]:
    """Median resistance at 20 degC of the chosen rows and its standard uncertainty, noise alone."""
    at_20: FloatArray = to_20degC(rows.trace.resistance_ohm[chosen], rows.trace.probe_degC[chosen])
    middle = float(np.median(at_20))
    noise = max(_noise_ohm(middle, accuracy), 1.4826 * float(np.median(np.abs(at_20 - middle))))
    # A median is as good as a mean of two thirds of the readings (pi/2).
    return middle, noise * sqrt(np.pi / 2.0 / at_20.size)


def _noise_ohm(r20_ohm: float, accuracy: Accuracy) -> float:
    return sqrt(accuracy.noise_ohm**2 + (ALPHA20_PER_K * r20_ohm * accuracy.probe_noise_K) ** 2)
