"""How long the program takes to start: against an empty interpreter, in turn, in one run.

    python tests/benchmarks/start.py --rounds 20

prints for each command the median of wall seconds, its ratio to `python -c pass` timed just before, and the
peak memory of the process. Goals: `--help` at most 4 times the empty interpreter, `check` on the simulated
bench at most 0.5 s.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from pathlib import Path
from statistics import median

ROOT = Path(__file__).parents[2]
EMPTY = ("-c", "pass")
COMMANDS = {
    "--help": ("-m", "daq", "--help"),
    "soak --help": ("-m", "daq", "soak", "--help"),
    "check": ("-m", "daq", "check"),
}


def timed(arguments: tuple[str, ...]) -> tuple[float, float]:
    """Run the interpreter with *arguments*; return wall seconds and peak memory in MiB."""
    before = time.perf_counter()
    process = subprocess.Popen([sys.executable, *arguments], cwd=ROOT, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        raise SystemExit(f"{arguments} ended with status {process.returncode}")
    return time.perf_counter() - before, usage.ru_maxrss / 1024.0


def main() -> None:
    """Time every command in turn with the empty interpreter and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=20)
    rounds = parser.parse_args().rounds
    sys.stdout.write(f"{'command':<14}{'wall, s':>9}{'ratio':>8}{'MiB':>7}\n")
    for name, arguments in COMMANDS.items():
        timed(arguments)  # compiled and in the cache
        walls, ratios, peaks = [], [], []
        for _ in range(rounds):
            empty_s, _ = timed(EMPTY)
            wall_s, peak_MiB = timed(arguments)
            walls.append(wall_s)
            ratios.append(wall_s / empty_s)
            peaks.append(peak_MiB)
        sys.stdout.write(f"{name:<14}{median(walls):>9.3f}{median(ratios):>8.2f}{median(peaks):>7.0f}\n")


if __name__ == "__main__":
    main()
