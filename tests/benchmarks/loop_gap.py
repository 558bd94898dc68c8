"""How long the measuring loop stands still: the longest gaps between rows of a soak by own heat.

    python -m tests.benchmarks.loop_gap --scale 20

The practice bench runs in a process of its own, as it does for a user; its time runs *scale* times as fast,
so a stall of the loop of 0.1 s shows as 0.1 s x scale in the record.
"""

from __future__ import annotations

import argparse
import csv
import subprocess
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path

from tests.daq.kits.soak import set_with

#: Rows further apart than this (the bench's time) are listed.
LISTED = 8
PATIENCE_S = 30.0


def rows_of(folder: Path) -> list[tuple[float, str, str, str]]:
    """Return time, coil, phase and source of each row of the record, in order."""
    with next(folder.glob("*/readings.csv")).open(encoding="utf-8", newline="") as file:
        return [
            (float(row["time_s"]), row["coil"], row["phase"], row["source"]) for row in csv.DictReader(file)
        ]


def soak(folder: Path, scale: float) -> Path:
    """Soak eight coils by own heat on the served bench; return where the record is."""
    coil_set = set_with(folder, steps_degC="[50]", hold_s=0, joint_u_ohm=0.015)
    program = [sys.executable, "-m", "daq"]
    served = subprocess.Popen(
        [*program, "practice", "--out", str(folder), "--scale", str(scale)], stdout=subprocess.DEVNULL
    )
    try:
        rig, began_s = folder / "practice-rig.toml", time.monotonic()
        while not rig.exists():
            assert time.monotonic() - began_s < PATIENCE_S, "the practice bench did not come up"
            time.sleep(0.05)
        out = folder / "runs"
        subprocess.run(
            [*program, "soak", "--rig", str(rig), "--set", str(coil_set), "--heat", "supply",
             "--yes", "--out", str(out)],
            stdout=subprocess.DEVNULL,
            check=False,
        )  # fmt: skip
        return out
    finally:
        served.terminate()
        served.wait()


def main() -> None:
    """Soak once and list the longest gaps."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scale", type=float, default=20.0)
    scale = parser.parse_args().scale
    with tempfile.TemporaryDirectory() as name:
        rows = rows_of(soak(Path(name), scale))
    gaps = sorted(((after[0] - row[0], row, after) for row, after in pairwise(rows)), reverse=True)
    print(f"{len(rows)} rows in {rows[-1][0]:.0f} s of the bench's time, {rows[-1][0] / scale:.0f} s of wall")  # noqa: T201
    for gap_s, row, after in gaps[:LISTED]:
        print(f"{gap_s:6.2f} s ({gap_s / scale:5.3f} s of wall) at {row[0]:.0f} s: {row[1:]} -> {after[1:]}")  # noqa: T201


if __name__ == "__main__":
    main()
