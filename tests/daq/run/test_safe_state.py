"""However a heated run is left: off, read back, recorded; said on each line where it is not known."""

from __future__ import annotations

import random
import signal
from collections.abc import Callable
from io import StringIO
from pathlib import Path
from unittest.mock import Mock

import pytest
from rich.console import Console

import daq.run.execute
import daq.sim.bench
from daq.bench.guard.guard import OUTPUT_UNKNOWN
from daq.commands.running import show
from daq.durable_file import AppendFile
from daq.errors import OutputUnknownError, RecordError
from daq.record.reader import read_run
from daq.screen.live import RunScreen
from daq.signals import stoppable
from daq.sim.bench import SimBench
from tests.daq.kits.cli import only_run
from tests.daq.kits.soak import Ran, run, small_set

SIGNALS = {
    "Ctrl-C": [signal.SIGINT],
    "Ctrl-C twice": [signal.SIGINT, signal.SIGINT],
    "Ctrl-backslash": [signal.SIGQUIT],
    "SIGTERM": [signal.SIGTERM],
    "closed terminal, then SIGTERM": [signal.SIGHUP, signal.SIGTERM],
}


class Ambush:
    """Lets something happen at the *at*-th exchange with a supply that is on, and at those after it."""

    def __init__(self, at: int, happens: Callable[[int], bytes | None]) -> None:
        self._at = at
        self._happens = happens
        self._count = 0

    def lay(self, patch: pytest.MonkeyPatch) -> None:
        """Wait at the supply of the next simulated bench."""
        build = daq.sim.bench.build

        def built(*args: object, **kwargs: object) -> SimBench:
            bench = build(*args, **kwargs)  # type: ignore[arg-type]
            feed = bench.peers["supply"].feed

            def ambushed(data: bytes) -> bytes:
                if bench.output_on() or self._count >= self._at:
                    self._count += 1
                if self._count < self._at:
                    return feed(data)
                if (instead := self._happens(self._count - self._at)) is not None:
                    return instead
                return feed(data)

            bench.peers["supply"].feed = ambushed  # type: ignore[method-assign]
            return bench

        patch.setattr(daq.sim.bench, "build", built)


def heated(tmp_path: Path, ambush: Ambush, monkeypatch: pytest.MonkeyPatch) -> Ran:
    """Soak one coil by its own current into the ambush."""
    ambush.lay(monkeypatch)
    coil_set = small_set(tmp_path, "Y1", steps_degC="[60]", hold_s=60)
    with stoppable():
        return run(tmp_path / "runs", heat="supply", coil_set=coil_set)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", SIGNALS)
def test_a_signal_at_any_exchange_under_power_leaves_nothing_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, seed: int
) -> None:
    """Once, twice, or another right behind: the supply is off, the run says stopped, its record reads."""
    signals = SIGNALS[name]

    def send(since: int) -> None:
        if since < len(signals):
            signal.raise_signal(signals[since])

    at = random.Random(f"{name} {seed}").randrange(1, 400)
    ran = heated(tmp_path, Ambush(at, send), monkeypatch)
    ran.assert_left_safe()
    assert ran.outcome.state == "stopped"
    read = read_run(ran.outcome.folder)
    assert (read.state, read.problems) == ("stopped", ())
    assert read.events[-1].kind == "stopped"


@pytest.mark.parametrize("seed", range(3))
def test_a_fault_of_the_program_itself_leaves_nothing_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    """An error that nobody foresaw goes through, but not past the supply; the record reads as cut."""
    rng = random.Random(seed)
    benches: list[SimBench] = []
    ambush = Ambush(10**9, lambda _: None)
    ambush.lay(monkeypatch)
    build = daq.sim.bench.build
    monkeypatch.setattr(
        daq.sim.bench,
        "build",
        lambda *a, **k: benches.append(build(*a, **k)) or benches[-1],  # type: ignore[func-returns-value]
    )
    left = rng.randrange(5, 60)

    def row(_self: RunScreen, _reading: object) -> None:
        nonlocal left
        left -= benches[0].output_on()
        if left == 0:
            raise ZeroDivisionError("nobody foresaw it")

    monkeypatch.setattr(RunScreen, "row", row)
    with pytest.raises(ZeroDivisionError):
        run(
            tmp_path / "runs", heat="supply", coil_set=small_set(tmp_path, "Y1", steps_degC="[60]", hold_s=60)
        )
    assert not benches[0].output_on()
    assert benches[0].output_V() == 0.0
    assert read_run(only_run(tmp_path / "runs")).state == "cut"


@pytest.fixture
def lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Ran:
    """A run whose supply falls silent under power and stays so."""
    return heated(tmp_path, Ambush(40, lambda _: b""), monkeypatch)


@pytest.mark.slow
def test_an_output_that_is_not_known_is_said_when_it_happens_and_once_at_the_end(
    lost: Ran, capsys: pytest.CaptureFixture[str]
) -> None:
    """From the alarm on each line of the run begins with it; no table has it, and the end says it once."""
    assert isinstance(lost.outcome.error, OutputUnknownError)
    assert lost.outcome.error.exit_status == 3
    lines = lost.screen.splitlines()
    first = next(number for number, line in enumerate(lines) if OUTPUT_UNKNOWN in line)
    assert all(line.startswith(OUTPUT_UNKNOWN) for line in lines[first:])
    shown = StringIO()
    show(Console(file=shown, width=120), lost.outcome, False)
    assert OUTPUT_UNKNOWN not in shown.getvalue()
    (complaint,) = capsys.readouterr().err.splitlines()
    assert complaint.startswith(f"coilsoak: {OUTPUT_UNKNOWN}")
    assert complaint.count(OUTPUT_UNKNOWN) == 1
    assert "nothing is energised" not in complaint


@pytest.mark.slow
def test_a_record_that_fails_too_does_not_take_the_alarm_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Supply and disk come off with one hub: the one line that is left begins with what is not safe."""

    def come_off(_since: int) -> bytes:
        monkeypatch.setattr(AppendFile, "append", Mock(side_effect=RecordError("the disk is gone")))
        return b""

    with pytest.raises(RecordError, match=f"^{OUTPUT_UNKNOWN} the disk is gone"):
        heated(tmp_path, Ambush(40, come_off), monkeypatch)


@pytest.mark.slow
def test_an_output_that_is_not_known_stands_in_record_and_json(
    lost: Ran, capsys: pytest.CaptureFixture[str]
) -> None:
    """Events, the state, and the first note of the JSON say so."""
    read = read_run(lost.outcome.folder)
    assert read.state == "fault"
    assert OUTPUT_UNKNOWN in [event.text for event in read.events if event.kind == "alarm"]
    show(Console(file=StringIO()), lost.outcome, True)
    out = capsys.readouterr().out
    assert f'"notes": ["{OUTPUT_UNKNOWN}"' in out
