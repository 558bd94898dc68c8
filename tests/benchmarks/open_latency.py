"""How long after a coil has opened under power its supply is off, while it heats itself.

    python -m tests.benchmarks.open_latency --sets 25            # in virtual time, eight openings a set
    python -m tests.benchmarks.open_latency --sets 4 --wires     # in real time, over loopback TCP and serial

Each coil of an invented bench opens for good once its winding is some kelvin warmer than the workshop, at a
moment that knows nothing of readings and pulses. When it opened is the simulation's own truth, when its
supply was told to be off is noted on the wire. In virtual time exchanges take no time, over wires theirs.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest.mock import patch

import numpy as np

import daq.sim.bench
from daq.bench.assembly import Assembled, open_bench
from daq.bench.operator import AbsentOperator
from daq.config.load import load_rig
from daq.procedures.procedure import Procedure, Progress, Stage
from daq.procedures.soak.heat_limits import HeatCeilings
from daq.procedures.soak.self_heating import SelfHeating
from daq.procedures.soak.soak import CoilPlan, Soak, SoakPlan
from daq.record.writer import Reading
from daq.run.practice import practice_bench
from daq.sim.bench import SimBench
from tests.daq.kits.soak import rig_with

AMBIENT_DEGC = 22.0
#: The winding opens this much warmer, in kelvin.
WARMER_K = (4.0, 14.0)
LABELS = [f"Y{number}" for number in range(1, 9)]
SCRIPT = f"""\
about = "Invented: eight coils that open for good when hardly warm."
ambient_degC = {AMBIENT_DEGC}
[oven]
[supply]
[meter]
[thermometer]
[wiring]
power = [101, 102, 103, 104, 105, 106, 107, 108]
sense = [201, 202, 203, 204, 205, 206, 207, 208]
probe = [301, 302, 303, 304, 305, 306, 307, 308]
leak = [401, 402, 403, 404, 405, 406, 407, 408]
short = 209
[kinds.switching]
copper_ohm = 3.30
"""
COIL = """\
[[coils]]
label = "{label}"
kind = "switching"
heat_open = {{ opens_above_degC = {degC:.2f}, closes_below_degC = {closes:.2f} }}
"""
PLAN = SoakPlan(
    coils=tuple(CoilPlan(label, 4.0) for label in LABELS),
    voltage_V=8.4,
    heat_voltage_V=12.0,
    steps_degC=(60.0,),
    hold_s=0.0,
    max_step_s=900.0,
    hold_readings=1,
    drive_s=0.0,
    ceilings=HeatCeilings(100.0, 140.0),
    max_run_s=36000.0,
)


class _Nowhere:
    """A record and a screen that keep nothing."""

    def row(self, reading: Reading) -> None: ...

    def event(self, kind: str, text: str, coil: str = "") -> None: ...

    def progress(self, *_: object) -> None: ...


@contextmanager
def simulated(folder: Path, script: Path) -> Iterator[tuple[SimBench, Assembled]]:
    """Open a bench in this process, in virtual time."""
    built: list[SimBench] = []
    build = daq.sim.bench.build

    def kept(*args: object, **kwargs: object) -> SimBench:
        built.append(build(*args, **kwargs))  # type: ignore[arg-type]
        return built[0]

    with (
        patch.object(daq.sim.bench, "build", kept),
        open_bench(load_rig(rig_with(folder, script.name)), AbsentOperator(), lambda _: None) as assembled,
    ):
        yield built[0], assembled


@contextmanager
def on_wires(folder: Path, script: Path) -> Iterator[tuple[SimBench, Assembled]]:
    """Serve a bench in real time and open it over its wires."""
    with (
        practice_bench(folder, script, scale=1.0) as (sim, rig_file),
        open_bench(load_rig(rig_file), AbsentOperator(), lambda _: None) as assembled,
    ):
        yield sim, assembled


def latencies(sim: SimBench, assembled: Assembled) -> list[float]:
    """Heat each coil until it has opened; return how long each stayed on the supply then, in seconds."""
    off_s: list[float] = []
    _note_off(sim, off_s)
    procedure = Procedure(assembled.bench, _Nowhere(), _Nowhere())
    soak = Soak(procedure, PLAN)
    found = []
    for coil in PLAN.coils:
        off_s.clear()
        progress = Progress(_Nowhere(), [Stage("cold", 1.0), Stage("step", 1.0)])
        SelfHeating(soak, coil, progress, lambda: None).run()
        ((opened_s, _),) = sim.opens_s(coil.label)
        found.append(min(each for each in off_s if each >= opened_s) - opened_s)
    return found


def _note_off(sim: SimBench, off_s: list[float]) -> None:
    """Note in *off_s* when the supply of *sim* is told to be off."""
    supply = sim.peers["supply"]
    feed = supply.feed

    def tapped(data: bytes) -> bytes:
        reply = feed(data)
        if data.startswith(b"OUTP OFF"):
            off_s.append(sim.world.clock.monotonic())
        return reply

    supply.feed = tapped  # type: ignore[method-assign]


def measure(sets: int, opened: Callable[[Path, Path], object], seed: int) -> list[float]:
    """Return the latencies of *sets* sets of coils."""
    rng = random.Random(seed)
    found: list[float] = []
    for _ in range(sets):
        with tempfile.TemporaryDirectory() as name:
            script = Path(name) / "opening.toml"
            degC = [AMBIENT_DEGC + rng.uniform(*WARMER_K) for _ in LABELS]
            coils = [
                COIL.format(label=label, degC=each, closes=each - 60.0)
                for label, each in zip(LABELS, degC, strict=True)
            ]
            script.write_text(f"seed = {rng.randrange(10**6)}\n{SCRIPT}{''.join(coils)}", encoding="utf-8")
            with opened(Path(name), script) as (sim, assembled):  # type: ignore[attr-defined]
                found += latencies(sim, assembled)
    return found


def main() -> None:
    """Measure and print the distribution."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", type=int, default=25)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--wires", action="store_true")
    options = parser.parse_args()
    found = measure(options.sets, on_wires if options.wires else simulated, options.seed)
    median, late, most = np.quantile(found, [0.5, 0.95, 1.0])
    where = "over wires, real time" if options.wires else "virtual time"
    sys.stdout.write(
        f"{len(found)} openings, {where}: supply off after {median:.3f} s (median), {late:.3f} s (95 %), "
        f"{most:.3f} s (most)\n"
    )


if __name__ == "__main__":
    main()
