"""Learning limits from a million runs: by Dask, by one process with Arrow alone, and by the index.

    python tests/benchmarks/learn_dask.py --runs 1000000

The runs are invented: eight coils each, a coil is tested four times on average, written into an index as
`coilsoak log` does and exported. Then each way learns in a process of its own, in turn: seconds from the
files to the lines for the coil-set file, the ratio to one process with Arrow alone, and the peak memory of
the process and of its largest worker (Linux). All ways must give the same figures; else this ends in error.
"""

from __future__ import annotations

import argparse
import json
import random
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack, closing
from dataclasses import asdict
from datetime import timedelta
from pathlib import Path
from statistics import median

from distributed import Client, LocalCluster

from daq.archive.log.learn import Asked, Sample, learn_limits, sample_of_index
from daq.archive.log.learn_dask import newest_in, newest_of, sample_of_export
from daq.archive.log.parquet import write_export
from daq.archive.log.schema import prepare, store
from daq.archive.log.search import Wanted
from daq.archive.log.summary import CoilBrief, RunBrief
from tests.daq.kits.record import START

WAYS = ("arrow", "dask", "cluster", "index")
ASKED = Asked("switching", Wanted(), simulated=False, content=0.95, confidence=0.95)
COILS, TESTS_A_COIL, COMMIT_RUNS = 8, 4, 10_000


def make_index(path: Path, runs: int) -> None:
    """Write *runs* invented runs into a new index, through the code that the log uses."""
    rng = random.Random(9)
    coils = max(1, runs * COILS // TESTS_A_COIL)
    with closing(sqlite3.connect(path)) as index:
        prepare(index)
        for number in range(runs):
            tested = tuple(
                CoilBrief(
                    label=f"Y{place + 1}",
                    kind="switching" if place < 5 else "proportional",
                    serial=f"S-{rng.randrange(coils):08}",
                    verdict="pass" if rng.random() < 0.95 else "fail",
                    r20_ohm=rng.gauss(3.3, 0.012),
                    r20_U_ohm=0.009,
                )
                for place in range(COILS)
            )
            start_utc = START + timedelta(minutes=3 * number)
            brief = RunBrief(start_utc, "soak", "as received", f"J-{number}", state="complete", coils=tested)
            store(index, f"J-{number // 1000}".encode(), f"run-{number}".encode(), 0, brief)
            if number % COMMIT_RUNS == 0:
                index.commit()
        index.commit()


def by_arrow(export: Path) -> Sample:
    """Learn in one process without Dask: file by file, all put together at the end."""
    files = sorted(map(str, export.glob("kind=switching/**/*.parquet")))
    newest = newest_of([newest_in(file, ASKED) for file in files]).to_pydict()
    names = ("identity", "verdict", "r20_ohm", "r20_U_ohm")
    return Sample.of_rows(list(zip(*(newest[name] for name in names), strict=True)))


def peak_MiB() -> float:
    """Return the most memory that this process ever had."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.partition("VmHWM:")[2].split()[0]) / 1024.0


def measure(way: str, index_file: Path, export: Path) -> dict[str, object]:
    """Learn by *way* in this process and return what came of it, how long it took and the memory."""
    worker_MiB = 0.0
    with ExitStack() as open_until_done:
        if way == "cluster":
            quiet = {"dashboard_address": None, "host": "127.0.0.1"}
            workers = open_until_done.enter_context(LocalCluster(n_workers=2, threads_per_worker=1, **quiet))
        index = open_until_done.enter_context(closing(sqlite3.connect(index_file)))
        began_s = time.perf_counter()
        if way == "index":
            sample = sample_of_index(index, ASKED)
        elif way == "arrow":
            sample = by_arrow(export)
        else:
            sample = sample_of_export(export, ASKED, workers.scheduler_address if way == "cluster" else None)
        lesson = learn_limits(sample, ASKED)
        taken_s = time.perf_counter() - began_s
        if way == "cluster":
            with Client(workers.scheduler_address) as client:
                worker_MiB = max(client.run(peak_MiB).values())
    return {"seconds": taken_s, "MiB": peak_MiB(), "worker_MiB": worker_MiB, "lesson": asdict(lesson)}


def main() -> None:
    """Make the runs, let each way learn from them in turn, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=1_000_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--measure", nargs=3, metavar=("WAY", "INDEX", "EXPORT"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.measure:
        way, index_file, export = options.measure
        sys.stdout.write(json.dumps(measure(way, Path(index_file), Path(export)), default=str))
        return
    with tempfile.TemporaryDirectory() as parent:
        index_file, export = Path(parent) / "index.sqlite", Path(parent) / "export"
        make_index(index_file, options.runs)
        with closing(sqlite3.connect(index_file, check_same_thread=False)) as index:
            began_s = time.perf_counter()
            rows = write_export(index, export)
            exported_s = time.perf_counter() - began_s
        size_MiB = sum(file.stat().st_size for file in export.rglob("*.parquet")) / 2**20
        sys.stdout.write(
            f"{options.runs} runs, {rows} rows; index {index_file.stat().st_size / 2**20:.0f} MiB, "
            f"export {size_MiB:.0f} MiB in {exported_s:.0f} s\n"
        )
        measured: dict[str, list[dict[str, object]]] = {way: [] for way in WAYS}
        for _ in range(options.rounds):
            for way in WAYS:
                command = [sys.executable, __file__, "--measure", way, str(index_file), str(export)]
                done = subprocess.run(command, capture_output=True, text=True, check=True)
                measured[way].append(json.loads(done.stdout))
    lessons = {json.dumps(each["lesson"]) for results in measured.values() for each in results}
    if len(lessons) != 1:
        raise SystemExit("the ways do not give the same figures")
    for way, results in measured.items():
        seconds = [float(str(each["seconds"])) for each in results]
        alone = [float(str(each["seconds"])) for each in measured["arrow"]]
        ratio = median(mine / theirs for mine, theirs in zip(seconds, alone, strict=True))
        memory = [max(float(str(each[name])) for each in results) for name in ("MiB", "worker_MiB")]
        sys.stdout.write(
            f"{way:<10}{median(seconds):>7.1f} s{ratio:>7.2f} of arrow alone{memory[0]:>8.0f} MiB"
            f"{memory[1]:>8.0f} MiB a worker\n"
        )


if __name__ == "__main__":
    main()
