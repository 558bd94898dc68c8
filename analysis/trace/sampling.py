"""What readings taken now and then can have missed of short interruptions.

A reading looks at the coil for its integration time w, its window. An interruption shows if it overlaps
the window by at least m: then the reading is over range, or too high by the share that counts as a
jump. One of length d that begins at a shows in a window from s to s + w if

    s + m - d <= a <= s + w - m,  and d >= m.

Where it begins is taken for evenly spread over the watched time and independent of the readings. Then
the share that shows is the length of the union of these intervals over the watched time; for readings
every P seconds it is (w + d - 2 m) / P, at most 1. None is missed from the length on at which the
intervals of neighbouring readings touch: the gap between the windows + m of each.

A driven coil's reading is V/I. The current decides, and how long a supply integrates it is not known:
such a reading counts as an instant (w = m = 0), which claims less than it may show. The same goes for
what a person reads off a display, and for looks at the current alone between two rows under power.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.arrays import BoolArray, FloatArray, IndexArray
from analysis.model import MeterUse, Missed, Watch
from analysis.trace.rows import Rows

#: Lengths for which the missed share is told, in seconds.
LENGTHS_S = (0.001, 0.01, 0.1, 1.0)
#: More looks than a day under current has, told by a damaged record, are not counted.
MOST_LOOKS = 2_000_000


@dataclass(frozen=True)
class Windows:
    """When each reading looked, arrays of shape (n,) in seconds.

    *start_s* is the beginning of its window, *width_s* the length, *least_s* the overlap by which an
    interruption shows.
    """

    start_s: FloatArray
    width_s: FloatArray
    least_s: FloatArray

    def __getitem__(self, chosen: slice | IndexArray) -> Windows:
        return Windows(self.start_s[chosen], self.width_s[chosen], self.least_s[chosen])


def windows(rows: Rows, told: IndexArray, meter: MeterUse, jump_rel: float) -> Windows:
    """Return the windows of the readings *told*, shape (n,).

    Args:
        rows: The sorted trace, with times; a reading is stamped in the middle of its window.
        told: Indices of its readings.
        meter: How the meter was used.
        jump_rel: A reading higher by this share counts as interrupted.
    """
    ohms = rows.trace.source[told] == "ohms"
    # Between pulses a coil is read in haste, and so are those that cool beside it; which of these were not,
    # the rows do not tell.
    phase = rows.trace.phase
    quick = (phase[told] == "heat") | ((phase[told] == "cool") & bool(np.any(phase == "heat")))
    width = np.where(ohms, np.where(quick, meter.quick_window_s or 0.0, meter.window_s or 0.0), 0.0)
    # While the coil is open the input is at least at full scale; a share of the window adds that share of it.
    ohm = rows.trace.resistance_ohm
    middle = float(np.median(ohm[rows.good])) if rows.good.any() else 0.0
    full = meter.range_ohm or np.inf
    share = min(1.0, jump_rel * max(middle, 0.0) / (full - middle)) if full > middle else 1.0
    return Windows(rows.time_s[told] - width / 2.0, width, share * width)


def pulses(rows: Rows, told: IndexArray) -> IndexArray:
    """Return in which pulse of its own current each of the readings *told* is, shape (n,); 0: in none."""
    number = np.cumsum(rows.trace.source == "switching")[told]
    heated = (rows.trace.source[told] == "V/I") & (rows.trace.phase[told] == "heat")
    return np.where(heated, number, 0)


def with_looks(
    seen: Windows, warm: BoolArray, pulse: IndexArray, apart_s: float | None
) -> tuple[Windows, BoolArray, IndexArray]:
    """Put the looks at the current, *apart_s* from each other, between the readings of each pulse.

    Args:
        seen: The windows of all readings.
        warm: Which of them count, shape (n,).
        pulse: The pulse of each, shape (n,), as :func:`pulses` tells; returned with the looks, too.
        apart_s: The longest between two looks; None: there were none.
    """
    gap_s = np.diff(seen.start_s)
    within = (pulse[1:] > 0) & (pulse[1:] == pulse[:-1])
    if apart_s is None:
        return seen, warm, pulse
    count = np.where(within, np.maximum(np.ceil(gap_s / apart_s) - 1.0, 0.0), 0.0)
    if not 0.0 < count.sum() <= MOST_LOOKS:
        return seen, warm, pulse
    count = count.astype(np.int64)
    before = np.repeat(np.arange(gap_s.size), count)
    nth = np.arange(before.size) - np.repeat(np.cumsum(count) - count, count) + 1
    start_s = np.concatenate((seen.start_s, seen.start_s[before] + nth * apart_s))
    order = np.argsort(start_s, kind="stable")
    none = np.zeros(before.size)
    dense = Windows(
        start_s[order],
        np.concatenate((seen.width_s, none))[order],
        np.concatenate((seen.least_s, none))[order],
    )
    both = np.concatenate((warm, warm[before] & warm[before + 1]))[order]
    return dense, both, np.concatenate((pulse, pulse[before]))[order]


def watch(seen: Windows, warm: BoolArray, pulse: IndexArray, meter: MeterUse) -> Watch | None:
    """Return what *seen* could show of interruptions while *warm*; None without two such readings.

    Args:
        seen: The windows of readings and looks.
        warm: Which of them count, shape (n,).
        pulse: The pulse that each is in, shape (n,).
        meter: How the meter was used.
    """
    stretches = [seen[begin : end + 1] for begin, end in runs(warm) if end > begin]
    if not stretches:
        return None
    watched_s = sum(max(0.0, end - begin) for begin, end in map(_ends, stretches))
    if watched_s <= 0.0:
        return None
    spacing = np.concatenate([np.diff(each.start_s + each.width_s / 2.0) for each in stretches])
    certain = max(certain_s(each) for each in stretches)
    known = meter.window_s is not None
    lengths = [length for length in LENGTHS_S if length < certain] if known else []
    within = (pulse[1:] > 0) & (pulse[1:] == pulse[:-1]) & warm[1:] & warm[:-1]
    return Watch(
        watched_s,
        float(np.median(spacing)),
        certain,
        max(float(each.width_s.max()) for each in stretches) if known else None,
        min(float(each.least_s.min()) for each in stretches) if known else None,
        tuple(Missed(length, missed_share(stretches, length)) for length in lengths),
        float(np.diff(seen.start_s)[within].max()) if within.any() else None,
    )


def certain_s(seen: Windows) -> float:
    """Return how long an interruption must last to show whenever it begins within *seen*."""
    gaps = seen.start_s[1:] - (seen.start_s + seen.width_s)[:-1] + seen.least_s[1:] + seen.least_s[:-1]
    return max(float(gaps.max(initial=0.0)), float(seen.least_s.max()))


def missed_share(stretches: Sequence[Windows], length_s: float) -> float:
    """Return which share of interruptions of *length_s* no reading shows, 0 to 1."""
    watched_s = shown_s = 0.0
    for seen in stretches:
        begin, end = _ends(seen)
        if end <= begin:
            continue
        can = (length_s >= seen.least_s) & (seen.width_s >= seen.least_s)
        first = (seen.start_s + seen.least_s - length_s)[can]
        last = (seen.start_s + seen.width_s - seen.least_s)[can]
        order = np.argsort(first, kind="stable")
        first, last = np.clip(first[order], begin, end), np.clip(last[order], begin, end)
        # The union: of each interval what lies beyond all that began before it.
        reached = np.concatenate(([begin], np.maximum.accumulate(last)[:-1]))[: last.size]
        shown_s += float(np.maximum(last - np.maximum(first, reached), 0.0).sum())
        watched_s += end - begin
    return min(1.0, max(0.0, 1.0 - shown_s / watched_s)) if watched_s > 0.0 else 0.0


def open_time(
    seen: Windows, found: Sequence[tuple[int, int]], lasting: Sequence[tuple[int, int]]
) -> tuple[float, float]:
    """Return the least and the most time, in seconds, that a coil can have been open within its record.

    Args:
        seen: The windows of all readings.
        found: First and last interrupted reading of each interruption.
        lasting: Those of them through which it was open from the first reading to the last.
    """
    end = seen.start_s + seen.width_s
    least = most = 0.0
    for first, last in found:
        after = seen.start_s[last + 1] + seen.least_s[last + 1] if last + 1 < end.size else end[last]
        before = end[first - 1] - seen.least_s[first - 1] if first else seen.start_s[first]
        most += float(after - before)
        if (first, last) in lasting:
            surely = seen.start_s[last] + seen.least_s[last] - end[first] + seen.least_s[first]
            least += max(float(surely), float(seen.least_s[first]))
        else:
            least += float(seen.least_s[first : last + 1].sum())
    return least, most


def runs(flags: BoolArray) -> list[tuple[int, int]]:
    """First and last index of each run of True in *flags*, shape (n,)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return [(int(begin), int(end) - 1) for begin, end in edges.reshape(-1, 2)]


def _ends(seen: Windows) -> tuple[float, float]:
    """From the last beginning that shows in the first reading to the last one that shows in the last."""
    last = seen.start_s + seen.width_s - seen.least_s
    return float(last[0]), float(last[-1])
