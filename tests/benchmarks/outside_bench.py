"""The whole campaign of the outside bench: each case under some seeds, what was said and what was true.

    python -m tests.benchmarks.outside_bench --groups coils,bench --seeds 3 --out /tmp/campaign

One line of JSON a run goes to ``rows.jsonl`` in the folder; a table of counts comes last.
"""

from __future__ import annotations

import argparse
import json
import re
import signal
import sys
import tempfile
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

from tests.outside.cases import GROUPS, findings
from tests.outside.run import Case, Outcome, soak


def one(case: Case) -> tuple[Case, Outcome]:
    """Run one case in a folder of its own."""
    with tempfile.TemporaryDirectory(prefix="outside-bench-") as folder:
        return case, soak(case, Path(folder))


def chosen(names: list[str], seeds: range, only: str, scale: float) -> list[Case]:
    """Return every case of the groups under each seed."""
    return [
        replace(case, seed=seed, scale=scale or case.scale)
        for name in names
        for case in GROUPS[name]
        if re.search(only, case.name)
        for seed in seeds
    ]


def main() -> None:
    """Run the campaign and write its rows and its table."""
    # A shell's background job has Ctrl-C ignored, and what it starts would inherit that.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--groups", default=",".join(GROUPS))
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--only", default="", help="pattern that a case's name has to match")
    parser.add_argument("--at-once", type=int, default=1, help="how many soaks run beside each other")
    parser.add_argument(
        "--scale", type=float, default=0.0, help="time runs this much faster; 0: the case's own"
    )
    parser.add_argument("--out", type=Path, default=Path("outside-campaign"))
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    counts: Counter[str] = Counter()
    seeds = range(given.first_seed, given.first_seed + given.seeds)
    cases = chosen(given.groups.split(","), seeds, given.only, given.scale)
    with (
        (given.out / "rows.jsonl").open("a", encoding="utf-8") as rows,
        ThreadPoolExecutor(given.at_once) as pool,
    ):
        for case, outcome in pool.map(one, cases):
            found = findings(case, outcome)
            row: dict[str, Any] = {"seed": case.seed, "found": found, **outcome.row()}
            rows.write(json.dumps(row) + "\n")
            rows.flush()
            (given.out / f"{case.name.replace('/', '-')}-{case.seed}.txt").write_text(outcome.screen)
            counts["runs"] += 1
            counts["as must be" if not found else "not as must be"] += 1
            counts.update(f"verdict {verdict}" for verdict in outcome.verdicts.values())
            sys.stdout.write(f"{case.name} [{case.seed}] status {outcome.status}: {found or 'as must be'}\n")
            sys.stdout.flush()
    sys.stdout.write("".join(f"{name:20} {count}\n" for name, count in sorted(counts.items())))


if __name__ == "__main__":
    main()
