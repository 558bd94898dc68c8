"""Bringing the index of runs up to date with the folders.

Looking at 100,000 run folders takes long, so as little is looked at as tells a change. A folder that holds
run folders has a new time of change when one is added, removed or renamed, and is listed only then. A closed
run never changes and is not looked at again; one that is open, cut or damaged is.
"""

from __future__ import annotations

import os
import sqlite3
import stat
from collections.abc import Callable, Iterable
from pathlib import Path

from daq.archive.log.schema import store
from daq.archive.log.summary import read_brief
from daq.clock import RealClock
from daq.record.format import HEADER

Tell = Callable[[str], None]

#: So many runs are read between two commits: what another process has to wait for, and what a kill loses.
BATCH = 1000
#: A time of change this recent may stand for a later change too: some file systems count in two seconds.
UNSURE_S = 3.0
_ROOT = b""
_HEADER = os.fsencode(HEADER)


class Refresh:
    """Brings an index up to date with the folders below *root*.

    Paths below the root are bytes, as the system has them: not all of them are text. *refuse* is told of each
    run in which something was not followed, each time: such a run is read again whenever it is looked for.
    """

    def __init__(self, index: sqlite3.Connection, root: Path, tell: Tell, refuse: Tell) -> None:
        self._index = index
        self._root = os.fsencode(root)
        self._tell = tell
        self._refuse = refuse
        self._now_s = RealClock().utc().timestamp()
        self._read = 0
        self._committed = index.total_changes
        self._places: dict[bytes, int | None] = dict(index.execute("SELECT path, changed_ns FROM place"))

    def run(self, *, anew: bool = False) -> None:
        """Look at every folder that holds run folders and at every run that may have changed.

        Args:
            anew: Forget all there was before.
        """
        if anew:
            for table in ("coil", "run", "place"):
                self._index.execute(f"DELETE FROM {table}")  # noqa: S608 - names of our own tables
            self._places = {}
        waiting = [*self._places] if _ROOT in self._places else [_ROOT, *self._places]
        while waiting:
            place = waiting.pop()
            try:
                status = os.lstat(self._full(place))
                changed_ns = self._sure_ns(status)
                if not stat.S_ISDIR(status.st_mode):
                    self._forget(place)
                elif changed_ns is None or self._places.get(place) != changed_ns:
                    waiting += self._list(place, changed_ns)
            except (FileNotFoundError, NotADirectoryError):
                self._forget(place)
            except OSError as exc:
                self._keep_place(place, None, exc.strerror or str(exc))
            if self._index.total_changes - self._committed >= BATCH:
                self._commit()
        self._look_again()
        self._commit()

    def _commit(self) -> None:
        self._index.commit()
        self._committed = self._index.total_changes

    def _full(self, *parts: bytes) -> bytes:
        return os.path.join(self._root, *parts)  # noqa: PTH118 - bytes

    def _sure_ns(self, status: os.stat_result) -> int | None:
        """Return the time of change, or None where it may stand for a change to come as well."""
        return status.st_mtime_ns if abs(self._now_s - status.st_mtime) > UNSURE_S else None

    def _list(self, place: bytes, changed_ns: int | None) -> list[bytes]:
        """List the folder *place*: drop runs that left it, read new ones, return folders that are none."""
        with os.scandir(self._full(place)) as entries:
            names = {
                entry.name
                for entry in entries
                if entry.name == _HEADER
                or (not entry.name.startswith(b".") and entry.is_dir(follow_symlinks=False))
            }
        if _HEADER in names and place:  # has become a run folder: it was being copied when last seen
            self._forget(place)
            self._store([os.path.split(place)])
            return []
        names.discard(_HEADER)
        known = {name for (name,) in self._index.execute("SELECT name FROM run WHERE place = ?", (place,))}
        self._drop((place, name) for name in known - names)
        fresh = sorted(name for name in names - known if self._join(place, name) not in self._places)
        others = []
        for at in range(0, len(fresh), BATCH):
            others += self._store([(place, name) for name in fresh[at : at + BATCH]])
        # Last, so that a refresh that was cut short goes on where it ended.
        self._keep_place(place, changed_ns, "")
        return others

    @staticmethod
    def _join(place: bytes, name: bytes) -> bytes:
        return os.path.join(place, name) if place else name  # noqa: PTH118 - bytes

    def _store(self, folders: Iterable[tuple[bytes, bytes]]) -> list[bytes]:
        """Read *folders*, write those that are run folders into the index, and return the others."""
        others, briefs = [], []
        for place, name in folders:
            folder = self._full(place, name)
            # What is read may be older than what is there, never newer than its stamp says.
            stamp = self._stamp(folder)
            brief = read_brief(Path(os.fsdecode(folder)))
            if brief is None:
                others.append((place, name))
            else:
                briefs.append((place, name, stamp, brief))
                if brief.refused:
                    self._refuse(f"{os.fsdecode(folder)}{os.sep}{brief.problem}")
        self._drop(others)
        for place, name, stamp, brief in briefs:
            store(self._index, place, name, stamp, brief)
        if len(briefs) == BATCH:
            self._commit()
        before, self._read = self._read, self._read + len(briefs)
        if self._read // (10 * BATCH) > before // (10 * BATCH):
            self._tell(f"{self._read} run folders read")
        return [self._join(place, name) for place, name in others]

    def _drop(self, runs: Iterable[tuple[bytes, bytes]]) -> None:
        self._index.executemany("DELETE FROM run WHERE place = ? AND name = ?", runs)

    def _stamp(self, folder: bytes) -> int:
        """Return when *folder* changed, a number that no later change will have; 0 where that is not sure."""
        try:
            return self._sure_ns(os.stat(folder)) or 0  # noqa: PTH116 - bytes
        except OSError:
            return 0

    def _look_again(self) -> None:
        """Read those runs again that were not closed and sound, and are not as they were."""
        rows = self._index.execute("SELECT place, name, stamp FROM run WHERE stamp IS NOT NULL").fetchall()
        changed = [
            (place, name)
            for place, name, stamp in rows
            if not stamp or self._stamp(self._full(place, name)) != stamp
        ]
        for at in range(0, len(changed), BATCH):
            self._store(changed[at : at + BATCH])

    def _keep_place(self, place: bytes, changed_ns: int | None, problem: str) -> None:
        self._index.execute("INSERT OR REPLACE INTO place VALUES (?, ?, ?)", (place, changed_ns, problem))

    def _forget(self, place: bytes) -> None:
        self._index.execute("DELETE FROM run WHERE place = ?", (place,))
        self._index.execute("DELETE FROM place WHERE path = ?", (place,))
