"""Reading a run record back, however it ended.

A record cut off at any moment reads up to its last whole row. What is wrong with it is said in
``Run.problems`` and reading goes on; only a folder without a usable header is refused.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from math import isfinite
from pathlib import Path, PurePosixPath
from typing import Any, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from analysis.model import FloatArray, TextArray, Trace
from daq.errors import RecordError
from daq.plainfile import read_plain
from daq.recordformat import (
    ABOVE_RANGE,
    COMPANION,
    EVENT_COLUMNS,
    EVENTS,
    HEADER,
    INSULATION,
    LEADS,
    MANIFEST,
    MAX_COILS,
    MAX_ROWS,
    MAX_STATUS,
    MAX_TABLE_BYTES,
    READING_COLUMNS,
    READINGS,
    RESULT,
    SCHEMA,
    Event,
    FileEntry,
    Header,
    Manifest,
    cell_text,
)

RunState = Literal["complete", "stopped", "fault", "cut"]

#: Problems of one kind that are listed one by one; the rest are counted.
MAX_LISTED = 5
#: Larger files are none that a run leaves behind, and are not read: header, others as JSON, any other.
MAX_HEADER_BYTES, MAX_JSON_BYTES, MAX_FILE_BYTES = 1_000_000, 50_000_000, 500_000_000
#: A header holds no more entries than this, and nothing nested deeper.
MAX_ENTRIES, MAX_NESTED = 1000, 6
#: Rows that are turned into arrays at a time: as text they take ten times the room.
BLOCK = 20_000
MAX_EVENT_TEXT = 1000
#: In ohms, kelvins or as a share: beyond what the bounds of a rig file allow, short of an overflow.
MAX_UNCERTAINTY = 1e12
_NUMBER_CHARS = frozenset("0123456789+-.e")
_TEXT_COLUMNS = frozenset({"coil", "phase", "source", "status"})


@dataclass(frozen=True)
class Readings:
    """All rows of a run in the order of writing, one array of shape (n,) a column; NaN where no number is."""

    time_s: FloatArray
    coil: TextArray
    phase: TextArray
    step_degC: FloatArray
    probe_degC: FloatArray
    resistance_ohm: FloatArray
    voltage_V: FloatArray
    current_A: FloatArray
    energy_J: FloatArray
    leakage_ohm: FloatArray
    source: TextArray
    status: TextArray

    def __len__(self) -> int:
        return self.time_s.size


@dataclass(frozen=True)
class Run:
    """A run as read; *result* is the JSON of ``result.json``, *state* is ``cut`` without a manifest."""

    folder: Path
    header: Header
    readings: Readings
    events: tuple[Event, ...]
    result: object | None
    state: RunState
    problems: tuple[str, ...]

    def leads_ohm(self) -> float | None:
        """Return what the two-wire leads read that were taken off, None if they were not measured."""
        known = self.readings.resistance_ohm[self.readings.source == LEADS]
        known = known[np.isfinite(known)]
        return float(known[-1]) if known.size else None

    def traces(self) -> list[Trace]:
        """Return the readings of each coil in time order; coils in the order in which they first appear."""
        rows = self.readings
        labels, first, of_row = np.unique(rows.coil, return_index=True, return_inverse=True)
        traces = []
        for index in np.argsort(first):
            if not labels[index]:
                continue  # a row about the bench, not about a coil
            mine = np.flatnonzero(of_row == index)
            mine = mine[np.argsort(rows.time_s[mine], kind="stable")]
            insulation = mine[rows.source[mine] == INSULATION]
            mine = mine[rows.source[mine] != INSULATION]
            traces.append(
                Trace(
                    coil=str(labels[index]),
                    time_s=rows.time_s[mine],
                    probe_degC=rows.probe_degC[mine],
                    resistance_ohm=rows.resistance_ohm[mine],
                    voltage_V=rows.voltage_V[mine],
                    current_A=rows.current_A[mine],
                    phase=rows.phase[mine],
                    source=rows.source[mine],
                    status=rows.status[mine],
                    leakage_ohm=np.where(
                        rows.status[insulation] == ABOVE_RANGE, np.inf, rows.leakage_ohm[insulation]
                    ),
                    energy_J=rows.energy_J[mine],
                )
            )
        return traces


def read_run(folder: Path) -> Run:
    """Read the record in *folder*.

    Raises:
        RecordError: One line: not a run folder, an unreadable header, or a record of a newer program.
    """
    problems: list[str] = []
    header = _header(folder)
    state = _check_manifest(folder, problems)
    readings = _readings(_rows(folder, READINGS, READING_COLUMNS, problems, MAX_STATUS), problems)
    events = _events(_rows(folder, EVENTS, EVENT_COLUMNS, problems, MAX_EVENT_TEXT), problems)
    if (folder / COMPANION).exists():
        events += _events(_rows(folder, COMPANION, EVENT_COLUMNS, problems, MAX_EVENT_TEXT), problems)
    result: object | None = None
    try:
        result = json.loads(read_plain(folder / RESULT, MAX_JSON_BYTES))
    except FileNotFoundError:
        pass
    except (OSError, ValueError, RecursionError) as exc:
        problems.append(f"{RESULT}: cannot be read ({_reason(exc)})")
    return Run(folder, header, readings, events, result, state, tuple(problems))


def _header(folder: Path) -> Header:
    path = folder / HEADER
    try:
        raw = read_plain(path, MAX_HEADER_BYTES)
    except OSError as exc:
        raise RecordError(f"{path}: cannot be read ({_reason(exc)}); expected a run folder") from exc
    try:
        plain = json.loads(raw)
        schema = plain.get("schema") if isinstance(plain, dict) else None
        if isinstance(schema, int) and schema > SCHEMA:
            raise RecordError(
                f"{path}: written by a newer program (schema {schema}, this one reads up to {SCHEMA}); "
                "update this one"
            )
        header = msgspec.convert(plain, Header)
        _check_header(plain, header)
    except (ValueError, OverflowError, RecursionError, msgspec.ValidationError) as exc:
        raise RecordError(f"{path}: damaged ({_reason(exc)}); the run cannot be read without it") from exc
    return header


def _check_header(plain: object, header: Header) -> None:
    """ValueError for what no program of ours writes and no judgement or report could bear."""
    if _entries(plain, MAX_NESTED) > MAX_ENTRIES:
        raise ValueError(f"more than {MAX_ENTRIES} entries")
    if header.start_utc.tzinfo is None or header.start_utc.year < 1970:
        raise ValueError(f"start_utc is {header.start_utc}, expected the time of a run in UTC")
    for name, value in asdict(header.accuracy).items():
        if not 0 <= value <= MAX_UNCERTAINTY:
            raise ValueError(f"accuracy.{name} is {value}, expected an uncertainty")
    for name, value in header.limits.items():
        if not isfinite(value):
            raise ValueError(f"limits.{name} is {value}, expected a number")


def _entries(node: object, levels: int) -> int:
    """Return how many values are in *node*; ValueError where they go deeper than *levels*."""
    if not isinstance(node, dict | list):
        return 1
    if not levels:
        raise ValueError("nested too deeply")
    return sum(_entries(each, levels - 1) for each in (node.values() if isinstance(node, dict) else node))


def _check_manifest(folder: Path, problems: list[str]) -> RunState:
    """Compare the files with the manifest and return how the run ended."""
    try:
        manifest = msgspec.json.decode(read_plain(folder / MANIFEST, MAX_JSON_BYTES), type=Manifest)
    except FileNotFoundError:
        problems.append(f"{MANIFEST} is missing: the run was cut off before its end")
        return "cut"
    except (OSError, ValueError, RecursionError, msgspec.MsgspecError) as exc:
        problems.append(
            f"{MANIFEST}: damaged ({_reason(exc)}): files cannot be checked, how the run ended is unknown"
        )
        return "cut"
    complaints = [_changed(folder, name, entry) for name, entry in manifest.files.items()]
    _list_some([each for each in complaints if each], MANIFEST, problems, "files are not as they were")
    return manifest.state


def _changed(folder: Path, name: str, entry: FileEntry) -> str:
    """Return what is wrong with a file that the manifest names, or nothing."""
    pure = PurePosixPath(name)
    if not pure.parts or ".." in pure.parts or pure.is_absolute() or "\\" in name or str(pure) != name:
        return f"{MANIFEST}: names {name[:MAX_STATUS]!r}, which is no file of this folder"
    try:
        data = read_plain(folder / name, MAX_FILE_BYTES)
    except OSError as exc:
        return f"{name[:MAX_STATUS]}: cannot be read ({_reason(exc)}), yet it was there when the run closed"
    if len(data) == entry.bytes and hashlib.sha256(data).hexdigest() == entry.sha256:
        return ""
    return f"{name}: was changed after the run closed (size or SHA-256 differs from {MANIFEST})"


def _rows(
    folder: Path, name: str, columns: tuple[str, ...], problems: list[str], most: int
) -> Iterator[tuple[int, list[str]]]:
    """Yield the line number and cells of each whole row of a CSV file of the record.

    A cell of more than *most* characters is cut.
    """
    try:
        raw = read_plain(folder / name, MAX_TABLE_BYTES)
    except OSError as exc:
        problems.append(f"{name}: cannot be read ({_reason(exc)})")
        return
    if torn := len(raw) - raw.rfind(b"\n") - 1:
        problems.append(f"{name}: the last row is torn ({torn} bytes) and was left out")
    if raw[: raw.find(b"\n") + 1].decode("utf-8", "replace") != ",".join(columns) + "\n":
        problems.append(f"{name}:1: the heading is damaged, expected {','.join(columns)}")
    bad = []
    for number, line in enumerate(io.BytesIO(raw), start=1):
        if number == 1 or not line.endswith(b"\n"):
            continue
        if number > MAX_ROWS + 1:
            bad.append(f"{name}:{number}: more than {MAX_ROWS} rows, the rest left out")
            break
        cells = split_row(line[:-1].decode("utf-8", "replace"))
        if len(cells) != len(columns):
            bad.append(f"{name}:{number}: {len(cells)} cells instead of {len(columns)}, row left out")
            continue
        if len(line) > most and max(map(len, cells)) > most + 1:  # with the mark of cell_text
            bad.append(f"{name}:{number}: a cell of more than {most} characters, cut")
            cells = [cell[:most] for cell in cells]
        yield number, cells
    _list_some(bad, name, problems)


def split_row(line: str) -> list[str]:
    """Return the cells of one line of the record; a stray quote can harm no other line."""
    if '"' not in line:
        return line.split(",")
    try:
        return next(csv.reader([line]), [])
    except csv.Error:
        return []


def _readings(rows: Iterable[tuple[int, list[str]]], problems: list[str]) -> Readings:
    """Turn cells into arrays; rows with a damaged number are left out and said."""
    bad: list[str] = []
    blocks = [_block(block, bad) for block in _blocks(rows)]
    _list_some(bad, READINGS, problems)
    joined = [np.concatenate(column) for column in zip(*blocks, strict=True)]
    readings = Readings(*joined)
    labels, first = np.unique(readings.coil, return_index=True)
    if labels.size <= MAX_COILS + 1:  # one of them may be empty: rows about the bench
        return readings
    problems.append(f"{READINGS}: {labels.size} coils, expected at most {MAX_COILS}; the first are read")
    known = np.isin(readings.coil, labels[np.argsort(first)[:MAX_COILS]])
    return Readings(*(column[known] for column in joined))


def _blocks(rows: Iterable[tuple[int, list[str]]]) -> Iterator[list[tuple[int, list[str]]]]:
    """Yield the rows some at a time, at least one list, the last perhaps empty."""
    block: list[tuple[int, list[str]]] = []
    for row in rows:
        block.append(row)
        if len(block) == BLOCK:
            yield block
            block = []
    yield block


def _block(rows: list[tuple[int, list[str]]], bad: list[str]) -> list[NDArray[Any]]:
    """Return the columns of *rows* as arrays."""
    try:
        return _arrays([cells for _, cells in rows])
    except ValueError:
        good = []
        for number, cells in rows:
            try:
                _arrays([cells])
            except ValueError:
                bad.append(f"{READINGS}:{number}: a cell is not a number, row left out")
            else:
                good.append(cells)
        return _arrays(good)


def _arrays(rows: list[list[str]]) -> list[NDArray[Any]]:
    columns = list(zip(*rows, strict=True)) or [()] * len(READING_COLUMNS)
    return [
        _texts(cells) if name in _TEXT_COLUMNS else _numbers(cells)
        for name, cells in zip(READING_COLUMNS, columns, strict=True)
    ]


def _numbers(cells: Sequence[str]) -> FloatArray:
    """Return the numbers of a column, NaN for empty cells; ValueError for what a record never writes."""
    if not _NUMBER_CHARS.issuperset("".join(cells)):
        raise ValueError("not a number")
    values = np.array([float(cell) if cell else np.nan for cell in cells], dtype=np.float64)
    if np.isinf(values).any():
        raise ValueError("not a finite number")
    return values


def _texts(cells: Sequence[str]) -> TextArray:
    return np.array([cell_text(cell) for cell in cells], dtype=np.str_)


def _events(rows: Iterable[tuple[int, list[str]]], problems: list[str]) -> tuple[Event, ...]:
    events, bad = [], []
    for number, (time_s, *texts) in rows:
        utc, kind, coil, text = map(cell_text, texts)
        try:
            event = Event(time_s=float(_numbers([time_s])[0]), utc=utc, kind=kind, coil=coil, text=text)
        except ValueError:
            bad.append(f"{EVENTS}:{number}: time_s is {time_s!r}, not a number, row left out")
        else:
            events.append(event)
    _list_some(bad, EVENTS, problems)
    return tuple(events)


def _list_some(
    bad: list[str], name: str, problems: list[str], what: str = "rows left out for the like"
) -> None:
    problems += bad[:MAX_LISTED]
    if len(bad) > MAX_LISTED:
        problems.append(f"{name}: {len(bad) - MAX_LISTED} more {what}")


def _reason(exc: Exception) -> str:
    """Return what *exc* says, on one line."""
    said = exc.strerror if isinstance(exc, OSError) else str(exc)
    return " ".join((said or type(exc).__name__).split())
