"""How long a record of a million rows takes to read and to judge, against numpy parsing the same file.

    python tests/benchmarks/record_read.py --rows 1000000

Numpy's part is np.loadtxt to text alone, since it knows no empty cell among numbers. Goal: judging, reading
included, at most 1.5 times that. Processor time, in turn, in one run.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from statistics import median

import numpy as np

from daq.archive.judgement import judge_path
from daq.record.format import READINGS, Reading, reading_line
from daq.record.reader import read_run
from tests.daq.kits.record import start

COILS, SET = 8, Path("snow_groomer")
#: Oven soak: phase and body temperature of each eighth of the rows.
STEPS = (
    ("ambient", 22.0),
    ("hold", 40.0),
    ("hold", 60.0),
    ("hold", 75.0),
    ("hold", 90.0),
    ("hold", 90.0),
    ("return", 22.0),
    ("return", 22.0),
)
ALPHA_PER_K = 0.00393


def invented_lines(rows: int) -> Iterator[str]:
    """Rows of eight sound invented coils in an oven, with noise."""
    noise = np.random.default_rng(5).normal(size=(rows, 2))
    for number in range(rows):
        phase, body_degC = STEPS[number * len(STEPS) // rows]
        r20_ohm = 3.3 if number % COILS < 5 else 5.3
        ohm = r20_ohm * (1.0 + ALPHA_PER_K * (body_degC - 20.0))
        yield reading_line(
            Reading(
                time_s=float(number),
                coil=f"Y{number % COILS + 1}",
                phase=phase,
                step_degC=None if phase != "hold" else body_degC,
                probe_degC=body_degC + 0.05 * noise[number, 0],
                resistance_ohm=ohm + 1e-3 * noise[number, 1],
            )
        )


def seconds(action: Callable[[], object]) -> float:
    """Return the processor time that *action* takes."""
    began_s = time.process_time()
    action()
    return time.process_time() - began_s


def main() -> None:
    """Print the times, their ratios and the memory."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=999_999)
    parser.add_argument("--rounds", type=int, default=3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as parent:
        with start(Path(parent)) as writer:
            pass
        path = writer.folder / READINGS
        with path.open("a", encoding="utf-8") as stream:
            stream.writelines(invented_lines(options.rows))
        times: dict[str, list[float]] = {"read": [], "read and judge": [], "numpy": []}
        peak_MiB = 0.0
        for _ in range(options.rounds):
            times["read"].append(seconds(lambda: read_run(writer.folder).traces()))
            times["read and judge"].append(seconds(lambda: judge_path(writer.folder, SET)))
            peak_MiB = peak_MiB or resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
            times["numpy"].append(seconds(lambda: np.loadtxt(path, delimiter=",", dtype=str, skiprows=1)))
        for name, taken_s in times.items():
            ratio = median(ours / theirs for ours, theirs in zip(taken_s, times["numpy"], strict=True))
            sys.stdout.write(f"{name:<16}{median(taken_s):>8.2f} s{ratio:>8.2f} of numpy\n")
        size_MiB = path.stat().st_size / 2**20
    sys.stdout.write(
        f"{options.rows} rows, {size_MiB:.0f} MiB; peak {peak_MiB:.0f} MiB before numpy's turn\n"
    )


if __name__ == "__main__":
    main()
