"""Reading a run record back, however it ended.

A record cut off at any moment reads up to its last whole row. What is wrong with it is said in
``Run.problems`` and reading goes on; only a folder without a usable header is refused.
"""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, Literal

import msgspec
import numpy as np

from analysis.model import FloatArray, TextArray, Trace
from daq.errors import RecordError
from daq.recordformat import (
    ABOVE_RANGE,
    COMPANION,
    EVENT_COLUMNS,
    EVENTS,
    HEADER,
    INSULATION,
    MANIFEST,
    READING_COLUMNS,
    READINGS,
    RESULT,
    SCHEMA,
    Event,
    Header,
    Manifest,
    cell_text,
)

RunState = Literal["complete", "stopped", "fault", "cut"]

#: Problems of one kind that are listed one by one; the rest are counted.
MAX_LISTED = 5
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
    cells = _rows(folder, READINGS, READING_COLUMNS, problems)
    readings = _readings(cells, problems)
    events = _events(_rows(folder, EVENTS, EVENT_COLUMNS, problems), problems)
    if (folder / COMPANION).exists():
        events += _events(_rows(folder, COMPANION, EVENT_COLUMNS, problems), problems)
    result: object | None = None
    try:
        result = json.loads((folder / RESULT).read_bytes())
    except FileNotFoundError:
        pass
    except (OSError, ValueError, RecursionError) as exc:
        problems.append(f"{RESULT}: cannot be read ({_reason(exc)})")
    return Run(folder, header, readings, events, result, state, tuple(problems))


def _header(folder: Path) -> Header:
    path = folder / HEADER
    try:
        raw = path.read_bytes()
    except (OSError, ValueError) as exc:
        raise RecordError(f"{path}: cannot be read ({_reason(exc)}); expected a run folder") from exc
    try:
        plain = json.loads(raw)
        schema = plain.get("schema") if isinstance(plain, dict) else None
        if isinstance(schema, int) and schema > SCHEMA:
            raise RecordError(
                f"{path}: written by a newer program (schema {schema}, this one reads up to {SCHEMA}); "
                "update this one"
            )
        return msgspec.convert(plain, Header)
    except (ValueError, RecursionError, msgspec.ValidationError) as exc:
        raise RecordError(f"{path}: damaged ({_reason(exc)}); the run cannot be read without it") from exc


def _check_manifest(folder: Path, problems: list[str]) -> RunState:
    """Compare the files with the manifest and return how the run ended."""
    try:
        manifest = msgspec.json.decode((folder / MANIFEST).read_bytes(), type=Manifest)
    except FileNotFoundError:
        problems.append(f"{MANIFEST} is missing: the run was cut off before its end")
        return "cut"
    except (OSError, ValueError, RecursionError, msgspec.MsgspecError) as exc:
        problems.append(
            f"{MANIFEST}: damaged ({_reason(exc)}): files cannot be checked, how the run ended is unknown"
        )
        return "cut"
    for name, entry in manifest.files.items():
        parts = PurePosixPath(name).parts
        if not parts or ".." in parts or PurePosixPath(name).is_absolute() or "\\" in name:
            problems.append(f"{MANIFEST}: names {name!r}, which is no file of this folder")
            continue
        try:
            data = (folder / name).read_bytes()
        except (OSError, ValueError) as exc:
            problems.append(f"{name}: cannot be read ({_reason(exc)}), yet it was there when the run closed")
            continue
        if len(data) != entry.bytes or hashlib.sha256(data).hexdigest() != entry.sha256:
            problems.append(
                f"{name}: was changed after the run closed (size or SHA-256 differs from {MANIFEST})"
            )
    return manifest.state


def _rows(
    folder: Path, name: str, columns: tuple[str, ...], problems: list[str]
) -> list[tuple[int, list[str]]]:
    """Return the line number and cells of each whole row of a CSV file of the record."""
    try:
        raw = (folder / name).read_bytes()
    except OSError as exc:
        problems.append(f"{name}: cannot be read ({_reason(exc)})")
        return []
    whole, _, torn = raw.rpartition(b"\n")
    lines = whole.decode("utf-8", "replace").split("\n") if whole else []
    if torn:
        problems.append(f"{name}: the last row is torn ({len(torn)} bytes) and was left out")
    if not lines or lines[0] != ",".join(columns):
        problems.append(f"{name}:1: the heading is damaged, expected {','.join(columns)}")
    rows, bad = [], []
    for number, line in enumerate(lines[1:], start=2):
        cells = split_row(line)
        if len(cells) == len(columns):
            rows.append((number, cells))
        else:
            bad.append(f"{name}:{number}: {len(cells)} cells instead of {len(columns)}, row left out")
    _list_some(bad, name, problems)
    return rows


def split_row(line: str) -> list[str]:
    """Return the cells of one line of the record; a stray quote can harm no other line."""
    if '"' not in line:
        return line.split(",")
    try:
        return next(csv.reader([line]), [])
    except csv.Error:
        return []


def _readings(rows: list[tuple[int, list[str]]], problems: list[str]) -> Readings:
    """Turn cells into arrays; rows with a damaged number are left out and said."""
    try:
        return _arrays([cells for _, cells in rows])
    except ValueError:
        good, bad = [], []
        for number, cells in rows:
            try:
                _arrays([cells])
            except ValueError:
                bad.append(f"{READINGS}:{number}: a cell is not a number, row left out")
            else:
                good.append(cells)
        _list_some(bad, READINGS, problems)
        return _arrays(good)


def _arrays(rows: list[list[str]]) -> Readings:
    columns = list(zip(*rows, strict=True)) or [()] * len(READING_COLUMNS)
    fields: dict[str, Any] = {
        name: _texts(cells) if name in _TEXT_COLUMNS else _numbers(cells)
        for name, cells in zip(READING_COLUMNS, columns, strict=True)
    }
    return Readings(**fields)


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


def _events(rows: list[tuple[int, list[str]]], problems: list[str]) -> tuple[Event, ...]:
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


def _list_some(bad: list[str], name: str, problems: list[str]) -> None:
    problems += bad[:MAX_LISTED]
    if len(bad) > MAX_LISTED:
        problems.append(f"{name}: {len(bad) - MAX_LISTED} more rows left out for the like")


def _reason(exc: Exception) -> str:
    """Return what *exc* says, on one line."""
    said = exc.strerror if isinstance(exc, OSError) else str(exc)
    return " ".join((said or type(exc).__name__).split())
