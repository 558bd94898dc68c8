"""Every row of a coil held against its own figures: nothing that was seen is passed over in silence.

Each check of a coil looks at the rows that it is about. What no check was made for would be seen by nobody.
So every row is asked the opposite question: is it what a sound winding with the figures found would have read
there and then? A row that is not speaks against the coil. Where no verdict explains it, it forbids a pass.

A winding is its own thermometer: each resistance is turned into a temperature by the coil's own figures and
held against the probe. At rest both agree; on the move the winding is where its body has been lately; under
current it is no colder than that, and no hotter than insulation bears.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from math import hypot, sqrt

import numpy as np

from analysis.arrays import BoolArray, FloatArray, IndexArray, TextArray
from analysis.judge.rules.criteria import SLIP_ROWS, Finding
from analysis.judge.rules.reasons import retest
from analysis.model import OWN_HEAT, Account, Accuracy, Criterion
from analysis.physics.copper import ALPHA20_PER_K, REFERENCE_DEGC
from analysis.statistics.outliers import MAD_TO_SIGMA
from analysis.trace.estimate import Estimate
from analysis.trace.rows import SHORT_OHM, Rows, Story, digit_ohm
from analysis.words import Message, say

#: How far winding and probe may differ at rest, all causes together (common practice, no source).
REST_K = 1.0
#: A reading is noise up to so many standard deviations; of a normal distribution two in 10^9 are beyond.
NOISE_SIGMAS = 6.0
#: Ohmmeter and V/I measure the same resistance within so many of their standard uncertainties.
SCALE_SIGMAS = 4.0
#: A winding is where its body has been within this time, or this little beyond.
LATELY_S, BEYOND_K = 900.0, 3.0
#: No insulation stands more for long (class H of IEC 60085, from memory, and a margin).
HOTTEST_DEGC = 230.0
#: A missing reading leaves no gap in the evidence where the coil was read at nearly the same temperature.
SAME_K = 3.0
#: and within so many of its usual intervals.
USUAL = 2.0
#: A slip is no more than this share of the resistance off, as a wrong digit makes it: what is further off may
#: be the coil (common practice, no source).
SLIP_REL = 0.25
#: Rows under current that may lack a figure: one, or this share.
LACKING_SHARE = 0.02
#: Differences of fewer readings tell no noise. Without times neighbours are few, and those of one temperature
#: need not have been read in one go.
_LEAST, _LEAST_UNTIMED = 8, 20
#: More scatter than this is no noise of instruments that can judge a coil.
_MOST_SCATTER_K = 3.0


class RowUse(StrEnum):
    """Where a row of the record went."""

    USED = "used"  # at rest or in a fit of the whole trace: behind the figures
    TRAILING = "trailing"  # on the move, as the figures say
    POWERED = "powered"  # under current, as the figures say
    SWITCHING = "switching"  # an instant at which current was switched: no reading
    GAP = "gap"  # no reading, but others beside it at the same temperature
    SLIP = "slip"  # one reading that those before and after it do not bear out
    OPEN = "open"
    LOW = "low"
    HIGH = "high"
    POWERED_LOW = "powered-low"
    POWERED_HIGH = "powered-high"
    LACKING = "lacking"  # under current, and no resistance came of it
    BLANK = "blank"  # no reading where the coil was not read nearby
    UNPLACED = "unplaced"  # nothing to hold it against


#: What speaks against a coil; a row in any other place is used or explained.
AGAINST = (
    RowUse.OPEN,
    RowUse.LOW,
    RowUse.HIGH,
    RowUse.POWERED_LOW,
    RowUse.POWERED_HIGH,
    RowUse.LACKING,
    RowUse.BLANK,
    RowUse.UNPLACED,
)


def account(rows: Rows, found: Estimate, accuracy: Accuracy) -> Account:
    """Say where each row of *rows* went, given the figures *found*."""
    places = _places(rows, found, accuracy)
    against = np.isin(places, AGAINST)
    at_degC = rows.temperature_degC[against & np.isfinite(rows.temperature_degC)]
    counts = {place: n for place in RowUse if (n := int((places == place).sum()))}
    return Account(
        rows=places.size,
        used=counts.pop(RowUse.USED, 0),
        explained={place.value: n for place, n in counts.items() if place not in AGAINST},
        against={place.value: n for place, n in counts.items() if place in AGAINST},
        against_degC=(float(at_degC.min()), float(at_degC.max())) if at_degC.size else None,
    )


def unexplained(told: Account, *, explained: bool) -> Finding:
    """Judge an account; *explained* where another criterion keeps the coil from passing, and says why."""
    name, count = say("criterion.account"), told.speaks_against
    criterion = Criterion(
        "account", name, "", float(count), None, None, 0.0, "retest" if count else "pass", shown(told)
    )
    if explained or not count:
        return Finding(criterion)
    what = say(
        "reason.unexplained", count=count, rows=told.rows, what=_list(told.against), where=_where(told)
    )
    return Finding(criterion, retest("unexplained", what))


def shown(told: Account) -> Message:
    """Return the account as a sentence; its numbers add up to all rows."""
    explained = sum(told.explained.values())
    return say(
        "part.account", rows=told.rows, used=told.used, explained=explained, against=told.speaks_against
    )


def _list(against: Mapping[str, int]) -> tuple[Message, ...]:
    return tuple(say(f"place.{place}", count=count) for place, count in against.items())


def _where(told: Account) -> str:
    if told.against_degC is None:
        return ""
    low, high = told.against_degC
    return (
        say("part.place-between", low=low, high=high)
        if high - low >= 1.0
        else say("part.place-at", degC=high)
    )


def _places(rows: Rows, found: Estimate, accuracy: Accuracy) -> TextArray:
    """Where each row belongs, shape (n,)."""
    places = np.full(rows.good.size, RowUse.UNPLACED, dtype="<U16")
    placed = _placed_readings(rows, found, accuracy)
    if placed is not None:
        places[rows.good] = placed[rows.good]
    places[rows.opened] = RowUse.OPEN
    missing = ~rows.good & ~rows.opened
    switching = missing & (rows.trace.source == "switching")
    powered = missing & ~switching & rows.driven
    lacking = powered.sum() > max(1.0, LACKING_SHARE * rows.driven.sum())
    blank = missing & ~switching & ~powered
    places[blank] = np.where(_beside_a_reading(rows)[blank], RowUse.GAP, RowUse.BLANK)
    places[powered] = RowUse.LACKING if lacking else RowUse.GAP
    places[switching] = RowUse.SWITCHING
    return places


def _placed_readings(rows: Rows, found: Estimate, accuracy: Accuracy) -> TextArray | None:
    """Where each reading belongs by its own figures, shape (n,); None where there are none to go by."""
    if found.r20 is None or found.r20.value < SHORT_OHM:
        return None
    per_K = found.parts.copper.value * ALPHA20_PER_K if found.parts else found.r20.value * ALPHA20_PER_K
    if per_K <= 0.0:
        return None
    ohm, body = rows.trace.resistance_ohm, rows.temperature_degC
    winding = REFERENCE_DEGC + (ohm - found.r20.value) / per_K
    noise_K = _noise_K(rows, winding, accuracy, per_K)
    low, high = _lately(rows, winding)
    scale_ohm = hypot(found.r20.value * accuracy.vi_gain_rel, accuracy.offset_ohm, accuracy.contact_ohm)
    apart_K = np.where(rows.driven, SCALE_SIGMAS * scale_ohm / per_K, 0.0)
    at_rest = rows.settled & ~rows.driven & (rows.story is not Story.COOLING)
    play_K = noise_K + np.where(at_rest, REST_K, BEYOND_K + apart_K)
    low = np.where(at_rest, body, low) - play_K
    high = np.where(at_rest, body, np.where(rows.driven, HOTTEST_DEGC, high)) + play_K
    sound = np.where(at_rest, RowUse.USED, np.where(rows.driven, RowUse.POWERED, RowUse.TRAILING))
    if found.method in {"ramp", OWN_HEAT}:
        sound = np.full(ohm.size, RowUse.USED, dtype="<U16")
    below = np.where(rows.driven, RowUse.POWERED_LOW, RowUse.LOW)
    above = np.where(rows.driven, RowUse.POWERED_HIGH, RowUse.HIGH)
    places = np.where(winding < low, below, np.where(winding > high, above, sound)).astype("<U16")
    places[~np.isfinite(winding) | ~np.isfinite(body)] = RowUse.UNPLACED
    off = np.flatnonzero(rows.good & np.isin(places, AGAINST))
    if off.size == 1 and rows.good.sum() >= SLIP_ROWS and not rows.driven[off[0]]:
        near = abs(winding[off[0]] - body[off[0]]) * per_K <= SLIP_REL * found.r20.value
        places[off] = RowUse.SLIP if near else places[off]
    return places


def _noise_K(rows: Rows, winding_degC: FloatArray, accuracy: Accuracy, per_K: float) -> FloatArray:
    """What noise and digits make of each reading at most, in kelvin of the winding, shape (n,).

    Scatter is told by differences of neighbours, which a change of the coil leaves alone, and by hot readings
    apart from cold ones, since noise may grow with heat.
    """
    stated_K = hypot(accuracy.noise_ohm / per_K, accuracy.probe_noise_K)
    play_K = np.full(winding_degC.size, NOISE_SIGMAS * stated_K)
    body = rows.temperature_degC
    usable = rows.good & np.isfinite(winding_degC) & np.isfinite(body)
    if not usable.any():
        return play_K
    middle_degC = (np.min(body[usable]) + np.max(body[usable])) / 2.0
    for source in (usable & rows.driven, usable & ~rows.driven):
        digit_K = digit_ohm(rows.trace.resistance_ohm[source]) / per_K
        for state in (source & (body <= middle_degC), source & (body > middle_degC)):
            at = np.flatnonzero(state)
            seen_K = max(_scatter(rows, winding_degC - body, at), stated_K)
            play_K[at] = NOISE_SIGMAS * seen_K + digit_K
    return play_K


def _scatter(rows: Rows, off_K: FloatArray, at: IndexArray) -> float:
    """Standard deviation of single readings, by each against the mean of its neighbours in time."""
    if not rows.timed:  # then order says nothing, but neighbours in temperature are alike
        at = at[np.argsort(rows.temperature_degC[at], kind="stable")]
    if at.size < (_LEAST if rows.timed else _LEAST_UNTIMED):
        return 0.0
    off = off_K[at]
    curved = off[1:-1] - (off[:-2] + off[2:]) / 2.0
    return min(MAD_TO_SIGMA * float(np.median(np.abs(curved))) / sqrt(1.5), _MOST_SCATTER_K)


def _lately(rows: Rows, winding_degC: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest temperature that body or heated winding had lately, each of shape (n,)."""
    body = rows.temperature_degC
    heated = np.where(rows.driven & rows.good, winding_degC, body)
    heated = np.fmax(np.where(heated < HOTTEST_DEGC, heated, body), body)
    if not rows.timed:
        return body, np.full(body.size, np.nanmax(heated) if np.isfinite(heated).any() else np.nan)
    first = np.searchsorted(rows.time_s, rows.time_s - LATELY_S)
    return -window_max(-body, first), window_max(heated, first)


def window_max(values: FloatArray, first: IndexArray) -> FloatArray:
    """Highest of ``values[first[i]:i + 1]`` for each i, shape (n,), by maxima over 2, 4, 8... values."""
    highest, last = values.copy(), np.arange(values.size)
    level = np.frexp((last - first + 1).astype(np.float64))[1] - 1
    over, width = values, 1
    for power in range(int(level.max(initial=0)) + 1):
        if power:
            over = np.fmax(over[:-width], over[width:])
            width *= 2
        here = np.flatnonzero(level == power)
        highest[here] = np.fmax(over[first[here]], over[here - width + 1])
    return highest


def _beside_a_reading(rows: Rows) -> BoolArray:
    """Rows, shape (n,), beside a reading of nearly their own temperature and no further off than usual.

    Without times the coil must have been read that hot.
    """
    body, good = rows.temperature_degC, rows.good
    read = np.flatnonzero(good & np.isfinite(body))
    if not read.size:
        return np.zeros(body.size, dtype=np.bool_)
    if not rows.timed:
        return np.asarray(body <= body[read].max() + SAME_K)
    usual_s = float(np.median(np.diff(rows.time_s[read]))) if read.size > 1 else 0.0
    after = np.searchsorted(read, np.arange(body.size))
    beside = np.zeros(body.size, dtype=np.bool_)
    for neighbour in (read[np.maximum(after - 1, 0)], read[np.minimum(after, read.size - 1)]):
        near = np.abs(body[neighbour] - body) <= SAME_K
        beside |= near & (np.abs(rows.time_s[neighbour] - rows.time_s) <= USUAL * usual_s)
    return beside
