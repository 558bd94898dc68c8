"""From a self-heated trace to the thermal fit: power between rows, and nothing invented."""

from __future__ import annotations

import numpy as np

from analysis.arrays import BoolArray, FloatArray
from analysis.model import Accuracy
from analysis.physics.copper import (
    ALPHA20_PER_K,
    ALPHA20_U_PER_K,
    REFERENCE_DEGC,
    winding_temperature,
)
from analysis.thermal.fit import ThermalFit, edge_intervals, fit_trace, interval_power
from analysis.trace.rows import SHORT_OHM, Rows

#: The hottest of a winding is what so large a share of its readings does not exceed.
_NEARLY_ALL = 0.98


def fit_self_heated(rows: Rows, accuracy: Accuracy) -> ThermalFit:
    """Fit the way of the heat from copper to body to a coil that heated itself.

    Args:
        rows: The trace, timed; power from counted energy where there is any, else from V and I.
        accuracy: Noise of the readings, and how far V/I and ohmmeter may differ.
    """
    trace = rows.trace
    # A row with no current of its own was read by the ohmmeter: the supply was off.
    off = ~rows.driven & ~np.isfinite(trace.voltage_V * trace.current_A)
    volts, amperes = np.where(off, 0.0, trace.voltage_V), np.where(off, 0.0, trace.current_A)
    counted = np.isfinite(trace.energy_J).sum() > 1
    power = interval_power(trace.time_s, volts, amperes, trace.energy_J if counted else None)
    edges = np.zeros(power.size, dtype=np.bool_) if counted else edge_intervals(volts, amperes)
    opening = _opening(rows, power)
    # Who counts energy by volts and amperes counts on until the next row finds the coil open.
    power[opening] *= 0.5
    return fit_trace(
        trace.time_s,
        trace.probe_degC,
        np.where(rows.good, trace.resistance_ohm, np.nan),
        power,
        noise_ohm=accuracy.noise_ohm,
        noise_K=accuracy.probe_noise_K,
        edges=edges | opening,
        by_vi=trace.source == "V/I",
        vi_gain_u=float(np.hypot(accuracy.vi_gain_rel, accuracy.gain_rel)),
        offset_u_ohm=float(np.hypot(np.hypot(accuracy.offset_ohm, accuracy.contact_ohm), accuracy.leads_ohm)),
        alpha20_per_K=ALPHA20_PER_K,
        alpha20_u_per_K=ALPHA20_U_PER_K,
    )


def own_covariance(fit: ThermalFit) -> FloatArray:
    """Covariance of copper and joint in ohm², shape (2, 2), without what the doubt about alpha20 adds."""
    by_alpha = fit.rcu_ohm * ALPHA20_U_PER_K / ALPHA20_PER_K
    return fit.cov - by_alpha**2 * np.array([[1.0, -1.0], [-1.0, 1.0]])


def hottest_winding_degC(rows: Rows, r20_ohm: float) -> float | None:
    """Return how hot the winding got by its own resistance, None without a reading.

    A joint counts as heat of the winding here, a few kelvin too many; one odd reading makes no hot winding.
    """
    ohm = rows.trace.resistance_ohm[rows.good | rows.driven]
    ohm = ohm[np.isfinite(ohm)]
    if not ohm.size or r20_ohm < SHORT_OHM:  # a short tells no temperature
        return None
    return float(winding_temperature(float(np.quantile(ohm, _NEARLY_ALL)), r20_ohm, REFERENCE_DEGC))


def _opening(rows: Rows, power_W: FloatArray) -> BoolArray:
    """Intervals in which a driven coil opened, nobody knows when: element i is from row i-1 to row i."""
    found = np.zeros(power_W.size, dtype=np.bool_)
    begins = np.flatnonzero(rows.opened & ~np.concatenate(([False], rows.opened[:-1])))
    told = np.flatnonzero(rows.good)
    for first in begins:
        before = told[told < first]
        if before.size and rows.driven[before[-1]]:
            found[before[-1] + 1 : first + 1] = power_W[before[-1] + 1 : first + 1] > 0.0
    return found
