"""What of a trace is drawn: axis limits, runs of one phase, and few points that look like many."""

from __future__ import annotations

import numpy as np

from analysis.arrays import FloatArray, IndexArray
from analysis.model import Trace


def phase_spans(trace: Trace) -> list[tuple[str, float, float]]:
    """Runs of one phase as (phase, start s, end s); a run ends where the next one starts."""
    timed = np.flatnonzero(np.isfinite(trace.time_s))
    if not timed.size:
        return []
    time, phase = trace.time_s[timed], trace.phase[timed]
    starts = np.concatenate([[0], np.flatnonzero(phase[1:] != phase[:-1]) + 1])
    ends = np.append(time[starts[1:]], time[-1])
    runs = zip(phase[starts], time[starts], ends, strict=True)
    return [(str(p), float(a), float(b)) for p, a, b in runs if p and b > a]


def time_unit(trace: Trace) -> tuple[str, float]:
    """The unit that keeps the time axis short, and how many seconds it has."""
    longest = float(np.nanmax(trace.time_s))
    return ("s", 1.0) if longest < 300.0 else ("min", 60.0) if longest < 6 * 3600.0 else ("h", 3600.0)


def finite(values: FloatArray) -> FloatArray:
    """The numbers among *values*, in order."""
    return values[np.isfinite(values)]


def view(values: FloatArray, always: FloatArray) -> tuple[float, float]:
    """Limits of an axis that hold *always* and all of *values* but wild ones, which flatten the rest."""
    if values.size:
        # A tenth on either side: so many readings a bad contact can spoil without flattening the rest.
        low, middle, high = np.quantile(values, [0.1, 0.5, 0.9])
        room = 2.0 * (high - low) + 0.02 * abs(middle)
        always = np.concatenate([always, values[np.abs(values - middle) <= room]])
    always = finite(always)
    if not always.size:
        return 0.0, 1.0
    bottom, top = float(always.min()), float(always.max())
    margin = 0.08 * (top - bottom) or 0.02 * abs(top) or 1.0
    return bottom - margin, top + margin


def thin_cloud(x: FloatArray, y: FloatArray, cells: int = 60) -> IndexArray:
    """Indices of one point in each occupied cell of a grid: looks the same, draws quickly."""
    if x.size <= 2 * cells:
        return np.arange(x.size)
    grid = [np.floor((v - v.min()) / (np.ptp(v) or 1.0) * cells) for v in (x, y)]
    return np.sort(np.unique(grid[0] * (cells + 2) + grid[1], return_index=True)[1])


def lonely(y: FloatArray, crowd: int = 100) -> list[int]:
    """Indices of points of a line that need a mark: all of a few, else those that the line does not reach."""
    number = np.concatenate([[False], np.isfinite(y), [False]])
    alone = number[1:-1] & ~number[:-2] & ~number[2:]
    return np.flatnonzero(alone if number.sum() > crowd else number[1:-1]).tolist()


def thin_line(x: FloatArray, y: FloatArray, bins: int = 150) -> IndexArray:
    """Indices keeping lowest and highest of each stretch of *x* and every gap of *y*: no spike is lost."""
    known = np.isfinite(x)
    if x.size <= 4 * bins or not known.any():
        return np.flatnonzero(known)
    start, reach = float(np.min(x[known])), float(np.ptp(x[known])) or 1.0
    place = np.where(known, np.floor((np.nan_to_num(x, nan=start) - start) / reach * bins), -1.0)
    by_height = np.lexsort((y, place))  # NaN sorts last within its stretch
    edges = np.flatnonzero(np.diff(place[by_height])) + 1
    lowest = by_height[np.concatenate([[0], edges])]
    number = np.isfinite(y)
    with_number = by_height[number[by_height]]
    turns = np.append(np.flatnonzero(np.diff(place[with_number])), with_number.size - 1)
    highest = with_number[turns] if with_number.size else with_number
    gaps = np.flatnonzero(number[1:] != number[:-1])
    kept = np.unique(np.concatenate([lowest, highest, gaps, gaps + 1]))
    inside: IndexArray = kept[known[kept]]
    return inside
