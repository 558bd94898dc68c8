"""A run that is killed or hangs: the companion process switches its supply off, and says and writes so."""

from __future__ import annotations

import os
import re
import signal
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from daq.bench.guard.guard import OUTPUT_UNKNOWN
from daq.record.reader import read_run
from daq.sim.bench import SimBench
from tests.daq.kits.cli import finish, only_run, start
from tests.daq.kits.soak import ask, table
from tests.daq.kits.wire import Wires, alive, bench_on, children_of, wait_until

#: Virtual seconds a second: current flows for half a second at a time, with some rows in it.
SCALE = 20.0
#: A killed run's supply is off within this, wall seconds.
OFF_S = 2.0
#: A hung one's: its allowance for a row on the disk, and the companion's own time.
HUNG_OFF_S = 12.0


@dataclass
class Heated:
    """A soak in a process of its own, with a coil under power, and its companion."""

    bench: SimBench
    process: subprocess.Popen[str]
    companion: int
    out: Path

    def folder(self) -> Path:
        """Return the run folder."""
        return only_run(self.out)

    def told(self) -> str:
        """Return what the companion wrote beside the record."""
        return " / ".join(row["text"] for row in table(self.folder() / "companion.csv"))

    def wait_for_power(self) -> None:
        """Wait until current has just begun to flow."""

        def powered() -> bool:
            assert self.process.poll() is None, self.process.communicate()
            return self.bench.output_V() > 1.0

        wait_until(lambda: not powered(), "the end of a pulse")
        wait_until(powered, "a driven coil")


@contextmanager
def heated(tmp_path: Path, *, serial: Sequence[str] = ("meter",)) -> Iterator[Heated]:
    """Start a soak by the supply on a bench over wires, and wait until current flows."""
    out = tmp_path / "runs"
    with bench_on(tmp_path, scale=SCALE, serial=serial) as (bench, rig):
        process = start("soak", "--rig", rig, "--heat", "supply", "--out", out)
        try:
            wait_until(lambda: bench.output_V() > 1.0 or process.poll() is not None, "a driven coil")
            assert process.poll() is None, process.communicate()
            (companion,) = children_of(process.pid)
            run = Heated(bench, process, companion, out)
            run.wait_for_power()
            yield run
            wait_until(lambda: not alive(companion), "the companion's end")
        finally:
            process.kill()
            process.communicate()


@pytest.mark.slow
@pytest.mark.parametrize("serial", [("meter",), ("supply", "meter")], ids=["tcp", "serial"])
def test_a_killed_run_leaves_its_supply_off(tmp_path: Path, serial: tuple[str, ...]) -> None:
    """After kill -9 under power the supply is off within two seconds, read back, said aloud and written."""
    with heated(tmp_path, serial=serial) as run:
        run.process.kill()
        assert wait_until(lambda: not run.bench.output_on(), "the supply to be off") < OFF_S
        said = finish(run.process)
        assert run.bench.output_V() == 0.0
        assert ask(run.bench, "supply", "VOLT?") == "0.0000"
    lines = said.err.splitlines()
    assert "the run was ended from outside, with something on: switching off" in lines[0]
    assert "companion process: the supply is at zero and off, read back" in lines[1]
    read = read_run(run.folder())
    assert read.state == "cut"
    assert [event.text for event in read.events if event.kind == "companion"] == [
        line.removeprefix("coilsoak: companion process: ") for line in lines
    ]


@pytest.mark.slow
def test_a_run_that_stops_breathing_is_relieved_and_then_ends(tmp_path: Path) -> None:
    """Stopped under power for some seconds, it finds the supply off and ends: no row is made of that."""
    with heated(tmp_path) as run:
        run.process.send_signal(signal.SIGSTOP)
        assert wait_until(lambda: not run.bench.output_on(), "the supply to be off") < HUNG_OFF_S
        wait_until(lambda: not alive(run.companion), "the companion to have done its work")
        rows = len(read_run(run.folder()).readings)
        run.process.send_signal(signal.SIGCONT)
        said = finish(run.process)
    assert said.status == 3
    assert "the companion process, which switches off if this program cannot, has taken over" in said.err
    assert "the run shows no life, with something on: switching off" in run.told()
    read = read_run(run.folder())
    assert read.state == "fault"
    driven = (read.readings.phase == "heat") & (read.readings.source == "V/I")
    assert (read.readings.status[driven] == "ok").all()
    # The rows that end a pulse may come, no reading of a coil that was thought to be driven.
    assert not driven[rows:].any()


@pytest.mark.slow
def test_a_hung_run_on_a_supply_with_one_connection_is_ended_for_it(tmp_path: Path) -> None:
    """A serial supply has one owner: the companion ends the run that hangs, and then switches off."""
    with heated(tmp_path, serial=("supply", "meter")) as run:
        run.process.send_signal(signal.SIGSTOP)
        assert wait_until(lambda: not run.bench.output_on(), "the supply to be off") < HUNG_OFF_S
        said = finish(run.process)
    assert said.status == -signal.SIGKILL
    assert "the run hangs and holds the connection: it is ended" in run.told()
    assert "the supply is at zero and off" in run.told()
    assert "the instrument takes one connection" in read_run(run.folder()).events[0].text


@pytest.mark.slow
def test_nothing_is_energised_once_the_companion_is_gone(tmp_path: Path) -> None:
    """A companion that is killed takes the run with it: safe, recorded, exit 3, one line."""
    with heated(tmp_path) as run:
        os.kill(run.companion, signal.SIGKILL)
        said = finish(run.process)
        assert not run.bench.output_on()
    assert said.status == 3
    (line,) = said.err.splitlines()
    assert "nothing is energised without it" in line
    assert read_run(run.folder()).state == "fault"


@pytest.mark.slow
def test_ctrl_c_reaches_the_run_alone_and_the_companion_goes_home_with_it(tmp_path: Path) -> None:
    """The companion hears no Ctrl-C of its terminal, has nothing to say, and does not outlive the run."""
    with heated(tmp_path) as run:
        assert os.getsid(run.companion) != os.getsid(run.process.pid)
        for each in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            os.kill(run.companion, each)
        run.process.send_signal(signal.SIGINT)
        said = finish(run.process)
        assert not alive(run.companion)
        assert not run.bench.output_on()
    assert said.status == 130
    assert said.err == "coilsoak: stopped by the operator; what was measured is kept\n"
    assert not (run.folder() / "companion.csv").exists()


@pytest.mark.slow
def test_over_a_dead_connection_the_companion_is_asked_to_switch_off(tmp_path: Path) -> None:
    """The run's own connection to the supply goes dead under power: the companion's works, and is enough."""
    out = tmp_path / "runs"
    with bench_on(tmp_path, scale=SCALE, serial=("meter",)) as (bench, rig):
        text = rig.read_text(encoding="utf-8")
        (served,) = set(re.findall(r'\[supply\][^[]*resource = "(TCPIP0[^"]+)"', text))
        wires = Wires(served)
        text = text.replace(served, wires.resource).replace("timeout_s = 1.0", "timeout_s = 0.4")
        rig.write_text(text, encoding="utf-8")
        process = start("soak", "--rig", rig, "--heat", "supply", "--out", out)
        try:
            wait_until(lambda: bench.output_V() > 1.0 or process.poll() is not None, "a driven coil")
            assert wires.count == 2
            wires.dead.set()
            assert wait_until(lambda: not bench.output_on(), "the supply to be off") < HUNG_OFF_S
            said = finish(process)
        finally:
            process.kill()
            process.communicate()
            wires.close()
        assert bench.output_V() == 0.0
    assert said.status == 3
    assert OUTPUT_UNKNOWN not in said.out + said.err
    *companion, last = said.err.splitlines()
    assert "cannot switch off over its own connection, with something on: switching off" in companion[0]
    assert "companion process: the supply is at zero and off, read back" in companion[1]
    assert "could not be switched off over this program's own connection" in last
    read = read_run(only_run(out))
    assert read.state == "fault"
    assert {"fault", "companion"} <= {event.kind for event in read.events}
