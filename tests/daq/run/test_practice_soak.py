"""The soak over real wires: pyvisa, loopback TCP and a pseudo-serial port, and a bench that dies under it."""

from __future__ import annotations

import gc
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from pytest_mock import MockerFixture

from daq.bench.guard.guard import OUTPUT_UNKNOWN
from daq.bench.guard.oven_guard import OVEN_ON
from daq.clock import VirtualClock
from daq.config.load import load_rig
from daq.errors import InputError
from daq.record.reader import read_run
from daq.run.practice import RIG_FILE, practice_bench, rig_text
from tests.daq.kits.soak import FAULTS, run

ROOT = Path(__file__).parents[3]
#: What the rig file says; no wall time passes where both ends share a virtual clock.
SCALE = 700.0
#: Longer than anything here takes, shorter than a hung job is borne.
PATIENCE_S = 30.0


def in_use() -> tuple[set[str], set[str]]:
    """Return the names of living threads, and what this process holds open."""
    gc.collect()
    held = set()
    for link in Path("/proc/self/fd").iterdir():
        try:
            held.add(f"{link.name} {link.readlink()}")
        except FileNotFoundError:
            continue  # the descriptor of the listing itself
    return {thread.name for thread in threading.enumerate()}, held


@pytest.mark.slow
def test_the_soak_over_real_wires_gets_the_verdicts_of_the_one_in_process(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    """Supply, switch and oven over TCP, meter over a serial line: every verdict and reason, nothing left."""
    # One clock for both ends, moved on by whoever waits: how busy this machine is decides nothing.
    clock = VirtualClock()
    mocker.patch("daq.run.practice.ScaledClock", return_value=clock)
    mocker.patch("daq.bench.assembly.wall_clock", return_value=clock)
    run(tmp_path / "warm up", kind="sweep")  # whatever is opened once for good is open now
    with practice_bench(tmp_path, scale=SCALE):
        pass
    before = in_use()
    with practice_bench(tmp_path, scale=SCALE) as (bench, rig_file):
        rig = load_rig(rig_file).value
        for role in (rig.supply, rig.switch, rig.oven):
            assert role is not None
            assert role.resource.startswith("TCPIP0::127.0.0.1::")
        assert rig.meter.resource.startswith("ASRL/dev/pts/")
        ran = run(tmp_path / "runs", rig=rig_file)
        assert ran.bench is None  # nothing was simulated inside the program
        assert ran.outcome.error is None
        assert ran.verdicts() == FAULTS
        assert read_run(ran.outcome.folder).state == "complete"
        assert f"practice bench on this machine, invented coils, time {SCALE:g} times as fast" in ran.screen
        assert bench.contacts_moved_under_current == 0
        assert bench.sense_moved_on_live_coil == 0
        assert not bench.output_on()
        assert bench.closed_channels() == frozenset()
    assert not rig_file.exists()
    assert in_use() == before


@contextmanager
def program(*args: str) -> Iterator[subprocess.Popen[str]]:
    """Run the program in a process of its own; it is ended with the block."""
    with subprocess.Popen(
        [sys.executable, "-m", "daq", *args],
        cwd=ROOT,
        text=True,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def wait_for(what: str, seen: object) -> None:
    """Wait until *seen* says so."""
    assert callable(seen)
    deadline_s = time.monotonic() + PATIENCE_S
    while not seen():
        assert time.monotonic() < deadline_s, f"waited in vain for {what}"
        time.sleep(0.02)


def events(runs: Path) -> str:
    """Return what the record's events say by now."""
    return "".join(path.read_text(encoding="utf-8") for path in runs.glob("*/events.csv"))


def has_rows(runs: Path, phase: str) -> bool:
    """Whether a run under *runs* has rows of *phase*."""
    return any(f",{phase}," in path.read_text(encoding="utf-8") for path in runs.glob("*/readings.csv"))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("heat", "phase", "alarm"),
    [
        ("supply", "heat", OUTPUT_UNKNOWN),
        ("oven", "rise", OVEN_ON),
    ],
)
def test_a_bench_that_dies_in_mid_soak_ends_it_loudly_and_keeps_the_record(
    tmp_path: Path, heat: str, phase: str, alarm: str
) -> None:
    """Practice killed while something is hot: the alarm soon, and it stays until somebody goes; status 3."""
    runs = tmp_path / "runs"
    with program("practice", "--out", str(tmp_path)) as practice:
        rig_file = tmp_path / RIG_FILE
        wait_for("the practice rig file", lambda: rig_file.exists() and rig_file.stat().st_size)
        with program("soak", "--rig", str(rig_file), "--heat", heat, "--out", str(runs)) as soak:
            wait_for(f"rows of {phase}", lambda: has_rows(runs, phase))
            practice.kill()
            killed_s = time.monotonic()
            wait_for("the alarm", lambda: alarm in events(runs))
            taken_s = time.monotonic() - killed_s
            for _ in range(2):  # who is asked whether to leave it like that says so once more
                time.sleep(1.5)
                assert soak.poll() is None
                soak.send_signal(signal.SIGINT)
            output, complaint = soak.communicate(timeout=PATIENCE_S)
    assert soak.returncode == 3
    assert alarm in output
    lines = complaint.splitlines()
    companion = [line for line in lines if line.startswith("coilsoak: companion process: ")]
    assert "the run cannot switch off over its own connection" in companion[0]
    (line,) = [line for line in lines if line not in companion]
    assert line.startswith("coilsoak: ")
    assert re.search(r"at \S+: the connection was lost \d+ s ago and is not to be had again", line)
    assert "Traceback" not in output + complaint
    (folder,) = runs.iterdir()
    assert f"run folder: {folder}" in output
    read = read_run(folder)
    assert read.state == "fault"
    assert {"ambient", phase} <= set(read.readings.phase)
    assert alarm in line
    first, *_, last = [event.text for event in read.events if event.kind == "alarm"]
    assert first == alarm
    assert last.startswith("told to go by the operator; not proved to be safe")
    # Three tries at switching off: not longer than a person stays calm.
    assert taken_s < 10.0


def test_the_practice_rig_is_the_simulated_one_with_other_addresses() -> None:
    """Every limit, accuracy and channel is the simulated rig's; no [simulation], scaled time."""
    text = rig_text({"supply": "TCPIP0::127.0.0.1::5025::SOCKET", "meter": "ASRL/dev/pts/9::INSTR"}, 30.0)
    assert "[simulation]" not in text
    assert "sim:supply" not in text
    assert "sim:meter" not in text
    assert '\nresource = "TCPIP0::127.0.0.1::5025::SOCKET"\n' in text
    assert '\nresource = "ASRL/dev/pts/9::INSTR"\n' in text
    assert "\ntime_scale = 30.0\n" in text


def test_somebodys_own_rig_file_is_not_replaced(tmp_path: Path) -> None:
    """A file of the practice rig's name that practice did not write stays as it is, and is named."""
    own = tmp_path / RIG_FILE
    own.write_text("# my rig\n", encoding="utf-8")
    with (
        pytest.raises(InputError, match="is not a practice rig file, so it is not replaced"),
        practice_bench(tmp_path),
    ):
        raise AssertionError("the block must not be entered")
    assert own.read_text(encoding="utf-8") == "# my rig\n"
