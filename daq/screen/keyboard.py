"""One key at a time from a terminal, without Enter; afterwards the terminal is as it was before."""

from __future__ import annotations

import os
import select
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Protocol

from daq import system
from daq.errors import InputError
from daq.signals import shielded

#: More than anybody presses between two readings.
_MOST_BYTES = 256
_ESCAPE = "\x1b"
#: What Windows gives before the second half of an arrow or function key.
_HALVES = {"\0", "\xe0"}
#: Places of the local modes and of the control characters in what tcgetattr gives (POSIX termios).
_LOCAL, _CHARACTERS = 3, 6


class Keys(Protocol):
    """The keys pressed at the terminal of standard input; given by :func:`terminal_keys`."""

    def pressed(self) -> str:
        """Return the next key pressed since last asked, '' for none; never waits.

        Raises:
            InputError: The terminal is gone.
        """
        ...


class _PosixKeys:
    """Keys from the terminal behind a file descriptor."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self._waiting: list[str] = []

    def pressed(self) -> str:
        if select.select([self._fd], [], [], 0.0)[0]:
            try:
                data = os.read(self._fd, _MOST_BYTES).decode("utf-8", "ignore")
            except OSError:
                data = ""
            if not data:
                raise InputError("the terminal was closed during the sweep")
            # An arrow or function key comes as one burst that begins with escape.
            self._waiting += [_ESCAPE] if data.startswith(_ESCAPE) else data
        return self._waiting.pop(0) if self._waiting else ""


class _WindowsKeys:
    """Keys from the console; *msvcrt* is the module of that name. Not tried on Windows."""

    def __init__(self, msvcrt: Any) -> None:
        self._msvcrt = msvcrt

    def pressed(self) -> str:
        if not self._msvcrt.kbhit():
            return ""
        key = str(self._msvcrt.getwch())
        if key in _HALVES:
            self._msvcrt.getwch()
            return _ESCAPE
        if key == "\x03":  # getwch takes Ctrl-C for a key like any other
            raise KeyboardInterrupt
        # Enter is what a line ends with elsewhere.
        return "\n" if key == "\r" else key


@contextmanager
def terminal_keys() -> Iterator[Keys]:
    """Take single keys from the terminal of standard input (:func:`has_keyboard`); Ctrl-C still stops."""
    termios = system.termios
    if termios is None:
        yield _WindowsKeys(system.msvcrt)
        return
    fd = sys.stdin.fileno()
    before = termios.tcgetattr(fd)
    now = termios.tcgetattr(fd)
    now[_LOCAL] &= ~(termios.ICANON | termios.ECHO)
    # A program that is suspended cannot give the terminal back.
    now[_CHARACTERS][termios.VSUSP] = bytes([os.fpathconf(fd, "PC_VDISABLE")])
    try:
        termios.tcsetattr(fd, termios.TCSANOW, now)
        yield _PosixKeys(fd)
    finally:
        with shielded():
            # Keys pressed too late are for no shell.
            termios.tcsetattr(fd, termios.TCSAFLUSH, before)


def has_keyboard() -> bool:
    """Whether standard input is a terminal that gives single keys."""
    known = system.termios is not None or system.msvcrt is not None
    return known and sys.stdin is not None and sys.stdin.isatty()
