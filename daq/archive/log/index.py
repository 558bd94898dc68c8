"""Keeping the index of the run folders below a folder: a cache that they can replace at any time.

It lies in the user's cache directory, not among the runs: those may be read-only, on a network drive, where
SQLite's locks cannot be trusted, or evidence in which nothing else should appear. Whatever is wrong with the
file, it is made anew; where none can be kept, one in memory does for once.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from hashlib import sha256
from pathlib import Path
from typing import TypeVar

from platformdirs import user_cache_path

from daq.archive.log.refresh import Refresh, Tell
from daq.archive.log.schema import VERSION, ForeignIndexError, prepare
from daq.errors import InputError
from daq.record.format import HEADER
from daq.record.rows import reason

T = TypeVar("T")

#: Another process that writes is waited for so long.
PATIENCE_S = 10.0
#: What SQLite says that is no fault of the file: it is busy, or cannot be written or opened.
_NOT_ITS_FAULT = frozenset(
    {
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_LOCKED,
        sqlite3.SQLITE_PERM,
        sqlite3.SQLITE_READONLY,
    }
)


def index_path(root: Path) -> Path:
    """Return where the index of the folder *root* lies."""
    name = sha256(os.fsencode(root)).hexdigest()[:20]
    return user_cache_path("coilsoak", appauthor=False) / f"runs-{VERSION}-{name}.sqlite"


def with_index(
    folder: Path,
    use: Callable[[sqlite3.Connection], T],
    tell: Tell,
    refuse: Tell = lambda _: None,
    *,
    rebuild: bool = False,
) -> T:
    """Bring the index of *folder* up to date and return what *use* finds in it.

    Args:
        folder: Where run folders are, at whatever depth; links to folders are not followed.
        use: Reads the index; called again if the file turns out to be damaged.
        tell: Is told in a sentence what takes long or did not work.
        refuse: Is told of each run in which a file is a link or a device.
        rebuild: Read every run folder again.

    Raises:
        InputError: *folder* is no folder, cannot be read, or is a run folder itself.
    """
    root = _searchable(folder)
    path = index_path(root)

    def in_index(index: sqlite3.Connection) -> T:
        with closing(index):
            prepare(index)
            Refresh(index, root, tell, refuse).run(anew=rebuild)
            return use(index)

    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            return in_index(_connect(path))
        except (sqlite3.DatabaseError, ForeignIndexError) as exc:
            if getattr(exc, "sqlite_errorcode", 0) & 0xFF in _NOT_ITS_FAULT:
                raise
            for each in (path, path.with_name(f"{path.name}-journal")):
                each.unlink(missing_ok=True)
            return in_index(_connect(path))
    except (sqlite3.Error, OSError) as exc:
        tell(f"the index cannot be kept in {path.parent} ({reason(exc)}), so every run folder is read")
        return in_index(_connect(":memory:"))


def _connect(path: Path | str) -> sqlite3.Connection:
    # An export is written by a thread of the writer's, which reads the index while this one waits.
    return sqlite3.connect(path, timeout=PATIENCE_S, check_same_thread=False)


def _searchable(folder: Path) -> Path:
    try:
        root = folder.resolve(strict=True)
        os.scandir(root).close()
        itself_a_run = os.path.lexists(root / HEADER)
    except (OSError, ValueError, RuntimeError) as exc:  # the last two: a NUL in the name, a link to itself
        said = exc.strerror if isinstance(exc, OSError) else exc
        raise InputError(f"{folder}: cannot be searched ({said}), expected a folder of run folders") from exc
    if itself_a_run:
        raise InputError(f"{folder}: is a run folder itself, expected the folder that it lies in")
    return root
