"""How long does a soak in an oven take, beside fixed holds of twenty minutes, at the same certainty?

From the top of the tree (about five seconds a set of eight)::

    python tests/benchmarks/oven_time.py --sets 200

Each set is soaked twice on the simulated bench in virtual time, with the same seed, by the same steps of 50,
70 and 90 degC. *fixed*: each step is held for twenty minutes from when the oven's own thermometer shows it,
and so is the return to cold. *program*: uncertainties are asked for (``--r20-rel``, ``--joint-ohm``,
``--drift-rel``, k = 1) and no holds, so that it goes up and back on the move. Both are judged with the same
limits. Coils are invented: a third have a bad joint, shorted turns, or open when hot.

The bound is what the heat itself takes, whatever is read: the oven at full power to the last step, until
the slowest body of the set is within 1 K of it, then vented until that body is as far from where it began
as cold against cold can bear for the drift asked for, with a winding that trails by up to a minute.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
import tempfile
from dataclasses import dataclass
from math import sqrt
from pathlib import Path
from typing import Any

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import daq.run.execute  # noqa: E402
from daq.config.coil_set import SCAN_S  # noqa: E402
from daq.procedures.procedure import Progress  # noqa: E402
from daq.procedures.soak.oven import cold_before, oven_stages  # noqa: E402
from daq.procedures.soak.soak import Soak  # noqa: E402
from tests.benchmarks.detection_sets import toml_value  # noqa: E402
from tests.benchmarks.soak_time import counts, draw, options, rig_for, set_for  # noqa: E402
from tests.daq.kits.soak import run  # noqa: E402

STEPS_DEGC = (50.0, 70.0, 90.0)
HOLD_S, REACHED_K, NEAR_K = 1200.0, 1.0, 1.0


@dataclass(frozen=True)
class Seen:
    """One coil of one set as one way left it, and the bound of its set."""

    way: str
    minutes: float
    least_min: float
    fault: str
    verdict: str
    off_ohm: float
    r20_off_rel: float
    joint_u_ohm: float
    r20_u_rel: float


def fixed_holds(soak: Soak, progress: Progress) -> None:
    """Soak as people do it by the clock: each step for twenty minutes, and as long to cool."""
    procedure, coils = soak.procedure, soak.plan.labels()
    oven = procedure.bench.oven
    assert oven is not None

    def wait(phase: str, step: float | None, *, reached: bool) -> None:
        until_s = np.inf if not reached else procedure.now() + HOLD_S
        while procedure.now() < until_s:
            round_s = procedure.now()
            for coil in soak.left(coils):
                soak.look(coil, phase, step, heating=step is not None)
            air = oven.temperature().value
            if step is not None and np.isinf(until_s) and air is not None and abs(air - step) < REACHED_K:
                until_s = procedure.now() + HOLD_S
            procedure.wait_until(round_s + SCAN_S)

    cold_before(soak, progress)
    soak.in_oven = True
    with procedure.bench.guard.heating(soak.plan.ceilings.body_degC) as heat:
        for step in soak.plan.steps_degC:
            progress.enter(procedure.now())
            heat.go_to(step)
            wait("rise", step, reached=False)
            soak.hold(coils, step, heating=True)
            for coil in soak.plan.coils:
                soak.drive(coil, step)
    progress.enter(procedure.now())
    wait("cool", None, reached=True)
    soak.cold(soak.left(coils), "return")
    procedure.bench.harness.release()


def drawn(coils: int, number: int, seed: int) -> tuple[dict[str, Any], list[tuple[str, str, str]]]:
    """Draw a set of soak_time.py for the oven: heat paths and oven vary, opens lie between 45 and 85 degC."""
    script, named = draw(coils, number, seed)
    rng = np.random.default_rng([seed, coils, number, 1])
    for kind in script["kinds"].values():
        build = np.exp(0.15 * rng.standard_normal(4))
        kind["thermal"] |= {
            "moving_air_W_per_K": 0.66 * build[0],
            "winding_to_body_W_per_K": 1.05 * build[1],
            "body_to_probe_W_per_K": 0.1 * build[2],
            "core_J_per_K": 44.0 * build[3],
        }
    for part in script["coils"]:
        if "heat_open" in part:
            opens_degC = float(rng.uniform(45.0, 85.0))
            closes_degC = opens_degC - float(rng.uniform(2.0, 10.0))
            part["heat_open"] = {"opens_above_degC": opens_degC, "closes_below_degC": closes_degC}
    script["oven"] = {
        "heating_K_per_min": float(rng.uniform(5.0, 10.0)),
        "heater_lag_s": float(rng.uniform(10.0, 30.0)),
        "closed_loss_s": float(rng.uniform(1200.0, 2000.0)),
    }
    return script, named


def least_s(script: dict[str, Any], drift_rel: float) -> float:
    """Return the bound: each coil as one lump in the air of the oven, in steps of a second."""
    lags_s = [
        sum(kind["thermal"][part] for part in ("winding_J_per_K", "body_J_per_K", "core_J_per_K"))
        / kind["thermal"]["moving_air_W_per_K"]
        for kind in script["kinds"].values()
    ]
    lag_s, ambient_degC, top_degC = max(lags_s), script["ambient_degC"], STEPS_DEGC[-1]
    rate_K_per_s = script["oven"]["heating_K_per_min"] / 60.0
    air_degC = body_degC = ambient_degC
    time_s = 0.0
    while body_degC < top_degC - NEAR_K:
        air_degC = min(air_degC + rate_K_per_s, top_degC)
        body_degC += (air_degC - body_degC) / lag_s
        time_s += 1.0
    # A winding that trails by up to a minute, evenly likely (60 s / sqrt(3)): its body may move so fast.
    still_K_per_s = drift_rel / 0.00393 * sqrt(3.0) / 60.0
    while body_degC - ambient_degC > still_K_per_s * lag_s:
        air_degC += (ambient_degC - air_degC) / 60.0
        body_degC += (air_degC - body_degC) / lag_s
        time_s += 1.0
    return time_s


def soak(task: tuple[int, int, int, dict[str, float]]) -> list[Seen]:
    """Soak one set in both ways and judge it."""
    coils, number, seed, asked = task
    script, named = drawn(coils, number, seed)
    least_min, seen = least_s(script, asked["drift_u_rel"]) / 60.0, []
    with tempfile.TemporaryDirectory() as where:
        folder = Path(where)
        path = folder / "script.toml"
        path.write_text("\n".join(f"{key} = {toml_value(value)}" for key, value in script.items()) + "\n")
        rig = rig_for(folder, path, [label for label, _, _ in named], without=())
        steps = {"steps_degC": list(STEPS_DEGC)}
        ways = {"fixed": (fixed_holds, steps), "program": (daq.run.execute.SOAKS["oven"][1], steps | asked)}
        for way, (procedure, changed) in ways.items():
            asked_set = set_for(folder, named, changed)
            with pytest.MonkeyPatch.context() as patch:
                patch.setitem(daq.run.execute.SOAKS, "oven", (oven_stages, procedure))
                ran = run(folder / way, rig=rig, coil_set=asked_set)
            assert ran.outcome.state == "complete", ran.screen
            minutes = float(ran.rows()[-1]["time_s"]) / 60.0
            for (label, _, fault), result in zip(named, ran.outcome.result.coils, strict=True):
                true = ran.truth.coils[label]
                off = r20_off = joint_u = r20_u = np.nan
                if fault in {"", "joint"} and result.joint_ohm is not None and result.r20_ohm is not None:
                    assert result.joint_u_ohm is not None
                    assert result.r20_u_ohm is not None
                    off, joint_u = result.joint_ohm - true.joint_ohm, result.joint_u_ohm
                    r20_off = result.r20_ohm / (true.copper_at(20.0) + true.joint_ohm) - 1.0
                    r20_u = result.r20_u_ohm / result.r20_ohm
                verdict = result.verdict
                seen.append(Seen(way, minutes, least_min, fault, verdict, off, r20_off, joint_u, r20_u))
    return seen


def line(coils: int, seen: list[Seen]) -> str:
    """One line of the table."""
    ways = {way: [each for each in seen if each.way == way] for way in ("fixed", "program")}
    fixed, program = (float(np.mean([each.minutes for each in of])) for of in ways.values())
    over = float(np.mean([each.minutes / each.least_min for each in ways["program"]]))
    cells = [f"{coils:5d}  {fixed:6.1f}  {program:7.1f}  {program / fixed:6.3f}  {over:5.2f}"]
    for of in ways.values():
        told = [each for each in of if np.isfinite(each.off_ohm)]
        joint, r20 = (
            float(np.sqrt(np.mean([getattr(each, name) ** 2 for each in told])))
            for name in ("off_ohm", "r20_off_rel")
        )
        joint_u, r20_u = (
            float(np.median([getattr(each, name) for each in told])) for name in ("joint_u_ohm", "r20_u_rel")
        )
        cells.append(
            f"{counts((each.verdict, each.fault) for each in of)} {1e3 * joint:5.1f} {1e3 * joint_u:5.1f}"
            f" {1e4 * r20:5.1f} {1e4 * r20_u:5.1f}"
        )
    return "  ".join(cells)


def main() -> None:
    """Print the table."""
    parser = options(__doc__, 0.01)
    parser.add_argument("--r20-rel", type=float, default=0.001)
    parser.add_argument("--drift-rel", type=float, default=0.002)
    given = parser.parse_args()
    asked = {
        "hold_s": 0,
        "joint_u_ohm": given.joint_ohm,
        "r20_u_rel": given.r20_rel,
        "drift_u_rel": given.drift_rel,
    }
    cells = "wrong retests joint    U/2   R20   U/2"
    print("                minutes  program over          fixed holds (mohm, 1e-4)              program")  # noqa: T201
    print(f"coils   fixed  program   fixed  bound  {cells}  {cells}")  # noqa: T201
    with multiprocessing.get_context("spawn").Pool(given.jobs, os.nice, (10,)) as pool:
        for coils in given.coils:
            tasks = [(coils, number, given.seed, asked) for number in range(given.sets)]
            seen = [each for of in pool.imap_unordered(soak, tasks) for each in of]
            print(line(coils, seen), flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
