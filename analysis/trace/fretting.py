"""Noise that grows with heat: the early sign of a contact that is about to open.

Scatter is measured about a local line: each reading against the line through the one before and the one
after it, so that neither slope nor drift nor heating counts. Three quantities decide, and all must agree:
the ratio of hot to cold scatter, the chance of such a ratio if heat changed nothing, and whether the hot
scatter is worth a thought at all beside the coil's resistance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc

from analysis.arrays import BoolArray, FloatArray
from analysis.model import Accuracy
from analysis.trace.interruptions import JUMP_REL, winding_or_body
from analysis.trace.rows import SHORT_OHM, Rows, digit_ohm

#: Readings further apart than this have no local line in common.
_NEAR_S = 60.0
#: Cold: within this of the coldest. Hot: in the upper part of a range of temperature that is worth the name.
_COLD_K, _HOT_SHARE, _LEAST_SPAN_K = 10.0, 0.6, 25.0
#: Fewer residuals tell no scatter.
_LEAST = 8
#: A contact frets in bursts, a lone reading may be a slip: this share of the residuals is below the scatter's
#: mark, which is so many standard deviations of a normal distribution.
_QUANTILE, _MARK = 0.8, 1.2816
#: What one of the overlapping residuals is worth in degrees of freedom (simulated: 0.39 to 0.43).
_WORTH = 0.39
#: Heat makes a difference beyond this ratio, this chance, and this share of the resistance.
RATIO, CHANCE, SHARE = 3.0, 1e-4, 1e-3


@dataclass(frozen=True)
class Fretting:
    """Scatter of single readings about their local line, standard deviations in ohms.

    Attributes:
        hot_ohm: Of hot readings.
        cold_ohm: Of cold ones, or what the instruments are known to scatter by if that is more.
        ratio: The one over the other.
        chance: The chance of at least this ratio if heat changed nothing (F test).
        noisy: Whether ratio, chance and hot scatter are all beyond their marks.
        powered: Whether the readings are V/I, which have noise of their own.
    """

    hot_ohm: float
    cold_ohm: float
    ratio: float
    chance: float
    noisy: bool
    powered: bool


def fretting(rows: Rows, accuracy: Accuracy) -> Fretting | None:
    """Compare the scatter of hot and cold readings of one coil; None where there are not enough of both.

    Ohms readings and V/I have noise of their own and are compared with their like; the more telling counts.
    """
    if not rows.timed or not rows.good.any():
        return None
    found = [
        _compared(rows, source, accuracy) for source in (rows.good & ~rows.driven, rows.good & rows.driven)
    ]
    told = [each for each in found if each is not None]
    return min(told, key=lambda each: (not each.noisy, each.chance), default=None)


def _compared(rows: Rows, of: BoolArray, accuracy: Accuracy) -> Fretting | None:
    at = np.flatnonzero(of[1:-1] & of[:-2] & of[2:]) + 1
    time_s, ohm = rows.time_s, rows.trace.resistance_ohm
    phase, middle_ohm = rows.trace.phase, float(np.median(ohm[rows.good]))
    before_s, after_s = time_s[at] - time_s[at - 1], time_s[at + 1] - time_s[at]
    near = (np.maximum(before_s, after_s) <= _NEAR_S) & (np.minimum(before_s, after_s) > 0.0)
    near &= (phase[at - 1] == phase[at]) & (phase[at + 1] == phase[at])
    at, before_s, after_s = at[near], before_s[near], after_s[near]
    if middle_ohm < SHORT_OHM or at.size < 2 * _LEAST:
        return None
    share = before_s / (before_s + after_s)
    line = (1.0 - share) * ohm[at - 1] + share * ohm[at + 1]
    off = np.abs(ohm[at] - line) / np.sqrt(1.0 + share**2 + (1.0 - share) ** 2)
    whole = off < JUMP_REL * ohm[at]  # the others are interruptions, and told as such
    if whole.sum() < 2 * _LEAST:
        return None
    temperature, off = winding_or_body(rows)[at][whole], off[whole]
    coldest, span = float(np.nanmin(temperature)), float(np.ptp(temperature))
    hot, cold = off[temperature >= coldest + _HOT_SHARE * span], off[temperature <= coldest + _COLD_K]
    if span < _LEAST_SPAN_K or min(hot.size, cold.size) < _LEAST:
        return None
    # Of readings in whole digits, the last one may flicker when it did not before.
    known_ohm = max(_scatter(cold), accuracy.noise_ohm, digit_ohm(ohm[of]) / 2.0)
    hot_ohm = _scatter(hot)
    ratio = hot_ohm / known_ohm
    chance = float(fdtrc(_WORTH * hot.size, _WORTH * cold.size, ratio**2))
    noisy = ratio > RATIO and chance < CHANCE and hot_ohm > SHARE * middle_ohm
    return Fretting(hot_ohm, known_ohm, ratio, chance, noisy, bool(rows.driven[of].any()))


def _scatter(off: FloatArray) -> float:
    return float(np.quantile(off, _QUANTILE)) / _MARK
