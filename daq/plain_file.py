"""Reading files that may come from strangers: plain ones of bounded size, or a reason in words.

What is read ends up in reports, claims and messages, so a link put in the place of a file could send
somebody's own secrets away. In a run folder, and in the place of a table, claim or picture that is named,
nothing is followed: see :func:`read_inside` and :func:`refuse_link`. Rig, coil-set, shop and key files are
the user's own and may be links.
"""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path, PurePosixPath

from daq.errors import ForeignFileError, InputError

# Systems without these have other means; what was looked at before is looked at again after opening.
_OPENING = (
    os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
)
#: A name beyond this length is cut: it still has to be read.
_SHOWN = 100
_NO_NAME = "no file can have this name"


def read_plain(path: Path, most_bytes: int) -> bytes:
    """Return the content of the plain file at *path*, the user's own.

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
        raise OSError(errno.EINVAL, _NO_NAME) from exc
    return _bounded(raw, most_bytes)


def read_inside(folder: Path, name: str, most_bytes: int) -> bytes:
    """Return the content of the plain file *name* of *folder*, following no link on the way.

    Args:
        folder: A folder that may come from a stranger; it is itself taken as given.
        name: Path within it, parts parted by ``/``.
        most_bytes: Larger files are not read.

    Raises:
        ForeignFileError: It leads out of the folder, or it, or a folder on the way to it, is a link, a device
            or a pipe.
        OSError: Not there, not readable, or larger than *most_bytes*; see *strerror*.
    """
    path, mode = folder, 0
    for part in inside(folder, name).parts:
        path /= part
        refuse_link(path)
        try:
            mode = path.lstat().st_mode
        except ValueError as exc:  # a NUL in the name
            raise OSError(errno.EINVAL, _NO_NAME) from exc
        if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
            raise _not_plain(path)
    if stat.S_ISDIR(mode):
        raise OSError(errno.EISDIR, "is a folder")
    try:
        handle = os.open(path, _OPENING)
    except OSError as exc:
        if exc.errno == errno.ELOOP:  # a link since it was looked at
            raise _link(path) from exc
        raise
    with os.fdopen(handle, "rb") as stream:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise _not_plain(path)
        return _bounded(stream.read(most_bytes + 1), most_bytes)


def inside(folder: Path, name: str) -> PurePosixPath:
    """Return *name*, a path that is said to be within *folder*.

    Raises:
        ForeignFileError: It leads elsewhere, or is not written as such a path is.
    """
    pure = PurePosixPath(name)
    if (
        not pure.parts
        or ".." in pure.parts
        or pure.is_absolute()
        or "\\" in name
        or "\0" in name
        or str(pure) != name
    ):
        raise ForeignFileError(
            f"{folder}: names {name[:_SHOWN]!r}, which is no file of this folder, so it is not read; "
            "ask whoever sent it for the run as it was made"
        )
    return pure


def refuse_link(path: Path) -> None:
    """Refuse to follow *path* where it is a link itself.

    Raises:
        ForeignFileError: It is one.
    """
    try:
        if path.is_symlink():
            raise _link(path)
    except ValueError:  # a NUL in the name: whoever opens it says so
        return


def read_given(path: Path, most_bytes: int, expected: str) -> bytes:
    """Return what :func:`read_plain` does, of a file that was named on the command line.

    Raises:
        InputError: It cannot be read; the message says what was *expected*.
    """
    try:
        return read_plain(path, most_bytes)
    except OSError as exc:
        raise InputError(f"{path}: cannot be read ({exc.strerror or exc}), expected {expected}") from exc


def _link(path: Path) -> ForeignFileError:
    return ForeignFileError(
        f"{path}: is a link, and links are not followed here: they may lead to private files; "
        "put or name the file or folder itself"
    )


def _not_plain(path: Path) -> ForeignFileError:
    return ForeignFileError(
        f"{path}: not a plain file but a device or pipe, which is not opened; expected a file as runs have"
    )


def _bounded(raw: bytes, most_bytes: int) -> bytes:
    if len(raw) > most_bytes:
        size = f"{most_bytes // 1_000_000} MB" if most_bytes >= 1_000_000 else f"{most_bytes // 1000} kB"
        raise OSError(errno.EFBIG, f"larger than {size}")
    return raw
