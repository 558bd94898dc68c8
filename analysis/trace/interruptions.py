"""Opens and dropouts: what a coil did besides having a resistance."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.arrays import BoolArray, FloatArray, IndexArray
from analysis.model import MeterUse, OpenKind, Opens
from analysis.physics.copper import to_20degC, winding_temperature
from analysis.statistics.outliers import MAD_TO_SIGMA, running_median
from analysis.trace.rows import PATIENT_S, SHORT_OHM, Rows, last_known, next_known
from analysis.trace.sampling import open_time, pulses, runs, watch, windows, with_looks

#: Above the coldest by this much a coil counts as warm.
WARM_K = 10.0
#: A reading above its neighbours by this share was interrupted while it was taken.
JUMP_REL = 0.05
_NEIGHBOURS = 3
#: Nor is it one within so many standard deviations of readings of the same state; beyond the share it is.
_TAIL_SIGMAS, _TAIL_MOST_REL = 8.0, 0.25
#: An open that lasts: so many readings in a row over so many seconds. Shorter ones are dropouts. Of warm
#: readings that somebody waited for two are enough: no contact bounces that long.
_LASTING = ((5, 5.0), (3, 60.0))
#: Temperatures this near to each other are one step.
_STEP_K = 1.5
_Run = tuple[int, int]


@dataclass(frozen=True)
class _Told:
    """The readings of a trace that say something, in order; arrays of shape (n,).

    *before_degC* and *after_degC* are what the probe last said and what it says next. *patient* is
    true where somebody waited for the reading.
    """

    at: IndexArray
    before_degC: FloatArray
    after_degC: FloatArray
    flags: BoolArray
    opened: BoolArray
    warm: BoolArray
    patient: BoolArray
    time_s: FloatArray | None


def find_opens(rows: Rows, jumped: BoolArray, meter: MeterUse | None = None) -> Opens:
    """Tell lasting opens from dropouts.

    Args:
        rows: The sorted trace.
        jumped: Settled rows too high for the coil's line, shape (n,), or empty.
        meter: How the meter was used; None: nobody knows.
    """
    at = np.flatnonzero(rows.good | rows.opened)
    if not at.size or not (rows.opened.any() or rows.heated):
        return Opens()
    if not rows.good.any():
        return Opens(OpenKind.ALWAYS, count=1)
    told = _told(rows, at, jumped)
    every = runs(told.flags)
    lasting = [run for run in every if _lasts(told, run)]
    found = _found(rows, told, every, lasting)
    if told.time_s is None:
        return found
    meter = meter or MeterUse()
    seen = windows(rows, told.at, meter, JUMP_REL)
    looks = with_looks(seen, told.warm, pulses(rows, told.at), rows.trace.looked_s)
    found = replace(found, watch=watch(*looks, meter))
    return replace(found, open_s=open_time(seen, every, lasting)) if every else found


def _told(rows: Rows, at: IndexArray, jumped: BoolArray) -> _Told:
    own = rows.trace.probe_degC
    before, after = rows.temperature_degC, next_known(own)
    if not rows.timed:
        # Without times the order of rows means nothing: temperature orders them, and only their own.
        at = at[np.lexsort((rows.opened[at], np.nan_to_num(own[at], nan=-np.inf)))]
        before = after = own
    coldest_degC = rows.coldest_degC if rows.coldest_degC is not None else np.inf
    warm = (winding_or_body(rows) if rows.timed else own)[at] >= coldest_degC + WARM_K
    flags = (rows.opened | (_jumps(rows, jumped) & _spread(warm, at, rows.good.size)))[at]
    time_s = rows.time_s[at] if rows.timed else None
    patient = np.ones_like(flags)
    if time_s is not None:
        alone = np.diff(time_s, prepend=-np.inf) >= PATIENT_S
        patient = (rows.trace.source[at] == "typed") | (alone & np.append(alone[1:], True))
    return _Told(at, before[at], after[at], flags, rows.opened[at], warm, patient, time_s)


def _found(rows: Rows, told: _Told, every: list[_Run], lasting: list[_Run]) -> Opens:
    """What happened, without what may have been missed."""
    if not every:
        return Opens()
    once = not lasting and len(every) == 1 and _once_hot(told, every[0])
    common = Opens(
        OpenKind.ONCE_HOT if once else OpenKind.DROPOUTS,
        count=len(every),
        warm_count=sum(bool(told.warm[first]) for first, _ in every),
        warm_share=_share(told.flags, told.warm),
        cold_share=_share(told.flags, ~told.warm),
        ordered=told.time_s is not None,
    )
    return _bracketed(common, rows, told, lasting or every, hot=once) if lasting or once else common


def _bracketed(common: Opens, rows: Rows, told: _Told, lasting: list[_Run], *, hot: bool) -> Opens:
    """Where it opened and where it closed again."""
    first, last = lasting[0][0], lasting[-1][1]
    if not hot:
        common = replace(
            common,
            kind=OpenKind.HOT if told.warm[first] else OpenKind.COLD,
            count=len(lasting),
            warm_count=sum(bool(told.warm[begin]) for begin, _ in lasting),
        )
    begins, ends = first > 0, last + 1 < told.at.size
    if told.time_s is None:
        # It had not opened at the hottest good reading, and had at the hottest open one. A cooler open
        # reading tells nothing more: the coil may have been on its way down.
        good_degC, open_degC = _hottest(told, ~told.flags), _hottest(told, told.opened)
        known = np.isfinite(good_degC) and np.isfinite(open_degC)
        return replace(common, opened_degC=(good_degC, open_degC) if known else None)
    found = replace(
        common,
        opened_degC=(float(told.before_degC[first - 1]), float(told.after_degC[first])) if begins else None,
        closed_degC=(float(told.before_degC[last]), float(told.after_degC[last + 1])) if ends else None,
    )
    ohm = rows.trace.resistance_ohm[told.at]
    return replace(
        found,
        before_ohm=float(ohm[first - 1]) if begins else None,
        after_ohm=float(ohm[last + 1]) if ends else None,
    )


def winding_or_body(rows: Rows) -> FloatArray:
    """The warmer of winding and body, shape (n,): under current a coil is hot long before its body is."""
    body = rows.temperature_degC
    cold = np.flatnonzero(rows.good & np.isfinite(rows.trace.probe_degC))
    if not cold.size:
        return body
    cold_ohm = float(rows.trace.resistance_ohm[cold[0]])
    if not rows.driven.any() or cold_ohm < SHORT_OHM:
        return body
    winding = winding_temperature(last_known(rows.trace.resistance_ohm), cold_ohm, float(body[cold[0]]))
    return np.maximum(body, winding)


def _lasts(told: _Told, run: _Run) -> bool:
    """Whether a run (first, last) of interrupted readings is an open that lasts."""
    first, last = run
    opened, time_s = told.opened, told.time_s
    if time_s is None:
        # Without times: open in more than one reading and in all that are hotter.
        return last > first and last == opened.size - 1 and bool(opened[first:].all())
    # A contact that is about to close may be read as some ohms too many: that does not unsay the open before.
    stretches = ((first + begin, first + end) for begin, end in runs(opened[first : last + 1]))
    return any(
        (end - begin + 1 >= least and time_s[end] - time_s[begin] >= span_s)
        or (end > begin and told.warm[begin] and told.patient[begin : end + 1].all())
        for begin, end in stretches
        for least, span_s in _LASTING
    )


def _once_hot(told: _Told, run: _Run) -> bool:
    """Whether the one interrupted reading is the only one at the hottest step, and was waited for."""
    first, last = run
    if first != last or not (told.opened[first] and told.warm[first] and told.patient[first]):
        return False
    return float(told.before_degC[first]) > _hottest(told, ~told.flags) + _STEP_K


def _hottest(told: _Told, of: BoolArray) -> float:
    """The highest temperature of some readings, minus infinity without any."""
    known = told.before_degC[of & np.isfinite(told.before_degC)]
    return float(known.max(initial=-np.inf))


def _jumps(rows: Rows, jumped: BoolArray) -> BoolArray:
    """Readings above what their neighbours and the coil's line allow, shape (n,)."""
    found = jumped.copy() if jumped.size else np.zeros_like(rows.good)
    if not rows.timed:
        return found
    at_20 = to_20degC(rows.trace.resistance_ohm, rows.temperature_degC)
    for source in (rows.good & rows.driven, rows.good & ~rows.driven):
        at = np.flatnonzero(source)
        beside = _beside(at_20[at])
        found[at] |= at_20[at] > beside + np.maximum(JUMP_REL * beside, _tail_ohm(rows, at, at_20[at]))
    return found


def _tail_ohm(rows: Rows, at: IndexArray, at_20: FloatArray) -> FloatArray:
    """How far readings of the same state, cold or warm, scatter beside each other at most, shape (n,)."""
    tail = np.zeros(at.size)
    if at.size < 2 * _NEIGHBOURS + 1:
        return tail
    off = np.abs(at_20 - running_median(at_20, 2 * _NEIGHBOURS + 1))
    degC = rows.temperature_degC[at]
    warm = degC >= (rows.coldest_degC if rows.coldest_degC is not None else np.inf) + WARM_K
    for state in (warm, ~warm):
        if state.any():
            scatter = MAD_TO_SIGMA * float(np.median(off[state]))
            tail[state] = np.minimum(_TAIL_SIGMAS * scatter, _TAIL_MOST_REL * at_20[state])
    return tail


def _beside(values: FloatArray) -> FloatArray:
    """The higher of the medians of the readings before and after each, infinite where one side is short.

    Both sides count: on a steep slope one of them is always above.
    """
    if values.size < 2 * _NEIGHBOURS + 1:
        return np.full(values.size, np.inf)
    medians: FloatArray = np.median(np.lib.stride_tricks.sliding_window_view(values, _NEIGHBOURS), axis=1)
    high = np.full(values.size, np.inf)
    inner = slice(_NEIGHBOURS, values.size - _NEIGHBOURS)
    high[inner] = np.maximum(medians[: -_NEIGHBOURS - 1], medians[_NEIGHBOURS + 1 :])
    return high


def _spread(flags: BoolArray, at: IndexArray, size: int) -> BoolArray:
    whole = np.zeros(size, dtype=np.bool_)
    whole[at] = flags
    return whole


def _share(flags: BoolArray, of: BoolArray) -> float | None:
    return float(flags[of].mean()) if of.any() else None
