"""How fast runs are found among 100,000, against what a search without an index has to do, in one run.

    python tests/benchmarks/log_search.py --runs 100000 --layout flat

Run folders are invented: a header of their own each, manifest and result linked from a few hundred, which are
as large as those of a real sweep. Printed are seconds and the ratio to finding every header by os.scandir,
reading none: the first search, which reads every folder; later ones with nothing new, with one new run, and
with every 100th run open; and the questions alone, without looking for changes. Everything lies in the
system's cache here; on a cold disk or a network drive walk and first search are slower alike, and the others
by what the folders looked at cost. Goal: a search with nothing new within 1 s.
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from statistics import median

import msgspec

from daq.archive.log.index import with_index
from daq.archive.log.refresh import UNSURE_S
from daq.archive.log.search import Found, Wanted, search
from daq.record.format import HEADER, MANIFEST, RESULT, json_text
from tests.daq.kits.log import coil, make_run, manifest
from tests.daq.kits.record import START, header

#: So many results are linked from, each with so many coils.
POOL, COILS = 300, 8
#: As much as a real result of eight coils says beside what the log reads, in bytes.
FILLING = 41_000
QUESTIONS = {
    "everything": Wanted(),
    "one job": Wanted(job="j-000777"),
    "one serial": Wanted(serial="s-123-4"),
    "serial begins": Wanted(serial="s-12*"),
    "failed of a kind": Wanted(kind="SWITCHING", verdict="fail"),
    "label in one month": Wanted(coil="y3", since=date(2026, 3, 1), until=date(2026, 3, 31)),
}


def make_runs(root: Path, runs: int, layout: str) -> None:
    """Make *runs* folders in *root* (flat), or in a folder for each job of four runs (jobs)."""
    rng = random.Random(5)
    pool = root.parent / "pool"
    pool.mkdir()
    for number in range(POOL):
        coils = [
            coil(
                f"Y{place + 1}",
                rng.choices(["pass", "fail", "retest"], [90, 8, 2])[0],
                serial=f"S-{number:03}-{place}",
                r20_ohm=rng.gauss(3.3, 0.01),
            )
            for place in range(COILS)
        ]
        (pool / f"{number}.json").write_bytes(json_text({"coils": coils, "notes": ["x" * FILLING]}))
        (pool / f"manifest{number}.json").write_bytes(manifest())
    started = START.isoformat().replace("+00:00", "Z")
    blank = msgspec.json.encode(header(job="@")).decode()
    for number in range(runs):
        job, start = f"J-{number // 4:06}", START + timedelta(minutes=7 * number)
        folder = (root / job if layout == "jobs" else root) / f"{start:%Y%m%dT%H%M%SZ}-{job}-as-received"
        folder.mkdir(parents=True)
        text = blank.replace("@", job).replace(started, start.isoformat())
        (folder / HEADER).write_text(text, encoding="utf-8")
        os.link(pool / f"{number % POOL}.json", folder / RESULT)
        os.link(pool / f"manifest{number % POOL}.json", folder / MANIFEST)


def walk(folder: str) -> int:
    """Return how many headers are below *folder*."""
    with os.scandir(folder) as entries:
        inside = list(entries)
    if any(entry.name == HEADER for entry in inside):
        return 1
    return sum(walk(entry.path) for entry in inside if entry.is_dir(follow_symlinks=False))


def seconds(action: Callable[[], object]) -> float:
    """Return the wall seconds that *action* takes."""
    began_s = time.perf_counter()
    action()
    return time.perf_counter() - began_s


def ask(root: Path, wanted: Wanted) -> Found:
    """Search as `coilsoak log` does."""
    return with_index(root, lambda index: search(index, wanted, 20), lambda _: None)


def main() -> None:
    """Print the times and ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=100_000)
    parser.add_argument("--layout", choices=["flat", "jobs"], default="flat")
    parser.add_argument("--rounds", type=int, default=5)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as parent:
        os.environ["XDG_CACHE_HOME"] = str(Path(parent) / "cache")
        root = Path(parent).resolve() / "runs"
        root.mkdir()
        sys.stdout.write(f"made in {seconds(lambda: make_runs(root, options.runs, options.layout)):.0f} s\n")
        time.sleep(UNSURE_S)  # or the folders would be too new to be trusted
        walked_s = median(seconds(lambda: walk(str(root))) for _ in range(options.rounds))
        sys.stdout.write(f"{'walk alone':<28}{walked_s:>9.3f} s\n")

        def show(name: str, action: Callable[[], object], rounds: int = options.rounds) -> None:
            taken_s = median(seconds(action) for _ in range(rounds))
            sys.stdout.write(f"{name:<28}{taken_s:>9.3f} s{taken_s / walked_s:>9.3f} of the walk\n")

        show("first search", lambda: ask(root, Wanted()), rounds=1)
        for name, wanted in QUESTIONS.items():
            show(f"nothing new: {name}", lambda wanted=wanted: ask(root, wanted))  # type: ignore[misc]
        make_run(root, "one-more", job="new")
        show("one new run", lambda: ask(root, Wanted(job="new")), rounds=1)
        folders = sorted(path.parent for path in root.rglob(MANIFEST))
        for folder in folders[::100]:
            (folder / MANIFEST).unlink()
        with_index(root, lambda _: None, lambda _: None, rebuild=True)
        time.sleep(UNSURE_S)
        ask(root, Wanted())
        show("every 100th run open", lambda: ask(root, Wanted()))
        size_MiB = sum(path.stat().st_size for path in (Path(parent) / "cache").rglob("*.sqlite")) / 2**20
    peak_MiB = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    sys.stdout.write(f"{options.runs} runs; index {size_MiB:.0f} MiB, peak {peak_MiB:.0f} MiB\n")


if __name__ == "__main__":
    main()
