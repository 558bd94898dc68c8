"""Files that outlive a crash: whole files appear whole, growing files grow by whole lines."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import uuid
from collections.abc import Iterator
from io import FileIO
from pathlib import Path

from daq.clock import Clock
from daq.errors import RecordError

#: Wall seconds between two pushes of a growing file to the disk.
SYNC_S = 1.0


class AppendFile:
    """A file that grows by whole lines and is pushed to the disk about once a second."""

    def __init__(self, path: Path, wall: Clock) -> None:
        self._path = path
        self._wall = wall
        self._raw: FileIO = path.open("ab", buffering=0)
        self._synced_s = wall.monotonic()

    def append(self, line: bytes) -> None:
        """Write *line* whole, or leave the file as it was and raise RecordError."""
        before = os.fstat(self._raw.fileno()).st_size
        try:
            if self._raw.write(line) != len(line):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))  # noqa: TRY301 - one way out for both
            if self._wall.monotonic() - self._synced_s >= SYNC_S:
                self._sync()
        except OSError as exc:
            with contextlib.suppress(OSError):
                self._raw.truncate(before)
            raise broken(self._path, exc) from exc

    def push(self) -> None:
        """Push what there is to the disk now; RecordError if it does not get there."""
        try:
            self._sync()
        except OSError as exc:
            raise broken(self._path, exc) from exc

    def _sync(self) -> None:
        os.fsync(self._raw.fileno())
        # Where a file was removed or moved, writing goes on without an error, to nobody's use.
        if not os.path.samestat(self._path.stat(), os.fstat(self._raw.fileno())):
            raise FileNotFoundError(errno.ENOENT, "another file has taken its place")
        self._synced_s = self._wall.monotonic()

    def close(self) -> None:
        """Push what there is to the disk and give the file back."""
        if self._raw.closed:
            return
        try:
            self.push()
        finally:
            self._raw.close()


def write_whole(path: Path, data: bytes) -> None:
    """Write a file that is either there whole or not at all."""
    part = path.with_name(f".{path.name}.part")
    try:
        part.unlink(missing_ok=True)  # of a crash, or a link that somebody put there
        with part.open("xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        part.rename(path)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink()
        raise
    sync_folder(path.parent)


@contextlib.contextmanager
def whole_folder(folder: Path) -> Iterator[Path]:
    """Give a folder to fill that gets its name when it is whole; if something goes wrong, it is gone."""
    part = folder.with_name(f".{folder.name}.{uuid.uuid4().hex[:12]}")
    part.mkdir(parents=True)
    try:
        yield part
        part.rename(folder)
    finally:
        shutil.rmtree(part, ignore_errors=True)


def sync_folder(folder: Path) -> None:
    """Push the folder's own entries to the disk where the system knows how."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def broken(path: Path, exc: OSError) -> RecordError:
    """Return the error to raise when *path*, a file of a record, cannot be written."""
    if not path.parent.is_dir():
        return RecordError(
            f"{path.parent}: this run folder was removed or moved during the run, so {path.name} cannot be "
            "written any more; what was logged is in that folder, wherever it is; then start a new run"
        )
    return RecordError(
        f"{path}: the record cannot be written ({exc.strerror or exc}); what was logged before is kept, "
        "make room or reconnect the disk, then resume it or start a new run"
    )
