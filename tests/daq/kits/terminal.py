"""The program in a terminal of its own, as a person has it: what it shows, keys pressed, Ctrl-C."""

from __future__ import annotations

import os
import re
import select
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.daq.kits.cli import PATIENCE_S, environment

CTRL_C = "\x03"
#: What a terminal is told beside letters.
_ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
#: The terminal becomes the program's controlling one: only so its Ctrl-C is a signal.
_IN_ITS_TERMINAL = """
import os, runpy
os.login_tty(0)
runpy.run_module("daq", run_name="__main__", alter_sys=True)
"""


class Terminal:
    """A pseudo-terminal of 80 by 24 with the program in it; made by :func:`terminal`."""

    def __init__(self, watching: int, shown: int, *args: str | Path) -> None:
        self._watching = watching
        self._shown = shown
        self._before = termios.tcgetattr(shown)
        self._bytes = b""
        self._read_to = 0
        command = [sys.executable, "-c", _IN_ITS_TERMINAL, *map(str, args)]
        env = environment(TERM="xterm-256color", PYTHONIOENCODING="utf-8")
        self.process = subprocess.Popen(command, stdin=shown, stdout=shown, stderr=shown, env=env)

    @property
    def text(self) -> str:
        """All that was shown so far, without colours and moves of the cursor."""
        return _ESCAPES.sub("", self._bytes.decode("utf-8", "ignore")).replace("\r\n", "\n")

    @property
    def bells(self) -> int:
        """How often the bell rang."""
        return self._bytes.count(b"\a")

    def wait_for(self, text: str) -> None:
        """Wait until *text* is shown behind what was waited for before."""
        deadline_s = time.monotonic() + PATIENCE_S
        while (found := self.text.find(text, self._read_to)) < 0:
            assert time.monotonic() < deadline_s, f"no {text!r} in {self.text[self._read_to :]!r}"
            assert self._look() or self.process.poll() is None, self.text
        self._read_to = found + len(text)

    def type(self, line: str, at: str) -> None:
        """Wait for the prompt *at*, type *line* and press Enter."""
        self.wait_for(at)
        self.press(f"{line}\n")

    def press(self, keys: str) -> None:
        """Press *keys*."""
        os.write(self._watching, keys.encode())

    def end(self) -> int:
        """Wait for the program's end; return its exit status."""
        deadline_s = time.monotonic() + PATIENCE_S
        while self._look() or self.process.poll() is None:
            assert time.monotonic() < deadline_s, self.text
        return self.process.wait()

    def assert_as_before(self) -> None:
        """The terminal echoes, waits for Enter and knows its keys as it did before the program came."""
        assert termios.tcgetattr(self._shown) == self._before

    def _look(self) -> bool:
        """Take what is shown now; return whether that was anything."""
        if not select.select([self._watching], [], [], 0.05)[0]:
            return False
        self._bytes += os.read(self._watching, 65536)
        return True


@contextmanager
def terminal(*args: str | Path) -> Iterator[Terminal]:
    """Start the program with *args* in a terminal of its own; it is gone when the block ends."""
    watching, shown = os.openpty()
    try:
        termios.tcsetwinsize(shown, (24, 80))
        started = Terminal(watching, shown, *args)
        try:
            yield started
        finally:
            started.process.kill()
            started.process.wait()
    finally:
        os.close(watching)
        os.close(shown)
