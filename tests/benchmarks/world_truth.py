"""How well does the fit of a self-heated coil do in workshops that are not linear?

Run from the top of the tree::

    python tests/benchmarks/world_truth.py --coils 60 --profile steps
    python tests/benchmarks/world_truth.py --coils 60 --profile pulse --world draughts --each

Prints for each world: coils with a figure, |error| of the joint (median, 95th percentile), how often the 95 %
interval holds the truth, median u over the rms error, median u, processor seconds a coil, and wrong verdicts
by a limit of 0.1 ohm: bad coils that would pass / coils below the limit that would fail. All are invented.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from analysis.thermal.fit import fit_trace
from tests.benchmarks.fit_figures import fit_figures
from tests.benchmarks.worlds import WORLDS, World, simulate

LIMIT_OHM, COPPER_U_REL = 0.1, 2e-5 / 3.93e-3


def table_row(world: World, seeds: list[int], profile: str, *, each: bool = False) -> str:
    """Fit the coils of a world and say in one line how it went."""
    error, u, seconds, passed, failed = [], [], [], 0, 0
    for seed, seen in zip(seeds, simulate(world, seeds, profile), strict=True):
        begun = time.process_time()
        # The invented copper has exactly this alpha20, so its uncertainty is left out of the comparison.
        fit = fit_trace(
            seen.time_s,
            seen.probe_degC,
            seen.resistance_ohm,
            seen.power_W(),
            noise_ohm=seen.noise_ohm,
            noise_K=seen.noise_K,
            alpha20_u_per_K=0.0,
        )
        seconds.append(time.process_time() - begun)
        error.append(1e3 * (fit.joint_ohm - seen.joint_ohm) if fit.credible else np.nan)
        u.append(1e3 * fit.joint_u_ohm)
        # What a verdict goes by has the doubt about copper's law in it.
        expanded = 2.0 * np.hypot(fit.joint_u_ohm, COPPER_U_REL * fit.rcu_ohm)
        if fit.credible and fit.joint_ohm > -expanded:
            within = fit.joint_ohm + expanded < LIMIT_OHM
            passed += bool(within and seen.joint_ohm > LIMIT_OHM)
            failed += bool(fit.joint_ohm - expanded > LIMIT_OHM > seen.joint_ohm)
        if each:
            print(  # noqa: T201 - the script's purpose
                f"  {seed} {seen.time_s.size:5d} rows {seconds[-1]:5.2f} s  joint off by"
                f" {1e3 * (fit.joint_ohm - seen.joint_ohm):7.1f} +- {u[-1]:5.1f} mohm"
                f"  misfit {fit.misfit:6.3f}  {fit.order} {fit.lack.key if fit.lack else ''}"
            )
    off, told = np.array(error), np.isfinite(error)
    if not told.any():
        return f"{world.name:22s} no coil has a figure; {np.mean(seconds):6.3f} s"
    off, stated = off[told], np.array(u)[told]
    found = fit_figures(off, stated)
    return (
        f"{world.name:22s} {100 * told.mean():5.0f} % {found.median_mohm:8.1f} {found.p95_mohm:8.1f}"
        f" {100 * found.held:6.0f} % {np.median(stated) / np.sqrt(np.mean(off**2)):7.2f}"
        f" {np.median(stated):7.1f} {np.mean(seconds):8.3f} {passed:7d} / {failed}"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--coils", type=int, default=60)
    parser.add_argument("--profile", choices=("pulse", "steps"), default="steps")
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--world", default="", help="part of the name of the only worlds to try")
    parser.add_argument("--each", action="store_true", help="a line a coil as well")
    asked = parser.parse_args()
    print(f"{asked.profile}, {asked.coils} coils a world; mohm")  # noqa: T201
    print("world                 figure   median     95 %   holds   u/rms       u  seconds   wrong")  # noqa: T201
    seeds = list(range(asked.seed, asked.seed + asked.coils))
    for world in WORLDS:
        if asked.world in world.name:
            print(table_row(world, seeds, asked.profile, each=asked.each), flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
