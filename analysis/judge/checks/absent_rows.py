"""Rows that a table lacks of one coil only: a recorder that skips what it cannot read leaves no empty cell.

Coils that are read in turn have times of their own, so a row that is not there shows as a gap between two
rows, longer than any that is the recorder's habit, while others were read on as ever.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

import numpy as np

from analysis.arrays import FloatArray

#: A gap lacks so many rows at least, and lasts so long: less is a scan that came late.
LEAST_LACKING, _LEAST_s = 2, 110.0
#: and is so many times longer than the longest that others have too.
_BEYOND_HABIT = 2.0
#: Rows that tell how often a coil is read; share of them at which others are read as well.
_LEAST_ROWS, _TOGETHER = 10, 0.8
#: Where a coil has no more rows it is as warm as others, if it was within this of them.
_ALIKE_K = 8.0

#: Times and temperatures of the rows of one coil in order, each of shape (n,).
Line = tuple[FloatArray, FloatArray]


def lacking_of_own_times(line: Line, others: Sequence[Line]) -> Line:
    """Return when rows of a coil would have been that its table lacks, and how warm it was, shape (m,).

    Args:
        line: The coil.
        others: Those that were read in turn with it; with fewer than two nobody knows the recorder's habit.
    """
    time_s, degC = line
    nothing = np.empty(0), np.empty(0)
    others = [each for each in others if each[0].size >= _LEAST_ROWS]
    if time_s.size < _LEAST_ROWS or len(others) < 2:
        return nothing
    usual_s = float(np.median(np.diff(time_s)))
    beside = [each for each in others if usual_s > 0.0 and _alongside(time_s, each[0], usual_s)]
    if len(beside) < 2:
        return nothing
    longest_s = [float(np.diff(each[0]).max()) for each in beside]
    least_s = max(_LEAST_s, (LEAST_LACKING + 0.5) * usual_s, _BEYOND_HABIT * median(longest_s))
    if median(longest_s) >= (LEAST_LACKING + 0.5) * usual_s:  # most have gaps, and those come as they come
        least_s = max(least_s, _BEYOND_HABIT * max(longest_s))
    end_s = median(float(each[0][-1]) for each in beside)
    when = np.append(time_s, max(end_s, float(time_s[-1])))
    found = [
        np.arange(when[first] + usual_s, when[first + 1] - 0.5 * usual_s, usual_s)
        for first in np.flatnonzero(np.diff(when) >= least_s).tolist()
    ]
    if not found:
        return nothing
    lacking_s = np.concatenate(found)
    inside = lacking_s < time_s[-1]
    warmth = np.where(inside, np.interp(lacking_s, time_s, degC), _as_others(lacking_s, line, beside))
    return lacking_s, warmth


def _alongside(time_s: FloatArray, others_s: FloatArray, usual_s: float) -> bool:
    """Whether another coil was read within an interval of most rows of this one."""
    before = np.searchsorted(others_s, time_s - usual_s, "left")
    after = np.searchsorted(others_s, time_s + usual_s, "right")
    return float((after > before).mean()) >= _TOGETHER


def _as_others(when_s: FloatArray, line: Line, beside: Sequence[Line]) -> FloatArray:
    """How warm a coil is that has no more rows: as the others are, NaN where it was not like them."""
    time_s, degC = line
    last = slice(-_LEAST_ROWS, None)
    theirs = np.median([np.interp(time_s[last], *each) for each in beside], axis=0)
    if not np.all(np.abs(degC[last] - theirs) <= _ALIKE_K):
        return np.full(when_s.size, np.nan)
    return np.asarray(np.median([np.interp(when_s, *each) for each in beside], axis=0))
