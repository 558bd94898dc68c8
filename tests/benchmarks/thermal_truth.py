"""How well does the thermal fit find a joint it cannot share a formula with?

Random coils, whose winding, hidden masses and probe are not built the way the fit builds them, are heated and
cooled; the fit sees only noisy rows. Run from the top of the tree::

    python tests/benchmarks/thermal_truth.py --coils 40 --profile pulse
    python tests/benchmarks/thermal_truth.py --coils 20 --profile soak
    python tests/benchmarks/thermal_truth.py --coils 20 --profile soak --wide

``--wide`` draws the noise between 0.3 and 10 times 1 mohm and 0.1 K, the sampling between 0.5 and 5 s, lets
the air drift, and V/I and ohmmeter differ; the fit is told the noise and how far the two may differ, not how
far they do. Every coil here is invented.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from analysis.thermal.fit import fit_trace
from tests.benchmarks.fit_figures import fit_figures
from tests.benchmarks.invented_coils import STEP_S, Coil, Rows, random_coil, simulate

#: How far V/I and ohmmeter may differ: in proportion, and by an offset (standard uncertainties).
VI_GAIN_U, OFFSET_U_OHM = 2e-3, 5e-3


def narrow(coil: Coil, rng: np.random.Generator, profile: str, cool_s: float) -> tuple[Rows, float]:
    """A trace at 1 mohm and 0.1 K of noise by one faultless instrument, and the noise's factor, 1."""
    every_s = float(rng.choice([0.5, 1.0, 2.0]))
    return simulate(coil, rng, profile=profile, every_s=every_s, cool_s=cool_s), 1.0


def wide(coil: Coil, rng: np.random.Generator, profile: str, cool_s: float) -> tuple[Rows, float]:
    """A trace of any noise and sampling, V/I and ohmmeter apart, and the factor of its noise.

    The ohmmeter's offset is left at zero and V/I's taken instead: a joint cannot be told from the former.
    """
    noise, every_s = float(np.exp(rng.uniform(np.log(0.3), np.log(10.0)))), float(rng.uniform(0.5, 5.0))
    rows = simulate(
        coil,
        rng,
        profile=profile,
        every_s=STEP_S * round(every_s / STEP_S),
        cool_s=cool_s,
        noise_ohm=0.001 * noise,
        noise_K=0.1 * noise,
        air_K_per_h=float(rng.normal(0, 2.0)),
    )
    apart = rows.resistance_ohm * (1.0 + rng.normal(0, VI_GAIN_U)) + rng.normal(0, OFFSET_U_OHM)
    return replace(rows, resistance_ohm=np.where(rows.current_A > 0, apart, rows.resistance_ohm)), noise


def main() -> None:
    """Fit random coils and print how far off the joint is and how often the stated interval holds it."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--coils", type=int, default=40)
    parser.add_argument("--profile", choices=("pulse", "soak"), default="pulse")
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--wide", action="store_true", help="other noise, sampling and instruments")
    parser.add_argument("--quiet", action="store_true", help="print the summary only")
    asked = parser.parse_args()
    error, u, seconds, per_row, inner, believed = [], [], [], [], [], []
    for k in range(asked.coils):
        rng = np.random.default_rng(asked.seed + k)
        coil = random_coil(rng)
        cool_s = float(rng.uniform(720, 1800))
        rows, noise = (wide if asked.wide else narrow)(coil, rng, asked.profile, cool_s)
        begun = time.process_time()
        # The simulated copper has exactly this alpha20, so its uncertainty is left out of the comparison.
        fit = fit_trace(
            rows.time_s,
            rows.probe_degC,
            rows.resistance_ohm,
            rows.power_W(),
            noise_ohm=0.001 * noise,
            noise_K=0.1 * noise,
            by_vi=rows.current_A > 0 if asked.wide else None,
            vi_gain_u=VI_GAIN_U,
            offset_u_ohm=OFFSET_U_OHM,
            alpha20_u_per_K=0.0,
        )
        seconds.append(time.process_time() - begun)
        per_row.append(seconds[-1] / rows.time_s.size)
        error.append(1e3 * (fit.joint_ohm - coil.joint_ohm))
        u.append(1e3 * fit.joint_u_ohm)
        inner.append(bool(coil.link[0, coil.body + 1 :].any()))
        believed.append(fit.credible)
        if not asked.quiet:
            print(  # noqa: T201 - the script's purpose
                f"{k:3d} {rows.time_s.size:5d} rows {seconds[-1]:5.2f} s  copper {coil.copper_ohm:4.1f} ohm"
                f"  joint off by {error[-1]:7.1f} +- {u[-1]:5.1f} mohm  misfit {fit.misfit:6.3f}"
                f"  {fit.order} {fit.lack.key if fit.lack else ''}"
            )
    off, stated, core, ok = np.array(error), np.array(u), np.array(inner), np.array(believed)
    for name, chosen in (("credible", ok), ("without a core", ok & ~core), ("with a core", ok & core)):
        if chosen.any():
            told = fit_figures(off[chosen], stated[chosen])
            print(  # noqa: T201
                f"{name}: {chosen.sum()} coils, median {told.median_mohm:.1f} mohm,"
                f" 95th percentile {told.p95_mohm:.1f} mohm, 95 % interval holds {100 * told.held:.0f} %"
            )
    print(  # noqa: T201
        f"{1e3 * np.mean(seconds):.0f} ms a coil, {1.2e6 * np.mean(per_row):.0f} ms per 1,200 rows,"
        " processor time"
    )


if __name__ == "__main__":
    main()
