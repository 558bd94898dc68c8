"""What tells more of the meter, or of who wrote it down, than of the coil.

- Readings that are a thousandth of what like parts or the coil's other readings make are kilohms, or lost
  their point; no short and no part of another kind has copper's slope at just that size.
- Readings that lie above and below by turns, row for row, are a meter that turns its current round while some
  contact makes a voltage; no contact opens and closes with the rows.
- A current below nothing at a voltage above it is an ammeter whose leads are swapped.

Such readings are taken as they were meant, which the mean of two rows, or a factor, says exactly enough to go
on. What was mended by a guess is said, and its coil cannot pass by it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from analysis.arrays import BoolArray, FloatArray
from analysis.judge.rules.criteria import Finding
from analysis.judge.rules.reasons import retest
from analysis.model import OK, Accuracy, Criterion, Limits, Subject, Trace
from analysis.physics.copper import REFERENCE_DEGC, to_20degC
from analysis.trace.rows import SHORT_OHM, last_known, under_current, whole_ohm
from analysis.words import Message, say

_THOUSAND = 1000.0
#: By so much a reading is too large that lost its point; no more of a coil's readings than this share did:
#: what is ten times too large more often than that is a contact.
_POINT_LOST, _SELDOM = (10.0, 100.0, 1e4, 1e5), 0.05
#: What reads less than this is nothing that a unit would explain.
_LEAST_OHM = 1e-6
#: A reading in another unit agrees with the others by copper's slope within this share; a short does not.
_SAME_REL = 0.03
#: A digit of more than this share is too coarse to judge a coil by: such rows are left out.
_DIGIT_REL, _ANOTHER_UNIT = 0.005, "missing: in another unit"
#: V/I of a winding in another unit agrees within these: its own heat is in it.
_POWERED = (0.9, 1.6)
#: Like parts are of one value within this share, and so many of its readings have to agree with each other.
_ALIKE_REL, _MOST = 0.15, 0.9
#: Readings alternate where so many differences in a row do, by this share; of noise two in three do.
_LEAST_DIFFERENCES, _BY_TURNS = 40, 0.95
#: and by more than so much of the resistance, or so many times the noise of the meter.
_LEAST_REL, _NOISES = 1e-3, 3.0
#: Neighbours differ by no more than so many times the usual difference.
_FURTHER = 3.0


@dataclass(frozen=True)
class Meant:
    """Traces as they were meant, what keeps a coil from passing by that, and which ammeters are reversed."""

    traces: list[Trace]
    findings: Mapping[str, Sequence[Finding]]
    reversed_current: Sequence[str]


# A figure of 1e300 is nothing that was meant, and may be too much to multiply.
@np.errstate(over="ignore", divide="ignore", invalid="ignore")
def as_meant(
    traces: Sequence[Trace],
    subjects: Sequence[Subject] | None,
    limits: Mapping[str, Limits] | None,
    accuracy: Accuracy,
) -> Meant:
    """Take readings as they were meant where the table shows plainly that they are not as they stand."""
    findings: dict[str, list[Finding]] = {}
    reversed_current: list[str] = []
    forward: list[Trace] = []
    for trace in traces:
        mended, all_of_it = _forward(trace)
        forward.append(mended)
        if mended is not trace and all_of_it:
            reversed_current.append(trace.coil)
        elif mended is not trace:
            findings.setdefault(trace.coil, []).append(_finding("current-sign", say("reason.current-sign")))
    levels = {trace.coil: _level(trace) for trace in forward}
    shown = []
    for trace in forward:
        expected = _expected(trace.coil, levels, subjects, limits)
        mended, what = _in_ohms(trace, levels[trace.coil], expected, likes=subjects is not None)
        if what is not None:
            findings.setdefault(trace.coil, []).append(_finding("unit", what))
        steady, what = _by_turns(mended, accuracy)
        if what is not None:
            findings.setdefault(trace.coil, []).append(_finding("alternates", what))
        shown.append(steady)
    return Meant(shown, findings, reversed_current)


def _finding(code: str, what: Message) -> Finding:
    criterion = Criterion("misread", say("criterion.misread"), "", None, None, None, None, "retest")
    return Finding(criterion, retest(code, what))


def _powered(trace: Trace) -> BoolArray:
    return under_current(trace) & np.isfinite(trace.voltage_V)


def _forward(trace: Trace) -> tuple[Trace, bool]:
    """The trace with its current along its voltage, and whether all of it ran the other way."""
    powered = _powered(trace)
    against = powered & (trace.current_A * trace.voltage_V < 0.0)
    if not against.any():
        return trace, False
    by_ratio = against & (trace.source == "V/I")
    mended = replace(
        trace,
        current_A=np.where(against, -trace.current_A, trace.current_A),
        resistance_ohm=np.where(by_ratio, np.abs(trace.resistance_ohm), trace.resistance_ohm),
    )
    return mended, bool((against == powered).all())


def _at_20(trace: Trace) -> FloatArray:
    """Each reading at 20 degC, shape (n,), NaN where there is none above nothing."""
    good = np.isfinite(trace.resistance_ohm) & (trace.status == OK) & (trace.resistance_ohm > 0.0)
    degC = last_known(trace.probe_degC)
    at_20 = to_20degC(trace.resistance_ohm, np.where(np.isfinite(degC), degC, REFERENCE_DEGC))
    return np.where(good, at_20, np.nan)


def _level(trace: Trace) -> float | None:
    """What most readings without current make at 20 degC."""
    told = _at_20(trace)[~_powered(trace)]
    told = told[np.isfinite(told)]
    level = float(np.median(told)) if told.size else 0.0
    return level if level > _LEAST_OHM else None


def _expected(
    coil: str,
    levels: Mapping[str, float | None],
    subjects: Sequence[Subject] | None,
    limits: Mapping[str, Limits] | None,
) -> list[float]:
    """What a coil may read by its maker, else by each of the others that it may be like."""
    kinds = {subject.coil: subject.kind for subject in subjects or ()}
    nominal = (limits or {}).get(kinds.get(coil, ""))
    if nominal is not None and nominal.r20_ohm is not None:
        return [nominal.r20_ohm]
    alike = [
        level for label, level in levels.items() if label != coil and kinds.get(label) == kinds.get(coil)
    ]
    return [level for level in alike if level is not None]


def _in_ohms(
    trace: Trace, level: float | None, expected: Sequence[float], *, likes: bool
) -> tuple[Trace, Message | None]:
    """The trace with readings of another unit in ohms, and what to say of them."""
    if level is None:
        return trace, None
    at_20, powered = _at_20(trace), _powered(trace)
    scale = _scale(at_20[~powered], level, expected, likes=likes)
    true_ohm = level * scale
    factor, blurred = np.ones(at_20.size), np.zeros(at_20.size, dtype=np.bool_)
    for each in (_THOUSAND, 1.0 / _THOUSAND):
        over = at_20 * each / true_ohm
        near = ~powered & (np.abs(over - 1.0) <= _ALIKE_REL)
        # What lost its last figures with its unit agrees within a digit, and says nothing more.
        digit_rel = whole_ohm(trace.resistance_ohm[near]) * each / true_ohm
        near &= np.abs(over - 1.0) <= _SAME_REL + digit_rel / 2.0
        factor[near] = each
        blurred |= near & (digit_rel > _DIGIT_REL)
        factor[powered & (over > _POWERED[0]) & (over < _POWERED[1])] = each
    for each in _POINT_LOST:
        near = ~powered & (np.abs(at_20 / each / true_ohm - 1.0) <= _SAME_REL)
        if near.sum() <= max(1.0, _SELDOM * at_20.size):
            factor[near] = 1.0 / each
    off = factor != 1.0
    if not off.any():
        return trace, None
    mended = replace(
        trace,
        resistance_ohm=np.where(blurred, np.nan, trace.resistance_ohm * factor),
        status=np.where(blurred, _ANOTHER_UNIT, trace.status),
        # Whether voltage or current was in another unit makes no difference to what they say of the coil.
        current_A=np.where(off & powered, trace.current_A / factor, trace.current_A),
    )
    count, of = int(off.sum()), int(np.isfinite(at_20).sum())
    times = 1.0 / float(factor[off][0])
    share = say("part.thousandth") if times < 1.0 else say("part.times-too-large", times=times)
    return mended, say("reason.unit", count=count, of=of, share=share, ohm=true_ohm)


def _scale(at_20: FloatArray, level: float, expected: Sequence[float], *, likes: bool) -> float:
    """By what factor most readings are to be taken, so that the coil is of the value it should have."""
    told = at_20[np.isfinite(at_20)]
    steady = float((np.abs(told / level - 1.0) <= _SAME_REL).mean()) >= _MOST
    # Of a coil of which nobody says what it is, a thousand times more may be another kind.
    factors = [_THOUSAND] if level < SHORT_OHM else []
    factors += [1.0 / _THOUSAND] if likes else []
    near = [
        each
        for each in factors
        if expected and abs(level * each / _nearest(level * each, expected) - 1.0) <= _ALIKE_REL
    ]
    return near[0] if steady and near else 1.0


def _nearest(ohm: float, expected: Sequence[float]) -> float:
    return min(expected, key=lambda each: abs(each / ohm - 1.0))


def _by_turns(trace: Trace, accuracy: Accuracy) -> tuple[Trace, Message | None]:
    """The trace with the mean of neighbours where readings alternate, and what to say of it."""
    good = np.isfinite(trace.resistance_ohm) & (trace.status == OK) & ~_powered(trace)
    at = np.flatnonzero(good)
    if not np.isfinite(trace.time_s).all() or at.size <= _LEAST_DIFFERENCES:
        return trace, None
    ohm = trace.resistance_ohm[at]
    steps = np.diff(ohm)
    half_ohm = float(np.median(np.abs(steps))) / 2.0
    alternate = float((steps[1:] * steps[:-1] < 0.0).mean())
    least_ohm = max(_NOISES * accuracy.noise_ohm, _LEAST_REL * abs(median(ohm.tolist())))
    if alternate < _BY_TURNS or half_ohm < least_ohm:
        return trace, None
    # What lies further away belongs to another hold; the last one before it has one neighbour.
    beside = np.abs(steps) <= _FURTHER * 2.0 * half_ohm
    before, after = np.concatenate(([False], beside)), np.concatenate((beside, [False]))
    neighbours = np.where(before, np.roll(ohm, 1), 0.0) + np.where(after, np.roll(ohm, -1), 0.0)
    count = before.astype(np.float64) + after
    mended = trace.resistance_ohm.copy()
    mended[at] = (ohm + np.where(count > 0.0, neighbours / np.maximum(count, 1.0), ohm)) / 2.0
    what = say("reason.alternates", half=1e3 * half_ohm, percent=100.0 * alternate)
    return replace(trace, resistance_ohm=mended), what
