"""Puts a soak on this bench as a user would, and tells what the program said and what was true."""

from __future__ import annotations

import contextlib
import csv
import json
import math
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from tests.outside.bench import LEAK, POWER, PROBE, SENSE, SHORT, Bench, Trigger, Truth
from tests.outside.faults import Fault
from tests.outside.instruments import (
    FieldMeterPanel,
    Instrument,
    LabelThermometerPanel,
    ListSwitchPanel,
    MeterPanel,
    OvenPanel,
    SupplyPanel,
    SwitchPanel,
    ThermometerPanel,
    WordSupplyPanel,
)
from tests.outside.physics import sound_coil
from tests.outside.server import Line

ROOT = Path(__file__).parents[2]
#: Kind, nominal R20 in ohm, ceiling of the current in A: an invented winch-and-blade manifold, 12 V.
KINDS = {"lift": (4.10, 3.0), "tilt": (7.20, 1.8)}
WATCH_S = 60.0
#: Whoever pulled the plug sees the alarm stand for so long (of bench time), then presses Ctrl-C so often.
LEAVE_S, TIMES = 600.0, 2
ALARM = re.compile(r"by hand|pull (?:the|its) plug|von Hand", re.IGNORECASE)


@dataclass
class Rig:
    """All that stands on one bench: what it truly is, its instruments and their lines."""

    bench: Bench
    supply: SupplyPanel
    meter: MeterPanel
    switch: SwitchPanel
    oven: OvenPanel | None
    probe: ThermometerPanel
    lines: dict[str, Line]

    def end(self) -> None:
        """Close lines and stop the clock."""
        for line in self.lines.values():
            line.end()
        self.bench.end()


@dataclass(frozen=True)
class Expected:
    """What must be said of a coil: one of these verdicts, with a reason that a pattern finds."""

    verdicts: tuple[str, ...]
    reason: str = ""


@dataclass(frozen=True)
class Needs:
    """What must come of a fault of the bench; None: not asked.

    Times are bench time from the fault on. Where the program has no means left an alarm within the time
    does, which has a hand pull the plugs.
    """

    status: int | None = None
    safe_s: float | None = None
    alarm_s: float | None = None
    air_degC: float | None = None
    event: str = ""


@dataclass
class Case:
    """What is put on the bench and what happens to it.

    The program gets a Ctrl-C ``longest_s`` after its start or ``enough_s`` after its fault. A hand pulls the
    plugs ``hand_after_s`` after an alarm.
    """

    name: str
    heat: str = "oven"
    faults: dict[str, list[Fault]] = field(default_factory=dict)
    prepare: Callable[[Rig], None] | None = None
    triggers: Callable[[Rig], list[Trigger]] | None = None
    coils: tuple[str, ...] = ("Y1", "Y2", "Y3", "Y4", "Y5", "Y6", "Y7", "Y8")
    companion: bool = True
    other_dialects: bool = False
    steps_degC: tuple[int, ...] = (60, 90)
    hold_s: float = 240.0
    scale: float = 60.0
    seed: int = 1
    test: dict[str, Any] = field(default_factory=dict)
    hand_after_s: float | None = 120.0
    longest_s: float = 9000.0
    bad: dict[str, Expected] = field(default_factory=dict)
    needs: Needs = Needs(status=0)
    enough_s: float | None = None
    timeout_s: float = 5.0


@dataclass
class Outcome:
    """What came of a case, as the program told it and as it was."""

    case: str
    status: int | None
    screen: str
    folder: Path | None
    verdicts: dict[str, str]
    reasons: dict[str, list[str]]
    events: list[dict[str, str]]
    truth: Truth
    ended_s: float
    fault_s: float | None
    safe_s: float | None
    driven_at_end: bool
    heated_at_end: bool
    driven_later: bool
    heated_later: bool
    alarm_s: float | None
    alarm_at_end: bool
    hand_s: float | None
    overdue: bool
    left_over: list[str]
    wall_s: float
    hottest_after_fault_degC: dict[str, float]

    def text(self, label: str) -> str:
        """All reasons for one coil in one line."""
        return "; ".join(self.reasons.get(label, []))

    def row(self) -> dict[str, Any]:
        """The whole as one flat row for a table."""
        return {
            "case": self.case,
            "status": self.status,
            "verdicts": self.verdicts,
            "reasons": self.reasons,
            "driven_at_end": self.driven_at_end,
            "heated_at_end": self.heated_at_end,
            "driven_later": self.driven_later,
            "heated_later": self.heated_later,
            "alarm_after_s": None
            if self.alarm_s is None or self.fault_s is None
            else round(self.alarm_s - self.fault_s, 1),
            "alarm_at_end": self.alarm_at_end,
            "fault_to_safe_s": None if self.safe_s is None else round(self.safe_s, 1),
            "hand": self.hand_s is not None,
            "overdue": self.overdue,
            "moved": [(round(m.at_s, 1), m.channel, round(m.current_A, 2)) for m in self.truth.moved][:5],
            "moved_count": len(self.truth.moved),
            "ohms_driven": self.truth.ohms_driven,
            "hottest": [
                round(t, 1)
                for t in (
                    self.truth.hottest_winding_degC,
                    self.truth.hottest_body_degC,
                    self.truth.hottest_air_degC,
                )
            ],
            "longest_drive_s": round(max((b - a for a, b in self.truth.drives), default=0.0), 1),
            "protection": (self.truth.protection_V, self.truth.protection_A),
            "bench_s": round(self.ended_s),
            "wall_s": round(self.wall_s, 1),
            "left_over": self.left_over,
        }


def build(case: Case) -> Rig:
    """Build the bench of a case with all its instruments listening."""
    rng = np.random.default_rng(case.seed)
    coils = []
    for label in case.coils:
        kind = "lift" if int(label[1:]) <= 5 else "tilt"
        coil = sound_coil(label, kind, KINDS[kind][0], rng)
        coil.faults = list(case.faults.get(label, []))
        coils.append(coil)
    bench = Bench(coils, seed=case.seed + 1000, scale=case.scale, oven=case.heat == "oven")
    other = case.other_dialects
    supply = (WordSupplyPanel if other else SupplyPanel)(bench, case.seed + 1)
    meter = (FieldMeterPanel if other else MeterPanel)(bench, case.seed + 2)
    switch = (ListSwitchPanel if other else SwitchPanel)(bench, case.seed + 3)
    probe = (LabelThermometerPanel if other else ThermometerPanel)(bench, case.seed + 4)
    oven = OvenPanel(bench, case.seed + 5) if case.heat == "oven" else None
    panels: dict[str, Instrument | None] = {
        "supply": supply,
        "meter": meter,
        "switch": switch,
        "probe": probe,
        "oven": oven,
    }
    lines = {name: Line(panel) for name, panel in panels.items() if panel is not None}
    return Rig(bench, supply, meter, switch, oven, probe, lines)


def write_files(case: Case, rig: Rig, folder: Path) -> tuple[Path, Path]:
    """Write rig file and coil-set file as a user would; return both paths."""
    lines = rig.lines
    dialect = {name: line.instrument.dialect for name, line in lines.items()}
    out = [
        'name = "outside bench (invented)"',
        f"time_scale = {float(case.scale)}",
        f"companion = {str(case.companion).lower()}",
        "[limits]",
        "voltage_V = 14.0\ncurrent_A = 5.0\nbody_degC = 110.0\nwinding_degC = 150.0",
    ]
    for name in ("supply", "meter", "oven", "probe", "switch"):
        if name not in lines:
            continue
        out += [f"[{name}]", f'resource = "{lines[name].resource}"', f'dialect = "{dialect[name]}"']
        # A link waits by the wall, whatever the bench's time does.
        out.append(f"timeout_s = {case.timeout_s}")
        if name == "meter":
            out.append("wires = 4\nnplc = 10.0\nquick_nplc = 1.0\nrange_ohm = 100.0\nrange_V = 100.0")
            out.append("mains_Hz = 50\ncalibrated = 2026-06-01")
            out.append("[meter.accuracy]\nreading_rel = 0.0001\nrange_rel = 0.00004\nnoise_ohm = 0.0005")
            out.append("volts_rel = 0.0001")
        if name == "supply":
            out.append(
                "calibrated = 2026-06-01\n[supply.accuracy]\ncurrent_rel = 0.001\ncurrent_offset_A = 0.002"
            )
        if name == "probe":
            out.append('kind = "instrument"\naccuracy_K = 0.6\nnoise_K = 0.05\ncalibrated = 2026-06-01')
    out.append(f"short = {SHORT}")
    for table, group in (("power", POWER), ("sense", SENSE), ("probe", PROBE), ("leak", LEAK)):
        out.append(f"[switch.{table}]")
        out += [f"{label} = {group + i + 1}" for i, label in enumerate(case.coils)]
    rig_path = folder / "rig.toml"
    rig_path.write_text("\n".join(out) + "\n", encoding="utf-8")
    test = {
        "voltage_V": 8.4,
        "steps_degC": list(case.steps_degC),
        "hold_s": case.hold_s,
        "max_step_s": 2400.0,
        "hold_readings": 5,
        "drive_s": 2.0,
        **case.test,
    }
    coil_set = ['name = "outside set (invented)"', f'heat = "{case.heat}"', "system_V = 12.0", "[test]"]
    coil_set += [f"{key} = {json.dumps(value)}" for key, value in test.items()]
    coil_set.append("[limits]\nbody_degC = 100.0\nwinding_degC = 140.0")
    for kind in sorted({coil.kind for coil in rig.bench.coils}):
        r20, most = KINDS[kind]
        coil_set.append(f"[kinds.{kind}]\nr20_ohm = {r20}\nr20_tolerance_rel = 0.10\nmax_current_A = {most}")
        coil_set.append(
            "joint_max_ohm = 0.10\npeer_max_ohm = 0.12\ndrift_max_rel = 0.01\nleakage_min_ohm = 1e6"
        )
    for coil in rig.bench.coils:
        coil_set.append(
            f'[[coils]]\nlabel = "{coil.label}"\nkind = "{coil.kind}"\nserial = "SG-{coil.label[1:]}"'
        )
    set_path = folder / "coil_set.toml"
    set_path.write_text("\n".join(coil_set) + "\n", encoding="utf-8")
    return rig_path, set_path


class Screen:
    """What the program writes, with the bench's time of each line."""

    def __init__(self, process: subprocess.Popen[bytes], bench: Bench) -> None:
        self.lines: list[tuple[float, str]] = []
        self.alarm_s: float | None = None
        self._bench = bench
        self._process = process
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for raw in self._process.stdout:
            text = raw.decode("utf-8", "replace")
            now_s = self._bench.clock_s()
            self.lines.append((now_s, text))
            if self.alarm_s is None and ALARM.search(text):
                self.alarm_s = now_s

    def text(self) -> str:
        """All of it."""
        return "".join(text for _, text in list(self.lines))

    def join(self) -> None:
        """Wait until the last writer has closed."""
        self._thread.join(5.0)


def soak(case: Case, folder: Path, command: str = "soak") -> Outcome:
    """Run one case to its end and tell what came of it; nothing is left running."""
    folder.mkdir(parents=True, exist_ok=True)
    rig = build(case)
    bench = rig.bench
    try:
        if case.prepare:
            case.prepare(rig)
        if case.triggers:
            bench.triggers = case.triggers(rig)
        rig_path, set_path = write_files(case, rig, folder)
        return _run(case, rig, folder, [command, "--rig", str(rig_path), "--set", str(set_path)])
    finally:
        rig.end()


def _run(case: Case, rig: Rig, folder: Path, arguments: list[str]) -> Outcome:
    bench = rig.bench
    began = time.monotonic()
    bench.begin()
    # At life's own pace the program asks for somebody at a terminal.
    hand, terminal = os.openpty()
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "daq", *arguments, "--out", str(folder / "runs")],
        cwd=ROOT,
        stdin=terminal,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        start_new_session=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1", "COLUMNS": "200", "MPLBACKEND": "agg"},
    )
    screen = Screen(process, bench)
    assert process.stdout is not None
    os.write(hand, b"y\n" * 3)
    try:
        hand_s, overdue = _wait(case, rig, process, screen)
        ended_s = bench.clock_s()
        with bench.lock:
            bench.advance()
            driven_at_end = bench.supply.out_A > 0.05
            heated_at_end = bench.oven is not None and bench.oven.heater_now_W > 1.0
            last_screen = [text for at_s, text in screen.lines if at_s > ended_s - 400.0][-12:]
        bench.sleep(WATCH_S)
        with bench.lock:
            bench.advance()
            driven_later = bench.supply.out_A > 0.05
            heated_later = bench.oven is not None and bench.oven.heater_now_W > 1.0
        screen.join()
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
        left_over = end_strays(folder)
        process.stdout.close()
        os.close(terminal)
        os.close(hand)
    return _outcome(
        case=case,
        bench=bench,
        screen=screen,
        process=process,
        folder=folder,
        flags=(driven_at_end, heated_at_end, driven_later, heated_later),
        ended_s=ended_s,
        hand_s=hand_s,
        overdue=overdue,
        left_over=left_over,
        alarm_at_end=bool(ALARM.search("".join(last_screen))),
        wall_s=time.monotonic() - began,
    )


def _wait(
    case: Case, rig: Rig, process: subprocess.Popen[bytes], screen: Screen
) -> tuple[float | None, bool]:
    """Wait for the program; act as the alarm says after a time, and stop it when it is overdue."""
    bench = rig.bench
    hand_s: float | None = None
    told_to_go = 0
    stopped = overdue = False
    while process.poll() is None:
        time.sleep(0.01)
        now_s = bench.clock_s()
        if now_s > case.longest_s + 90.0 * case.scale:
            process.kill()
            overdue = True
        due = case.hand_after_s is not None and screen.alarm_s is not None
        if due and hand_s is None and now_s > screen.alarm_s + case.hand_after_s:
            hand_s = now_s
            pull_plugs(rig)
        # Where nothing can prove to the program that the plug is out, it stays until it is told twice.
        if (
            hand_s is not None
            and told_to_go < TIMES
            and now_s > hand_s + LEAVE_S + told_to_go * 1.5 * case.scale
        ):
            told_to_go += 1
            process.send_signal(signal.SIGINT)
        judging = "drawing the report" in screen.text()
        if stopped or judging:
            continue
        fault_s = min((t.at_s for t in bench.triggers if t.at_s is not None), default=math.inf)
        enough = case.enough_s is not None and now_s > fault_s + case.enough_s
        if enough or now_s > case.longest_s:
            stopped, overdue = True, not enough
            process.send_signal(signal.SIGINT)
    return hand_s, overdue


def pull_plugs(rig: Rig) -> None:
    """Do as a hand does that was called: supply and oven off at the wall."""
    with rig.bench.lock:
        rig.bench.supply.plugged = False
        if rig.bench.oven is not None:
            rig.bench.oven.plugged = False


def end_strays(folder: Path) -> list[str]:
    """End what the run has left running, known by the run's own folder on its command line."""
    found = []
    for entry in Path("/proc").iterdir() if Path("/proc").is_dir() else []:
        if not entry.name.isdigit() or int(entry.name) == os.getpid():
            continue
        with contextlib.suppress(OSError):
            text = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode("utf-8", "replace")
            if str(folder) in text:
                found.append(text)
                os.kill(int(entry.name), signal.SIGKILL)
    return found


def _outcome(
    *,
    case: Case,
    bench: Bench,
    screen: Screen,
    process: subprocess.Popen[bytes],
    folder: Path,
    flags: tuple[bool, bool, bool, bool],
    ended_s: float,
    hand_s: float | None,
    overdue: bool,
    left_over: list[str],
    alarm_at_end: bool,
    wall_s: float,
) -> Outcome:
    runs = sorted((folder / "runs").glob("*/")) if (folder / "runs").is_dir() else []
    run = runs[-1] if runs else None
    verdicts: dict[str, str] = {}
    reasons: dict[str, list[str]] = {}
    events: list[dict[str, str]] = []
    if run is not None and (run / "result.json").is_file():
        for coil in json.loads((run / "result.json").read_text(encoding="utf-8"))["coils"]:
            verdicts[coil["coil"]] = coil["verdict"]
            reasons[coil["coil"]] = [f"{r['code']}: {r['text']}" for r in coil["reasons"]]
    if run is not None and (run / "events.csv").is_file():
        with (run / "events.csv").open(encoding="utf-8", newline="") as file:
            events = list(csv.DictReader(file))
    fault_s = min((t.at_s for t in bench.triggers if t.at_s is not None), default=None)
    truth = bench.truth
    safe_s = None
    if fault_s is not None and not (flags[0] or flags[1] or flags[2] or flags[3]):
        safe_s = max(truth.last_current_s, truth.last_heat_s, fault_s) - fault_s
    after = [row for row in truth.rows if fault_s is not None and row[0] >= fault_s]
    hottest = {
        name: max((row[column] for row in after), default=float("nan"))
        for name, column in (("air", 1), ("body", 2), ("winding", 3))
    }
    return Outcome(
        case=case.name,
        status=process.returncode,
        screen=screen.text(),
        folder=run,
        verdicts=verdicts,
        reasons=reasons,
        events=events,
        truth=truth,
        ended_s=ended_s,
        fault_s=fault_s,
        safe_s=safe_s,
        driven_at_end=flags[0],
        heated_at_end=flags[1],
        driven_later=flags[2],
        heated_later=flags[3],
        alarm_s=screen.alarm_s,
        alarm_at_end=alarm_at_end,
        hand_s=hand_s,
        overdue=overdue,
        left_over=left_over,
        wall_s=wall_s,
        hottest_after_fault_degC=hottest,
    )
