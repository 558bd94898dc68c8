"""One short soak of two coils under a schedule of faults, and what must hold in the end whatever happened."""

from __future__ import annotations

import io
import json
import random
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console

import daq.run.execute
import daq.sim.bench
from daq.bench.guard.guard import OUTPUT_UNKNOWN
from daq.bench.guard.oven_guard import OVEN_HOT, OVEN_ON
from daq.clock import VirtualClock
from daq.errors import CoilsoakError
from daq.record.reader import read_run
from daq.record.rows import Readings
from daq.run.alarms import UNSAFE
from daq.run.execute import RunRequest, execute
from daq.screen.live import RunScreen
from daq.sim.bench import SimBench
from tests.daq.kits.fault_layer import BENCH, FOREVER_S, LYING, WIRE, Fault, Layer
from tests.daq.kits.soak import only_judged, rig_with

BODY_DEGC, WINDING_DEGC = 50.0, 60.0
#: Most that can heat the winding: the test voltage's square over the resistance, into the winding alone.
#: 12 V into 3.3 ohm and 18 J/K; a coil of which half is shorted carries no more than the current limit.
FASTEST_K_PER_S = 12.0 * 3.5 / 18.0
#: A row a second; a reading that does not come is waited for twice (2 s each) before the supply goes off.
INTERVAL_S = 6.0
#: So much the winding may pass its ceiling by.
ALLOWED_K = FASTEST_K_PER_S * INTERVAL_S

SCRIPT = """\
about = "Invented: two small coils for schedules of faults."
seed = 1
ambient_degC = 22.0
[oven]
heating_K_per_min = 12.0
[supply]
[meter]
[thermometer]
[wiring]
power = [101, 102]
sense = [201, 202]
probe = [301, 302]
leak = [401, 402]
short = 209
[kinds.switching]
copper_ohm = 3.30
spread_rel = 0.005
[kinds.switching.thermal]
body_J_per_K = 12.0
core_J_per_K = 4.0
still_air_W_per_K = 0.5
[[coils]]
label = "Y1"
kind = "switching"
[[coils]]
label = "Y2"
kind = "switching"
"""

SET = """\
name = "two coils (invented)"
heat = "oven"
system_V = 12.0
[test]
voltage_V = 8.4
steps_degC = [40]
hold_s = 10
max_step_s = 900
hold_readings = 2
drive_s = 0.5
[limits]
body_degC = {body}
winding_degC = {winding}
[kinds.switching]
r20_ohm = 3.30
r20_tolerance_rel = 0.10
max_current_A = 3.5
[[coils]]
label = "Y1"
kind = "switching"
[[coils]]
label = "Y2"
kind = "switching"
"""


@dataclass
class Ended:
    """How a run under faults ended, against the simulation's own truth."""

    layer: Layer
    screen: str
    status: int
    said: str = ""
    folder: Path | None = None
    #: The hottest a winding became, and how far above the setpoint the oven's air, before an alarm stood.
    peak_degC: float = -300.0
    over_setpoint_K: float = -300.0
    #: The alarm that stands in the end.
    alarm: str = ""
    complaints: list[str] = field(default_factory=list)

    @property
    def bench(self) -> SimBench:
        """The bench it ran on."""
        return self.layer.bench

    @property
    def excess_K(self) -> float:
        """How far the hottest winding came above its ceiling; negative below it."""
        return self.peak_degC - WINDING_DEGC

    @property
    def outcome(self) -> str:
        """How it ended, in the words of the table in ``tests/benchmarks/README.md``."""
        if self.alarm:
            return "alarm stands, exit status 3"
        return {0: "soak went on to its end", 2: "refused at the start, exit status 2"}.get(
            self.status, "made safe, exit status 3"
        )

    @property
    def alarm_stays(self) -> bool:
        """Whether an alarm stands before the last thing that was said, with exit status 3."""
        lines = [line for line in self.screen.splitlines() if line.strip()]
        return bool(self.alarm) and lines[-1].startswith(self.alarm) and self.status == 3

    def verdicts(self) -> dict[str, str]:
        """Return the verdict of each coil, as the record has it."""
        assert self.folder is not None
        told = json.loads((self.folder / "result.json").read_text(encoding="utf-8"))
        return {coil["coil"]: coil["verdict"] for coil in told["coils"]}


@dataclass(frozen=True)
class Inputs:
    """The files of the runs."""

    rig: Path
    coil_set: Path


def files(folder: Path) -> Inputs:
    """Write rig, fault script and coil set into *folder*."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "two_coils.toml").write_text(SCRIPT, encoding="utf-8")
    # The same set in either way: whoever asks says how to heat.
    path = folder / "two_coils_set.toml"
    path.write_text(SET.format(body=BODY_DEGC, winding=WINDING_DEGC), encoding="utf-8")
    return Inputs(rig_with(folder, "two_coils.toml"), path)


#: Faults under which whatever the record says must still be true: bytes come late, twice or not at all.
HONEST = {*WIRE} - {"corrupt command", "corrupt reply", "garbage"}
#: So many schedules have something in them that lies or refuses.
LYING_SHARE = 0.5
#: Exchanges with an oven whose air is looked at all along.
OVEN_LOOKS = 90
#: Exchanges of each instrument in a run without faults, by way of heating; measured, rounded down.
USUAL = {
    "oven": {"supply": 80, "meter": 1300, "switch": 1300, "oven": 14},
    "supply": {"supply": 17000, "meter": 3400, "switch": 2500, "oven": 5},
}


def schedule(seed: int, *, lies: bool = True) -> tuple[str, tuple[Fault, ...]]:
    """Draw the way of heating and one to three faults from *seed*, and with *lies* perhaps one of LYING."""
    rng = random.Random(seed)
    heat = rng.choice(["oven", "supply"])
    faults = []
    for _ in range(rng.choice([1, 1, 1, 2, 3])):
        where = rng.choice(list(USUAL[heat]))
        kind = rng.choice(WIRE) if rng.random() < 0.6 else rng.choice(BENCH)
        at = rng.randrange(USUAL[heat][where])
        times = rng.choice([1, 1, 2, 3, 10])
        lasting_s = rng.choice([0.3, 1.0, 4.0, 15.0, 60.0, FOREVER_S])
        if kind == "delay":
            lasting_s = min(lasting_s, 15.0)
        faults.append(Fault(kind, where, at, times, lasting_s))
    # By a generator of their own: what older seeds drew stays.
    more = random.Random(f"{seed} lies")
    if lies and more.random() < LYING_SHARE:
        kind = more.choice([kind for kind in LYING if heat == "oven" or not kind.startswith("oven")])
        where = "oven" if kind.startswith("oven") else more.choice(list(USUAL[heat]))
        where = "supply" if kind == "consistent liar" else where
        at = more.randrange(OVEN_LOOKS if (heat, where) == ("oven", "oven") else USUAL[heat][where])
        faults.append(Fault(kind, where, at, more.choice([1, 2, 10])))
    return heat, tuple(faults)


def run_with(out: Path, heat: str, faults: tuple[Fault, ...], seed: int, inputs: Inputs) -> Ended:
    """Do a soak under *faults* and hold what came of it to the truth."""
    layers: list[Layer] = []
    build = daq.sim.bench.build
    peak, over = [-300.0], [-300.0]
    alarmed: list[str] = []
    alarm = RunScreen.alarm

    def note(screen: RunScreen, text: str) -> None:
        alarmed.extend(each for each in UNSAFE if each in text)
        alarm(screen, text)

    def between(*args: Any, **kwargs: Any) -> SimBench:
        bench = build(*args, **kwargs)
        layers.append(Layer(bench, faults, seed))
        bench_world: Any = bench.world
        flow = bench_world._flow

        def watched(dt_s: float, *, live: bool) -> None:
            flow(dt_s, live=live)
            if not alarmed:
                peak[0] = max(peak[0], *bench_world.bank.windings_degC())
                if bench_world.oven is not None and bench_world.oven.on:
                    over[0] = max(over[0], bench_world.oven.air_degC - bench_world.oven.setpoint_degC)

        bench_world._flow = watched
        return SimBench(bench.world, layers[0].peers, bench.seed)

    request = RunRequest(
        kind="soak",
        command="coilsoak soak",
        out=out,
        rig=inputs.rig,
        coil_set=inputs.coil_set,
        heat=heat,
        seed=seed,  # type: ignore[arg-type]
    )
    console = Console(file=io.StringIO(), width=300)
    status, said, folder, stands = 0, "", None, ""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(daq.sim.bench, "build", between)
        patch.setattr(daq.run.execute, "judgement_files", only_judged)
        patch.setattr(RunScreen, "alarm", note)
        try:
            outcome = execute(request, console)
        except CoilsoakError as exc:
            status, said = exc.exit_status, str(exc)
        else:
            folder, stands = outcome.folder, outcome.alarm
            if outcome.error is not None:
                status, said = outcome.error.exit_status, str(outcome.error)
    assert isinstance(console.file, io.StringIO)
    folders = sorted(out.iterdir()) if out.exists() else []
    ended = Ended(
        layers[0],
        console.file.getvalue(),
        status,
        said,
        folder or (folders[-1] if folders else None),
        peak[0],
        over[0],
        stands,
    )
    ended.complaints = list(complaints(ended))
    return ended


def complaints(ended: Ended) -> list[str]:
    """Return what is not as it must be after any faults whatever."""
    bench, found = ended.bench, []
    clock = bench.world.clock
    assert isinstance(clock, VirtualClock)
    clock.sleep(0.5)  # what was switched off falls within this
    if bench.output_V() > 0.05 and not (OUTPUT_UNKNOWN in ended.alarm and ended.alarm_stays):
        found.append(f"output left on at {bench.output_V():.1f} V, status {ended.status}")
    if bench.oven_left_on() and not ({OVEN_ON, OVEN_HOT} & {*ended.alarm.split("; ")} and ended.alarm_stays):
        found.append(f"oven left on, status {ended.status}")
    if ended.alarm and not ended.alarm_stays:
        found.append(f"an alarm that does not stay, status {ended.status}")
    if ended.excess_K > ALLOWED_K:
        found.append(f"winding at {ended.peak_degC:.1f} degC")
    if bench.contacts_moved_under_current:
        found.append(f"{bench.contacts_moved_under_current} contacts moved under current")
    if "\n" in ended.said:
        found.append("a message of several lines")
    if ended.status == 2 and ended.folder is not None:
        found.append("status 2, and yet a run was begun")
    if ended.folder is not None:
        read = read_run(ended.folder)
        if read.state not in {"complete", "fault", "stopped"}:
            found.append(f"record says {read.state}")
        if read.problems:
            found.append(f"record: {read.problems[0]}")
        if {fault.kind for fault in ended.layer.happened} <= HONEST:
            found += [f"row {row}" for row in _untrue(read.readings)]
    return found


def _untrue(readings: Readings) -> list[str]:
    """Return the readings that cannot be: an answer taken for that to another question."""
    rows = zip(readings.time_s, readings.resistance_ohm, readings.probe_degC, readings.voltage_V, strict=True)
    return [
        f"at {time_s:.3f} s: {ohm:.4g} ohm, {probe_degC:.4g} degC, {volts:.4g} V"
        for time_s, ohm, probe_degC, volts in rows
        if not all(
            np.isnan(value) or least < value < most
            for value, least, most in ((ohm, 3.1, 4.2), (probe_degC, 20.0, BODY_DEGC), (volts, -0.01, 12.1))
        )
    ]
