"""Reading a file that somebody names: a plain one of bounded size, or a reason in words."""

from __future__ import annotations

import errno
import stat
from pathlib import Path

from daq.errors import InputError


def read_plain(path: Path, most_bytes: int) -> bytes:
    """Return the content of the plain file at *path*.

    A pipe would block, and a device might never end or do something when it is opened: neither is.

    Raises:
        OSError: Not there, not readable, not a plain file, or larger than *most_bytes*; see *strerror*.
    """
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            what = "is a folder" if path.is_dir() else "not a plain file"
            raise OSError(errno.EINVAL, what)
        with path.open("rb") as stream:
            raw = stream.read(most_bytes + 1)
    except ValueError as exc:  # a NUL in the name
        raise OSError(errno.EINVAL, "no file can have this name") from exc
    if len(raw) > most_bytes:
        size = f"{most_bytes // 1_000_000} MB" if most_bytes >= 1_000_000 else f"{most_bytes // 1000} kB"
        raise OSError(errno.EFBIG, f"larger than {size}")
    return raw


def read_given(path: Path, most_bytes: int, expected: str) -> bytes:
    """Return what :func:`read_plain` does, of a file that was named on the command line.

    Raises:
        InputError: It cannot be read; the message says what was *expected*.
    """
    try:
        return read_plain(path, most_bytes)
    except OSError as exc:
        raise InputError(f"{path}: cannot be read ({exc.strerror or exc}), expected {expected}") from exc
