"""Does the resistance leap while a coil warms or cools? Turns that short show so on the move.

Between neighbouring readings of one instrument, resistance (by the copper law at 20 degC where a probe
follows) changes as it does about them, by lag and heat. A leap is a change apart from that: sudden, and still
there some readings later. One that is taken back where the coil has cooled again is of the temperature; one
that is not may be anything that changed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.arrays import BoolArray, FloatArray, IndexArray
from analysis.physics.copper import to_20degC
from analysis.statistics.outliers import MAD_TO_SIGMA, running_median
from analysis.trace.bend import Bend, BendKind
from analysis.trace.rows import RELAXED_S, SHORT_OHM, Rows, seconds_since

#: Neighbours on either side by whose changes one is held; a leap has to last for so many readings.
_BESIDE, _LASTS = 4, 3
#: A leap is beyond so many standard deviations of changes in the same state, and beyond this share.
_SIGMAS, _LEAST_REL = 8.0, 0.006
#: Changes about one that tell how much such readings scatter just there, an odd number.
_LOCAL = 25
#: Readings further apart than this many times the usual spacing are no neighbours, nor beyond the seconds.
_APART, _NEAR_S = 3.0, 120.0
#: Where a probe moved by more between two rows, and for so many rows after that, what its winding lags by
#: cannot be told from a leap.
_MOST_BETWEEN_K, _LAGS = 10.0, 2
#: A leap by the copper law is one in the ohms too, at least by this share of it: or only the probe moved.
_IN_OHMS = 0.5
#: Voltage and current that both change by more than this share were set anew: the winding heads elsewhere.
_SET_REL = 0.02
#: A coil is warm this far above its coldest.
_WARM_K = 8.0
#: Taken back: of the opposite sign and within this factor in size, at most so much hotter than it came.
_ALIKE, _HOTTER_K = 2.0, 6.0
#: What moves slowly goes from one digit to the next at once, and no further.
_DIGITS = 1.5


@dataclass(frozen=True)
class Leap:
    """A sudden change from row *before* to row *at*, relative, and the standard deviation of such changes."""

    at: int
    before: int
    change_rel: float
    u_rel: float


def find_leaps(rows: Rows) -> list[Leap]:
    """Return the leaps of a timed trace in time order, those under power and those without."""
    if not rows.timed or not rows.good.any():
        return []
    ohm, probe = rows.trace.resistance_ohm, rows.trace.probe_degC
    calm = (
        rows.good & ~rows.driven & np.isfinite(probe) & (seconds_since(rows.time_s, rows.driven) > RELAXED_S)
    )
    found: list[Leap] = []
    if np.count_nonzero(calm) and float(np.median(ohm[calm])) > SHORT_OHM:
        with np.errstate(invalid="ignore", divide="ignore"):
            plain = np.log(np.where(ohm > 0.0, ohm, np.nan))
            found += _in_series(rows, calm, np.log(to_20degC(ohm, rows.temperature_degC)), plain)
    under = rows.good & rows.driven & (ohm > SHORT_OHM)
    with np.errstate(invalid="ignore", divide="ignore"):
        plain = np.log(ohm)
    found += _in_series(rows, under, plain, plain)
    return sorted(found, key=lambda leap: leap.at)


def _in_series(rows: Rows, of: BoolArray, level: FloatArray, plain: FloatArray) -> list[Leap]:
    """Leaps of *level* that are in *plain*, the logarithm of the ohms, as well; arrays of shape (n,)."""
    at = np.flatnonzero(of & np.isfinite(level))
    if at.size < 2 * _BESIDE + 2:
        return []
    time_s = rows.time_s[at]
    step_s = np.diff(time_s)
    most_s = min(_APART * float(np.median(step_s)), _NEAR_S)
    told = np.cumsum(rows.opened | (rows.driven != rows.driven[at[0]]))
    joined = (step_s > 0.0) & (step_s <= most_s) & (told[at[1:]] == told[at[:-1]])
    joined &= ~_set_anew(rows, at)
    apart, usual = _apart(level[at], joined, step_s)
    in_ohms, _ = _apart(plain[at], joined, step_s)
    sigma = _scatter(apart, rows.temperature_degC[at[1:]])
    digit_rel = _DIGITS * rows.digit_ohm[at[1:]] / np.exp(plain[at[1:]])
    beyond = np.abs(np.nan_to_num(apart)) > np.maximum(_SIGMAS * sigma, np.maximum(digit_rel, _LEAST_REL))
    beyond &= np.nan_to_num(in_ohms * np.sign(apart)) >= _IN_OHMS * np.abs(np.nan_to_num(apart))
    beyond &= ~_plunges(rows.temperature_degC[at])
    found: list[Leap] = []
    for k in np.flatnonzero(beyond).tolist():
        size = float(apart[k])
        if found and found[-1].at == at[k] and found[-1].change_rel * size > 0.0:
            last = found.pop()  # within one reading: part of it in this interval, part in the one before
            found.append(Leap(int(at[k + 1]), last.before, last.change_rel + size, last.u_rel))
        elif _lasts(level[at], joined, usual * step_s, k, size):
            found.append(Leap(int(at[k + 1]), int(at[k]), size, float(sigma[k])))
    return found


def _set_anew(rows: Rows, at: IndexArray) -> BoolArray:
    """Changes, shape (n - 1,), at or just after which the supply gives another voltage and current.

    A winding that changes alters one of the two, as the supply holds the other.
    """
    ratios = []
    for values in (rows.trace.voltage_V[at], rows.trace.current_A[at]):
        before = np.where(values[:-1] == 0.0, np.nan, values[:-1])
        ratios.append(np.nan_to_num(values[1:] / before - 1.0))
    voltage, current = ratios
    anew = (np.minimum(np.abs(voltage), np.abs(current)) > _SET_REL) & (voltage * current > 0.0)
    # The winding is on its way for some rows, each of them steeper than those after it.
    since = np.cumsum(anew)
    earlier = np.concatenate((np.zeros(_BESIDE, dtype=since.dtype), since))[: since.size]
    return np.asarray(since > earlier)


def _plunges(degC: FloatArray) -> BoolArray:
    """Changes, shape (n - 1,), in or just after which the probe moves too far from row to row to tell lag."""
    far = np.abs(np.nan_to_num(np.diff(degC))) > _MOST_BETWEEN_K
    beside = np.lib.stride_tricks.sliding_window_view(np.pad(far, (_LAGS, 0)), _LAGS + 1)
    return np.asarray(beside.any(axis=1))


def _apart(level: FloatArray, joined: BoolArray, step_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Each change of *level* apart from those about it, and their rate a second; shape (n - 1,) each.

    Where too few are joined the first is NaN: nothing is told.
    """
    rate = np.where(joined, np.diff(level) / np.maximum(step_s, 1e-9), np.nan)
    width = 2 * _BESIDE + 1
    padded = np.pad(rate, _BESIDE, constant_values=np.nan)
    about = np.lib.stride_tricks.sliding_window_view(padded, width).copy()
    about[:, _BESIDE] = np.nan
    sides = np.isfinite(about[:, :_BESIDE]), np.isfinite(about[:, _BESIDE + 1 :])
    # On both sides, or a curve that begins or ends steeply would be taken for a leap.
    enough = np.minimum(*(np.count_nonzero(side, axis=1) for side in sides)) >= _BESIDE // 2
    usual = np.zeros(rate.size)
    usual[enough] = np.nanmedian(about[enough], axis=1)
    return np.where(enough & joined, (rate - usual) * step_s, np.nan), usual


def _scatter(apart: FloatArray, degC: FloatArray) -> FloatArray:
    """Standard deviation of such changes, in the same state and just about each, shape (n,)."""
    sigma = np.zeros(apart.size)
    known = np.isfinite(apart)
    warm = (
        degC > np.nanmin(degC) + _WARM_K if np.isfinite(degC).any() else np.zeros(apart.size, dtype=np.bool_)
    )
    for state in (warm, ~warm):
        here = state & known
        if here.any():
            sigma[state] = MAD_TO_SIGMA * float(np.median(np.abs(apart[here])))
    size = np.abs(apart[known])
    if size.size >= _LOCAL:
        about = np.zeros(apart.size)
        about[known] = MAD_TO_SIGMA * running_median(size, _LOCAL)
        sigma = np.maximum(sigma, about)
    return sigma


def _lasts(level: FloatArray, joined: BoolArray, usual: FloatArray, k: int, size: float) -> bool:
    """Whether change *k* is still there some readings later, and was not there some before."""
    first, last = max(k - _LASTS + 1, 0), min(k + _LASTS, level.size - 1)
    if not joined[first:last].all() or last - k < 2 or k - first < 1:
        return False
    drift = float(usual[k]) * (last - first + 1) / 2.0
    change = float(np.median(level[k + 1 : last + 1]) - np.median(level[first : k + 1])) - drift
    return change / size > 0.6


def bend_of_leaps(rows: Rows, leaps: list[Leap]) -> Bend | None:
    """Return what leaps say: the largest that is taken back as the coil cools, else the largest warm one."""
    warm_degC = _coldest(rows) + _WARM_K
    degC = rows.temperature_degC
    warm = [
        leap for leap in leaps if max(degC[leap.at], degC[leap.before]) > warm_degC or rows.driven[leap.at]
    ]
    pairs = [
        (there, back)
        for n, there in enumerate(warm)
        for back in warm[n + 1 :]
        if _taken_back(there, back) and (degC[back.at] <= degC[there.at] + _HOTTER_K)
    ]
    if pairs:
        there, back = max(pairs, key=lambda pair: abs(pair[0].change_rel))
        change = (there.change_rel - back.change_rel) / 2.0
        on = (np.arange(degC.size) >= there.at) & (np.arange(degC.size) < back.at)
        # Taken back at no lower a temperature it may be a contact as well.
        sure = not rows.driven[there.at] and degC[back.at] < degC[there.at] + 1.0 and _once(warm, there, back)
        return _bend(there, back, change, degC, sure=sure, on=on)
    if not warm:
        return None
    there = max(warm, key=lambda leap: abs(leap.change_rel))
    return _bend(there, None, there.change_rel, degC, sure=False, on=np.arange(degC.size) >= there.at)


def _once(warm: list[Leap], there: Leap, back: Leap) -> bool:
    """Whether nothing else leaps: heat does it once on the way up, and once back."""
    return all(leap in (there, back) for leap in warm)


def _taken_back(there: Leap, back: Leap) -> bool:
    ratio = -back.change_rel / there.change_rel
    return 1.0 / _ALIKE < ratio < _ALIKE


def _bend(
    there: Leap, back: Leap | None, change: float, degC: FloatArray, *, sure: bool, on: BoolArray
) -> Bend:
    relative = float(np.expm1(change))
    return Bend(
        BendKind.DROPS if relative < 0.0 else BendKind.RISES,
        relative,
        max(there.u_rel, 5e-4),
        None,
        _between(degC, there),
        _between(degC, back) if back is not None else None,
        sure,
        on,
    )


def _between(degC: FloatArray, leap: Leap) -> tuple[float, float]:
    low, high = sorted((float(degC[leap.before]), float(degC[leap.at])))
    return low, high


def _coldest(rows: Rows) -> float:
    return rows.coldest_degC if rows.coldest_degC is not None else np.inf
