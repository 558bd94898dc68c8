"""Rows of a heated and cooled coil made ready for the thermal fit: power, outliers, noise, a loose probe."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from analysis.arrays import BoolArray, FloatArray
from analysis.statistics.outliers import MAD_TO_SIGMA, running_median
from analysis.thermal.body_model import Data

#: At most this many unknown switching instants are fitted, the largest first.
_MOST_EDGES = 6

#: Fewer usable pairs than this, or a shorter trace, say nothing about time constants.
FEWEST_PAIRS = 40
SHORTEST_S = 120.0


def interval_power(
    time_s: FloatArray, voltage_V: FloatArray, current_A: FloatArray, energy_J: FloatArray | None = None
) -> FloatArray:
    """Mean power put into the coil from each row's predecessor to the row.

    Cumulative energy is exact wherever the switching instants lie, so it is preferred. Without it the power
    at the rows is joined by straight lines; an interval in which the supply switched then gets half, and
    :func:`edge_intervals` names it.

    Args:
        time_s: Times of the rows, increasing, shape (n,).
        voltage_V: At the coil, shape (n,); NaN where missing, as the current.
        current_A: Shape (n,).
        energy_J: Cumulative energy into the coil, shape (n,), NaN where missing; None if nobody counted it.

    Returns:
        W, shape (n,); element 0 is 0.
    """
    power = np.zeros(time_s.size)
    if time_s.size < 2:
        return power
    step = np.diff(time_s)
    step = np.where(step > 0, step, np.nan)
    if energy_J is not None and np.count_nonzero(np.isfinite(energy_J)) >= 2:
        known = np.isfinite(energy_J) & np.isfinite(time_s)
        energy = np.interp(time_s, time_s[known], energy_J[known])
        power[1:] = np.diff(energy) / step
    else:
        watts = voltage_V * current_A
        known = np.isfinite(watts) & np.isfinite(time_s)
        if known.any():
            watts = np.interp(time_s, time_s[known], watts[known])
            power[1:] = 0.5 * (watts[1:] + watts[:-1])
    return np.nan_to_num(power)


def edge_intervals(voltage_V: FloatArray, current_A: FloatArray) -> BoolArray:
    """Which intervals hold a switching instant nobody recorded.

    Args:
        voltage_V: At the coil, shape (n,), NaN where missing, as *current_A*.
        current_A: Shape (n,).

    Returns:
        Shape (n,); element i is True if the supply was switched between row i-1 and row i.
    """
    watts = np.nan_to_num(voltage_V * current_A)
    driven = watts > 0.02 * max(float(watts.max(initial=0.0)), 1e-6)
    return np.concatenate(([False], driven[1:] != driven[:-1]))


@dataclass(frozen=True)
class Lack:
    """Why a trace tells nothing: *key* of the sentence that says so, and the *figures* in it."""

    key: str
    figures: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class FitRows:
    """Usable rows: which of the given ones they are, and the data, or None and what is lacking."""

    kept: BoolArray
    data: Data | None
    lack: Lack | None = None


def _outliers(values: FloatArray, least: float) -> BoolArray:
    """Readings far from the median of the seven around them: a contact that opened for a row or two."""
    known = np.flatnonzero(np.isfinite(values))
    out = np.zeros(values.size, dtype=bool)
    if known.size < 9:
        return out
    away = np.abs(values[known] - running_median(values[known], 7))
    out[known[away > max(least, 8.0 * MAD_TO_SIGMA * float(np.median(away)))]] = True
    return out


def _noise(values: FloatArray, declared: float) -> float:
    """Noise of a reading: as declared, or as the second differences show if that is clearly more."""
    v = values[np.isfinite(values)]
    if v.size < 20:
        return declared
    # Median of |N(0, 6 sigma²)| is 0.6745 sqrt(6) sigma.
    seen = float(np.median(np.abs(np.diff(v, 2)))) / (0.6745 * np.sqrt(6.0))
    return seen if seen > 1.15 * declared else declared


def _loose(time_s: FloatArray, probe_degC: FloatArray) -> Lack | None:
    """Say when the probe falls faster than any body of a coil can, or None."""
    known = np.isfinite(probe_degC)
    t, p = time_s[known], probe_degC[known]
    if t.size < 9:
        return None
    p = running_median(p, 5, "edge")
    before = np.searchsorted(t, t - 15.0)
    # A body that loses heat over 100 s falls by 14 % of its excess in 15 s; a bare probe in air by half.
    fall = p[before] - p
    allowed = np.maximum(4.0, 0.2 * (p[before] - p.min())) * np.maximum(1.0, (t - t[before]) / 15.0)
    if not (fall > allowed).any():
        return None
    first = t[int(np.argmax(fall > allowed))]
    return Lack("lack.came-loose", {"at": float(first - time_s[0])})


def prepare(
    time_s: FloatArray,
    probe_degC: FloatArray,
    resistance_ohm: FloatArray,
    power_W: FloatArray,
    *,
    noise_ohm: float,
    noise_K: float,
    joint_heat: bool,
    edges: BoolArray | None,
    by_vi: BoolArray | None,
    vi_gain_u: float,
    offset_u_ohm: float,
    alpha20_per_K: float,
) -> FitRows:
    """Sort out what can be fitted; arguments as of :func:`analysis.thermal.fit.fit_trace`."""
    # A row out of time order cannot be placed; rows with neither number still carry power.
    kept = np.isfinite(time_s)
    kept[kept] = np.diff(np.maximum.accumulate(time_s[kept]), prepend=-np.inf) > 0
    t, p, r = time_s[kept], probe_degC[kept].copy(), resistance_ohm[kept].copy()
    r[~(r > 0)] = np.nan
    pairs = np.isfinite(p) & np.isfinite(r)
    if np.count_nonzero(pairs) < FEWEST_PAIRS:
        return FitRows(kept, None, Lack("lack.few-rows", {"count": int(np.count_nonzero(pairs))}))
    if np.ptp(t[pairs]) < SHORTEST_S:
        return FitRows(kept, None, Lack("lack.too-brief", {"length": float(np.ptp(t[pairs]))}))
    middle = float(np.nanmedian(r))
    watts = power_W[kept].copy()
    # Over a dropped row the power of the last part stands for all; an unknown power is joined across.
    known = np.isfinite(watts)
    watts = np.interp(t, t[known], watts[known]) if known.any() else np.zeros(t.size)
    watts[0] = 0.0
    if watts.max() <= 0:
        return FitRows(kept, None, Lack("lack.no-power"))
    loose = _loose(t, p)
    r[_outliers(r, 0.01 * middle)] = np.nan
    p[_outliers(p, max(2.0, 8 * noise_K))] = np.nan
    warming = float(np.ptp(np.nanpercentile(r, [1, 99]))) / (middle * alpha20_per_K)
    followed = float(np.ptp(np.nanpercentile(p, [1, 99])))
    if warming < 8.0:
        return FitRows(kept, None, Lack("lack.too-cool", {"warming": warming}))
    if not loose and followed < 0.1 * warming:
        loose = Lack("lack.loose", {"moved": followed, "warming": warming})
    if loose:
        return FitRows(kept, None, loose)
    driven = watts > 0.02 * watts.max()
    sigma = np.where(
        driven, _noise(np.where(driven, r, np.nan), noise_ohm), _noise(np.where(driven, np.nan, r), noise_ohm)
    )
    weight = np.stack((np.isfinite(r) / sigma, np.isfinite(p) / _noise(p, noise_K)))
    seen = np.isfinite(r)
    filled = np.interp(t, t[seen], r[seen])
    edge = np.zeros((0, t.size))
    if edges is not None:
        at = np.flatnonzero(edges[kept])
        at = at[at > 0]
        # Half the interval's energy is in the power already; the rest of the full step is at stake.
        stake = np.maximum(watts[at - 1], watts[np.minimum(at + 1, t.size - 1)])
        rank = np.argsort(-stake * (t[at] - t[at - 1]))[:_MOST_EDGES]
        largest = at[rank]
        edge = np.zeros((largest.size, t.size))
        edge[np.arange(largest.size), largest] = stake[rank]
    two = np.zeros(t.size) if by_vi is None else by_vi[kept].astype(np.float64)
    if two[seen].all():
        two[:] = 0.0
    data = Data(
        t,
        np.nan_to_num(p),
        np.nan_to_num(r),
        watts,
        watts / filled * joint_heat,
        edge,
        weight,
        alpha20_per_K,
        two,
        vi_gain_u,
        offset_u_ohm,
    )
    return FitRows(kept, data)
