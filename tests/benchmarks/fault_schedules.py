"""Soaks under random schedules of faults, in virtual time; tells each complaint with its seed, and a summary.

    python -m tests.benchmarks.fault_schedules [first seed] [how many]

Seeds that once failed stand in ``tests/daq/run/test_fault_schedules.py``.
"""

from __future__ import annotations

import math
import sys
import tempfile
import traceback
from collections import Counter
from pathlib import Path

from tests.daq.kits.fault_soak import ALLOWED_K, files, run_with, schedule


def main(first: int = 0, count: int = 2000) -> int:
    """Run *count* schedules from seed *first*; return how many of them failed."""
    ends: Counter[str] = Counter()
    kinds: Counter[str] = Counter()
    failed = 0
    highest_K, hottest, above = -math.inf, first, 0
    with tempfile.TemporaryDirectory() as name:
        inputs = files(Path(name) / "inputs")
        for seed in range(first, first + count):
            heat, faults = schedule(seed)
            try:
                ended = run_with(Path(name) / f"{seed}", heat, faults, seed, inputs)
            except Exception:  # noqa: BLE001 - whatever it is, it is what this looks for
                failed += 1
                _tell(seed, heat, *faults, *traceback.format_exc().splitlines()[-6:])
                continue
            ends[ended.outcome] += 1
            kinds.update({fault.kind for fault in ended.layer.happened})
            above += ended.excess_K > 0.0
            if ended.excess_K > highest_K:
                highest_K, hottest = ended.excess_K, seed
            if ended.complaints:
                failed += 1
                _tell(seed, heat, *faults, f"{ended.status} {ended.said}", *ended.complaints)
    _tell(f"{count} schedules, {failed} failed", *(f"{end}: {number}" for end, number in ends.most_common()))
    _tell(
        f"hottest winding: {highest_K:+.1f} K from its ceiling (seed {hottest}), where one reading interval "
        f"allows {ALLOWED_K:+.1f} K; above the ceiling in {above}"
    )
    _tell("faults that came to pass", ", ".join(f"{kind} {number}" for kind, number in sorted(kinds.items())))
    return failed


def _tell(*what: object) -> None:
    print(*what, sep="\n  ", flush=True)  # noqa: T201 - the script's purpose


if __name__ == "__main__":
    sys.exit(min(main(*map(int, sys.argv[1:])), 1))
