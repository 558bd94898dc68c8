"""Writing the run record: one folder a run, append-only, readable at whatever moment it is cut off.

Each row goes to the operating system in one write as it is made, and to the disk about once a
second; a killed program loses at most the row it was writing. No file is ever written over.
"""

from __future__ import annotations

import contextlib
import hashlib
import re
import shutil
import unicodedata
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from daq.clock import Clock, RealClock
from daq.durable_file import AppendFile, broken, sync_folder, write_whole
from daq.errors import RecordError
from daq.record.format import (
    COIL_SET,
    DONE,
    EVENT_COLUMNS,
    EVENTS,
    FAULT_SCRIPT,
    HEADER,
    MANIFEST,
    OBSERVATIONS,
    READING_COLUMNS,
    READINGS,
    RESULT,
    RIG,
    CloseState,
    Event,
    FileEntry,
    FileUsed,
    Header,
    InstrumentUsed,
    Manifest,
    Reading,
    event_line,
    json_text,
    reading_line,
)

__all__ = ["Carried", "FileUsed", "Header", "InstrumentUsed", "Reading", "RunWriter", "folder_name"]

#: More runs of one name within one second than this is a loop gone wild.
MAX_SAME_NAME = 1000
_TEXT_NAMES = (RIG, COIL_SET, FAULT_SCRIPT)


def folder_name(header: Header) -> str:
    """Return ``<UTC start>-<job>-<kind>-<stage>``; job and stage are cut down to what file systems take."""
    start = f"{header.start_utc:%Y%m%dT%H%M%SZ}"
    return f"{start}-{_safe(header.job) or 'run'}-{header.kind}-{_safe(header.stage) or 'stage'}"


def _safe(text: str) -> str:
    """Keep letters and digits of any script; the rest becomes single hyphens. At most 120 bytes."""
    kept = "".join(c if c.isalnum() or c == "_" else "-" for c in unicodedata.normalize("NFC", text))
    short = re.sub("-+", "-", kept).strip("-").encode()[:120]
    return short.decode("utf-8", "ignore").strip("-")


@dataclass(frozen=True)
class Carried:
    """What a new record begins with: heading and rows of either table, and the time that they took."""

    readings: bytes
    events: bytes
    elapsed_s: float

    @classmethod
    def nothing(cls) -> Carried:
        """Return the beginning of a run of its own."""
        readings, events = (",".join(columns) + "\n" for columns in (READING_COLUMNS, EVENT_COLUMNS))
        return cls(readings.encode(), events.encode(), 0.0)


class RunWriter:
    """The record of one run while it is being made; made by :meth:`create`.

    As a context manager it gives its files back; a block left without :meth:`close` leaves a
    record that says it was cut.
    """

    def __init__(self, folder: Path, clock: Clock, wall: Clock, elapsed_s: float) -> None:
        self._folder = folder
        self._clock = clock
        self._origin_s = clock.monotonic() - elapsed_s
        self._readings = AppendFile(folder / READINGS, wall)
        self._events = AppendFile(folder / EVENTS, wall)
        self._done = False

    @classmethod
    def create(
        cls,
        parent: Path,
        header: Header,
        texts: Mapping[str, str],
        clock: Clock,
        wall: Clock | None = None,
        carried: Carried | None = None,
    ) -> RunWriter:
        """Make a new run folder under *parent* and start its record.

        Args:
            parent: Where runs go; made if it is not there.
            header: Written to ``header.json``.
            texts: ``rig.toml``, ``coil_set.toml`` and, if simulated, ``fault_script.toml``, as used.
            clock: The run's clock: stamps events; its present is time zero of the record.
            wall: What paces the pushes to the disk; tests may pass their own.
            carried: What a resumed run brings along from the cut one.

        Raises:
            RecordError: The folder cannot be made or written.
        """
        if unknown := set(texts) - set(_TEXT_NAMES):
            raise RecordError(f"record: no place for {sorted(unknown)}, expected {', '.join(_TEXT_NAMES)}")
        carried = carried or Carried.nothing()
        name = folder_name(header)
        # Made whole under a hidden name first: a run folder that can be seen can be read.
        staging = parent / f".{name}.{uuid.uuid4().hex[:12]}"
        try:
            parent.mkdir(parents=True, exist_ok=True)
            staging.mkdir()
            write_whole(staging / HEADER, json_text(header))
            for file_name, text in texts.items():
                write_whole(staging / file_name, text.encode("utf-8"))
            write_whole(staging / READINGS, carried.readings)
            write_whole(staging / EVENTS, carried.events)
            folder = _claim(staging, parent, name)
            return cls(folder, clock, wall or RealClock(), carried.elapsed_s)
        except OSError as exc:
            shutil.rmtree(staging, ignore_errors=True)
            if isinstance(exc, RecordError):
                raise
            raise RecordError(
                f"{parent}: a run folder cannot be made here ({exc.strerror or exc}); "
                "choose a writable place with room for it"
            ) from exc

    @property
    def folder(self) -> Path:
        """The run's folder."""
        return self._folder

    def elapsed_s(self) -> float:
        """Return the run clock's seconds since the record was started: the *time_s* of a reading made now."""
        return self._clock.monotonic() - self._origin_s

    def row(self, reading: Reading) -> None:
        """Append one reading.

        Raises:
            RecordError: The disk is full or gone; rows up to here are kept whole.
        """
        self._require_open()
        self._readings.append(reading_line(reading).encode())

    def event(self, kind: str, text: str, coil: str = "") -> None:
        """Append one event, stamped with the run's clock; what says 'done' goes to the disk after its rows.

        Raises:
            RecordError: The disk is full or gone; rows up to here are kept whole.
        """
        self._require_open()
        utc = self._clock.utc().isoformat(timespec="milliseconds").replace("+00:00", "Z")
        event = Event(time_s=self.elapsed_s(), utc=utc, kind=kind, coil=coil, text=text)
        if kind == DONE:
            self._readings.push()
        self._events.append(event_line(event).encode())

    def close(self, state: CloseState, result: object | None) -> None:
        """Write the result and, last, the manifest. A second call does nothing.

        Args:
            state: How the run ended.
            result: Whatever was judged (structs, dataclasses and arrays are fine), or None.

        Raises:
            RecordError: Something could not be written; the record then reads as cut.
        """
        if self._done:
            return
        self._done = True
        try:
            self._readings.close()
            self._events.close()
            if result is not None:
                self._add(RESULT, json_text(result))
            manifest = Manifest(state=state, closed_utc=self._clock.utc(), files=_entries(self._folder))
            self._add(MANIFEST, json_text(manifest))
        except OSError as exc:
            if isinstance(exc, RecordError):
                raise
            raise broken(self._folder, exc) from exc
        finally:
            self._give_back()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._done = True
        self._give_back()

    def _give_back(self) -> None:
        for file in (self._readings, self._events):
            with contextlib.suppress(RecordError):
                file.close()

    def _require_open(self) -> None:
        if self._done:
            raise RecordError(f"{self._folder}: the record is closed and takes no more; start a new run")

    def _add(self, name: str, data: bytes) -> Path:
        path = self._folder / name
        if path.exists():
            raise RecordError(f"{path}: is there already, and a record is never written over")
        try:
            write_whole(path, data)
        except OSError as exc:
            raise broken(path, exc) from exc
        return path


def _claim(staging: Path, parent: Path, name: str) -> Path:
    """Give the finished folder its name, or the name with -2, -3 ...; a name is never used twice.

    A rename never replaces a folder with files in it, and every run folder has some.
    """
    for number in range(1, MAX_SAME_NAME):
        folder = parent / (name if number == 1 else f"{name}-{number}")
        if folder.exists():
            continue
        try:
            staging.rename(folder)
        except OSError:
            if folder.exists():  # somebody else was faster
                continue
            raise
        sync_folder(parent)
        return folder
    raise RecordError(f"{parent}: {MAX_SAME_NAME} runs named {name} already; choose another place")


def _entries(folder: Path) -> dict[str, FileEntry]:
    entries = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file() and not path.name.startswith(".") and path.name != OBSERVATIONS:
            data = path.read_bytes()
            entries[path.relative_to(folder).as_posix()] = FileEntry(
                bytes=len(data), sha256=hashlib.sha256(data).hexdigest()
            )
    return entries
