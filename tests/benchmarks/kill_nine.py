"""Kill a soak over loopback at random instants, look at its supply, and go on with it.

    python -m tests.benchmarks.kill_nine --kills 200 --seed 4

Each kill has a cold practice bench of its own and is kill -9 at an instant drawn from the whole length of a
soak: starting, heating, cooling, judging, drawing. What is measured is printed at the end; exit status 1 if a
supply was not off in time, a row that was on the disk is gone, or a resumed soak ends with other verdicts.
"""

from __future__ import annotations

import argparse
import json
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from daq.record.format import MANIFEST, READINGS
from daq.record.reader import read_run
from daq.sim.bench import SimBench
from tests.daq.kits.cli import finish, start
from tests.daq.kits.soak import ask, small_set
from tests.daq.kits.wire import alive, bench_on, children_of, wait_until

#: Virtual seconds a second. Faster, and a loaded machine would spoil the bench's sense of time.
SCALE = 400.0
COILS = ("Y1", "Y3", "Y5")
VERDICTS = {
    "Y1": ("pass", ["within-limits"]),
    "Y3": ("pass", ["within-limits"]),
    "Y5": ("fail", ["joint"]),
}
#: How long each coil is driven, in wall time.
POWERED_S = 60.0 / SCALE
OFF_WITHIN_S = 2.0
#: Longer than a soak takes on a loaded machine.
PATIENCE_S = 300.0

Verdicts = dict[str, tuple[str, list[str]]]


@dataclass(frozen=True)
class Instant:
    """When to kill: *delay_s* after the start, or after a coil was switched on *switch_on* times."""

    switch_on: int
    delay_s: float


@dataclass(frozen=True)
class Kill:
    """One kill: when, what was on, how long until off, what became of the rows and of the resumed soak."""

    instant: Instant
    was_on: bool
    off_s: float
    left_on: bool
    rows_gone: bool
    torn: bool
    since_row_s: float
    resumed: bool
    verdicts: Verdicts

    def failed(self) -> list[str]:
        """Return what went wrong."""
        told = {
            "left on": self.left_on,
            "off late": self.off_s > OFF_WITHIN_S,
            "rows gone": self.rows_gone,
            "other verdicts": self.verdicts != VERDICTS,
        }
        return [what for what, happened in told.items() if happened]


def soak_set(folder: Path) -> Path:
    """Write a set of three coils, one with a bad joint, whose soak is short; patient on slow machines."""
    return small_set(folder, *COILS, steps_degC="[60]", hold_s=60, max_step_s=36000, drive_s=60.0)


def verdicts(folder: Path) -> Verdicts:
    """Return verdict and reasons of each coil from a run that came to its end; of another, nothing."""
    if read_run(folder).state != "complete":
        return {}
    result = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    return {
        coil["coil"]: (coil["verdict"], [reason["code"] for reason in coil["reasons"]])
        for coil in result["coils"]
    }


def newest(out: Path) -> Path | None:
    """Return the newest run folder in *out*, if any."""
    folders = sorted(
        (path for path in out.glob("*Z-*") if path.is_dir()), key=lambda path: path.stat().st_mtime
    )
    return folders[-1] if folders else None


@contextmanager
def soaking(
    folder: Path, scale: float = SCALE
) -> Iterator[tuple[SimBench, subprocess.Popen[str], list[str | Path]]]:
    """Give bench, process and arguments of a soak that has been started; its runs go below *folder*."""
    with bench_on(folder, scale=scale) as (bench, rig):
        arguments: list[str | Path] = [
            "soak",
            "--rig",
            rig,
            "--set",
            soak_set(folder),
            "--out",
            folder / "runs",
        ]
        process = start(*arguments)
        try:
            yield bench, process, arguments
        finally:
            process.kill()
            process.communicate()


def length_s() -> float:
    """Return how long a whole soak takes here and now, wall time; its verdicts must be the right ones."""
    with tempfile.TemporaryDirectory() as place:
        began_s = time.monotonic()
        with soaking(Path(place)) as (_, process, _):
            said = finish(process, PATIENCE_S)
            assert said.status == 0, said
            folder = newest(Path(place) / "runs")
            assert folder is not None
            assert verdicts(folder) == VERDICTS, verdicts(folder)
        return time.monotonic() - began_s


def wait_for_instant(bench: SimBench, process: subprocess.Popen[str], instant: Instant) -> bool:
    """Wait for the instant of a kill; False if the soak is over before."""
    for _ in range(instant.switch_on):
        for wanted in (False, True):
            wait_until(
                lambda wanted=wanted: bench.output_on() == wanted or process.poll() is not None, "power"
            )
    time.sleep(instant.delay_s)
    return process.poll() is None


def kill_once(place: Path, instant: Instant, scale: float = SCALE) -> Kill | None:
    """Kill a soak at an instant, and go on with it; None if it was over by then."""
    with soaking(place, scale) as (bench, process, arguments):
        if not wait_for_instant(bench, process, instant):
            return None
        runs = place / "runs"
        companions = children_of(process.pid)
        folder = newest(runs)
        seen = b"" if folder is None else (folder / READINGS).read_bytes()
        was_on = bench.output_on()
        wrote_s = time.time() if folder is None else (folder / READINGS).stat().st_mtime
        killed_s = time.time()
        process.kill()
        off_s = wait_until(lambda: not bench.output_on(), "the supply to be off") if was_on else 0.0
        process.communicate()
        for companion in companions:
            wait_until(lambda companion=companion: not alive(companion), "the companion's end")
        left_on = bench.output_on() or ask(bench, "oven", "OUTP?") == "1"
        folder = newest(runs)
        after = b"" if folder is None else (folder / READINGS).read_bytes()
        if folder is not None and (folder / MANIFEST).exists():
            resumed, last = False, folder  # killed while saying goodbye
        else:
            resumed = folder is not None
            again = start(*arguments, *(["--resume", folder] if resumed else []))
            finish(again, PATIENCE_S)
            last = newest(runs)
        return Kill(
            instant=instant,
            was_on=was_on,
            off_s=off_s,
            left_on=left_on,
            rows_gone=not after.startswith(seen),
            torn=not after.endswith(b"\n") and bool(after),
            since_row_s=killed_s - wrote_s,
            resumed=resumed,
            verdicts={} if last is None else verdicts(last),
        )


def kills(count: int, seed: int) -> Iterator[Kill]:
    """Make *count* kills: half at any instant of the whole, half after a coil was switched on."""
    rng = random.Random(seed)
    whole_s = length_s()
    made = 0
    while made < count:
        powered = rng.random() < 0.5
        instant = Instant(
            switch_on=rng.randint(1, len(COILS)) if powered else 0,
            delay_s=rng.uniform(0.0, POWERED_S if powered else whole_s),
        )
        with tempfile.TemporaryDirectory() as place:
            kill = kill_once(Path(place), instant)
        if kill is not None:
            made += 1
            yield kill


def say(text: str) -> None:
    """Print one line at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def main() -> int:
    """Kill, print, judge."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=4)
    asked = parser.parse_args()
    done: list[Kill] = []
    for kill in kills(asked.kills, asked.seed):
        done.append(kill)
        say(f"{len(done):4d} {kill.instant}, off {kill.off_s:.3f} s {kill.failed() or ''}")
    on = [kill for kill in done if kill.was_on]
    say(f"{len(done)} kills, {len(on)} with a coil under power, {sum(kill.resumed for kill in done)} resumed")
    if on:
        offs = [kill.off_s for kill in on]
        say(f"off after: median {statistics.median(offs):.3f} s, longest {max(offs):.3f} s")
    since_s = [kill.since_row_s for kill in done if kill.resumed]
    say(f"last row before the kill: median {statistics.median(since_s):.2f} s, longest {max(since_s):.2f} s")
    for what, count in Counter(what for kill in done for what in kill.failed()).items():
        say(f"{what}: {count}")
    say(f"torn rows: {sum(kill.torn for kill in done)}")
    return 1 if any(kill.failed() for kill in done) else 0


if __name__ == "__main__":
    sys.exit(main())
