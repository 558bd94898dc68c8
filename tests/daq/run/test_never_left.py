"""Whole runs over TCP whose oven or supply does not go off: they stay, say so, and end by proof."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import pytest

from daq.bench.guard.guard import OUTPUT_UNKNOWN
from daq.bench.guard.oven_guard import OVEN_HOT
from daq.sim.bench import SimBench
from tests.daq.kits.cli import finish, only_run, start
from tests.daq.kits.soak import table
from tests.daq.kits.wire import Wires, bench_on, children_of, wait_until

#: Longer than any alarm here takes; it is shorter than the time in which the run used to give up.
STAYS_S = 4.0
#: The report is drawn at the end, on a machine that may be busy.
PATIENCE_S = 150.0


@dataclass
class Stuck:
    """A soak in a process of its own on a bench over wires."""

    bench: SimBench
    process: subprocess.Popen[str]
    wires: Wires
    out: Path

    def events(self, kind: str) -> list[str]:
        """Return the texts of a kind of event that the record has by now."""
        path = only_run(self.out) / "events.csv"
        return [row["text"] for row in table(path) if row["kind"] == kind]

    def wait_for_alarm(self, alarm: str) -> None:
        """Wait until *alarm* is in the record."""
        wait_until(lambda: any(alarm in text for text in self.events("alarm")), f"the alarm {alarm}")

    def stays(self) -> None:
        """See that the run goes on."""
        time.sleep(STAYS_S)
        assert self.process.poll() is None, self.process.communicate()


@contextmanager
def soaked(folder: Path, heat: str, *, scale: float, rig_keys: str = "", spared: int = 0) -> Iterator[Stuck]:
    """Start a soak, its supply behind wires that can fail."""
    out = folder / "runs"
    with bench_on(folder, scale=scale) as (bench, rig):
        text = rig.read_text(encoding="utf-8")
        (served,) = set(re.findall(r'\[supply\][^[]*resource = "(TCPIP0[^"]+)"', text))
        wires = Wires(served, spared)
        text = text.replace(served, wires.resource).replace("timeout_s = 1.0", "timeout_s = 0.4")
        rig.write_text(text.replace("[switch]\n", f"[switch]\n{rig_keys}\n", 1), encoding="utf-8")
        process = start("soak", "--rig", rig, "--heat", heat, "--out", out)
        try:
            yield Stuck(bench, process, wires, out)
        finally:
            # The companion of a run that is killed tries on for as long as the supply is not to be had.
            for child in (process.pid, *children_of(process.pid)):
                with suppress(ProcessLookupError):
                    os.kill(child, signal.SIGKILL)
            process.communicate()
            wires.close()


def wait_for_power(run: Stuck) -> None:
    """Wait until current flows in a pulse of heating."""

    def powered() -> bool:
        assert run.process.poll() is None, run.process.communicate()
        return run.bench.output_V() > 1.0

    wait_until(powered, "a driven coil")


@pytest.mark.slow
def test_a_welded_oven_keeps_the_run_until_its_plug_is_pulled(tmp_path: Path) -> None:
    """Told to stop by its air, not seen to cool: the run stays with the alarm, and ends when it is proved."""
    with soaked(tmp_path, "oven", scale=120.0) as run:
        oven = run.bench.world.oven
        assert oven is not None
        wait_until(lambda: run.bench.air_degC() > 48.0, "a warm oven")
        with run.bench.world.lock:
            oven.fail("welded")
        run.wait_for_alarm(OVEN_HOT)
        assert max(run.bench.body_degC(coil) for coil in run.bench.coils) < 85.0
        run.stays()
        assert not any("heating stopped" in text for text in run.events("oven"))
        with run.bench.world.lock:
            run.bench.world.catch_up()
            oven.pull_plug()
        said = finish(run.process, PATIENCE_S)
        assert run.events("alarm")[-1] == f"proved to be over: {OVEN_HOT}"
    assert said.status == 3
    assert said.out.count(OVEN_HOT) > STAYS_S / 2.0
    last = said.err.splitlines()[-1]
    assert "more than 10 K above it" in last or "all of it above its setpoint" in last


@pytest.mark.slow
def test_a_supply_that_drops_and_refuses_is_tried_until_it_is_back(tmp_path: Path) -> None:
    """Run and companion try on for as long as it refuses, say so, and have it off at once then."""
    with soaked(tmp_path, "supply", scale=20.0) as run:
        wait_for_power(run)
        run.wires.refuse()
        run.wait_for_alarm(OUTPUT_UNKNOWN)
        run.stays()
        assert run.bench.output_on()
        run.wires.take_again()
        assert wait_until(lambda: not run.bench.output_on(), "the supply to be off") < 5.0
        said = finish(run.process, PATIENCE_S)
        assert run.events("alarm")[-1] == f"proved to be over: {OUTPUT_UNKNOWN}"
    assert said.status == 3
    assert said.out.count(OUTPUT_UNKNOWN) > STAYS_S / 2.0
    assert "given up" not in said.out + said.err
    assert "now it is proved" in said.err.splitlines()[-1]
    assert run.bench.contacts_moved_under_current == 0


@pytest.mark.slow
def test_a_supply_that_hangs_loses_its_path_where_the_rig_permits_and_keeps_its_alarm(tmp_path: Path) -> None:
    """The last resort takes the current away; the alarm stays until somebody, asked, says to go: status 3."""
    with soaked(tmp_path, "supply", scale=20.0, rig_keys="break_under_current = true") as run:
        wait_for_power(run)
        run.wires.dead.set()
        run.wait_for_alarm(OUTPUT_UNKNOWN)
        power = {101, 102, 103, 104, 105, 106, 107, 108}
        wait_until(lambda: not run.bench.closed_channels() & power, "the path to be open")
        assert run.bench.output_on()
        assert all(run.bench.current_A(coil) == 0.0 for coil in run.bench.coils)
        run.stays()
        run.process.send_signal(signal.SIGINT)
        run.stays()
        run.process.send_signal(signal.SIGINT)
        said = finish(run.process, PATIENCE_S)
        assert any("last resort" in text for text in run.events("oven"))
        assert run.events("alarm")[-1].startswith("told to go by the operator; not proved to be safe")
    assert said.status == 3
    lines = [line for line in said.out.splitlines() if line.strip()]
    first = next(at for at, line in enumerate(lines) if OUTPUT_UNKNOWN in line)
    over = next(at for at, line in enumerate(lines) if line in {"Replace", "Clean and test again", "Keep"})
    assert first < over
    assert all(line.startswith(OUTPUT_UNKNOWN) for line in lines[first:over])
    assert OUTPUT_UNKNOWN in said.err.splitlines()[-1]


@pytest.mark.slow
def test_without_leave_no_contact_moves_under_current_and_a_hand_is_asked_for(tmp_path: Path) -> None:
    """The rig file says nothing of a last resort: the path stays closed, and it is said who can open it."""
    with soaked(tmp_path, "supply", scale=20.0) as run:
        wait_for_power(run)
        run.wires.dead.set()
        run.wait_for_alarm(OUTPUT_UNKNOWN)
        wait_until(
            lambda: any("only a hand can" in text for text in run.events("oven")), "the word of a hand"
        )
        assert run.bench.contacts_moved_under_current == 0
