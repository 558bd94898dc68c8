"""The companion process: sits beside a heated run, and switches the bench off when the run no longer can.

Started by :mod:`daq.companion` as ``python -m daq.companionprocess RIG SHA256 PARENT ROLE...``. On standard
input come lines: ``record "FOLDER"``; ``live S``, something is on and the next sign comes within S seconds;
``rest``, nothing is on; ``off``, the run cannot switch off itself; ``done``. The end of the input without
``done`` means that the run was killed.
"""

from __future__ import annotations

import json
import os
import select
import signal
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import msgspec

from daq.clock import RealClock
from daq.companion import Done, Ready
from daq.companionhand import SwitchOff
from daq.connecting import wall_clock
from daq.durable import AppendFile
from daq.errors import CoilsoakError, InputError
from daq.recordformat import COMPANION, EVENT_COLUMNS, Event, event_line
from daq.rig import load_rig
from daq.terminal import complain, prepare_streams

#: After a first round in vain, how long it is tried further, how often, and how often that is said.
GIVE_UP_S, AGAIN_S, SAY_AGAIN_S = 60.0, 0.1, 5.0
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
class Watch:
    """What is known of the run: its folder, and by when it has to show itself."""

    folder: Path | None = None
    until_s: float | None = None
    origin_s: float = 0.0
    on: bool = False
    #: Whether the run asked for it and waits for what comes of it.
    asked: bool = False


def wait_for_need(lines: Input, watch: Watch, clock: RealClock, since: Callable[[], float]) -> str:
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

    def __init__(self, watch: Watch, rig_clock_s: Callable[[], float], utc: Callable[[], str]) -> None:
        self._watch = watch
        self._now_s = rig_clock_s
        self._utc = utc
        self._file: AppendFile | None = None

    def __call__(self, text: str) -> None:
        """Tell *text*."""
        complain(f"companion process: {text}")
        if self._watch.folder is None:
            return
        event = Event(
            time_s=self._now_s() - self._watch.origin_s, utc=self._utc(), kind="companion", coil="", text=text
        )
        with suppress(CoilsoakError, OSError):
            if self._file is None:
                self._file = AppendFile(self._watch.folder / COMPANION, RealClock())
                self._file.append((",".join(EVENT_COLUMNS) + "\n").encode())
            self._file.append(event_line(event).encode())

    def close(self) -> None:
        """Push what was written to the disk."""
        if self._file is not None:
            with suppress(CoilsoakError):
                self._file.close()


def switch_off(hand: SwitchOff, tell: Callable[[str], None], clock: RealClock, hung: int | None) -> str:
    """Switch everything off and read it back, for a run that is gone again and again; tell how it went.

    Args:
        hand: The way to the bench.
        tell: Where to.
        clock: Wall time.
        hung: The run that hangs or is gone; None if it lives and waits, so that it is not ended for the
            connection that it holds.

    Returns:
        What is off now, or '' if that is not known.
    """
    began_s = clock.monotonic()
    said_s: float | None = None
    while True:
        try:
            done = hand.switch_off(beside=hung is None)
        except CoilsoakError as exc:
            trouble = str(exc)
        else:
            tell(f"{done}, read back, {clock.monotonic() - began_s:.2f} s later")
            return done
        now_s = clock.monotonic()
        if now_s - began_s > HAND_OVER_S and os.getppid() == hung:
            # It hangs and holds the only connection. What it logged is kept; current in a coil is not.
            tell("the run hangs and holds the connection: it is ended")
            os.kill(hung, signal.SIGKILL)
            began_s = now_s
        elif hung is None or now_s - began_s > GIVE_UP_S:
            # A run that asked tries on by itself, and has the alarm to raise.
            tell(f"{trouble}; given up after {now_s - began_s:.0f} s")
            return ""
        elif now_s - began_s > HAND_OVER_S and (said_s is None or now_s - said_s > SAY_AGAIN_S):
            said_s = now_s
            tell(trouble)
        clock.sleep(AGAIN_S)


def _answer(what: Ready | Done) -> None:
    os.write(sys.stdout.fileno(), msgspec.json.encode(what) + b"\n")


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
    bench, clock, watch, lines = wall_clock(rig.value), RealClock(), Watch(), Input(sys.stdin.fileno())
    need = wait_for_need(lines, watch, clock, bench.monotonic)
    if not need:
        hand.close()
        return 0
    lines.close()  # first of all: a run that only slept must take no more readings for those of a driven coil
    tell = Teller(watch, bench.monotonic, lambda: f"{bench.utc():%Y-%m-%dT%H:%M:%S.%f}"[:-3] + "Z")
    tell(f"{need}{', with something on' if watch.on else ''}: switching off")
    off = switch_off(hand, tell, clock, None if watch.asked else parent)
    with suppress(OSError):  # the run may be gone, or have stopped waiting
        _answer(Done(off))
    tell.close()
    hand.close()
    return 3


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
