"""How long does a soak by the coils' own heat take, beside fixed times, at the same certainty?

From the top of the tree (about ten seconds a set of eight)::

    python tests/benchmarks/soak_time.py --sets 200

Each set is soaked twice on the simulated bench in virtual time, with the same seed: with fixed times, one
coil after another (5 min of full power, 12 min of cooling), and by this program, which heats one coil while
others cool and leaves each when its joint is known to ``--joint-ohm`` (k = 1, what readings leave). Both are
judged with the same limits. Coils are invented: a third have a bad joint, shorted turns, or open when hot.

The bound is the shortest time in which any method could know the joints as well: one coil is heated at a
time, and the last has to cool until the Cramér-Rao bound of its joint is there, its build being known.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import re
import sys
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.benchmarks.detection_sets import toml_value  # noqa: E402
from tests.benchmarks.thermal_limit import bounds_by_time  # noqa: E402
from tests.daq.kits.soak import rig_with, run, set_with  # noqa: E402

HEAT_S, COOL_S = 300.0, 720.0
#: What fixed times bring every sound coil to, within the 5 K that judging allows.
STEP_DEGC = 50
KINDS = {"switching": (3.30, 18.0, 90.0), "proportional": (5.30, 20.0, 96.0)}
ROLES = {"power": 1000, "sense": 2000, "probe": 3000, "leak": 4000}
#: Program settings of the two ways, over the invented set's own.
WAYS: dict[str, dict[str, object]] = {
    "fixed": {
        "steps_degC": "[90]",
        "max_step_s": HEAT_S,
        "cool_s": COOL_S,
        "one_at_a_time": "true",
    },
    "program": {"steps_degC": f"[{STEP_DEGC}]", "cool_s": 900},
}


@dataclass(frozen=True)
class Seen:
    """One coil of one set as one way left it."""

    way: str
    minutes: float
    fault: str
    kind: str
    verdict: str
    off_ohm: float
    u_ohm: float


def draw(coils: int, number: int, seed: int) -> tuple[dict[str, Any], list[tuple[str, str, str]]]:
    """Draw a set: the fault script, and label, kind and fault of each coil."""
    rng = np.random.default_rng([seed, coils, number])
    kinds, parts, named = {}, [], []
    batch = {kind: ohm * (1.0 + 0.01 * float(rng.uniform(-1.0, 1.0))) for kind, (ohm, _, _) in KINDS.items()}
    for at in range(coils):
        label, kind = f"Y{at + 1}", "proportional" if at % 8 >= 5 else "switching"
        _, winding, body = KINDS[kind]
        build = np.exp(0.1 * rng.standard_normal(4))
        kinds[label] = {
            "copper_ohm": batch[kind] * (1.0 + 0.005 * float(rng.standard_normal())),
            "joint_ohm": float(rng.uniform(0.002, 0.02)),
            "thermal": {
                "winding_J_per_K": winding * build[0],
                "body_J_per_K": body * build[1],
                "shell_to_shell_W_per_K": 0.85 * build[2],
                "still_air_W_per_K": 0.26 * build[3],
            },
        }
        fault = str(rng.choice(["", "", "", "", "", "", "joint", "shorted", "opens"]))
        if fault == "shorted" and any(each[1:] == (kind, fault) for each in named):
            fault = ""  # where most of a kind are bad alike nobody can tell by comparing
        bad: dict[str, object] = {
            "": {},
            "joint": {"joint_ohm": float(rng.uniform(0.2, 0.4))},
            "shorted": {"shorted_share": float(rng.uniform(0.08, 0.12))},
            "opens": {
                "heat_open": {"opens_above_degC": float(rng.uniform(45.0, 70.0)), "closes_below_degC": 40.0}
            },
        }[fault]
        parts.append({"label": label, "kind": label, **bad})
        named.append((label, kind, fault))
    script: dict[str, Any] = {
        "about": "Invented: a set of the soak-time benchmark.",
        "seed": int(rng.integers(2**31)),
        "ambient_degC": float(rng.uniform(20.0, 25.0)),
        # A reading in haste, of one period of the mains, scatters by what the rig file states.
        "meter": {"noise_of_range": 5e-6},
        "wiring": {role: [base + at for at in range(coils)] for role, base in ROLES.items()},
        "kinds": kinds,
        "coils": parts,
    }
    return script, named


def soak(task: tuple[int, int, int, float]) -> list[Seen]:
    """Soak one set in both ways and judge it."""
    coils, number, seed, joint_ohm = task
    script, named = draw(coils, number, seed)
    seen = []
    with tempfile.TemporaryDirectory() as where:
        folder = Path(where)
        path = folder / "script.toml"
        path.write_text("\n".join(f"{key} = {toml_value(value)}" for key, value in script.items()) + "\n")
        rig = rig_for(folder, path, [label for label, _, _ in named], without=("oven",))
        common = set_for(folder, named, {"steps_degC": f"[{STEP_DEGC}]"})
        for way, changed in WAYS.items():
            known = {} if way == "fixed" else {"joint_u_ohm": joint_ohm}
            asked = set_for(folder, named, {"heat": '"supply"', "hold_s": 0, **changed, **known})
            ran = run(folder / way, rig=rig, coil_set=asked)
            seen += _judged(way, ran.outcome.folder, common, named, ran.truth.coils)
    return seen


def _judged(
    way: str, record: Path, common: Path, named: list[tuple[str, str, str]], truth: object
) -> list[Seen]:
    """Hold a record to the limits that both ways are held to."""
    from analysis.trace.rows import sort_rows
    from analysis.trace.self_heated import fit_self_heated, own_covariance
    from daq.archive.judgement import judge_path
    from daq.record.reader import read_run

    assert isinstance(truth, dict)
    rows = read_run(record)
    traces = {trace.coil: trace for trace in rows.traces()}
    minutes = float(rows.readings.time_s[-1]) / 60.0
    seen = []
    for (label, kind, fault), result in zip(named, judge_path(record, common).result.coils, strict=True):
        off = u = np.nan
        if result.joint_ohm is not None and fault in {"", "joint"}:
            off = result.joint_ohm - truth[label].joint_ohm
            fit = fit_self_heated(sort_rows(traces[label]), rows.header.accuracy)
            u = float(np.sqrt(own_covariance(fit)[1, 1]))
        seen.append(Seen(way, minutes, fault, kind, result.verdict, off, u))
    return seen


def rig_for(folder: Path, script: Path, labels: list[str], *, without: tuple[str, ...]) -> Path:
    """Write the simulated rig with channels for so many coils."""
    lines = ['[switch]\nresource = "sim:switch"\nidentity = "Simulated switch unit"']
    for role, base in ROLES.items():
        lines += [f"[switch.{role}]", *(f"{label} = {base + at}" for at, label in enumerate(labels))]
    return rig_with(folder, script, without=without, switch="\n".join(lines))


def set_for(folder: Path, named: list[tuple[str, str, str]], changed: dict[str, object]) -> Path:
    """Write the invented set with other coils and other settings."""
    path = set_with(folder, **changed)
    head = re.split(r"\[\[coils\]\]", path.read_text(encoding="utf-8"))[0]
    coils = [f'[[coils]]\nlabel = "{label}"\nkind = "{kind}"\n' for label, kind, _ in named]
    named_path = folder / f"set_{len(list(folder.glob('set_*')))}.toml"
    named_path.write_text(head + "\n".join(coils), encoding="utf-8")
    return named_path


def _bound_min(coils: int, joint_ohm: float) -> float:
    """Return the least minutes in which so many joints can be known, with the best length of a pulse."""
    times = [coils * heat_s + cool_s for heat_s, cool_s in bounds_by_time(joint_ohm)]
    return min(times) / 60.0


def counts(told: Iterable[tuple[str, object]]) -> str:
    """Wrong verdicts and retests of coils, each told by its verdict and its fault, as cells of the table."""
    verdicts = list(told)
    wrong = sum(verdict == ("pass" if fault else "fail") for verdict, fault in verdicts)
    retests = sum(verdict == "retest" for verdict, _ in verdicts)
    return f"{wrong:5d} {retests:7d}"


def options(what: str | None, joint_ohm: float) -> argparse.ArgumentParser:
    """Options of a table of soak times; *joint_ohm* is the default uncertainty asked of the joint."""
    parser = argparse.ArgumentParser(description=what, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sets", type=int, default=10, help="of each size")
    parser.add_argument("--coils", type=int, nargs="+", default=[2, 4, 8, 16])
    parser.add_argument("--joint-ohm", type=float, default=joint_ohm)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    return parser


def _line(coils: int, seen: list[Seen], joint_ohm: float) -> str:
    """One line of the table."""
    ways = {way: [each for each in seen if each.way == way] for way in WAYS}
    minutes = {way: float(np.mean([each.minutes for each in of])) for way, of in ways.items()}
    least = _bound_min(coils, joint_ohm)
    cells = [f"{coils:5d}  {minutes['fixed']:7.1f}  {minutes['program']:7.1f}"]
    cells.append(f"{minutes['program'] / minutes['fixed']:6.3f}  {minutes['program'] / least:6.1f}")
    for of in ways.values():
        told = [each for each in of if np.isfinite(each.off_ohm)]
        error = 1e3 * float(np.sqrt(np.mean([each.off_ohm**2 for each in told])))
        u = 1e3 * float(np.median([each.u_ohm for each in told]))
        cells.append(f"{counts((each.verdict, each.fault) for each in of)} {error:6.1f} {u:6.1f}")
    return "  ".join(cells)


def main() -> None:
    """Print the table."""
    asked = options(__doc__, 0.015).parse_args()
    print("                minutes           program over          fixed times                 program")  # noqa: T201
    print("coils    fixed  program   fixed   bound  wrong retests  rms    u   wrong retests  rms    u")  # noqa: T201
    with multiprocessing.get_context("spawn").Pool(asked.jobs, os.nice, (10,)) as pool:
        for coils in asked.coils:
            tasks = [(coils, number, asked.seed, asked.joint_ohm) for number in range(asked.sets)]
            seen = [each for of in pool.imap_unordered(soak, tasks) for each in of]
            print(_line(coils, seen, asked.joint_ohm), flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
