"""The companion process as the run sees it: started beside it, and asked before current flows.

It is a child with a pipe on its standard input. The end of the pipe means that the run is gone, however it
went; silence beyond what was allowed means that it hangs. What is done then is in
daq/bench/watchdog/process.py.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

import msgspec

from daq.bench.guard.watcher import OVEN
from daq.bench.watchdog.heartbeat import BREATH_S
from daq.clock import RealClock
from daq.config.coil_set import CoilSet
from daq.config.rig import TYPED, Rig
from daq.config.toml import Loaded
from daq.errors import InterlockError, StartError
from daq.signals import shielded

#: How long starting may take on a slow machine, and ending.
START_S, END_S = 30.0, 10.0
#: How long the alarm waits for what became of it when the companion was asked to switch off.
HELP_S = 4.0
#: What is allowed beyond what was asked for, so that not each sign has to be sent; and how much too long the
#: patience that it has may be.
SPARE_S, LONGER_S = 0.5, 3.0
#: An oven holds its setpoint by itself and is slow: a stopped terminal need not end hours of soak.
OVEN_S = 60.0
_GONE = (
    "the companion process, which switches off if this program cannot, has taken over or was ended: nothing "
    "is energised without it; see what it said, then resume the run"
)


class Ready(msgspec.Struct, frozen=True):
    """What the companion says once it stands by.

    *beside*: it has a connection of its own. *note*: why it has none.
    """

    beside: bool
    note: str = ""


class Done(msgspec.Struct, frozen=True):
    """What the companion says after it had to act: what is off now and read back; '' if that is not known."""

    off: str = ""


def can_be_on(rig: Rig, coil_set: CoilSet) -> tuple[str, ...]:
    """Return the roles that a soak of this set on this bench switches on outside this program."""
    if rig.simulated:
        return ()
    drives = coil_set.heat == "supply" or (coil_set.test.drive_s > 0 and not rig.meter_typed)
    heats = coil_set.heat == "oven" and rig.oven is not None and rig.oven.resource != TYPED
    can = {"supply": rig.supply is not None and drives, "oven": heats}
    return tuple(role for role, on in can.items() if on)


class Companion:
    """Not started it does nothing and stands in nobody's way."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._on: set[str] = set()
        self._gone = self._asked = False
        self._beside = False
        self._off = ""
        self._clock = RealClock()
        #: Until when the companion was told to be patient; 0: not at all.
        self._until_s = 0.0

    def start(self, rig: Loaded[Rig], roles: Sequence[str]) -> str:
        """Start it for the bench of *rig*; return what it can do, for screen and record.

        Args:
            rig: The bench.
            roles: What can be on, ``supply`` or ``oven``; of nothing else it has to know.

        Raises:
            StartError: It does not start.
        """
        if sys.platform == "win32":
            raise StartError(
                f"{rig.path}: there is no companion process on this system, expected 'companion = false' in "
                "the rig file: then nothing switches the supply off if this program is killed"
            )
        paths = [path or str(Path.cwd()) for path in sys.path]
        program = [sys.executable, "-P", "-m", "daq.bench.watchdog.process"]
        with shielded():  # or Ctrl-C could leave one that nobody knows of
            self._process = subprocess.Popen(  # noqa: S603 - this very program
                [*program, rig.path, rig.sha256, str(os.getpid()), *roles],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                bufsize=0,  # or a line might wait in a buffer that no select looks into
                # A session of its own: Ctrl-C and a closed terminal are for the run to end in order.
                start_new_session=True,
                env=os.environ | {"PYTHONPATH": os.pathsep.join(dict.fromkeys(paths))},
            )
        assert self._process.stdin is not None
        # A companion that does not listen must not hold up the run.
        os.set_blocking(self._process.stdin.fileno(), False)
        ready = self._ready(rig.path)
        self._beside = ready.beside
        if ready.beside:
            return "a companion process stands by with a connection of its own"
        return (
            "a companion process stands by; the instrument takes one connection, so if this program hangs it "
            f"is ended first ({ready.note})"
        )

    def _ready(self, rig_file: Path) -> Ready:
        said = self._said(START_S)
        try:
            return msgspec.json.decode(said, type=Ready)
        except msgspec.MsgspecError as exc:
            self.close()
            raise StartError(
                f"{rig_file}: the companion process does not start ({said[:200]!r}); see above, or write "
                "'companion = false' in the rig file to go without"
            ) from exc

    def _said(self, within_s: float) -> bytes:
        import select

        assert self._process is not None
        assert self._process.stdout is not None
        if not select.select([self._process.stdout], [], [], within_s)[0]:
            return b""
        return self._process.stdout.readline()

    def record_in(self, folder: Path) -> None:
        """Name the run folder, where it writes down what it does."""
        self._send(f"record {json.dumps(str(folder.absolute()))}")

    def beat(self, allow_s: float = BREATH_S) -> None:
        """While something is on, say 'in control' and by when the next sign comes; never raises."""
        if not self._on:
            return
        if self._on == {OVEN}:
            allow_s += OVEN_S
        until_s = self._clock.monotonic() + allow_s
        # A companion that wakes with each exchange would slow the run down: what it knows may do.
        if until_s <= self._until_s <= until_s + LONGER_S:
            return
        self._until_s = until_s + SPARE_S
        self._send(f"live {allow_s + SPARE_S:g}")

    def begin(self, what: str) -> None:
        """Say that *what* is about to be switched on.

        Raises:
            InterlockError: The companion is gone.
        """
        self._on.add(what)
        self.require()

    def end(self, what: str) -> None:
        """Say that *what* is off."""
        if what in self._on:
            self._on.remove(what)
            self._until_s = 0.0
            if not self._on:
                self._send("rest")
            self.beat()

    def require(self) -> None:
        """Go on only with a companion that listens, if one was started.

        Raises:
            InterlockError: It has taken over, or was ended.
        """
        self._until_s = 0.0  # said in any case, since saying so is how one learns that nobody listens
        self.beat()
        if self._gone:
            raise InterlockError(_GONE)

    def switch_off(self, *, wait: bool) -> str:
        """Ask it to switch off over its own connection; return what is off then, read back, or ''.

        Nothing is energised after that. It is not asked where the instrument takes one connection: that
        one is this program's, which has just tried in vain. Only with *wait* is the answer waited for. Asked
        again, it has tried on meanwhile.
        """
        if self._process is None or not self._beside or self._off:
            return self._off
        self._send("off")
        self._gone = self._asked = True
        within_s = HELP_S if wait else 0.0
        # Its answers come in order: that it tries on, and what came of it.
        while not self._off and (said := self._said(within_s)):
            within_s = 0.0
            with suppress(msgspec.MsgspecError):
                self._off = msgspec.json.decode(said, type=Done).off
        return self._off

    def close(self) -> None:
        """Send it home; a second call does nothing."""
        process, self._process = self._process, None
        if process is None:
            return
        assert process.stdin is not None
        assert process.stdout is not None
        with suppress(OSError):
            os.write(process.stdin.fileno(), b"done\n")
        with suppress(OSError):
            process.stdin.close()
        process.stdout.close()
        if self._asked and not self._off:  # it tries on: whoever ended the run was asked about that
            process.terminate()
        try:
            process.wait(END_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def _send(self, line: str) -> None:
        if self._process is None or self._gone:
            return
        assert self._process.stdin is not None
        try:
            os.write(self._process.stdin.fileno(), f"{line}\n".encode())
        except OSError:  # nobody reads: ended, taken over, or stuck
            self._gone = True


@contextmanager
def companion() -> Iterator[Companion]:
    """Give a companion to be started, and send it home when the block is left."""
    beside = Companion()
    try:
        yield beside
    finally:
        beside.close()
