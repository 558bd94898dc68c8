"""Readings of a drawn set by formulas of their own: a hundred times as fast as the simulated bench.

One-pole lags of air, body, winding and probe, a telegraph for dropouts and the meter's average over its
window; neither the simulated bench nor the program is in it. What happens on the wire is left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from analysis.model import OK, OVER_RANGE, Trace
from tests.benchmarks.detection_sets import HOURS_HOT, Drawn

FloatArray = NDArray[np.float64]

_GRID_S, _SCAN_S, _HOLD_S = 1.0, 15.0, 600.0
#: The body is at rest when it moves less than this, 0.15 K in 120 s, with luck somewhat less.
_REST_K_PER_S = 0.15 / 120.0
_METER_WINDOW_S, _CLIP_OHM, _FULL_OHM = 0.2, 125.0, 120.0
_CORE_J_PER_K, _PROBE_J_PER_K, _LEAD_OHM, _TEST_V = 44.0, 0.8, 0.16, 8.4
_STEPS_DEGC = (50.0, 70.0, 90.0)
_INSULATION_FULL_OHM = 1.2e8
#: Limits of error of voltmeter and current readback, as the simulated rig states them or better.
_VOLTS_REL, _AMPERES_REL = 1e-4, 5e-4


@dataclass(frozen=True)
class _Heat:
    """Temperatures on the grid: *time_s* shape (n,), the others (coils, n); *marks* when phases begin."""

    time_s: FloatArray
    body_degC: FloatArray
    marks: list[tuple[str, float]]


def _follow(driving: FloatArray, tau_s: float, start: float) -> FloatArray:
    """What follows *driving*, shape (n,), with a time constant, from *start*."""
    keep = np.exp(-_GRID_S / tau_s)
    followed: FloatArray = lfilter([1.0 - keep], [1.0, -keep], driving, zi=[keep * start])[0]
    return followed


def _soak(script: dict[str, Any], taus_s: list[float], rng: np.random.Generator) -> _Heat:
    """Oven up through the steps and off again, each time until the slowest body is at rest."""
    ambient_degC, oven = script["ambient_degC"], script["oven"]
    rate_K_per_s = oven["heating_K_per_min"] / 60.0
    ahead_s = np.arange(_GRID_S, 7200.0, _GRID_S)
    air_degC, bodies = ambient_degC, np.full(len(taus_s), ambient_degC)
    pieces = [np.full((len(taus_s), 60), ambient_degC)]
    marks, now_s = [("ambient", 0.0)], 60.0
    for target_degC in (*_STEPS_DEGC, ambient_degC):
        heating = target_degC > ambient_degC
        if heating:
            wanted = np.minimum(air_degC + rate_K_per_s * ahead_s, target_degC)
            air = _follow(wanted, oven["heater_lag_s"], air_degC)
        else:
            air = target_degC + (air_degC - target_degC) * np.exp(-ahead_s / 150.0)
        paths = np.array([_follow(air, tau_s, body) for tau_s, body in zip(taus_s, bodies, strict=True)])
        rest_K_per_s = _REST_K_PER_S * rng.uniform(0.6, 1.0)
        moving = np.abs(np.gradient(paths, _GRID_S, axis=1)).max(axis=0) > rest_K_per_s
        away = np.abs(paths - target_degC).max(axis=0) > 1.5
        waited = int(np.flatnonzero(moving | away)[-1]) + 120
        last = waited + (int(_HOLD_S) + 60 if heating else 60)
        marks += [("rise" if heating else "cool", now_s), ("hold" if heating else "return", now_s + waited)]
        pieces.append(paths[:, :last])
        air_degC, bodies, now_s = float(air[last - 1]), paths[:, last - 1], now_s + last
    body_degC = np.concatenate(pieces, axis=1)
    return _Heat(np.arange(body_degC.shape[1]) * _GRID_S, body_degC, [*marks, ("end", now_s)])


def traces(drawn: Drawn, rng: np.random.Generator) -> list[Trace]:
    """Return the readings of every coil of a set, with errors drawn as the fault script allows."""
    script = drawn.script
    kinds = [script["kinds"][coil["kind"]] for coil in script["coils"]]
    taus_s = [
        (kind["thermal"]["body_J_per_K"] + _CORE_J_PER_K + kind["thermal"]["winding_J_per_K"])
        / kind["thermal"]["moving_air_W_per_K"]
        for kind in kinds
    ]
    heat = _soak(script, taus_s, rng)
    gain_rel, offset_ohm = 1e-4 * rng.uniform(-1.0, 1.0), 0.004 * rng.uniform(-1.0, 1.0)
    vi_rel = _VOLTS_REL * rng.uniform(-1.0, 1.0) + _AMPERES_REL * rng.uniform(-1.0, 1.0)
    return [
        _Readings(coil | {"of_kind": kind}, heat, index, rng).trace(
            script["thermometer"], gain_rel, offset_ohm, vi_rel
        )
        for index, (coil, kind) in enumerate(zip(script["coils"], kinds, strict=True))
    ]


class _Readings:
    """One coil: what is true of it on the grid, and what is read of it."""

    def __init__(self, coil: dict[str, Any], heat: _Heat, index: int, rng: np.random.Generator) -> None:
        self._coil, self._kind, self._heat, self._rng = coil, coil["of_kind"], heat, rng
        self._index, self._grid_s = index, heat.time_s
        thermal, body = self._kind["thermal"], heat.body_degC[index]
        lag_s = thermal["winding_J_per_K"] / thermal["winding_to_body_W_per_K"] * 1.4
        winding = _follow(body, lag_s, float(body[0]))
        self._probe_degC = _follow(body, _PROBE_J_PER_K / thermal["body_to_probe_W_per_K"], float(body[0]))
        self._drives_s = [
            end_s - 45.0 + 4.0 * index for (name, _), (_, end_s) in pairwise(heat.marks) if name == "hold"
        ]
        for drive_s in self._drives_s:  # two seconds at the test voltage warm the winding by a kelvin or two
            power_W = _TEST_V**2 / (1.25 * self._kind["copper_ohm"])
            since_s = self._grid_s - drive_s
            warmed_K = power_W / thermal["winding_J_per_K"] * np.clip(since_s, 0.0, 2.0)
            winding = winding + warmed_K * np.exp(-np.maximum(since_s - 2.0, 0.0) / lag_s)
        self._winding_degC = winding
        self._grown_rel = self._drift()
        self._opened = self._heat_opened()
        self._open_s = self._dropouts()

    def _drift(self) -> FloatArray:
        """What the copper has gained, and in the end just what was aimed at."""
        if "drift" not in self._coil:
            return np.zeros_like(self._grid_s)
        hot_s = np.cumsum(self._winding_degC > self._coil["drift"]["above_degC"])
        return self._coil["drift"]["rate_rel_per_h"] * HOURS_HOT * hot_s / hot_s[-1]

    def _heat_opened(self) -> FloatArray:
        """1 where heat has opened the coil and it has not closed again."""
        hot = self._coil.get("heat_open")
        if hot is None:
            return np.zeros_like(self._grid_s)
        told = np.where(self._winding_degC > hot["opens_above_degC"], 1.0, np.nan)
        told[self._winding_degC < hot["closes_below_degC"]] = 0.0
        last = np.maximum.accumulate(np.where(np.isfinite(told), np.arange(told.size), 0))
        return np.nan_to_num(told[last])

    def _dropouts(self) -> tuple[FloatArray, FloatArray]:
        """Begin and end of each dropout, by thinning a process at twice the rate at 90 degC."""
        drops = self._coil.get("dropouts")
        if drops is None:
            return np.empty(0), np.empty(0)
        at_90_per_s = drops["open_share"] / (1.0 - drops["open_share"]) / drops["mean_open_s"]
        length_s = float(self._grid_s[-1])
        begin_s = np.sort(self._rng.uniform(0.0, length_s, self._rng.poisson(2.0 * at_90_per_s * length_s)))
        winding = np.interp(begin_s, self._grid_s, self._winding_degC)
        share = np.clip((winding - drops["onset_degC"]) / (90.0 - drops["onset_degC"]), 0.0, 2.0)
        begin_s = begin_s[self._rng.uniform(size=begin_s.size) < share / 2.0]
        end_s = np.maximum.accumulate(
            begin_s + drops["mean_open_s"] * self._rng.exponential(size=begin_s.size)
        )
        fresh = np.concatenate(([True], begin_s[1:] > end_s[:-1]))[: begin_s.size]
        last = np.concatenate((fresh[1:], [True]))[: begin_s.size]
        return begin_s[fresh], end_s[last]

    def _open_share(self, from_s: FloatArray, to_s: FloatArray) -> FloatArray:
        """Which part of each window the coil was open in, by heat or by a dropout, shape as given."""
        begin_s, end_s = self._open_s
        share = np.interp(to_s, self._grid_s, self._opened) > 0.5
        if not begin_s.size:
            return share.astype(np.float64)
        edges = np.stack((begin_s, end_s), axis=1).ravel()
        told = np.repeat(np.cumsum(end_s - begin_s), 2)
        told[::2] -= end_s - begin_s
        open_s = np.interp(to_s, edges, told, left=0.0) - np.interp(from_s, edges, told, left=0.0)
        return np.maximum(share, open_s / (to_s - from_s))

    def _times(self) -> tuple[FloatArray, NDArray[np.str_]]:
        """When the coil is read, and in which phase."""
        times, phases = [], []
        drives_s = iter(self._drives_s)
        for (name, from_s), (_, end_s) in pairwise(self._heat.marks):
            told = [(name, np.arange(from_s, end_s - 4.0, _SCAN_S) + 0.3 + 0.5 * self._index)]
            if name in {"ambient", "return"}:
                told = [(name, from_s + 1.0 + 5.0 * self._index + 0.5 * np.arange(5))]
            if name == "hold":
                drive_s = next(drives_s)
                scans_s = np.arange(from_s, from_s + _HOLD_S, _SCAN_S) + 0.3 + 0.5 * self._index
                told = [("hold", np.concatenate((scans_s, drive_s - 8.0 + np.arange(5))))]
                told.append(("drive", drive_s + np.linspace(0.2, 2.0, 44)))
            times += [at for _, at in told]
            phases += [np.full(at.size, phase) for phase, at in told]
        return np.concatenate(times), np.concatenate(phases)

    def trace(
        self, thermometer: dict[str, float], gain_rel: float, offset_ohm: float, vi_rel: float
    ) -> Trace:
        """Read the coil."""
        rng, (time_s, phase) = self._rng, self._times()
        driven, n = phase == "drive", time_s.size
        winding = np.interp(time_s, self._grid_s, self._winding_degC)
        grown = 1.0 + np.interp(time_s, self._grid_s, self._grown_rel)
        copper_ohm = self._coil["copper_ohm"] * (1.0 - self._coil.get("shorted_share", 0.0)) * grown
        true_ohm = copper_ohm * (1.0 + self._kind["alpha20_per_K"] * (winding - 20.0))
        true_ohm = true_ohm + self._coil.get("joint_ohm", self._kind["joint_ohm"])
        window_s = np.where(driven, 1e-3, _METER_WINDOW_S)
        share = self._open_share(time_s - window_s, time_s)
        ohm = (1.0 - share) * true_ohm + share * _CLIP_OHM
        ohm = ohm * (1.0 + gain_rel) + offset_ohm + rng.normal(0.0, 0.0005, n)
        opened = np.where(driven, share > 0.5, (ohm > _FULL_OHM) | (share == 1.0))
        volts = np.where(driven, _TEST_V * true_ohm / (true_ohm + _LEAD_OHM), np.nan)
        amperes = np.where(opened, 0.0, volts / true_ohm * (1.0 + vi_rel))
        volts, amperes = volts + rng.normal(0.0, 1.5e-3, n), amperes + rng.normal(0.0, 1e-4, n)
        with np.errstate(divide="ignore", invalid="ignore"):
            ohm = np.where(driven, volts / amperes, ohm)
        probe = np.interp(time_s, self._grid_s, self._probe_degC)
        limit_K = thermometer["offset_limit_K"] * rng.uniform(-1.0, 1.0)
        probe = probe + limit_K + thermometer["gain_limit_rel"] * rng.uniform(-1.0, 1.0) * (probe - 20.0)
        probe = np.where(driven, np.nan, probe + rng.normal(0.0, thermometer["noise_K"], n))
        leak_ohm = self._coil.get("leakage_ohm", 5e9) * np.exp2((20.0 - winding[~driven]) / 10.0)
        return Trace(
            coil=self._coil["label"],
            time_s=time_s,
            probe_degC=probe,
            resistance_ohm=np.where(opened, np.nan, ohm),
            voltage_V=volts,
            current_A=np.where(driven, amperes, np.nan),
            phase=phase,
            source=np.where(driven, "V/I", "ohms"),
            status=np.where(opened, OVER_RANGE, OK),
            leakage_ohm=np.where(leak_ohm > _INSULATION_FULL_OHM, np.inf, leak_ohm),
        )
