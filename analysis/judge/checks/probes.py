"""Probes that are not on their body: windings tell their own temperature, and neighbours tell theirs.

A probe comes off, slides, sticks or is wrong, and the coil is sound. Beside such a probe a sound winding
seems to change, to have a joint, to be of another wire. So before a coil is judged, its probe is held against
what its winding says by its own resistance, and against the probes of coils that are as warm by theirs:

- no body cools so fast as a probe that comes off, while its winding goes on as before;
- a probe that slides, or that is stuck, parts from those of others, while its winding stays with theirs;
- a probe that is wrong is off the others by as much hot as cold;
- one that is on another body stands still while its winding is heated.

What it said from then on is left out and its coil cannot pass; what was read before stays and is judged.
Where the resistance is what parted, it is the coil: that is for others to judge, and nothing is left out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.arrays import BoolArray, FloatArray, IndexArray
from analysis.judge.rules.criteria import Finding
from analysis.judge.rules.reasons import retest
from analysis.model import Criterion, Trace
from analysis.physics.copper import winding_temperature
from analysis.statistics.outliers import MAD_TO_SIGMA
from analysis.trace.rows import SHORT_OHM, under_current
from analysis.words import Message, say

#: A probe and its winding that part by less may do so for other reasons: lag, a joint, gradients in an oven.
_APART_K, _NOISES = 8.0, 6.0
#: Nothing that a coil is bolted to cools or warms faster (an oven's air at full power: 0.12 K/s); and so much
#: between two rows, with a winding that stays, is no body whatever time lies between.
_FASTEST_K_PER_s, _FALLEN_K = 0.25, 20.0
#: Looks back over these windows (s) tell a fall under power; so many looks in a row say so.
_LOOKS_BACK_S, _LOOKS = (15.0, 30.0, 60.0), 2
#: A probe in still air falls within this; a winding whose body is quenched has followed after that.
_FALL_S, _FOLLOWED_S = 60.0, 300.0
#: What of a fall has to last: a quenched body's winding follows by and by.
_MOST_OF_IT = 0.6
#: No winding is further behind its body than this (tens of seconds, common practice, no source).
_LAG_S = 120.0
#: Of a body that is quenched together with others, its winding has followed by so much of it at once.
_FOLLOWS = 0.25
#: So many times a probe that jumps and comes back is no slip of a thermometer.
_JUMPS = 3
#: So many rows say that a probe stays where it fell to; so many that it is apart from others, or stuck.
_STAYS, _ROWS, _STUCK_ROWS = 2, 3, 10
#: Others are alike if they scatter by less than this (standard deviation).
_ALIKE_K = 3.0
_LEAST_OTHERS = 2
#: A wrong probe: off by more than ovens and rooms make it, and the same hot as cold within so much.
_OFFSET_K, _SAME_K = 4.0, 1.5
#: A body that was heated so much and a probe that did not move by so little are not together.
_HEATED_K, _STILL_K = 25.0, 1.5
#: Rows in a row without a temperature, of a probe that gave one before.
_MISSING = 4
_START_ROWS = 5
#: A record's word for a probe that nobody read.
_NOT_TAKEN = "missing: not taken"


@dataclass(frozen=True)
class Lost:
    """A probe that says nothing of its coil from row *first* of the trace on, and why."""

    first: int
    what: Message

    def finding(self) -> Finding:
        """The retest of its coil."""
        criterion = Criterion("probe", say("criterion.probe"), "", None, None, None, None, "retest")
        return Finding(criterion, retest("probe", self.what))


@dataclass(frozen=True)
class _Told:
    """Undriven rows of one coil with both readings, arrays of shape (n,).

    *at* are rows of the trace; *winding_degC* is by its own resistance from where the trace begins.
    """

    at: IndexArray
    time_s: FloatArray
    probe_degC: FloatArray
    winding_degC: FloatArray
    noise_K: float
    timed: bool
    driven: bool

    @property
    def when(self) -> FloatArray:
        """What joins it to others: times, else the place in a table whose coils were written down alike."""
        return self.time_s if self.timed else self.at.astype(np.float64)

    @property
    def start(self) -> int:
        """How many rows say where it began; in a table of settled points the next may be of another step."""
        return _START_ROWS if self.timed else 1

    @property
    def apart_K(self) -> FloatArray:
        """Probe less winding."""
        return self.probe_degC - self.winding_degC


def without_lost(traces: Sequence[Trace]) -> tuple[list[Trace], dict[str, Finding]]:
    """Leave out what probes said that were not on their body.

    Returns:
        The traces, and the finding of each coil whose probe was lost.
    """
    told = {trace.coil: each for trace in traces if (each := _told(trace)) is not None}
    lost: dict[str, Lost] = {}
    falls = _falls(told)
    lost |= _none_moved(told)
    for trace in traces:
        own = told.get(trace.coil)
        found = _fell_under_power(trace)
        if own is not None:
            found = _jumps(own) or found or falls.get(trace.coil) or _stands_still(trace, own)
        found = found or _gives_none(trace)
        if found is not None:
            lost[trace.coil] = found
    trusted = {coil: each for coil, each in told.items() if coil not in lost}
    for coil, own in trusted.items():
        others = [each for other, each in trusted.items() if other != coil and each.timed == own.timed]
        found = _parted(own, others) or _wrong(own, others) or _stuck(own)
        if found is not None:
            lost[coil] = found
    kept = [_masked(trace, lost[trace.coil]) if trace.coil in lost else trace for trace in traces]
    return kept, {coil: each.finding() for coil, each in lost.items()}


def _masked(trace: Trace, lost: Lost) -> Trace:
    probe = trace.probe_degC.copy()
    probe[lost.first :] = np.nan
    return replace(trace, probe_degC=probe)


def _told(trace: Trace) -> _Told | None:
    driven = under_current(trace) | (trace.source == "V/I")
    at = np.flatnonzero(~driven & _read(trace))
    if at.size <= _STAYS:
        return None
    probe = trace.probe_degC[at]
    timed = bool(np.isfinite(trace.time_s).all())
    winding = _winding(trace.resistance_ohm[at], probe, _START_ROWS if timed else 1)
    heated = driven & (trace.phase != "drive")
    # From step to step nothing tells what is noise.
    noise_K = _noise(probe - winding) if timed else 0.0
    return _Told(at, trace.time_s[at], probe, winding, noise_K, timed, bool(heated.any()))


def _read(trace: Trace) -> BoolArray:
    """Rows in which both thermometers say something: the probe and the winding, shape (n,)."""
    ohm = trace.resistance_ohm
    return np.asarray(
        np.isfinite(trace.probe_degC)
        & np.isfinite(ohm)
        & (ohm > SHORT_OHM)
        & (trace.status == "ok")
        & (trace.source != "switching")
    )


def _winding(ohm: FloatArray, probe_degC: FloatArray, start: int) -> FloatArray:
    """Temperatures of a winding that was as warm as its probe in the first *start* rows, shape (n,)."""
    return winding_temperature(ohm, float(np.median(ohm[:start])), float(np.median(probe_degC[:start])))


def _noise(values: FloatArray) -> float:
    """Standard deviation of reading to reading, which neither a trend nor a step makes."""
    bends = np.diff(values, 2)
    if not bends.size:
        return 0.0
    return MAD_TO_SIGMA * float(np.median(np.abs(bends))) / float(np.sqrt(6.0))


def _from(told: _Told, index: int) -> str:
    return say("part.from-then", at=float(told.time_s[index])) if told.timed else ""


def _none_moved(told: Mapping[str, _Told]) -> dict[str, Lost]:
    """All probes of a set that stand at one temperature while most windings are heated."""
    if len(told) <= _LEAST_OTHERS or any(each.driven for each in told.values()):
        return {}
    moved = {coil: float(np.ptp(each.probe_degC)) for coil, each in told.items()}
    heated = {coil: float(np.ptp(each.winding_degC)) for coil, each in told.items()}
    if max(moved.values()) >= _STILL_K or float(np.median(list(heated.values()))) < _HEATED_K:
        return {}
    return {
        coil: Lost(0, say("reason.probe-still", moved=moved[coil], winding=heated[coil])) for coil in told
    }


def _falls(told: Mapping[str, _Told]) -> dict[str, Lost]:
    """The probes that fell, without bodies that were quenched together in the same minute."""
    falls = {coil: found for coil, each in told.items() if (found := _fell(each)) is not None}
    begins_s = {coil: float(told[coil].time_s[_index(told[coil], found)]) for coil, found in falls.items()}
    quenched = {coil for coil, found in falls.items() if _follows(told[coil], _index(told[coil], found))}
    return {
        coil: found
        for coil, found in falls.items()
        if coil not in quenched
        or not any(abs(begins_s[other] - begins_s[coil]) <= _FALL_S for other in quenched if other != coil)
    }


def _index(told: _Told, lost: Lost) -> int:
    return int(np.searchsorted(told.at, lost.first))


def _follows(told: _Told, first: int) -> bool:
    """Whether the winding goes the way that its probe goes from row *first* on, if not yet all of it."""
    before = max(first - 1, 0)
    last = int(np.searchsorted(told.time_s, told.time_s[first] + _FOLLOWED_S, side="right")) - 1
    moved = float(told.probe_degC[last] - told.probe_degC[before])
    followed = float(told.winding_degC[last] - told.winding_degC[before])
    return moved != 0.0 and followed / moved > _FOLLOWS


def _jumps(told: _Told) -> Lost | None:
    """A probe that jumps from row to row and back, as one that hears the heater, while its winding stays."""
    if not told.timed or told.at.size < _START_ROWS:
        return None
    least = max(_APART_K, _NOISES * _noise(told.winding_degC))
    step, winding = np.diff(told.probe_degC), np.diff(told.winding_degC)
    there = (np.abs(step) > least) & (np.abs(winding) < 0.5 * np.abs(step))
    back = there[:-1] & there[1:] & (step[:-1] * step[1:] < 0.0)
    back &= np.abs(step[:-1] + step[1:]) < 0.5 * np.maximum(np.abs(step[:-1]), np.abs(step[1:]))
    if int(back.sum()) < _JUMPS:
        return None
    # Nobody knows which of its readings was right.
    return Lost(0, say("reason.probe-jumps", most=float(np.abs(step[there]).max())))


def _fell(told: _Told) -> Lost | None:
    """A probe that moved as no body can, while its winding did not, and that stayed there."""
    if not told.timed:
        return None
    time_s, probe, winding = told.time_s, told.probe_degC, told.winding_degC
    least = max(_APART_K, _NOISES * told.noise_K)
    within = np.searchsorted(time_s, time_s + _FALL_S, side="right") - 1
    ends = np.minimum(np.maximum(within, np.arange(time_s.size) + 1), time_s.size - 1)
    moved, followed = probe[ends] - probe, winding[ends] - winding
    rate = np.abs(moved) / np.maximum(time_s[ends] - time_s, 1e-9)
    # Within one row it may be sudden and yet no more than a minute allows.
    step, step_s = np.abs(np.diff(probe, append=probe[-1])), np.diff(time_s, append=np.inf)
    rate = np.where(step > least, np.maximum(rate, step / np.maximum(step_s, 1e-9)), rate)
    sudden = (np.abs(moved) > least) & (np.abs(followed) < 0.5 * np.abs(moved))
    sudden &= (np.abs(moved - followed) > least) & ((rate > _FASTEST_K_PER_s) | (np.abs(moved) > _FALLEN_K))
    for begin in np.flatnonzero(sudden):
        parted = told.apart_K - told.apart_K[begin]
        fall = float(moved[begin] - followed[begin])
        reached = np.flatnonzero(parted / fall >= _MOST_OF_IT)
        there = int(reached[reached > begin][0])
        last = int(np.searchsorted(time_s, time_s[ends[begin]] + _FOLLOWED_S, side="right"))
        stays = parted[there:last] / fall
        if stays.size < _STAYS or float(np.median(stays)) < _MOST_OF_IT:
            continue
        behind = slice(int(begin), last)
        followed_K = abs(float(winding[last - 1] - winding[begin]))
        if abs(float(np.trapezoid(parted[behind], time_s[behind]))) < _LAG_S * followed_K:
            continue  # the winding comes after, as it does behind a body that is quenched
        first = int(begin) + 1 + int(np.argmax(np.abs(parted[begin + 1 :]) > least / 4.0))
        what = say(
            "reason.probe-fell",
            before=float(probe[begin]),
            after=float(probe[ends[begin]]),
            winding=float(winding[ends[begin]]),
            at=_from(told, first),
        )
        return Lost(int(told.at[first]), what)
    return None


def _fell_under_power(trace: Trace) -> Lost | None:
    """A probe that fell faster than any body while the coil's own current held its winding up.

    Undriven rows are too far apart there to show it. Only falls count: a probe that comes off a body that
    heats itself never rises. Less power lets the winding fall as well, and that body does not.
    """
    heated = under_current(trace) & (trace.phase != "drive")
    at = np.flatnonzero(_read(trace) & np.isfinite(trace.time_s))
    if not heated.any() or at.size <= _START_ROWS:
        return None
    time_s, probe = trace.time_s[at], trace.probe_degC[at]
    winding = _winding(trace.resistance_ohm[at], probe, _START_ROWS)
    first = np.full(at.size, at.size)
    for back_s in _LOOKS_BACK_S:
        then = np.searchsorted(time_s, time_s - back_s)
        moved, followed = probe - probe[then], winding - winding[then]
        fast = moved < -np.maximum(_APART_K, _FASTEST_K_PER_s * (time_s - time_s[then]))
        first = np.where(fast & (followed > 0.5 * moved), np.minimum(first, then), first)
    run = _first_run(first < at.size, _LOOKS)
    if run is None:
        return None
    begin, seen = int(first[run]), run + _LOOKS - 1
    gone = begin + 1 + int(np.argmax(probe[begin] - probe[begin + 1 :] > _APART_K / 4.0))
    what = say(
        "reason.probe-fell",
        before=float(probe[begin]),
        after=float(probe[seen]),
        winding=float(winding[seen]),
        at=say("part.from-then", at=float(time_s[gone])),
    )
    return Lost(int(at[gone]), what)


def _stands_still(trace: Trace, told: _Told) -> Lost | None:
    """A probe that stands still while the coil's own current heats its winding."""
    if not told.driven or float(np.ptp(told.probe_degC)) >= _STILL_K:
        return None
    warm = under_current(trace) & np.isfinite(trace.resistance_ohm)
    cold = told.at[:_START_ROWS]
    begin_ohm = float(np.median(trace.resistance_ohm[cold]))
    begin_degC = float(np.median(told.probe_degC[:_START_ROWS]))
    ohm = np.sort(trace.resistance_ohm[warm])
    if ohm.size < _STUCK_ROWS:
        return None
    risen = float(winding_temperature(float(ohm[int(0.9 * ohm.size)]), begin_ohm, begin_degC)) - begin_degC
    # Only heat that went over to the body tells: a pulse leaves a body as it was.
    heated_s = float(np.ptp(trace.time_s[warm])) if told.timed else 0.0
    if risen < _HEATED_K or heated_s < _FALL_S:
        return None
    what = say("reason.probe-still", moved=float(np.ptp(told.probe_degC)), winding=risen)
    return Lost(int(told.at[0]), what)


def _gives_none(trace: Trace) -> Lost | None:
    """A probe that gave temperatures and gives none from then on, while its coil is read."""
    asked = (trace.status != _NOT_TAKEN) & (trace.phase != "drive") & (trace.source != "switching")
    asked &= (trace.source != "V/I") & (np.isfinite(trace.resistance_ohm) | np.isfinite(trace.probe_degC))
    at = np.flatnonzero(asked)
    known = np.flatnonzero(np.isfinite(trace.probe_degC[at]))
    if not known.size or not np.char.startswith(trace.status[at], "missing: probe").any():
        return None
    first = int(known[-1]) + 1
    if at.size - first < _MISSING:
        return None
    time_s = trace.time_s[at[first]]
    when = say("part.from-then", at=float(time_s)) if np.isfinite(time_s) else ""
    return Lost(int(at[first]), say("reason.probe-open", at=when))


def _parted(told: _Told, others: Sequence[_Told]) -> Lost | None:
    """A probe that parted from those of others, while its winding stayed with theirs."""
    beside = _beside(told, others)
    if beside is None:
        return None
    probe, winding, alike = beside
    off, wound = told.probe_degC - probe, told.winding_degC - winding
    # What either was off from the beginning is another question: it may have begun warmer than the others.
    began_K = abs(float(np.median(off[: told.start])))
    off, wound = off - float(np.median(off[: told.start])), wound - float(np.median(wound[: told.start]))
    least = max(_APART_K, _NOISES * told.noise_K)
    parted = alike & (np.abs(off) > np.maximum(least, 2.0 * np.abs(wound) + least / 2.0))
    run = _first_run(parted, _ROWS if told.timed else 1)
    if run is None:
        return None
    # Slowly it parted before that: back to where it was last with them.
    quiet = np.flatnonzero(np.abs(off[:run]) <= max(1.0, 3.0 * told.noise_K))
    first = int(quiet[-1]) + 1 if quiet.size else 0
    if began_K > _APART_K:
        first = 0  # wrong from the beginning, as one in other degrees is
    worst = int(np.argmax(np.where(parted, np.abs(off), 0.0)))
    what = say(
        "reason.probe-apart",
        probe=float(told.probe_degC[worst]),
        at=_from(told, first),
        count=len(others),
        others=float(probe[worst]),
        winding=float(told.winding_degC[worst]),
    )
    return Lost(int(told.at[first]), what)


def _beside(told: _Told, others: Sequence[_Told]) -> tuple[FloatArray, FloatArray, BoolArray] | None:
    """Middle probe and winding of others at the same times, each shape (n,), and where they are alike."""
    if len(others) < _LEAST_OTHERS:
        return None
    probes = np.stack([_at_times(told, each, each.probe_degC) for each in others])
    windings = np.stack([_at_times(told, each, each.winding_degC) for each in others])
    known = np.isfinite(probes).sum(axis=0) >= _LEAST_OTHERS
    if not known.any():
        return None
    middle = [np.full(told.at.size, np.nan) for _ in range(2)]
    scatter = np.full(told.at.size, np.inf)
    for index, each in enumerate((probes, windings)):
        middle[index][known] = np.nanmedian(each[:, known], axis=0)
    spread = MAD_TO_SIGMA * np.nanmedian(np.abs(probes[:, known] - middle[0][known]), axis=0)
    scatter[known] = spread + MAD_TO_SIGMA * np.nanmedian(
        np.abs(windings[:, known] - middle[1][known]), axis=0
    )
    return middle[0], middle[1], scatter < _ALIKE_K + 0.1 * np.abs(middle[1] - middle[1][known][0])


def _at_times(told: _Told, other: _Told, values: FloatArray) -> FloatArray:
    """Values of *other* at the times of *told*, NaN where it was not read about then."""
    mine, theirs = told.when, other.when
    found = np.interp(mine, theirs, values)
    after = np.minimum(np.searchsorted(theirs, mine), theirs.size - 1)
    before = np.maximum(after - 1, 0)
    near = np.minimum(np.abs(theirs[after] - mine), np.abs(theirs[before] - mine))
    return np.where(near <= (_FALL_S if told.timed else 0.0), found, np.nan)


def _first_run(flags: BoolArray, least: int) -> int | None:
    """Where the first *least* rows in a row begin, None without so many."""
    count = 0
    for index, flag in enumerate(flags.tolist()):
        count = count + 1 if flag else 0
        if count == least:
            return index - least + 1
    return None


def _wrong(told: _Told, others: Sequence[_Told]) -> Lost | None:
    """A probe that is off the others by the same, cold and hot: a part that is warmer comes to rest."""
    beside = _beside(told, others) if told.timed else None
    if beside is None:
        return None
    probe, winding, alike = beside
    off = told.probe_degC - probe
    begins = np.zeros(off.size, dtype=np.bool_)
    begins[:_START_ROWS] = True
    hottest = float(np.nanmax(np.where(alike, winding, -np.inf)))
    hot = alike & (winding > hottest - 2.0)
    cold = begins & alike
    if not cold.any() or hottest < float(np.median(probe[cold])) + _HEATED_K:
        return None
    cold_K, hot_K = float(np.median(off[cold])), float(np.median(off[hot]))
    if min(abs(cold_K), abs(hot_K)) < _OFFSET_K or abs(hot_K - cold_K) > _SAME_K:
        return None
    return Lost(0, say("reason.probe-offset", off=cold_K, count=len(others)))


def _stuck(told: _Told) -> Lost | None:
    """A probe that was never the same twice and then says one and the same, while its winding moves."""
    if told.driven:
        return None
    probe, winding = told.probe_degC, told.winding_degC
    same = np.diff(probe) == 0.0
    if float(same.mean()) > 0.5 and not same[-_STUCK_ROWS:].all():
        return None
    edges = np.flatnonzero(np.diff(np.concatenate(([False], same, [False])).astype(np.int8)))
    least = max(_APART_K, _NOISES * told.noise_K)
    lively = [begin for begin, end in edges.reshape(-1, 2) if end - begin < _STUCK_ROWS]
    for begin, end in edges.reshape(-1, 2).tolist():
        stretch = winding[begin : end + 1]
        low, high = float(stretch.min()), float(stretch.max())
        if end - begin < _STUCK_ROWS or high - low < least or len(lively) > begin // 4 + 1:
            continue
        moved = np.abs(stretch - stretch[0]) > max(1.0, 3.0 * told.noise_K)
        first = begin + int(np.argmax(moved))
        what = say(
            "reason.probe-frozen", probe=float(probe[begin]), at=_from(told, first), low=low, high=high
        )
        return Lost(int(told.at[first]), what)
    return None
