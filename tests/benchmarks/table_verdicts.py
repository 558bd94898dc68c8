"""What tables of readings are judged as: sound coils and each fault of shape, counted in many settings.

From the top of the tree, some minutes for a thousand coils a setting::

    python tests/benchmarks/table_verdicts.py --coils 1000

Every coil is invented; the physics is that of ``tests/analysis/kits/table.py``. Intervals are those of
Clopper and Pearson, 95 %.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
from collections import Counter
from pathlib import Path

import numpy as np
from scipy.stats import binomtest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from analysis.judge.set import judge_set  # noqa: E402
from analysis.model import Accuracy, Limits, Subject  # noqa: E402
from tests.analysis.kits.table import (  # noqa: E402
    Fault,
    Logger,
    Part,
    compensated,
    drops,
    drops_out,
    grows,
    in_series,
    settled,
    timed,
)

SETTINGS: dict[str, tuple[str, Logger]] = {
    "timed": ("timed", Logger()),
    "settled": ("settled", Logger()),
    "timed, 0.01 ohm": ("timed", Logger(digit_ohm=0.01)),
    "settled, 0.01 ohm": ("settled", Logger(digit_ohm=0.01)),
    "timed, gaps": ("timed", Logger(gaps=0.3)),
    "settled, gaps": ("settled", Logger(gaps=0.3)),
    "timed, noise x3": ("timed", Logger(noise_ohm=0.003, noise_K=0.15)),
    "settled, noise x3": ("settled", Logger(noise_ohm=0.003, noise_K=0.15)),
    "timed, noisy hot": ("timed", Logger(noise_hot_ohm=0.02, outliers=2)),
    "timed, 60 s": ("timed", Logger(every_s=60.0)),
    "timed, moving": ("timed", Logger(hold_s=0.0, steps_degC=(115.0,))),
}
PARTS = 5


def fault(name: str, rng: np.random.Generator) -> dict[str, object]:
    """What is wrong with the first coil of a table."""
    kind, _, rest = name.partition(" ")
    numbers = [float(each) for each in rest.split()]
    made: Fault | None = None
    if kind == "joint":
        return {"joint_ohm": numbers[0]}
    if kind == "aluminium":
        return {"alpha20_per_K": float(rng.uniform(0.00403, 0.00408))}
    if kind == "drops":
        made = drops(numbers[0] / 100.0, numbers[1])
    elif kind == "rises":
        made = drops(-numbers[0] / 100.0, numbers[1])
    elif kind == "ntc":
        made = compensated(numbers[0])
    elif kind == "ntc-series":
        made = in_series(numbers[0])
    elif kind == "grows":
        made = grows(numbers[0])
    elif kind == "dropouts":
        made = drops_out(numbers[0] / 100.0, 50.0, rng)
    return {"fault": made}


FAULTS = (
    "sound",
    "joint 0.35",
    "drops 8 70",
    "drops 3 70",
    "drops 1.5 70",
    "drops 8 85",
    "drops 3 85",
    "drops 1.5 85",
    "rises 3 70",
    "rises 1.5 85",
    "grows 0.2",
    "ntc 100",
    "ntc-series 0.5",
    "aluminium",
    "dropouts 1",
)


def one(task: tuple[str, str, int, str]) -> list[tuple[str, str, str]]:
    """Judge one table; return role, verdict and first reason of each coil."""
    setting, name, number, company = task
    rng = np.random.default_rng([number, sum(map(ord, setting + name + company))])
    how, logger = SETTINGS[setting]
    alpha20 = float(rng.uniform(0.00389, 0.00397))
    batch_ohm = 3.3 * (1.0 + 0.01 * float(np.clip(rng.standard_normal(), -2.0, 2.0)))
    parts = []
    for k in range(1 if company == "alone" else PARTS):
        copper = batch_ohm * (1.0 + 0.003 * float(rng.standard_normal()))
        bad = fault(name, rng) if k == 0 or (company == "all" and name != "sound") else {}
        own = {"copper_ohm": copper, "joint_ohm": float(rng.uniform(0.002, 0.015)), "alpha20_per_K": alpha20}
        parts.append(Part(f"Y{k + 1}", **(own | bad)))  # type: ignore[arg-type]
    make = timed if how == "timed" else settled
    traces = make(parts, logger, rng)
    limits = {"valve": Limits("valve", r20_ohm=3.3)} if number % 2 else None
    subjects = [Subject(part.label, "valve") for part in parts] if limits else None
    result = judge_set(traces, subjects, limits, Accuracy())
    return [
        (
            "bad" if name != "sound" and (k == 0 or company == "all") else "sound",
            coil.verdict,
            ",".join(reason.code for reason in coil.reasons),
        )
        for k, coil in enumerate(result.coils)
    ]


def main() -> None:
    """Count and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--coils", type=int, default=100, help="coils with the fault a setting")
    parser.add_argument("--only", default="", help="settings whose name holds this")
    parser.add_argument("--fault", default="", help="faults whose name holds this")
    parser.add_argument("--company", default="peers", choices=("peers", "alone", "all"))
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    with multiprocessing.get_context("spawn").Pool(asked.jobs, os.nice, (10,)) as pool:
        for name in (each for each in FAULTS if asked.fault in each):
            for setting in (each for each in SETTINGS if asked.only in each):
                count = asked.coils if name != "sound" else -(-asked.coils // PARTS)
                tasks = [(setting, name, number, asked.company) for number in range(count)]
                told = [row for rows in pool.map(one, tasks, chunksize=5) for row in rows]
                for role in ("bad", "sound"):
                    mine = [row for row in told if row[0] == role]
                    if mine:
                        _print(name, setting, role, mine)


def _print(name: str, setting: str, role: str, rows: list[tuple[str, str, str]]) -> None:
    n, fails = len(rows), sum(row[1] == "fail" for row in rows)
    retests = sum(row[1] == "retest" for row in rows)
    caught = fails + retests if role == "bad" else fails
    bounds = binomtest(caught, n).proportion_ci(method="exact")
    codes = Counter(f"{row[1]}:{row[2]}" for row in rows if row[1] != "pass" or row[2] != "within-limits")
    shown = "  ".join(f"{code} {times}" for code, times in codes.most_common(4))
    told = f"fail {fails:4} retest {retests:4} pass {n - fails - retests:4}"
    print(  # noqa: T201
        f"{name:14} {setting:18} {role:6} n {n:5} {told}"
        f" ({100.0 * bounds.low:.2f}-{100.0 * bounds.high:.2f} %)  {shown}",
        flush=True,
    )


if __name__ == "__main__":
    main()
