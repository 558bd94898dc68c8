"""Stopped at any moment: the bench is safe, the record kept and marked, and a second Ctrl-C costs nothing."""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from daq.clock import VirtualClock
from daq.record.reader import Run, read_run
from daq.run.practice import RIG_FILE, practice_bench
from daq.signals import PATIENCE_S, shielded, stoppable
from tests.daq.kits.cli import COIL_SET, Said, finish, only_run, say, spoiled, start
from tests.daq.kits.cli import PATIENCE_S as JOB_S

#: Enough rows to have been cold and to be on the way up.
ROWS = 200


@pytest.fixture
def long_set(tmp_path: Path) -> Path:
    """A coil set whose soak takes so long that a test always comes before its end."""
    return spoiled(tmp_path, COIL_SET, "hold_s = 600", "hold_s = 1000000")


def wait_for_rows(process: subprocess.Popen[str], out: Path, rows: int = ROWS) -> Path:
    """Wait until the run that *process* makes in *out* has that many rows; return its folder."""
    deadline_s = time.monotonic() + JOB_S
    while time.monotonic() < deadline_s:
        assert process.poll() is None, process.communicate()
        for readings in out.glob("*/readings.csv"):
            if readings.read_bytes().count(b"\n") > rows:
                return readings.parent
        time.sleep(0.02)
    process.kill()
    raise AssertionError(f"not {rows} rows after {JOB_S:g} s")


def assert_stopped(folder: Path) -> Run:
    """The record in *folder* is whole, marked as stopped, and has its report."""
    run = read_run(folder)
    assert run.state == "stopped"
    assert run.problems == ()
    assert run.events[-1].kind == "stopped"
    assert (folder / "report.pdf").read_bytes().startswith(b"%PDF-")
    assert len(run.readings) >= ROWS
    return run


@pytest.mark.slow
@pytest.mark.parametrize(
    "signals",
    [
        [signal.SIGINT],
        [signal.SIGTERM],
        [signal.SIGHUP],
        [signal.SIGINT] * 5,
        [signal.SIGHUP, signal.SIGTERM, signal.SIGINT],
    ],
    ids=lambda signals: "+".join(each.name for each in signals),
)
def test_a_stopped_soak_keeps_its_record(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], long_set: Path, signals: list[signal.Signals]
) -> None:
    """Ctrl-C, SIGTERM and a closed terminal, once or again and again: record marked, one line, exit 130."""
    out = tmp_path / "runs"
    process = start("soak", "--out", out, "--set", long_set)
    folder = wait_for_rows(process, out)
    for each in signals:
        process.send_signal(each)
        time.sleep(0.1)
    said = finish(process)
    assert said.status == 130
    assert said.err == "coilsoak: stopped by the operator; what was measured is kept\n"
    assert said.out.splitlines()[-2] == f"run folder: {folder}"
    assert_stopped(folder)
    again = say(capsys, "judge", folder, "--json")
    assert again.status == 0
    kept = json.loads((folder / "result.json").read_bytes())
    assert again.json()["coils"] == kept["coils"]
    assert again.json()["state"] == "stopped"
    assert {coil["verdict"] for coil in kept["coils"]} <= {"retest", "fail"}


@pytest.mark.slow
def test_ctrl_c_leaves_the_bench_behind_the_wires_off(tmp_path: Path) -> None:
    """Stopped while a coil heats itself, the supply on the other side of the wire is at zero and off."""
    out = tmp_path / "runs"
    with practice_bench(tmp_path, scale=200.0) as (bench, rig):
        process = start("soak", "--out", out, "--rig", rig, "--heat", "supply")
        deadline_s = time.monotonic() + JOB_S
        while not bench.output_on():
            assert process.poll() is None, process.communicate()
            assert time.monotonic() < deadline_s
            time.sleep(0.01)
        process.send_signal(signal.SIGINT)
        said = finish(process)
        assert said.status == 130
        assert not bench.output_on()
        assert bench.output_V() == 0.0
    assert read_run(only_run(out)).state == "stopped"


@pytest.mark.slow
def test_a_stopped_soak_still_prints_its_json(tmp_path: Path, long_set: Path) -> None:
    """Under --json a stopped run prints the same one object, with its state, and nothing else."""
    out = tmp_path / "runs"
    process = start("soak", "--out", out, "--set", long_set, "--json")
    folder = wait_for_rows(process, out)
    process.send_signal(signal.SIGINT)
    said = finish(process)
    assert said.status == 130
    assert said.json()["state"] == "stopped"
    assert said.json()["run"] == str(folder)


@pytest.mark.slow
def test_a_terminal_that_goes_away_stops_the_soak_and_keeps_its_record(
    tmp_path: Path, long_set: Path
) -> None:
    """When the window is closed there is nobody left to show anything: safe, marked as stopped, no crash."""
    out = tmp_path / "runs"
    watching, shown = pty.openpty()
    command = [sys.executable, "-m", "daq", "soak", "--out", str(out), "--set", str(long_set)]
    errors = tmp_path / "errors"
    with errors.open("w", encoding="utf-8") as complaints:
        process = subprocess.Popen(
            [sys.executable, "-c", _ON_OWN_TERMINAL, *command],
            stdin=shown,
            stdout=shown,
            stderr=complaints,
            env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[3])},
            text=True,
            start_new_session=True,
        )
        os.close(shown)
        os.set_blocking(watching, False)
        with drained(watching, process):
            folder = wait_for_rows(process, out)
        os.close(watching)
        assert process.wait(JOB_S) == 130
    assert "Traceback" not in errors.read_text(encoding="utf-8")
    assert_stopped(folder)


#: Makes the pseudo-terminal on standard input the one that controls the program, as a shell window does.
_ON_OWN_TERMINAL = """
import fcntl, os, sys, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
os.execv(sys.argv[1], sys.argv[1:])
"""


@contextmanager
def drained(watching: int, process: subprocess.Popen[str]) -> Iterator[None]:
    """Read what is shown while the block waits, so that the program does not wait for its reader."""
    poll = process.poll

    def read_and_poll() -> int | None:
        try:
            while os.read(watching, 65536):
                pass
        except BlockingIOError:
            pass
        return poll()

    process.poll = read_and_poll  # type: ignore[method-assign]
    yield
    process.poll = poll  # type: ignore[method-assign]


@pytest.mark.slow
def test_practice_ends_with_ctrl_c_and_takes_its_rig_file_along(tmp_path: Path) -> None:
    """Ctrl-C is how practice ends: the file with addresses that no longer answer goes, one line is said."""
    process = start("practice", "--out", tmp_path)
    deadline_s = time.monotonic() + JOB_S
    while not (tmp_path / RIG_FILE).exists():
        assert process.poll() is None
        assert time.monotonic() < deadline_s
        time.sleep(0.02)
    process.send_signal(signal.SIGINT)
    said = finish(process)
    assert said == Said(130, said.out, "coilsoak: stopped\n")
    assert not (tmp_path / RIG_FILE).exists()


def test_impatience_is_not_heard_while_a_stop_is_carried_out() -> None:
    """Signals soon after the first do nothing; one that comes when closing must have hung does stop again."""
    clock = VirtualClock()
    stops = 0
    with stoppable(clock):
        try:
            signal.raise_signal(signal.SIGINT)
        except KeyboardInterrupt:
            stops += 1
        clock.sleep(PATIENCE_S / 2)
        signal.raise_signal(signal.SIGTERM)
        clock.sleep(PATIENCE_S)
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert stops == 1


def test_impatience_behind_a_shield_is_not_heard_however_long_the_shield_stands() -> None:
    """A second Ctrl-C while a slow machine draws the report does not throw away what was just closed."""
    clock = VirtualClock()
    done = []
    with stoppable(clock):
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        with shielded(), shielded():
            signal.raise_signal(signal.SIGINT)
            clock.sleep(3.0 * PATIENCE_S)
        done.append("closed")
        with pytest.raises(KeyboardInterrupt), shielded():
            signal.raise_signal(signal.SIGINT)
            done.append("hung, and heard at the end")
    assert done == ["closed", "hung, and heard at the end"]


def test_a_shield_holds_signals_back_to_its_end_also_within_another() -> None:
    """Nothing is interrupted inside; the outermost shield delivers, once, to whoever listened before."""
    done = []
    with pytest.raises(KeyboardInterrupt), stoppable(), shielded():
        with shielded():
            signal.raise_signal(signal.SIGTERM)
            done.append("inner")
        done.append("outer")
    assert done == ["inner", "outer"]


def test_a_program_started_to_outlive_its_terminal_does() -> None:
    """A signal that whoever started the program had ignored (nohup) stays ignored, and is so afterwards."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with stoppable(), shielded():
            signal.raise_signal(signal.SIGHUP)
        assert signal.getsignal(signal.SIGHUP) == signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)
