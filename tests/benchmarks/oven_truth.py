"""Does the interval stated for a coil on the move in an oven hold the truth?

``python tests/benchmarks/oven_truth.py --coils 500`` lets fresh invented coils (3 to 6 unequal shells, up to
two hidden masses, a probe with a lag of its own, in moving air) follow an oven straight up and back, and fits
R20 and joint from rows 15 s apart. Beside it stands a straight line through all rows, which knows of no lag.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from analysis.model import Trace
from analysis.trace.drift import ramp_drift
from analysis.trace.ramp import RampFit, fit_ramp
from analysis.trace.rows import sort_rows
from tests.benchmarks.invented_coils import ALPHA20, STEP_S, Coil, random_coil, steps_of

FloatArray = NDArray[np.float64]

NOISE_OHM, NOISE_K = 0.0005, 0.1
SCAN_S, DRIVE_J, COLD_ROWS = 15.0, 40.0, 5


@dataclass(frozen=True)
class Oven:
    """How its air moves: up at *rate_K_per_s*, the last kelvins with *near_s*; vented with *vented_s*."""

    rate_K_per_s: float = 0.12
    near_s: float = 40.0
    vented_s: float = 60.0
    ambient_degC: float = 22.0
    top_degC: float = 90.0


def in_oven(rng: np.random.Generator) -> tuple[Coil, Oven]:
    """Draw a coil, in air that moves, and an oven."""
    coil = random_coil(rng)
    loss = np.zeros_like(coil.loss)
    loss[coil.body] = coil.capacity.sum() / rng.uniform(130.0, 350.0)
    oven = Oven(
        float(rng.uniform(5.0, 10.0)) / 60.0,
        float(rng.uniform(20.0, 60.0)),
        float(rng.uniform(40.0, 120.0)),
        float(rng.uniform(15.0, 30.0)),
    )
    return replace(coil, loss=loss), oven


def ramp(
    coil: Coil,
    oven: Oven,
    rng: np.random.Generator,
    *,
    scan_s: float = SCAN_S,
    noise_ohm: float = NOISE_OHM,
    noise_K: float = NOISE_K,
) -> Trace:
    """Read *coil* cold, on its way up until its probe is within 1 K of the top, driven there, and back.

    Rows on the move are *scan_s* apart; the way back ends 4 K above where it began.
    """
    phi, gamma = steps_of(coil)
    state = np.full(phi.shape[0], oven.ambient_degC)
    air, now, next_s, joules, cooling = oven.ambient_degC, 0.0, 0.0, 0.0, False
    rows: list[tuple[float, float, float, str, float]] = []
    while not (cooling and state[-1] < oven.ambient_degC + 4.0):
        if now >= next_s - 1e-9:
            winding = float(coil.share @ state[:-1])
            ohm = coil.copper_ohm * (1.0 + ALPHA20 * (winding - 20.0)) + coil.joint_ohm
            moving = len(rows) >= COLD_ROWS
            rows.append((now, float(state[-1]), ohm, "ramp" if moving else "ambient", 0.0))
            next_s += scan_s if moving else 1.0
            if not cooling and state[-1] > oven.top_degC - 1.0:
                cooling, joules = True, DRIVE_J
                rows.append((now + 1.0, np.nan, np.nan, "drive", 2.0))
        if cooling:
            air += (oven.ambient_degC - air) * STEP_S / oven.vented_s
        elif len(rows) > COLD_ROWS:
            air += min(oven.rate_K_per_s, (oven.top_degC - air) / oven.near_s) * STEP_S
        state = phi @ state + gamma @ np.array([joules / STEP_S, air])
        now, joules = now + STEP_S, 0.0
    time_s, probe, ohms, phase, current = (np.array(column) for column in zip(*rows, strict=True))
    driven = current > 0.0
    return Trace(
        coil="Y1",
        time_s=time_s,
        probe_degC=probe + rng.normal(0.0, noise_K, time_s.size),
        resistance_ohm=ohms + rng.normal(0.0, noise_ohm, time_s.size),
        voltage_V=np.where(driven, 8.4, np.nan),
        current_A=np.where(driven, current, np.nan),
        phase=phase,
        source=np.where(driven, "V/I", "ohms"),
        status=np.full(time_s.size, "ok"),
    )


def fitted(seed: int, **reading: float) -> tuple[Coil, RampFit | None, Trace]:
    """Draw the coil of *seed*, read and fit it."""
    rng = np.random.default_rng(seed)
    coil, oven = in_oven(rng)
    trace = ramp(coil, oven, rng, **reading)
    return coil, fit_ramp(sort_rows(trace)), trace


def off_and_u(coil: Coil, fit: RampFit) -> tuple[FloatArray, FloatArray]:
    """Return by how much R20 and joint are off in ohms, and their standard uncertainties, shape (2,) each."""
    to_both = np.array([[1.0, 0.0], [1.0, -1.0 / ALPHA20]])
    off = to_both @ (fit.r20_ohm, fit.slope) - (coil.copper_ohm + coil.joint_ohm, coil.joint_ohm)
    return off, np.sqrt(np.diag(to_both @ fit.covariance @ to_both.T))


def main() -> None:
    """Print errors and coverage."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--coils", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--noise-K", type=float, default=NOISE_K)
    parser.add_argument("--noise-ohm", type=float, default=NOISE_OHM)
    parser.add_argument("--scan-s", type=float, default=SCAN_S)
    asked = parser.parse_args()
    reading = {"noise_K": asked.noise_K, "noise_ohm": asked.noise_ohm, "scan_s": asked.scan_s}
    found, changes, line_off, refused = [], [], [], 0
    for seed in range(asked.seed, asked.seed + asked.coils):
        coil, fit, trace = fitted(seed, **reading)
        if fit is None or not fit.credible:
            refused += 1
            continue
        found.append(off_and_u(coil, fit))
        change = ramp_drift(fit)
        assert change is not None
        changes.append((change.change_rel, change.u_rel))
        read = np.isfinite(trace.probe_degC)
        slope, at_20 = np.polyfit(trace.probe_degC[read] - 20.0, trace.resistance_ohm[read], 1)
        line_off.append(at_20 - slope / ALPHA20 - coil.joint_ohm)
    for name, (off, u) in zip(("R20", "joint"), np.array(found).transpose(2, 1, 0), strict=True):
        print(  # noqa: T201 - a script
            f"{name}: error {1e3 * np.median(np.abs(off)):.2f} mohm (median),"
            f" {1e3 * np.quantile(np.abs(off), 0.95):.2f} (95th percentile), {1e3 * np.mean(off):.2f} (mean);"
            f" u {1e3 * np.median(u):.2f}; 95 % interval holds {100 * np.mean(np.abs(off) < 1.96 * u):.1f} %;"
            f" at worst {np.max(np.abs(off) / u):.1f} u"
        )
    change_rel, u_rel = np.array(changes).T
    print(  # noqa: T201
        f"change of none: {100 * np.median(np.abs(change_rel)):.3f} % (median),"
        f" u {100 * np.median(u_rel):.3f} %;"
        f" 95 % interval holds {100 * np.mean(np.abs(change_rel) < 1.96 * u_rel):.1f} %"
    )
    line = 1e3 * float(np.median(np.abs(line_off)))
    print(f"not credible: {refused} of {asked.coils}; a line without lag: {line:.0f} mohm off")  # noqa: T201


if __name__ == "__main__":
    main()
