"""Reading the tables of a run record: whole rows to arrays, and a word on each row that is none.

Rows are taken a block at a time. A block in which every row is plain, which is nearly all there are, goes
column by column; any other goes row by row, so that one damaged cell costs one row.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import FloatArray, TextArray
from analysis.words import say
from daq.plain_file import read_inside
from daq.record.format import (
    MAX_COILS,
    MAX_ROWS,
    MAX_STATUS,
    MAX_TABLE_BYTES,
    READING_COLUMNS,
    READINGS,
    cell_text,
)

#: Problems of one kind that are listed one by one; the rest are counted.
MAX_LISTED = 5
#: Rows that are turned into arrays at a time: as text they take ten times the room.
BLOCK = 20_000
_NUMBER_CHARS = b"0123456789+-.e"
_TEXT_COLUMNS = frozenset({"coil", "phase", "source", "status"})
_COMMA, _LINE_END = b",\n"


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


def read_readings(folder: Path, problems: list[str]) -> Readings:
    """Read all whole rows of the readings in *folder*; add to *problems* what was left out and why."""
    shapes: list[str] = []
    damaged: list[str] = []
    blocks = [_arrays(_columns([]))]
    for first, lines in _blocks(folder, READINGS, READING_COLUMNS, problems, shapes):
        blocks.append(_plain_block(lines) or _careful_block(first, lines, shapes, damaged))
    list_some(shapes, READINGS, "problem.more-rows", problems)
    list_some(damaged, READINGS, "problem.more-rows", problems)
    joined = [np.concatenate(column) for column in zip(*blocks, strict=True)]
    readings = Readings(*joined)
    labels, first_row = np.unique(readings.coil, return_index=True)
    if labels.size <= MAX_COILS + 1:  # one of them may be empty: rows about the bench
        return readings
    problems.append(say("problem.many-coils", file=READINGS, count=labels.size, most=MAX_COILS))
    known = np.isin(readings.coil, labels[np.argsort(first_row)[:MAX_COILS]])
    return Readings(*(column[known] for column in joined))


def table_rows(
    folder: Path, name: str, columns: tuple[str, ...], problems: list[str], most: int
) -> Iterator[tuple[int, list[str]]]:
    """Yield the line number and cells of each whole row of a CSV file of the record.

    A cell of more than *most* characters is cut.
    """
    bad: list[str] = []
    for first, lines in _blocks(folder, name, columns, problems, bad):
        yield from _cells(first, lines, name, len(columns), most, bad)
    list_some(bad, name, "problem.more-rows", problems)


def split_row(line: str) -> list[str]:
    """Return the cells of one line of the record; a stray quote can harm no other line."""
    if '"' not in line:
        return line.split(",")
    try:
        return next(csv.reader([line]), [])
    except csv.Error:
        return []


def numbers(cells: Sequence[str]) -> FloatArray:
    """Return the numbers of a column, NaN for empty cells; ValueError for what a record never writes."""
    if "".join(cells).encode().translate(None, _NUMBER_CHARS):
        raise ValueError("not a number")
    values = np.array([float(cell) if cell else np.nan for cell in cells], dtype=np.float64)
    if np.isinf(values).any():
        raise ValueError("not a finite number")
    return values


def list_some(bad: Sequence[str], name: str, more: str, problems: list[str]) -> None:
    """Add the first of *bad* to *problems*, and by the text of the key *more* how many more there are."""
    problems += bad[:MAX_LISTED]
    if len(bad) > MAX_LISTED:
        problems.append(say(more, file=name, count=len(bad) - MAX_LISTED))


def reason(exc: Exception) -> str:
    """Return what *exc* says, on one line."""
    said = exc.strerror if isinstance(exc, OSError) else str(exc)
    return " ".join((said or type(exc).__name__).split())


def _blocks(
    folder: Path, name: str, columns: tuple[str, ...], problems: list[str], bad: list[str]
) -> Iterator[tuple[int, list[bytes]]]:
    """Yield whole lines some at a time, with the number of the first; the heading is none of them."""
    try:
        raw = read_inside(folder, name, MAX_TABLE_BYTES)
    except OSError as exc:
        problems.append(say("problem.unreadable", file=name, why=reason(exc)))
        return
    if raw[: raw.find(b"\n")].endswith(b"\r"):
        raw = raw.replace(b"\r\n", b"\n")  # what mail, editors and version control make of a table
    whole = raw.rfind(b"\n") + 1
    if torn := len(raw) - whole:
        problems.append(say("problem.torn", file=name, count=torn))
    stream = io.BytesIO(raw[:whole])
    if stream.readline().decode("utf-8", "replace") != ",".join(columns) + "\n":
        problems.append(say("problem.heading", file=name, columns=",".join(columns)))
    for first in range(2, MAX_ROWS + 2, BLOCK):
        lines = list(islice(stream, min(BLOCK, MAX_ROWS + 2 - first)))
        if not lines:
            return
        yield first, lines
    if stream.readline():
        bad.append(say("problem.many-rows", file=name, line=MAX_ROWS + 2, most=MAX_ROWS))


def _plain_block(lines: Sequence[bytes]) -> list[NDArray[Any]] | None:
    """Return the columns of *lines* as arrays, or None where some row is not plain."""
    block, width = b"".join(lines), len(READING_COLUMNS)
    ends = np.flatnonzero(np.isin(np.frombuffer(block, dtype=np.uint8), (_COMMA, _LINE_END)))
    if b'"' in block or ends.size != width * len(lines):
        return None
    # As many commas as they should be, each line ending where a row does: so no row has one too many.
    line_ends = np.cumsum([len(line) for line in lines]) - 1
    if (ends[width - 1 :: width] != line_ends).any() or np.diff(ends, prepend=-1).max() > MAX_STATUS:
        return None
    cells = block.decode("utf-8", "replace").replace("\n", ",").split(",")
    try:
        return _arrays([cells[index:-1:width] for index in range(width)])
    except ValueError:
        return None


def _careful_block(
    first: int, lines: Sequence[bytes], shapes: list[str], damaged: list[str]
) -> list[NDArray[Any]]:
    """Return the columns of *lines* as arrays without the rows that are none, and say which."""
    rows = list(_cells(first, lines, READINGS, len(READING_COLUMNS), MAX_STATUS, shapes))
    try:
        return _arrays(_columns([cells for _, cells in rows]))
    except ValueError:
        return _arrays(_columns([cells for number, cells in rows if _has_numbers(number, cells, damaged)]))


def _has_numbers(number: int, cells: Sequence[str], damaged: list[str]) -> bool:
    try:
        _arrays(_columns([cells]))
    except ValueError:
        damaged.append(say("problem.no-number", file=READINGS, line=number))
        return False
    return True


def _columns(rows: Sequence[Sequence[str]]) -> Sequence[Sequence[str]]:
    return list(zip(*rows, strict=True)) or [()] * len(READING_COLUMNS)


def _cells(
    first: int, lines: Sequence[bytes], name: str, width: int, most: int, bad: list[str]
) -> Iterator[tuple[int, list[str]]]:
    for number, line in enumerate(lines, start=first):
        cells = split_row(line[:-1].decode("utf-8", "replace"))
        if len(cells) != width:
            bad.append(say("problem.cells", file=name, line=number, count=len(cells), expected=width))
            continue
        if len(line) > most and max(map(len, cells)) > most + 1:  # with the mark of cell_text
            bad.append(say("problem.long-cell", file=name, line=number, most=most))
            cells = [cell[:most] for cell in cells]
        yield number, cells


def _arrays(columns: Sequence[Sequence[str]]) -> list[NDArray[Any]]:
    return [
        _texts(cells) if name in _TEXT_COLUMNS else numbers(cells)
        for name, cells in zip(READING_COLUMNS, columns, strict=True)
    ]


def _texts(cells: Sequence[str]) -> TextArray:
    known = {cell: cell_text(cell) for cell in set(cells)}  # few words, many rows
    return np.array([known[cell] for cell in cells], dtype=np.str_)
