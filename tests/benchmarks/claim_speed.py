"""How long a claim of eight coils takes from a cold start, against loading its two largest libraries.

    python tests/benchmarks/claim_speed.py

Baseline is a Python that loads matplotlib's figures and the typesetter and does nothing. Goal on an idle
machine with two cores: at most 2 s and 300 MB. Processes of their own, in turn, in one run.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

ROOT = Path(__file__).resolve().parents[2]
COILS = [f"--coil=Y{n}" for n in range(1, 9)]
BASELINE = ["-c", "import matplotlib.figure, typst"]


def spent(arguments: list[str]) -> tuple[float, float, float]:
    """Wall seconds, processor seconds and largest size in MB of a Python with *arguments*."""
    begin = time.perf_counter()
    pid = os.posix_spawn(sys.executable, [sys.executable, *arguments], os.environ | {"PYTHONPATH": str(ROOT)})
    _, status, used = os.wait4(pid, 0)
    if status:
        sys.exit(f"ended with status {status}: {arguments}")
    return time.perf_counter() - begin, used.ru_utime + used.ru_stime, used.ru_maxrss * 1024 / 1e6


def main() -> None:
    """Time both in turn and print medians, and their ratio."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=5)
    times = parser.parse_args().times
    (run,) = (ROOT / "sample_runs" / "faults").glob("*-as-received")
    bare, claims = [], []
    with tempfile.TemporaryDirectory() as folder:
        for n in range(times):
            bare.append(spent(BASELINE))
            out = str(Path(folder) / f"{n}.pdf")
            claims.append(spent(["-m", "daq", "claim", str(run), *COILS, "--out", out]))
    rows = {"libraries alone": bare, "claim of 8 coils": claims}
    for name, each in rows.items():
        wall, processor, size = (median(column) for column in zip(*each, strict=True))
        sys.stdout.write(f"{name:18s} {wall:5.2f} s wall  {processor:5.2f} s processor  {size:4.0f} MB\n")
    ratio = median(claim[1] for claim in claims) / median(base[1] for base in bare)
    sys.stdout.write(f"processor time, ratio {ratio:.1f}\n")


if __name__ == "__main__":
    main()
