"""Which rows of a trace say what: settled points, driven rows, opens.

A settled point is a row at which winding, body and probe share one temperature. In a run the
phase says so. In somebody's table without phases it has to be found out.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from enum import Enum
from functools import cached_property
from math import comb

import numpy as np

from analysis.arrays import BoolArray, FloatArray
from analysis.model import OK, OVER_RANGE, Trace
from analysis.statistics.settle import settled_at

SETTLED_PHASES = ("ambient", "hold", "return", "sweep")
#: A current that heats: no ohmmeter puts that much through a coil.
DRIVEN_A = 0.05

#: A row is settled where the probe moved less than this over the window that ends there. A winding that
#: trails its body by a minute is then within 0.15 K of it.
PLATEAU_K, PLATEAU_S = 0.3, 120.0
#: Of rows far apart so many intervals make the window: fewer cannot tell a plateau from noise on a slope.
PLATEAU_INTERVALS = 3
#: After current flowed, a winding needs this long to come down to its body. Just after switch-off the body
#: stands still at its peak while the winding is far above it.
RELAXED_S = 300.0
#: Before heat the probe stays this near to its first reading.
START_K = 0.5
#: Rows this far apart were written down by somebody who waited for each of them.
PATIENT_S = 300.0
#: Beyond these, of either sign, a number is no reading of a coil on a bench; times may count from 1970.
_MOST_S, _MOST_DEGC, _MOST_OHM, _MOST_V, _MOST_A, _MOST_J = 1e10, 500.0, 1e7, 1e4, 1e4, 1e9
_LEAST_DEGC = -100.0
#: Less than this is a short, of the coil or of the leads, and has neither slope nor joint nor drift.
SHORT_OHM = 0.05
#: Digits that readings are written to, and how far a reading may be from a whole number of them.
_DIGITS_OHM, _WHOLE = (1.0, 0.1, 0.01, 1e-3, 1e-4, 1e-5, 1e-6), 1e-4
#: Steps of a digit, and how many different readings it takes to believe them: by chance one reading in five
#: is a multiple of five, one in two is even.
_DIGIT_TIMES = ((5.0, 6), (2.0, 12), (1.0, 2))
#: By chance three readings are multiples of ten digits once in a thousand times.
_DIFFERENT, _BY_CHANCE = 3, 1e-3
#: Settled temperatures closer than this tell no slope.
LEAST_SPAN_K = 8.0


class Story(Enum):
    """What kind of experiment a trace is."""

    STEPS = "steps"  # settled at several temperatures
    RAMP = "ramp"  # through several temperatures in an oven, without waiting
    SWEEP = "sweep"  # one temperature, on purpose
    SELF_HEATED = "self-heated"  # warmed by its own current: winding and probe differ
    COOLING = "cooling"  # temperature moves, nothing is known of the lag
    NOTHING = "nothing"  # no usable reading


@dataclass(frozen=True)
class Rows:
    """A trace with masks over its rows, each of shape (n,).

    Attributes:
        trace: The trace.
        temperature_degC: Probe reading; between readings the last one stands.
        good: A resistance is there.
        opened: Open or over range.
        driven: Under current.
        settled: Settled points: good, with a temperature of their own, winding = body = probe.
        timed: Whether there are times.
        story: What kind of experiment it is.
    """

    trace: Trace
    temperature_degC: FloatArray
    good: BoolArray
    opened: BoolArray
    driven: BoolArray
    settled: BoolArray
    timed: bool
    story: Story

    @property
    def time_s(self) -> FloatArray:
        """Times, shape (n,), NaN throughout where there are none."""
        return self.trace.time_s

    @cached_property
    def digit_ohm(self) -> FloatArray:
        """The digit of each reading without current, shape (n,), 0 elsewhere and where it is not known."""
        found, at = np.zeros(self.good.size), np.flatnonzero(self.good & ~self.driven)
        digits = digits_ohm if self.timed else unordered_digits_ohm
        found[at] = digits(self.trace.resistance_ohm[at])
        return found

    @property
    def coldest_degC(self) -> float | None:
        """Lowest probe reading, None without any."""
        finite = self.trace.probe_degC[np.isfinite(self.trace.probe_degC)]
        return float(finite.min()) if finite.size else None

    @property
    def hottest_degC(self) -> float | None:
        """Highest probe reading, None without any."""
        finite = self.trace.probe_degC[np.isfinite(self.trace.probe_degC)]
        return float(finite.max()) if finite.size else None

    @property
    def heated(self) -> bool:
        """Whether the coil was ever well above its coldest."""
        return spans(self.trace.probe_degC[np.isfinite(self.trace.probe_degC)])


def sort_rows(trace: Trace) -> Rows:
    """Find out what each row of *trace* says."""
    trace = replace(
        trace,
        time_s=_within(trace.time_s, _MOST_S),
        probe_degC=_within(trace.probe_degC, _MOST_DEGC, _LEAST_DEGC),
        resistance_ohm=_within(trace.resistance_ohm, _MOST_OHM),
        voltage_V=_within(trace.voltage_V, _MOST_V),
        current_A=_within(trace.current_A, _MOST_A),
        energy_J=_within(trace.energy_J, _MOST_J),
    )
    opened = trace.status == OVER_RANGE
    good = np.isfinite(trace.resistance_ohm) & (trace.status == OK)
    driven = under_current(trace) | (trace.source == "V/I")
    own = np.isfinite(trace.probe_degC)
    timed = bool(trace.time_s.size) and bool(np.isfinite(trace.time_s).all())
    usable = good & own
    if not usable.any():
        settled, story = np.zeros_like(good), Story.NOTHING
    elif (trace.phase != "").any():
        settled, story = _by_phase(trace, usable)
    else:
        settled, story = _by_behaviour(trace, usable, driven, timed=timed)
    return Rows(trace, last_known(trace.probe_degC), good, opened, driven, settled, timed, story)


def _within(values: FloatArray, most: float, least: float | None = None) -> FloatArray:
    return np.where((values <= most) & (values >= (-most if least is None else least)), values, np.nan)


def spans(temperature_degC: FloatArray) -> bool:
    """Whether temperatures, shape (n,), lie far enough apart to tell a slope."""
    return temperature_degC.size > 1 and float(np.ptp(temperature_degC)) >= LEAST_SPAN_K


def _by_phase(trace: Trace, usable: BoolArray) -> tuple[BoolArray, Story]:
    settled = usable & np.isin(trace.phase, SETTLED_PHASES)
    if spans(trace.probe_degC[usable & (trace.phase == "ramp")]):
        return settled, Story.RAMP
    if spans(trace.probe_degC[settled]):
        return settled, Story.STEPS
    if (trace.phase == "heat").any():
        return settled, Story.SELF_HEATED
    return settled, Story.SWEEP if settled.any() else Story.NOTHING


def _by_behaviour(
    trace: Trace, usable: BoolArray, driven: BoolArray, *, timed: bool
) -> tuple[BoolArray, Story]:
    calm = usable & ~driven
    if not timed:
        return (calm if calm.any() else usable), Story.STEPS
    plateau = np.zeros_like(calm)
    time_s = trace.time_s[calm]
    apart_s = float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.0
    window_s = max(PLATEAU_S, PLATEAU_INTERVALS * apart_s)
    plateau[calm] = settled_at(time_s, trace.probe_degC[calm], window_s=window_s, tolerance=PLATEAU_K)
    plateau &= seconds_since(trace.time_s, driven) > RELAXED_S
    plateau |= calm & _at_start(trace.probe_degC, driven)
    if spans(trace.probe_degC[plateau]):
        return plateau, Story.STEPS
    if driven.any():
        return plateau, Story.SELF_HEATED
    if _patient(trace.time_s[calm], trace.probe_degC[calm]):
        return calm, Story.STEPS
    if spans(trace.probe_degC[calm]):
        return calm, Story.COOLING
    return calm, Story.STEPS


def _patient(time_s: FloatArray, probe_degC: FloatArray) -> bool:
    """Whether few far-apart rows look waited for, and not like a cooling seen now and then."""
    if time_s.size < 2 or float(np.median(np.diff(time_s))) < PATIENT_S:
        return False
    return bool((np.diff(probe_degC) > 0.0).any())


def _at_start(probe_degC: FloatArray, driven: BoolArray) -> BoolArray:
    """Rows, shape (n,), before anything was heated: a coil that begins cold begins at rest."""
    start_degC = float(probe_degC[np.isfinite(probe_degC)][0])
    if start_degC - float(np.nanmin(probe_degC)) > LEAST_SPAN_K:
        return np.zeros_like(driven)
    away = np.nan_to_num(np.abs(probe_degC - start_degC)) > START_K
    return ~np.logical_or.accumulate(driven | away)


def seconds_since(time_s: FloatArray, driven: BoolArray) -> FloatArray:
    """Seconds since current last flowed, shape (n,), infinite before it first did."""
    last_s = np.maximum.accumulate(np.where(driven, time_s, -np.inf))
    return time_s - last_s


def under_current(trace: Trace) -> BoolArray:
    """Rows with more current than an ohmmeter puts through a coil, shape (n,)."""
    return np.asarray(np.nan_to_num(np.abs(trace.current_A)) > DRIVEN_A)


def digit_ohm(values: FloatArray) -> float:
    """The digit that readings are written to: the coarsest of which all of them, shape (n,), are multiples.

    The least step between readings is none: of one reading a temperature it is a whole step of temperature.

    Returns:
        A power of ten, or twice or five times that where enough different readings say so; 0 where all are
        the same, or where none fits.
    """
    different = np.unique(values[np.isfinite(values)])
    if different.size < 2:
        return 0.0
    for power in _DIGITS_OHM:
        for times, least in _DIGIT_TIMES:
            whole = different / (times * power)
            if different.size >= least and np.all(np.abs(whole - np.round(whole)) < _WHOLE):
                return float(times * power)
    return 0.0


def whole_ohm(values: FloatArray) -> float:
    """The coarsest power of ten of which all of *values*, shape (n,), are multiples, even of one; else 0."""
    return float(_powers_ohm(values[np.isfinite(values)]).min(initial=_DIGITS_OHM[0]))


def _powers_ohm(values: FloatArray) -> FloatArray:
    """The coarsest power of ten of which each of *values* is a multiple, shape (n,); 0 where none is."""
    found = np.zeros(values.size)
    for power in reversed(_DIGITS_OHM):
        found[np.abs(values / power - np.round(values / power)) < _WHOLE] = power
    return found


def digits_ohm(values: FloatArray) -> FloatArray:
    """The digit of each of *values*, shape (n,), in the order in which they were read: a range may change it.

    It is the coarsest that a reading shares with so many that differ, of those just before and after it; 0
    where they do not differ.
    """
    powers = _powers_ohm(values)
    power = dict(zip(values.tolist(), powers.tolist(), strict=True))
    found = np.zeros(values.size)
    window: Counter[float] = Counter()
    last = 0
    for at, value in enumerate(values.tolist()):
        while last < values.size and (len(window) < _DIFFERENT or values[last] in window):
            window[float(values[last])] += 1
            last += 1
        if len(window) < _DIFFERENT:
            break
        np.maximum(found[at:last], min(power[each] for each in window), out=found[at:last])
        window[value] -= 1
        if not window[value]:
            del window[value]
    return found


def unordered_digits_ohm(values: FloatArray) -> FloatArray:
    """The digit of each of *values*, shape (n,), whose order says nothing.

    Those that share a coarser digit than the others have it where they are too many for chance.
    """
    powers = _powers_ohm(values)
    different, first = np.unique(values, return_index=True)
    if different.size < _DIFFERENT:
        return np.zeros(values.size)
    own = powers[first]
    base = float(own.min())
    found = np.full(values.size, base)
    for power in _DIGITS_OHM:
        if power <= max(base, _DIGITS_OHM[-1]):
            break
        count = int(np.count_nonzero(own >= power))
        by_chance = comb(different.size, count) * (max(base, _DIGITS_OHM[-1]) / power) ** count
        if count >= _DIFFERENT and by_chance < _BY_CHANCE:
            found[powers >= power] = power
            break
    return found


def last_known(values: FloatArray) -> FloatArray:
    """Fill gaps with the value before, those at the start with the first value; all-NaN stays."""
    known = np.flatnonzero(np.isfinite(values))
    if not known.size:
        return values
    before = np.searchsorted(known, np.arange(values.size), side="right") - 1
    return values[known[np.maximum(before, 0)]]


def next_known(values: FloatArray) -> FloatArray:
    """Fill gaps with the value after, those at the end with the last value; all-NaN stays."""
    return last_known(values[::-1])[::-1]
