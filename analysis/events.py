"""Opens and dropouts: what a coil did besides having a resistance."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from analysis.copper import to_20degC, winding_temperature
from analysis.model import FloatArray
from analysis.rows import SHORT_OHM, BoolArray, Rows, last_known

#: Above the coldest by this much a coil counts as warm.
WARM_K = 10.0
#: A reading above its neighbours by this share was interrupted while it was taken.
JUMP_REL = 0.05
_NEIGHBOURS = 3
#: An open that lasts: so many readings in a row over so many seconds. Shorter ones are dropouts.
_LASTING = ((5, 5.0), (3, 60.0))


class OpenKind(Enum):
    """What kind of interruption was seen."""

    NONE = "none"
    ALWAYS = "always"  # no reading at all had a resistance
    COLD = "cold"  # open for a while without heat
    HOT = "hot"  # opened by heat
    DROPOUTS = "dropouts"  # short interruptions


@dataclass(frozen=True)
class Opens:
    """Interruptions of one coil.

    Attributes:
        kind: The gravest kind seen.
        count: Interruptions, each a run of readings.
        warm_count: Those that began while the coil was warm.
        warm_share: Interrupted share of the warm readings, None without warm readings.
        cold_share: The same of the cold ones.
        opened_degC: Probe readings (last good, first open) about the first lasting open.
        closed_degC: Probe readings (last open, first good) about the end of the last one, None if it stayed.
        driven_ohm: Last good reading before the first lasting open, if the coil was under current then.
    """

    kind: OpenKind = OpenKind.NONE
    count: int = 0
    warm_count: int = 0
    warm_share: float | None = None
    cold_share: float | None = None
    opened_degC: tuple[float, float] | None = None
    closed_degC: tuple[float, float] | None = None
    driven_ohm: float | None = None


def find_opens(rows: Rows, jumped: BoolArray) -> Opens:
    """Tell lasting opens from dropouts.

    Args:
        rows: The sorted trace.
        jumped: Settled rows too high for the coil's line, shape (n,), or empty.
    """
    told = np.flatnonzero(rows.good | rows.opened)
    if not told.size or not (rows.opened.any() or rows.heated):
        return Opens()
    if not rows.good.any():
        return Opens(OpenKind.ALWAYS, count=1)
    if not rows.timed:
        # Without times the order of rows means nothing; temperature orders them.
        told = told[np.argsort(rows.temperature_degC[told], kind="stable")]
    temperature = rows.temperature_degC[told]
    coldest_degC = rows.coldest_degC if rows.coldest_degC is not None else np.inf
    warm = _winding_or_body(rows)[told] >= coldest_degC + WARM_K
    broken = rows.opened | (_jumps(rows, jumped) & _spread(warm, told, rows.good.size))
    flags = broken[told]
    if not flags.any():
        return Opens()
    runs = _runs(flags)
    time_s = rows.time_s[told] if rows.timed else None
    lasting = [run for run in runs if _lasts(rows.opened[told], run, time_s)]
    common = Opens(
        OpenKind.DROPOUTS,
        count=len(runs),
        warm_count=sum(bool(warm[first]) for first, _ in runs),
        warm_share=_share(flags, warm),
        cold_share=_share(flags, ~warm),
    )
    if not lasting:
        return common
    found = _lasting(common, lasting, temperature, warm)
    before = told[lasting[0][0] - 1] if lasting[0][0] else None
    if before is None or not (rows.driven & rows.good)[before]:
        return found
    return replace(found, driven_ohm=float(rows.trace.resistance_ohm[before]))


def _winding_or_body(rows: Rows) -> FloatArray:
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


def _lasting(common: Opens, runs: list[tuple[int, int]], temperature: FloatArray, warm: BoolArray) -> Opens:
    first, last = runs[0][0], runs[-1][1]
    return replace(
        common,
        kind=OpenKind.HOT if warm[first] else OpenKind.COLD,
        count=len(runs),
        warm_count=sum(bool(warm[begin]) for begin, _ in runs),
        opened_degC=(float(temperature[first - 1]), float(temperature[first])) if first else None,
        closed_degC=(float(temperature[last]), float(temperature[last + 1]))
        if last + 1 < temperature.size
        else None,
    )


def _lasts(opened: BoolArray, run: tuple[int, int], time_s: FloatArray | None) -> bool:
    """Whether a run (first, last) of interrupted readings is an open that lasts."""
    first, last = run
    if time_s is None:
        # Without times: open in more than one reading and in all that are hotter.
        return last > first and last == opened.size - 1 and bool(opened[first:].all())
    # A contact that is about to close may be read as some ohms too many: that does not unsay the open before.
    stretches = ((first + begin, first + end) for begin, end in _runs(opened[first : last + 1]))
    return any(
        end - begin + 1 >= least and time_s[end] - time_s[begin] >= span_s
        for begin, end in stretches
        for least, span_s in _LASTING
    )


def _runs(flags: BoolArray) -> list[tuple[int, int]]:
    """First and last index of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return [(int(begin), int(end) - 1) for begin, end in edges.reshape(-1, 2)]


def _jumps(rows: Rows, jumped: BoolArray) -> BoolArray:
    """Readings above what their neighbours and the coil's line allow, shape (n,)."""
    found = jumped.copy() if jumped.size else np.zeros_like(rows.good)
    if not rows.timed:
        return found
    at_20 = to_20degC(rows.trace.resistance_ohm, rows.temperature_degC)
    for source in (rows.good & rows.driven, rows.good & ~rows.driven):
        at = np.flatnonzero(source)
        found[at] |= at_20[at] > (1.0 + JUMP_REL) * _beside(at_20[at])
    return found


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


def _spread(flags: BoolArray, at: np.ndarray, size: int) -> BoolArray:
    whole = np.zeros(size, dtype=np.bool_)
    whole[at] = flags
    return whole


def _share(flags: BoolArray, of: BoolArray) -> float | None:
    return float(flags[of].mean()) if of.any() else None
