"""What only some systems have: file locks, single keys, pseudo-terminals. The one place that asks which.

POSIX is what this is tried on. What stands here for Windows follows its documentation and was not tried.
"""

from __future__ import annotations

import os
from types import ModuleType
from typing import Final


def _module(name: str) -> ModuleType | None:
    from importlib import import_module

    try:
        return import_module(name)
    except ImportError:
        return None


#: Locks of files and settings of terminals (POSIX), and what Windows has for both; None where it is absent.
fcntl: Final = _module("fcntl")
termios: Final = _module("termios")
msvcrt: Final = _module("msvcrt")

#: Windows locks bytes against reading too: one far behind whatever stands in the file.
_LOCKED_BYTE = 1 << 30
#: Ways to open a file that only POSIX knows: not for child processes, and not what a link points to.
OPEN_PRIVATE: Final = getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NOFOLLOW", 0)


def user_name() -> str:
    """Return what tells this account from others in a folder of all; '' where each has its own."""
    return str(os.getuid()) if hasattr(os, "getuid") else ""


def lock(descriptor: int, *, wait: bool) -> None:
    """Hold the open file against every other process until it is closed.

    Args:
        descriptor: Of a file that is open to write.
        wait: Until whoever has it lets it go; Windows gives up after ten seconds.

    Raises:
        OSError: Somebody has it, or the drive knows no locks.
    """
    if fcntl is not None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    elif msvcrt is not None:
        here = os.lseek(descriptor, 0, os.SEEK_CUR)
        os.lseek(descriptor, _LOCKED_BYTE, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_LOCK if wait else msvcrt.LK_NBLCK, 1)
        finally:
            os.lseek(descriptor, here, os.SEEK_SET)


def open_pseudo_terminal() -> tuple[int, int] | None:
    """Open a pseudo-terminal that passes bytes as they are; return both ends, None where there is none."""
    tty = _module("tty")
    if tty is None or not hasattr(os, "openpty"):
        return None
    master, slave = os.openpty()
    tty.setraw(slave)
    return master, slave
