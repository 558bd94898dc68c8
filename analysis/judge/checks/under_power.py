"""A coil under power against the same coil to the ohmmeter: V over I has to be the ohms that it has then.

An ohmmeter's milliamperes leave a few millivolts across a coil. A diode across it does not conduct there, nor
does insulation that breaks down at some volts, nor a contact of oxide that needs current. Only a drive tells.
So a drive that meets its current limit, a protection that trips, and a ratio of V and I that neither
temperature nor instruments explain are evidence, whatever the ohmmeter says.

A winding under power is at least as warm as it was before, so V/I lies between the ohms at its temperature
then and those at the most that it can have warmed since.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np

from analysis.arrays import BoolArray, FloatArray, IndexArray
from analysis.judge.rules.criteria import Finding
from analysis.judge.rules.reasons import retest
from analysis.judge.rules.verdict import K, undetermined
from analysis.model import LIMITING, TRIPPED, Accuracy, Criterion, Limits, Reason, Trace
from analysis.physics.copper import ALPHA20_PER_K, REFERENCE_DEGC, resistance_factor, to_20degC
from analysis.trace.rows import DRIVEN_A, RELAXED_S, SHORT_OHM, Rows, Story
from analysis.words import say, say_count

#: Beyond instruments and temperature, V/I and ohms may differ by this share: voltage and current are read one
#: after the other, by two instruments (common practice, no source).
PLAY_REL = 0.02
#: Less than this share of the ohms is another circuit, not another temperature or calibration.
SHORT_REL = 0.75
#: A winding and its probe at rest before a drive agree within this (standard uncertainty, common practice).
_REST_K = 0.5
#: No winding under a test voltage warms faster (25 W into 5 J/K), nor gets hotter than insulation bears for
#: long (class H of IEC 60085, from memory, and a margin).
_FASTEST_K_PER_s, _HOTTEST_DEGC = 5.0, 230.0
#: So many rows' time passes from switching on to the first row.
_ROWS_BEFORE = 5.0
#: Rows under power further apart than this are two drives.
_APART_S = 5.0
#: but in a record that says itself what is a drive, and has no row without current between.
_APART_KNOWN_S = 60.0
#: So many ohms readings, the nearest, say what a coil has; not further away in time or temperature than this.
_NEAREST, _NEAR_S, _NEAR_K = 5, 900.0, 5.0
#: So many drives or rows in one are no slip of a reading.
_LEAST = 2
#: A drive no longer than this warms its winding evenly (time constants of windings are tens of seconds), so
#: that a straight line through so many of its rows tells where it began and how fast it rose; before its
#: first row it rose at most so many times as fast.
SHAPE_S, _SHAPE_ROWS, _FASTER_BEFORE = 10.0, 4, 2.0
#: Voltage and current of one row are read to this share at best.
_RATIO_REL = 1e-4
#: Code of the reason that convicts.
_SHORT = "driven-short"
#: How records of earlier versions began the status of such rows.
_LIMITING = (LIMITING, "missing: the supply is limiting current")
_TRIPPED = (TRIPPED, "missing: a protection of the supply has tripped")


@dataclass(frozen=True)
class Shape:
    """How V/I of a short drive went, over the ohms before it.

    Attributes:
        begins_rel: V/I at the first row over the ohms, less one.
        per_s: What it rises by a second.
        u_per_s: Standard uncertainty of that.
        lasted_s: From first to last row.
        apart_s: Middle time from row to row.
    """

    begins_rel: float
    per_s: float
    u_per_s: float
    lasted_s: float
    apart_s: float


@dataclass(frozen=True)
class DriveRows:
    """One time under power, or some settled rows under power of a table without times.

    Attributes:
        ohm: Middle V/I.
        expected_ohm: What the coil's own ohms make of it, for a winding as warm as before.
        u_rel: Standard uncertainty of their ratio.
        warmer_rel: By how much more than *expected_ohm* it can be, since the winding warms.
        rows: Rows with V and I.
        current_A: Middle current.
        limited: Whether the supply held its current limit.
        from_degC: The winding before it.
        watt: Middle power.
        brief: Whether it was from rest and so short that like parts took up little heat and alike.
        shape: How it went; None of a long drive, of few rows and of rows without times.
    """

    ohm: float
    expected_ohm: float
    u_rel: float
    warmer_rel: float
    rows: int
    current_A: float
    limited: bool
    from_degC: float = REFERENCE_DEGC
    watt: float = 0.0
    brief: bool = False
    shape: Shape | None = None

    @property
    def off_rel(self) -> float:
        """V/I over the ohms, less one."""
        return self.ohm / self.expected_ohm - 1.0

    @property
    def begins_rel(self) -> float:
        """V/I over the ohms, less one, at its first row where that is known."""
        return self.off_rel if self.shape is None else self.shape.begins_rel

    @property
    def low(self) -> bool:
        """Whether it conducts more than its ohms allow."""
        return self.off_rel + 2.0 * self.u_rel < -PLAY_REL

    @property
    def high(self) -> bool:
        """Whether it conducts less than its ohms and any heat allow."""
        return self.off_rel - 2.0 * self.u_rel > PLAY_REL + self.warmer_rel

    @property
    def short(self) -> bool:
        """Whether it conducts as another circuit would."""
        return self.off_rel < SHORT_REL - 1.0 and self.low


@dataclass(frozen=True)
class Driven:
    """What a coil did under power: its drives, and how often the supply held its limit or tripped."""

    drives: tuple[DriveRows, ...] = ()
    limited: int = 0
    tripped: int = 0
    #: The current at which the supply held its limit, None where no row has one.
    limit_A: float | None = None


def driven(rows: Rows, accuracy: Accuracy) -> Driven:
    """Hold each drive of a trace against the coil's own ohms."""
    trace = rows.trace
    limiting, tripped = status_is(trace, _LIMITING), status_is(trace, _TRIPPED)
    held_A = np.abs(trace.current_A[limiting & np.isfinite(trace.current_A)])
    own = _own_ohms(rows)
    drives = [
        drive
        for at in _apart(rows, rows.driven & (trace.source != "switching"))
        if (drive := _drive(rows, at, own, limiting, accuracy)) is not None
    ]
    return Driven(
        tuple(drives),
        int(limiting.sum()),
        int(tripped.sum()),
        float(np.median(held_A)) if held_A.size else None,
    )


def status_is(trace: Trace, beginnings: tuple[str, ...]) -> BoolArray:
    """Rows whose status is or begins with one of *beginnings*, shape (n,)."""
    found = np.zeros(trace.status.size, dtype=np.bool_)
    for each in beginnings:
        found |= np.char.startswith(trace.status, each)
    return found


def _ratio(trace: Trace) -> FloatArray:
    """V over I of each row, shape (n,), NaN without a current."""
    amperes = np.where(np.abs(trace.current_A) > DRIVEN_A, trace.current_A, np.nan)
    return trace.voltage_V / amperes


def _own_ohms(rows: Rows) -> IndexArray:
    """Rows whose resistance is not V over I; a table may have an ohmmeter's beside them."""
    ratio = _ratio(rows.trace)
    beside = np.abs(rows.trace.resistance_ohm - ratio) > PLAY_REL * np.abs(rows.trace.resistance_ohm)
    return np.flatnonzero(rows.good & (~rows.driven | (np.isfinite(ratio) & beside)))


def _apart(rows: Rows, powered: BoolArray) -> Iterator[IndexArray]:
    """Rows under power, drive by drive."""
    at = np.flatnonzero(powered)
    if not at.size:
        return
    new = np.diff(at) > 1
    if rows.timed:
        known = rows.trace.phase[at] == "drive"
        most_s = np.where(known[1:] & known[:-1], _APART_KNOWN_S, _APART_S)
        new |= np.diff(rows.time_s[at]) > most_s
    else:  # settled rows: each temperature is a drive
        new |= np.abs(np.nan_to_num(np.diff(rows.temperature_degC[at]))) > _NEAR_K
    yield from np.split(at, np.flatnonzero(new) + 1)


def _drive(
    rows: Rows, at: IndexArray, own: IndexArray, limiting: BoolArray, accuracy: Accuracy
) -> DriveRows | None:
    """One drive, None where there are no V and I, or no ohms to hold them against."""
    ratio = _ratio(rows.trace)[at]
    told = at[np.isfinite(ratio)]
    if not told.size or not own.size:
        return None
    at_rest = rows.story is not Story.SELF_HEATED or _rested(rows, at[0])
    body = rows.temperature_degC
    near = _nearest(rows, own, told[0]) if at_rest else _coldest(rows, own)
    r20 = float(np.median(to_20degC(rows.trace.resistance_ohm[near], _known(body[near]))))
    if r20 < SHORT_OHM:
        return None
    # Of a coil that heats itself the body tells nothing of the winding, but that it is no colder than cold.
    from_degC = float(np.median(_known(body[told] if at_rest else body[near])))
    factor = float(resistance_factor(from_degC))
    hottest = float(resistance_factor(_HOTTEST_DEGC)) / factor - 1.0
    phased = at_rest and rows.timed and bool((rows.trace.phase[told] == "drive").all())
    expected = r20 * factor
    shape = _shape(rows.time_s[told], ratio[np.isfinite(ratio)] / expected) if at_rest else None
    lasted_s = float(np.ptp(rows.time_s[at])) if phased or shape is not None else 0.0
    before_s = _before_s(rows, at)
    warmer = ALPHA20_PER_K / factor * _FASTEST_K_PER_s * (lasted_s + before_s)
    if shape is not None:  # it shows itself how fast it warms
        most_per_s = max(shape.per_s, 0.0) + K * shape.u_per_s
        warmer = min(warmer, most_per_s * (lasted_s + _FASTER_BEFORE * before_s))
    ohms_u = hypot(accuracy.offset_ohm, accuracy.contact_ohm, accuracy.leads_ohm) / expected
    by_degC = ALPHA20_PER_K / factor * hypot(accuracy.probe_noise_K, _REST_K)
    middle = float(np.median(ratio[np.isfinite(ratio)]))
    return DriveRows(
        ohm=middle,
        expected_ohm=expected,
        u_rel=hypot(accuracy.vi_gain_rel, accuracy.gain_rel, ohms_u, by_degC),
        warmer_rel=min(warmer, hottest) if phased or shape is not None else hottest,
        rows=int(told.size),
        current_A=float(np.median(np.abs(rows.trace.current_A[told]))),
        limited=bool(limiting[at].any()),
        from_degC=from_degC,
        watt=float(np.median(np.abs(rows.trace.voltage_V[told] * rows.trace.current_A[told]))),
        brief=at_rest and (not rows.timed or float(np.ptp(rows.time_s[at])) <= SHAPE_S),
        shape=shape,
    )


def _before_s(rows: Rows, at: IndexArray) -> float:
    """How long current can have flowed before the first row of a drive."""
    free = np.flatnonzero(~rows.driven[: at[0]])
    unseen_s = max(1.0, float(rows.time_s[at[0]] - rows.time_s[free[-1]])) if free.size else 1.0
    if at.size == 1:  # a lone row says nothing of that: since the coil was last seen without current
        return unseen_s
    # About as long as a bench takes for a few rows, a second at least.
    return max(1.0, _ROWS_BEFORE * float(np.median(np.diff(rows.time_s[at]))))


def _shape(time_s: FloatArray, over: FloatArray) -> Shape | None:
    """A straight line through V/I over the ohms of one drive, each of shape (n,)."""
    if over.size < _SHAPE_ROWS or not np.isfinite(time_s).all():
        return None
    t = time_s - time_s[0]
    if not 0.0 < t[-1] <= SHAPE_S:
        return None
    from_middle = t - t.mean()
    squares = float(from_middle @ from_middle)
    per_s = float(from_middle @ over) / squares
    left = over - over.mean() - per_s * from_middle
    noise = max(sqrt(float(left @ left) / (over.size - 2)), _RATIO_REL)
    begins = float(over.mean() - per_s * t.mean())
    return Shape(begins - 1.0, per_s, noise / sqrt(squares), float(t[-1]), float(np.median(np.diff(t))))


def _rested(rows: Rows, first: np.intp) -> bool:
    """Whether no current flowed for so long before a drive that the winding had come to its body."""
    if not rows.timed:
        return False
    before = rows.time_s[:first][rows.driven[:first]]
    return not before.size or float(rows.time_s[first] - before[-1]) > RELAXED_S


def _known(degC: FloatArray) -> FloatArray:
    """Temperatures, with 20 degC where no probe ever said any: then nothing is told of warmth."""
    return np.where(np.isfinite(degC), degC, REFERENCE_DEGC)


def _nearest(rows: Rows, own: IndexArray, first: np.intp) -> IndexArray:
    """Ohms readings taken last before a drive at about its temperature, else those nearest in temperature."""
    body = _known(rows.temperature_degC)
    off_K = np.abs(body[own] - body[first])
    if rows.timed:
        before_s = rows.time_s[first] - rows.time_s[own]
        lately = own[(before_s >= 0.0) & (before_s < _NEAR_S) & (off_K < _NEAR_K)]
        if lately.size:
            return np.asarray(lately[-_NEAREST:])
    return np.asarray(own[np.argsort(off_K, kind="stable")[:_NEAREST]])


def _coldest(rows: Rows, own: IndexArray) -> IndexArray:
    """The ohms readings at rest before anything was heated, else the lowest."""
    rest = own[np.isin(own, np.flatnonzero(rows.settled))]
    chosen = rest if rest.size else own
    body = _known(rows.temperature_degC)[chosen]
    cold = chosen[body <= body.min() + _NEAR_K]
    return np.asarray(cold[np.argsort(rows.trace.resistance_ohm[cold], kind="stable")[:_NEAREST]])


def under_power(found: Driven, limits: Limits) -> Finding:
    """Judge what a coil did under power.

    A coil that conducts as a short does when driven is bad, or has a diode across it and its leads swapped.
    The two look alike, so only where no diode is fitted does that convict it.
    """
    name = say("criterion.driven")
    if not (found.drives or found.limited or found.tripped):
        return Finding(undetermined("driven", name, "", note=say("lack.not-driven")))
    lowest = min(found.drives, key=lambda each: each.off_rel, default=None)
    highest = max(found.drives, key=lambda each: each.off_rel - each.warmer_rel, default=None)
    reason = _reason(found, lowest, highest, limits)
    shown = highest if highest is not None and highest.high and not (lowest and lowest.low) else lowest
    criterion = Criterion(
        "driven",
        name,
        "",
        None if shown is None else shown.off_rel,
        None if shown is None else K * shown.u_rel,
        -PLAY_REL,
        None if shown is None else PLAY_REL + shown.warmer_rel,
        "pass" if reason is None else "fail" if reason.code == _SHORT else "retest",
        say("part.drives", count=len(found.drives)),
    )
    return Finding(criterion, reason)


def _reason(
    found: Driven, lowest: DriveRows | None, highest: DriveRows | None, limits: Limits
) -> Reason | None:
    """The gravest of what was seen; None where all is as it should be."""
    if lowest is not None and lowest.low:
        return _conducts_more(found, lowest, limits)
    if highest is not None and highest.high:
        return retest("driven-high", say("reason.driven-high", **_figures(highest)))
    if found.tripped:
        return retest("drive-tripped", say_count("reason.drive-tripped", found.tripped))
    if found.limited:
        held = "" if found.limit_A is None else say("part.held-at", ampere=found.limit_A)
        return retest("drive-limited", say("reason.drive-limited", held=held))
    return None


def _conducts_more(found: Driven, lowest: DriveRows, limits: Limits) -> Reason:
    figures = _figures(lowest)
    if not lowest.short:
        return retest("driven-low", say("reason.driven-low", **figures))
    shorts = [each for each in found.drives if each.short]
    sure = len(shorts) >= _LEAST or any(each.limited or each.rows >= _LEAST for each in shorts)
    if sure and limits.diode == "none":
        return Reason(_SHORT, say("reason.driven-short", **figures))
    return retest("driven-diode", say("reason.driven-diode", **figures))


def _figures(drive: DriveRows) -> dict[str, str | float]:
    limit = say("part.held-at", ampere=drive.current_A) if drive.limited else ""
    return {"ohm": drive.ohm, "expected": drive.expected_ohm, "held": limit}
