"""The companion process: sits beside a heated run, and switches the bench off when the run no longer can.

Started by :mod:`daq.bench.watchdog.client` as ``python -m daq.bench.watchdog.process RIG SHA256 PARENT
ROLE...``. On standard input come lines: ``record "FOLDER"``; ``live S``, something is on and the next sign
comes within S seconds; ``rest``, nothing is on; ``off``, the run cannot switch off itself; ``done``. The end
of the input without ``done`` means that the run was killed.
"""

from __future__ import annotations

import json
import os
import select
import signal
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

import msgspec

from daq.bench.guard.oven_guard import OVEN_HOT, OVEN_ON
from daq.bench.guard.vigil import CALM_S
from daq.bench.opening import wall_clock
from daq.bench.watchdog.client import Done, Ready
from daq.bench.watchdog.switch_off import SwitchOff
from daq.clock import Clock, RealClock
from daq.config.load import load_rig
from daq.durable_file import AppendFile
from daq.errors import CoilsoakError, InputError
from daq.record.format import COMPANION, EVENT_COLUMNS, Event, event_line
from daq.streams import complain, prepare_streams

#: A round in vain is followed by another: soon at first, then once a second and for ever. That is said once a
#: second, and written down less often.
AGAIN_S, LATER_S, WRITE_AGAIN_S = 0.1, 1.0, 10.0
ALARMS = (OVEN_ON, OVEN_HOT)
#: A hung run is given this long to hand over an instrument that takes one connection, and is then ended.
HAND_OVER_S = 0.5
#: A sign of life may be in the pipe already when its time is up: this process too may have had to wait.
GRACE_S = 0.2


class Input:
    """Lines from a descriptor, with a time limit."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._pending = b""

    def line(self, timeout_s: float | None) -> str | None:
        """Return the next line, '' at the end of the input, or None when the time is up."""
        while b"\n" not in self._pending:
            if not select.select([self._descriptor], [], [], timeout_s)[0]:
                return None
            data = os.read(self._descriptor, 65536)
            if not data:
                return ""
            self._pending += data
        line, _, self._pending = self._pending.partition(b"\n")
        return line.decode("utf-8", "replace")

    def close(self) -> None:
        """Give it back: who still writes learns that nobody listens."""
        os.close(self._descriptor)


@dataclass
class RunWatch:
    """What is known of the run: its folder, and by when it has to show itself."""

    folder: Path | None = None
    until_s: float | None = None
    origin_s: float = 0.0
    on: bool = False
    #: Whether the run asked for it and waits for what comes of it.
    asked: bool = False


def wait_for_need(lines: Input, watch: RunWatch, clock: RealClock, since: Callable[[], float]) -> str:
    """Return why the bench has to be switched off, or '' if the run ended in order."""
    while True:
        left_s = None if watch.until_s is None else max(watch.until_s - clock.monotonic(), 0.0) + GRACE_S
        line = lines.line(left_s)
        if line is None:
            return "the run shows no life"
        word, _, rest = line.partition(" ")
        if not word:
            return "the run was ended from outside"
        if word == "done":
            return ""
        if word == "off":
            watch.asked = True
            return "the run cannot switch off over its own connection"
        if word == "record":
            watch.folder, watch.origin_s = Path(json.loads(rest)), since()
        watch.on = word == "live" or (watch.on and word == "record")
        watch.until_s = clock.monotonic() + float(rest) if word == "live" else None


class Teller:
    """Says what is done on standard error, and writes it beside the record, whatever becomes of either."""

    def __init__(self, watch: RunWatch, rig_clock_s: Callable[[], float], utc: Callable[[], str]) -> None:
        self._watch = watch
        self._now_s = rig_clock_s
        self._utc = utc
        self._wall = RealClock()
        self._cried_s = float("-inf")
        self._file: AppendFile | None = None
        #: What is done to supply, oven and switch unit is told by threads.
        self._turn = threading.Lock()

    def __call__(self, text: str) -> None:
        """Tell *text*."""
        complain(f"companion process: {text}")
        self._write(text)

    def cry(self, text: str) -> None:
        """Say *text* with the bell, and write it down now and then: it is said once a second."""
        complain(f"companion process: {text}", bell=True)
        now_s = self._wall.monotonic()
        if now_s - self._cried_s >= WRITE_AGAIN_S:
            self._cried_s = now_s
            self._write(text)

    def _write(self, text: str) -> None:
        if self._watch.folder is None:
            return
        event = Event(
            time_s=self._now_s() - self._watch.origin_s, utc=self._utc(), kind="companion", coil="", text=text
        )
        with self._turn, suppress(CoilsoakError, OSError):
            if self._file is None:
                self._file = AppendFile(self._watch.folder / COMPANION, RealClock())
                self._file.append((",".join(EVENT_COLUMNS) + "\n").encode())
            self._file.append(event_line(event).encode())

    def close(self) -> None:
        """Push what was written to the disk."""
        if self._file is not None:
            with suppress(CoilsoakError):
                self._file.close()


class Told(BaseException):
    """Somebody told the companion to go, while it was not known whether all is off.

    No error that a try catches in order to go on: somebody has decided.
    """


def switch_off(
    hand: SwitchOff, tell: Teller, clock: Clock, run: int, answer: Callable[[str], None] | None = None
) -> None:
    """Switch everything off and read it back, again and again until that is known; tell how it goes.

    Args:
        hand: The way to the bench.
        tell: Where to.
        clock: Wall time.
        run: The run's process.
        answer: Given if the run asked and waits: called with what is off, '' if not yet. Such a run is not
            ended for the connection that it holds; it tries on by itself, and has the alarm to raise.
    """
    began_s = clock.monotonic()
    answered = ended = False
    while True:
        gone = os.getppid() != run
        try:
            done = hand.switch_off(beside=answer is not None and not gone)
        except CoilsoakError as exc:
            trouble = str(exc)
        else:
            tell(f"{done}, read back, {clock.monotonic() - began_s:.2f} s later")
            if answer is not None:
                answer(done)
            return
        waited_s = clock.monotonic() - began_s
        if answer is not None and not gone:
            if not answered:
                answer("")
            answered = True
            clock.sleep(LATER_S)
            continue
        if waited_s > HAND_OVER_S and not (gone or ended):
            # It hangs and holds the only connection. What it logged is kept; current in a coil is not.
            tell("the run hangs and holds the connection: it is ended")
            os.kill(run, signal.SIGKILL)
            ended, began_s = True, clock.monotonic()
        elif waited_s > HAND_OVER_S:
            tell.cry(f"{trouble}; tried for {waited_s:.0f} s, and on: kill {os.getpid()} ends that")
        clock.sleep(AGAIN_S if waited_s <= HAND_OVER_S else LATER_S)


def see_cool(hand: SwitchOff, tell: Teller, bench: Clock) -> None:
    """Stay with an oven that was told to stop until it is seen to cool; tell how it goes."""
    said_s = float("-inf")
    while True:
        cools, told = hand.cools()
        if cools:
            return
        if told.startswith(ALARMS):
            tell.cry(f"{told}; kill {os.getpid()} ends that")
        elif bench.monotonic() - said_s >= CALM_S:
            said_s = bench.monotonic()
            tell(f"waiting until the oven is seen to cool; {told}; kill {os.getpid()} ends that")
        bench.sleep(LATER_S)


def _answer(what: Ready | Done) -> None:
    with suppress(OSError):  # the run may be gone, or have stopped waiting
        os.write(sys.stdout.fileno(), msgspec.json.encode(what) + b"\n")


def told_to_stop(_signum: int, _frame: FrameType | None) -> None:
    """Take a signal for somebody's word that this process may go."""
    raise Told


def main(arguments: list[str]) -> int:
    """Stand by; return 0 after a run that ended in order, 3 after having to act."""
    for each in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT):
        signal.signal(each, signal.SIG_IGN)  # it ends with the run, not before
    prepare_streams()
    rig_file, sha256, parent, roles = Path(arguments[0]), arguments[1], int(arguments[2]), arguments[3:]
    try:
        rig = load_rig(rig_file)
        if rig.sha256 != sha256:
            raise InputError(f"{rig_file}: was changed since the run read it; start again")
        hand = SwitchOff(rig, roles)
        why_not = hand.connect_beside()
    except CoilsoakError as exc:
        complain(f"companion process: {exc}")
        return exc.exit_status
    _answer(Ready(not why_not, why_not))
    bench, clock, watch, lines = wall_clock(rig.value), RealClock(), RunWatch(), Input(sys.stdin.fileno())
    need = wait_for_need(lines, watch, clock, bench.monotonic)
    if not need:
        hand.close()
        return 0
    lines.close()  # first of all: a run that only slept must take no more readings for those of a driven coil
    tell = Teller(watch, bench.monotonic, lambda: f"{bench.utc():%Y-%m-%dT%H:%M:%S.%f}"[:-3] + "Z")
    tell(f"{need}{', with something on' if watch.on else ''}: switching off")
    hand.tell_to(tell)
    signal.signal(signal.SIGTERM, told_to_stop)
    try:
        switch_off(hand, tell, clock, parent, (lambda off: _answer(Done(off))) if watch.asked else None)
        # A run that asked and lives stays with its oven itself.
        if watch.on and (not watch.asked or os.getppid() != parent):
            see_cool(hand, tell, bench)
    except Told:
        tell("told to go; what was not said to be off is not known to be off")
    finally:
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
    tell.close()
    hand.close()
    return 3


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
