"""Rows without a reading: a recorder leaves the cell of an open coil empty as often as it writes that it is.

An empty cell convicts nobody, since a lead, a scanner or a recorder may have left it. But where a coil was
not read while its neighbours were, or at the hottest only, it was not seen to be sound there. Rows that a
recorder leaves empty as a matter of course tell nothing: one that reads one coil a row leaves the same few
empty from reading to reading, hot and cold alike; and a row that is empty for all coils is the recorder's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import ceil, exp, lgamma, log

import numpy as np

from analysis.arrays import BoolArray, FloatArray, IndexArray
from analysis.judge.checks.absent_rows import LEAST_LACKING, lacking_of_own_times
from analysis.judge.rules.criteria import Finding
from analysis.judge.rules.reasons import retest
from analysis.model import Criterion
from analysis.trace.interruptions import WARM_K
from analysis.trace.rows import Rows
from analysis.trace.sampling import runs
from analysis.words import Message, say

#: A coil that was read within this of a temperature was seen at it.
SEEN_K = 1.5
#: So many rows in succession of a coil that was seen at their temperature are no slip of a recorder; so many
#: of one that has no neighbours, while its temperature stands within SAME_K.
_ROWS, _ROWS_ALONE, _SAME_K, _SAME_SHARE = 3, 5, 3.0, 0.8
#: Where single cells are empty by chance, so many in succession come with less than this chance in a record.
_RUN_CHANCE = 1e-4
#: Of so many readings of the others none was left empty: such a recorder does not lose one by the way.
_READINGS_WITHOUT = 200
#: Of so many cold readings, or else of so many runs, the usual length of an empty run is known.
_COLD_READINGS, _USUAL_RUNS = 3, 6
#: A coil's warm rows are emptier than all other rows, or all of its rows than its neighbours', with less than
#: this chance.
_CHANCE = 1e-4
#: Coils are logged together if this share of the rows of one are at the times of others.
_TOGETHER = 0.8
#: Neighbours read this much hotter, or colder, than a coil ever was.
_APART_K = 5.0


@dataclass(frozen=True)
class _Kind:
    """What a run of empty rows is made of: rows *left* empty, rows *lacking* from the table, or both."""

    left: bool
    lacking: bool

    @classmethod
    def of(cls, absent: BoolArray) -> _Kind:
        """The kind of a run of which *absent*, shape (n,), says which rows the table lacks."""
        return cls(not absent.all(), bool(absent.any()))


@dataclass(frozen=True)
class _Line:
    """The rows of one coil in order, each array of shape (n,): of time, or of temperature where times lack.

    *blank* rows should have a reading and have none; those that the table lacks altogether are *absent*.
    """

    time_s: FloatArray
    degC: FloatArray
    good: BoolArray
    blank: BoolArray
    absent: BoolArray
    timed: bool
    coldest_degC: float

    @cached_property
    def warm(self) -> BoolArray:
        """Rows well above the coldest reading."""
        return np.asarray(self.degC >= self.coldest_degC + WARM_K)

    @cached_property
    def runs(self) -> list[tuple[int, int]]:
        """First and last row of each run of empty rows."""
        return list(runs(self.blank))

    @cached_property
    def longest(self) -> tuple[int, int]:
        """Lengths of the longest run and of the longest beside it."""
        lengths = sorted([0, 0, *(last - first + 1 for first, last in self.runs)])
        return lengths[-1], lengths[-2]

    def scattered(self, kind: _Kind) -> int:
        """How many rows of a kind are empty in runs that are short."""
        short = np.zeros(self.blank.size, dtype=np.bool_)
        for first, last in self.runs:
            short[first : last + 1] = last - first < _ROWS
        return int((short & ((kind.left & ~self.absent) | (kind.lacking & self.absent))).sum())

    @cached_property
    def seen_degC(self) -> FloatArray:
        """Temperatures at which it was read, sorted."""
        return _sorted(self.degC[self.good])

    @cached_property
    def left_degC(self) -> FloatArray:
        """Temperatures at which its rows were left empty, sorted."""
        return _sorted(self.degC[self.blank & ~self.absent])

    @cached_property
    def read_s(self) -> FloatArray:
        """Times at which it was read, sorted."""
        return _sorted(self.time_s[self.good])

    @cached_property
    def left_s(self) -> FloatArray:
        """Times at which its rows were left empty, sorted."""
        return _sorted(self.time_s[self.blank & ~self.absent])


def _sorted(values: FloatArray) -> FloatArray:
    return np.sort(values[np.isfinite(values)])


def _near(among: FloatArray, low: FloatArray | float, high: FloatArray | float) -> IndexArray:
    """How many of the sorted values *among* lie from *low* to *high*, in the shape of these."""
    return np.asarray(np.searchsorted(among, high, "right") - np.searchsorted(among, low, "left"))


class Blanks:
    """The empty rows of a set, each coil beside the others."""

    def __init__(self, rows: Mapping[str, Rows]) -> None:
        with_readings = {coil: each for coil, each in rows.items() if each.good.any()}
        own = {coil: _line(each) for coil, each in with_readings.items()}
        self._lines = {
            coil: _with_absent(
                each, [own[other] for other in own if other != coil], phased=_phased(with_readings[coil])
            )
            for coil, each in own.items()
        }

    def findings(self, coil: str) -> list[Finding]:
        """Return what the empty rows of *coil* say; nothing where they say nothing."""
        line = self._lines.get(coil)
        if line is None or not line.blank.any():
            return []
        others = [each for label, each in self._lines.items() if label != coil]
        counted = np.zeros(line.blank.size, dtype=np.bool_)
        beside = 0
        kinds = [_Kind.of(line.absent[first : last + 1]) for first, last in line.runs]
        habits = {kind: (_usual(line, kind), _least_run(line, others, kind)) for kind in set(kinds)}
        for (first, last), kind in zip(line.runs, kinds, strict=True):
            usual, least = habits[kind]
            reading = _counts(line, first, last, usual, least, others)
            if reading is not None:
                counted[first : last + 1] = True
                beside = max(beside, reading)
        if counted.any():
            where = _where(line.degC[counted & np.isfinite(line.degC)])
            count = int(counted.sum())
            which = "one" if count == 1 else "other"
            text = say(f"reason.blank-gap.{which}", where=where, count=count, beside=_beside(beside))
            return [_finding(int(counted.sum()), text)]
        return _piled_up(line, others)


def _finding(count: int, text: Message) -> Finding:
    criterion = Criterion("blank", say("criterion.blank"), "", float(count), None, None, 0.0, "retest")
    return Finding(criterion, retest("blank", text))


def _where(degC: FloatArray) -> str:
    if not degC.size:
        return ""
    low, high = float(degC.min()), float(degC.max())
    if high - low < SEEN_K:
        return say("part.at-degC", degC=high)
    return say("part.opened", low=low, high=high)


def _beside(others: int) -> str:
    return say("part.beside", count=others) if others else ""


def _phased(rows: Rows) -> bool:
    return bool((rows.trace.phase != "").any())


def _line(rows: Rows) -> _Line:
    """The rows of a coil that say something, or should; what its own supply withheld is not among them."""
    trace = rows.trace
    lacking = np.char.startswith(trace.status, "missing: ") & ~np.isfinite(trace.resistance_ohm)
    lacking &= ~rows.driven & (trace.source != "switching")
    at = np.flatnonzero((rows.good & ~rows.driven) | rows.opened | lacking)
    degC = rows.temperature_degC if rows.timed else trace.probe_degC
    known = rows.temperature_degC[rows.good & np.isfinite(rows.temperature_degC)]
    if not rows.timed:
        at = at[np.lexsort((lacking[at], np.nan_to_num(degC[at], nan=-np.inf)))]
    return _Line(
        trace.time_s[at],
        degC[at],
        rows.good[at],
        lacking[at],
        np.zeros(at.size, dtype=np.bool_),
        rows.timed,
        float(known.min()) if known.size else np.inf,
    )


def _with_absent(line: _Line, others: Sequence[_Line], *, phased: bool) -> _Line:
    """Add the rows that a table lacks, of a coil that is logged together with others."""
    others = [each for each in others if each.timed == line.timed]
    if phased or not others or not line.good.any():
        return line
    if line.timed:
        when, degC = _lacking_times(line, others)
    else:
        when = degC = _lacking_degCs(line, others)
    n = when.size
    if not n:
        return line
    order = np.argsort(np.concatenate([line.time_s if line.timed else line.degC, when]), kind="stable")
    nothing, each = np.zeros(n, dtype=np.bool_), np.ones(n, dtype=np.bool_)
    when = when if line.timed else np.full(n, np.nan)
    return _Line(
        np.concatenate([line.time_s, when])[order],
        np.concatenate([line.degC, degC])[order],
        np.concatenate([line.good, nothing])[order],
        np.concatenate([line.blank, each])[order],
        np.concatenate([line.absent, each])[order],
        line.timed,
        line.coldest_degC,
    )


def _lacking_times(line: _Line, others: Sequence[_Line]) -> tuple[FloatArray, FloatArray]:
    """Times at which most others have a row and this coil has none, with their temperatures, shape (m,)."""
    times = np.concatenate([each.time_s for each in others])
    degCs = np.concatenate([each.degC for each in others])
    if float(np.isin(line.time_s, times).mean()) < _TOGETHER:
        return lacking_of_own_times((line.time_s, line.degC), [(each.time_s, each.degC) for each in others])
    when, first, count = np.unique(times, return_index=True, return_counts=True)
    lacks = (2 * count > len(others)) & ~np.isin(when, line.time_s)
    return when[lacks], degCs[first[lacks]]


def _lacking_degCs(line: _Line, others: Sequence[_Line]) -> FloatArray:
    """Temperatures, hotter or colder than any of this coil, at which others were read, shape (m,)."""
    degC = np.concatenate([each.degC[each.good] for each in others])
    degC = np.unique(degC[np.isfinite(degC)])
    if not np.isfinite(line.degC).any() or _seen_share(line, others) < _TOGETHER:
        return np.empty(0)
    apart = degC > float(np.nanmax(line.degC)) + _APART_K
    return degC[apart | (degC < float(np.nanmin(line.degC)) - _APART_K)]


def _seen_share(line: _Line, others: Sequence[_Line]) -> float:
    """Which share of a coil's temperatures others were read at."""
    mine = line.degC[np.isfinite(line.degC)]
    theirs = np.concatenate([each.degC[each.good] for each in others])
    theirs = theirs[np.isfinite(theirs)]
    if not mine.size or not theirs.size:
        return 0.0
    return float((_near(np.sort(theirs), mine - SEEN_K, mine + SEEN_K) > 0).mean())


def _usual(line: _Line, kind: _Kind) -> float:
    """How many rows are usually empty from reading to reading: of the cold ones, else of all.

    A table that lacks whole rows has the custom for these only.
    """
    alike = [run for run in line.runs if line.absent[run[0] : run[1] + 1].any() == kind.lacking]
    lengths = np.array([last - first + 1 for first, last in alike], dtype=np.float64)
    cold = np.array([not line.warm[first : last + 1].any() for first, last in alike])
    if int((line.good & ~line.warm).sum()) >= _COLD_READINGS:
        return float(np.median(lengths[cold])) if cold.any() else 0.0
    return float(np.median(lengths)) if lengths.size >= _USUAL_RUNS else 0.0


def _least_run(line: _Line, others: Sequence[_Line], kind: _Kind) -> int:
    """How many empty rows in succession are no chance, where cells are empty here and there.

    The share of empty cells is the coil's own or that of the others, without longer runs: those are what is
    to be found. A recorder that skips whole rows may never leave a cell empty, so a run is held to its own
    kind. Where the others left nothing empty, a single cell is no chance, be it one of points that somebody
    read one by one or one of a long record.
    """
    if others and not any((each.blank & ~each.absent).any() for each in others):
        loses_none = sum(each.blank.size for each in others) >= _READINGS_WITHOUT
        if not line.timed or (kind.left and loses_none):
            return 1
    own = line.scattered(kind) / line.blank.size
    theirs = sum(each.scattered(kind) for each in others)
    share = max(own, theirs / max(sum(each.blank.size for each in others), 1))
    if not 0.0 < share < 1.0:
        return _ROWS
    return max(_ROWS, ceil(log(_RUN_CHANCE / line.blank.size) / log(share)))


def _counts(
    line: _Line, first: int, last: int, usual: float, least: int, others: Sequence[_Line]
) -> int | None:
    """How many neighbours were read while *line* was not, None where the run says nothing against it."""
    length = last - first + 1
    mine = slice(first, last + 1)
    warm = bool(line.warm[mine].any())
    # What precedes the first reading may not have been wired yet, if it was read as cold after that.
    bracketed = int(line.good.argmax()) < first
    too_cold = _never_so_cold(line, mine)
    if not warm and not too_cold and (not bracketed or line.absent[mine].any()):
        return None
    seen = _seen_at_hottest(line, mine)
    if line.absent[mine].all():
        least = min(least, LEAST_LACKING)  # beyond the recorder's habit already
    # A recorder that leaves several empty from reading to reading has its custom; else it is chance.
    if (length <= 2.0 * usual and not too_cold) or (seen and usual <= 1.0 and length < least):
        return None
    reading = sum(_read_there(each, line, mine) for each in others)
    if reading:
        return reading
    if any(_empty_there(each, line, mine) for each in others):
        return None  # the recorder's own gap
    if not warm:
        return None
    return 0 if not seen or _opened_at_rest(line, mine) else None


def _seen_at_hottest(line: _Line, mine: slice) -> bool:
    """Whether the coil was read near the hottest of its empty rows, at whatever time."""
    hottest = np.nanmax(np.append(line.degC[mine], -np.inf))
    return bool(_near(line.seen_degC, hottest - SEEN_K, hottest + SEEN_K))


def _never_so_cold(line: _Line, mine: slice) -> bool:
    """Whether the coil was never read as cold as in its empty rows: it may be open there."""
    return bool(np.nanmin(np.append(line.degC[mine], np.inf)) < line.coldest_degC - _APART_K)


def _opened_at_rest(line: _Line, mine: slice) -> bool:
    """Whether the longest empty run is one in which the temperature stands: no ramp that nobody reads on."""
    longest_other = line.longest[1]
    degC = line.degC[mine]
    if not line.timed or degC.size < max(_ROWS_ALONE, 3 * longest_other + 1):
        return False
    return float((np.abs(degC - degC[0]) <= _SAME_K).mean()) >= _SAME_SHARE


def _there(other: _Line, line: _Line, mine: slice, when_s: FloatArray, at_degC: FloatArray) -> int:
    """How many rows of *other*, by sorted times or temperatures, fall to the empty ones of *line*."""
    if line.timed and other.timed:
        return int(_near(when_s, *_span_s(line, mine)))
    degC = line.degC[mine][np.isfinite(line.degC[mine])]
    if not degC.size:
        return 0
    # Rows without times are in order of temperature: what lies near any of them, each counted once.
    first = np.searchsorted(at_degC, np.sort(degC) - SEEN_K, "left")
    last = np.searchsorted(at_degC, np.sort(degC) + SEEN_K, "right")
    return int(np.maximum(last - np.maximum(first, np.concatenate(([0], last[:-1]))), 0).sum())


def _span_s(line: _Line, mine: slice) -> tuple[float, float]:
    """From when to when a run of rows lasts: where coils are read by turns, half way to its neighbours."""
    time_s, last = line.time_s, mine.stop - 1
    before_s = time_s[max(mine.start - 1, 0)]
    after_s = time_s[min(last + 1, time_s.size - 1)]
    return (time_s[mine.start] + before_s) / 2.0, (time_s[last] + after_s) / 2.0


def _read_there(other: _Line, line: _Line, mine: slice) -> bool:
    """Whether *other* was read as often as its own custom has it while *line* was empty."""
    count = _there(other, line, mine, other.read_s, other.seen_degC)
    return count > 0 and count >= 0.5 * min(_ROWS, mine.stop - mine.start)


def _empty_there(other: _Line, line: _Line, mine: slice) -> bool:
    return _there(other, line, mine, other.left_s, other.left_degC) > 0


def _piled_up(line: _Line, others: Sequence[_Line]) -> list[Finding]:
    """Scattered empty rows, more than chance leaves where all rows of the table are alike."""
    real, warm = ~line.absent, line.warm
    own = _empty(line.blank & real, warm & real)
    cold = _empty(line.blank & real, ~warm & real)
    pooled = [_empty(each.blank & ~each.absent, ~each.absent) for each in others]
    theirs = (sum(empty for empty, _ in pooled), sum(rows for _, rows in pooled))
    if own[0] < _ROWS or not theirs[1]:
        return []
    whole, rest = (own[0] + cold[0], own[1] + cold[1]), (theirs[0] + cold[0], theirs[1] + cold[1])
    if min(_chance(own, rest), _chance(whole, theirs)) > _CHANCE:
        return []
    text = say(
        "reason.blank-hot",
        count=whole[0],
        warm=100.0 * own[0] / own[1],
        cold=100.0 * cold[0] / cold[1] if cold[1] else 0.0,
        beside=_beside(sum(rows > 0 for _, rows in pooled)),
    )
    return [_finding(own[0], text)]


def _empty(blank: BoolArray, of: BoolArray) -> tuple[int, int]:
    return int((blank & of).sum()), int(of.sum())


def _chance(own: tuple[int, int], beside: tuple[int, int]) -> float:
    """Chance of so many or more empty rows in the first, if both were alike (Fisher's exact test)."""
    empty, rows = own[0] + beside[0], own[1] + beside[1]
    whole = _log_ways(rows, empty)
    most = min(own[1], empty)
    return min(
        1.0,
        sum(
            exp(_log_ways(own[1], k) + _log_ways(beside[1], empty - k) - whole)
            for k in range(own[0], most + 1)
            if empty - k <= beside[1]
        ),
    )


def _log_ways(n: int, k: int) -> float:
    return lgamma(n + 1.0) - lgamma(k + 1.0) - lgamma(n - k + 1.0)
