"""Somebody's CSV of temperature and resistance, read into traces.

Spreadsheets and loggers write such files in many dialects; what is not clear is refused with
line and column rather than guessed.
"""

from __future__ import annotations

import csv
import re
from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from math import isclose, isinf, isnan
from pathlib import Path

import numpy as np

from analysis.model import LIMITING, OK, OVER_RANGE, PHASES, TRIPPED, Trace
from analysis.trace.rows import DRIVEN_A
from daq.errors import InputError
from daq.plain_file import read_plain, refuse_link
from daq.record.format import (
    AGAIN,
    INSULATION,
    LEADS,
    MAX_COILS,
    MAX_LABEL,
    MAX_ROWS,
    MAX_STATUS,
    MAX_TABLE_BYTES,
    cell_text,
    printable,
)

#: A coil with this voltage across it and no current to speak of is open.
OPEN_V, OPEN_A = 1.0, 0.005
#: SCPI-99 chapter 7.2.1: 9.91E37 is not a number, 9.9E37 infinity; the first is tested first.
NOT_A_NUMBER, INFINITE = 9.91e37, 9.9e37

NUMBERS = ("time_s", "probe_degC", "resistance_ohm", "voltage_V", "current_A")
TEXTS = ("coil", "phase", "source", "status")
_OPEN_WORDS = frozenset(
    {"ol", "o.l", "0l", "0.l", "open", "over range", "overrange", "overload", "inf", "∞", OVER_RANGE}
)
_NO_WORDS = frozenset({"", "nan", "na", "n/a", "-", "--", "null", "none"})
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_COMMA_NUMBER = re.compile(r"[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_LINE = re.compile(r"[^\r\n]*+(?:\r\n?|\n)?")
_SIGN_NAMES = {".": "point", ",": "comma"}
#: A record's own count of the energy put into a coil; a better answer than V and I at the rows.
ENERGY = "energy_J"
_SOURCES = frozenset({"ohms", "V/I", "typed", "switching"})
_WANTED = (
    "expected a heading line with coil, time_s, probe_degC, resistance_ohm, voltage_V, current_A "
    "(probe_degC, and resistance_ohm or both voltage_V and current_A, are needed)"
)


@dataclass
class _Rows:
    """The rows of one coil while they are read: *numbers* row by row, in the order of NUMBERS and ENERGY."""

    numbers: array[float] = field(default_factory=lambda: array("d"))
    words: list[tuple[str, str, str]] = field(default_factory=list)
    #: First line with a time, and first without.
    timed: int | None = None
    untimed: int | None = None


def read_csv(path: Path) -> list[Trace]:
    """Read the traces of the CSV file at *path*, coils in the order of their first row.

    Separator comma, semicolon or tab; with the latter two a decimal comma is taken. Without a
    column ``coil`` the file is one coil named like the file. Where resistance is empty and a
    current flows it is V/I. Columns phase, source and status count where they hold a record's words.

    Raises:
        InputError: One line with file, line and column: not readable, not text, a needed column
            missing, a cell that is no number, times given for only some of a coil's rows, more rows or
            coils than anybody reads.
    """
    text = _text(path)
    heading = text.lstrip().partition("\n")[0]
    separator = "\t" if "\t" in heading else ";" if ";" in heading else ","
    rows = _numbered_rows(path, text, separator)
    first_line, names = next(rows, (1, []))
    columns = _columns(path, first_line, names)
    cells = _Cells(path, columns, separator)
    coils: dict[str, _Rows] = {}
    for count, (line, row) in enumerate(rows):
        if count == MAX_ROWS:
            raise InputError(f"{path}:{line}: more than {MAX_ROWS} rows, expected fewer; split the file")
        if any(cell.strip() for cell in row[len(names) :]):
            raise InputError(
                f"{path}:{line}: {len(row)} cells under {len(names)} headings; expected one each "
                "(a decimal comma needs ; or tab between the cells)"
            )
        if cells.text(row, "source") in {INSULATION, LEADS}:
            continue  # of a record's own readings those that are no point of a winding's line
        label = cell_text(cells.text(row, "coil")) if "coil" in columns else printable(path.stem)
        if cells.text(row, "source") == AGAIN:
            coils.pop(label, None)  # read again: what stands above counts no more
            continue
        if label not in coils:
            _check_label(path, line, label, coils)
        mine = coils.setdefault(label, _Rows())
        numbers = [cells.number(line, row, name) for name in (*NUMBERS, ENERGY)]
        mine.numbers.extend(numbers)
        mine.words.append(cells.words(row))
        if isnan(numbers[0]):
            mine.untimed = mine.untimed or line
        else:
            mine.timed = mine.timed or line
    if not coils:
        raise InputError(f"{path}:{first_line}: no rows under the heading, expected readings")
    return [_trace(path, label, mine) for label, mine in coils.items()]


def _check_label(path: Path, line: int, label: str, coils: Iterable[str]) -> None:
    """Refuse what cannot be the label of one more coil."""
    where = f"{path}:{line}: column coil"
    if not label:
        raise InputError(f"{where} is empty, expected a coil's label")
    if len(label) > MAX_LABEL:
        raise InputError(
            f"{where}: {label[:40]!r}... has {len(label)} characters, expected at most {MAX_LABEL}"
        )
    seen = {each.casefold(): each for each in coils}
    if twin := seen.get(label.casefold()):
        raise InputError(f"{where} is {label!r}, above it was {twin!r}; expected one spelling for one coil")
    if len(seen) == MAX_COILS:
        raise InputError(f"{where}: more than {MAX_COILS} coils, expected the readings of one set")


def _text(path: Path) -> str:
    refuse_link(path)
    try:
        raw = read_plain(path, MAX_TABLE_BYTES)
    except OSError as exc:
        raise InputError(
            f"{path}: cannot be read ({exc.strerror or exc}), expected a CSV file or a run folder"
        ) from exc
    try:
        # Some spreadsheets save "Unicode text" in 16 bits.
        text = raw.decode("utf-16" if raw[:2] in {b"\xff\xfe", b"\xfe\xff"} else "utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")  # older spreadsheets; headings and numbers are ASCII all the same
    if any(c < " " and c not in "\t\r\n" for c in text[:100_000]) or "\0" in text:
        raise InputError(f"{path}: is not text, expected a CSV file")
    return text


def _numbered_rows(path: Path, text: str, separator: str) -> Iterator[tuple[int, list[str]]]:
    """Yield each row that is not blank with the number of the line on which it ends."""
    lines = (found[0] for found in _LINE.finditer(text) if found[0])
    reader = csv.reader(lines, delimiter=separator, strict=True)
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                yield reader.line_num, row
    except csv.Error as exc:
        raise InputError(f"{path}:{reader.line_num}: not a CSV line ({exc}), expected cells") from exc


def _columns(path: Path, line: int, names: list[str]) -> dict[str, int]:
    """Return where each known column stands."""
    known = {name.casefold(): name for name in (*NUMBERS, ENERGY, *TEXTS)}
    columns: dict[str, int] = {}
    for at, written in enumerate(names):
        name = known.get(written.strip().casefold())
        if name in columns:
            raise InputError(f"{path}:{line}: column {name} stands there twice, expected once")
        if name is not None:
            columns[name] = at
    if "probe_degC" not in columns:
        raise InputError(f"{path}:{line}: no column probe_degC, {_WANTED}")
    if "resistance_ohm" not in columns and not {"voltage_V", "current_A"} <= set(columns):
        raise InputError(f"{path}:{line}: no column resistance_ohm, nor voltage_V and current_A, {_WANTED}")
    return columns


class _Cells:
    """Turns cells into texts and numbers, and holds the file to one decimal sign."""

    def __init__(self, path: Path, columns: dict[str, int], separator: str) -> None:
        self._path = path
        self._columns = columns
        self._separator = separator
        self._sign: tuple[str, int] | None = None
        self._known: dict[str, str] = {}

    def text(self, row: list[str], name: str) -> str:
        """Return the cell of column *name*, empty where there is none."""
        at = self._columns.get(name)
        return row[at].strip() if at is not None and at < len(row) else ""

    def words(self, row: list[str]) -> tuple[str, str, str]:
        """Return phase, source and status; the same words are the same objects, so that they take no room."""
        cells = (self.text(row, name)[:MAX_STATUS] for name in ("phase", "source", "status"))
        phase, source, status = (self._known.setdefault(cell, cell) for cell in cells)
        return phase, source, status

    def number(self, line: int, row: list[str], name: str) -> float:
        """Return the number in column *name*: NaN where missing, infinity for a resistance over range."""
        cell = self.text(row, name).replace("\N{MINUS SIGN}", "-")
        word = cell.casefold()
        if word in _NO_WORDS:
            return np.nan
        if word in _OPEN_WORDS:
            value = np.inf
        elif _NUMBER.fullmatch(cell):
            if "." in cell:
                self._hold_to(".", line, name, cell)
            value = float(cell)
        elif self._separator != "," and _COMMA_NUMBER.fullmatch(cell):
            self._hold_to(",", line, name, cell)
            value = float(cell.replace(",", "."))
        else:
            hint = (
                "; a decimal comma needs ; or tab between the cells" if _COMMA_NUMBER.fullmatch(cell) else ""
            )
            raise InputError(f"{self._path}:{line}: column {name}: {cell[:40]!r} is not a number{hint}")
        if isclose(abs(value), NOT_A_NUMBER, rel_tol=1e-4):
            return np.nan
        if abs(value) >= INFINITE * (1 - 1e-9):
            return np.inf if name == "resistance_ohm" else np.nan
        return value

    def _hold_to(self, sign: str, line: int, name: str, cell: str) -> None:
        if self._sign is None:
            self._sign = (sign, line)
        elif self._sign[0] != sign:
            raise InputError(
                f"{self._path}:{line}: column {name}: {cell!r} has a decimal {_SIGN_NAMES[sign]}, line "
                f"{self._sign[1]} a decimal {_SIGN_NAMES[self._sign[0]]}; expected one of them throughout"
            )


def _trace(path: Path, label: str, rows: _Rows) -> Trace:
    if rows.timed and rows.untimed:
        raise InputError(
            f"{path}:{rows.untimed}: column time_s is empty, yet coil {label} has a time in line "
            f"{rows.timed}; expected a time for all of its rows or for none"
        )
    time_s, probe_degC, resistance_ohm, voltage_V, current_A, energy_J = (
        np.array(rows.numbers).reshape(-1, len(NUMBERS) + 1).T.copy()
    )
    phases, sources, statuses = [], [], []
    for at, (phase, source, status) in enumerate(rows.words):
        ohm, judged, how = _resistance(resistance_ohm[at], voltage_V[at], current_A[at])
        if status == OVER_RANGE:
            ohm, judged = np.nan, OVER_RANGE
        elif status in {LIMITING, TRIPPED}:
            ohm, judged = np.nan, status
        elif status.startswith("missing: "):
            judged = status
        resistance_ohm[at] = ohm
        phases.append(phase if phase in PHASES else "")
        sources.append(source if source in _SOURCES else how)
        statuses.append(judged)
    order = np.argsort(time_s, kind="stable")
    return Trace(
        coil=label,
        time_s=time_s[order],
        probe_degC=probe_degC[order],
        resistance_ohm=resistance_ohm[order],
        voltage_V=voltage_V[order],
        current_A=current_A[order],
        phase=np.array(phases, dtype=np.str_)[order],
        source=np.array(sources, dtype=np.str_)[order],
        status=np.array(statuses, dtype=np.str_)[order],
        energy_J=energy_J[order],
    )


def _resistance(ohm: float, volt: float, ampere: float) -> tuple[float, str, str]:
    """Return resistance, status and source of one row; NaN compares false throughout."""
    driven = abs(ampere) > DRIVEN_A
    if isinf(ohm):
        return np.nan, OVER_RANGE, "V/I" if driven else "ohms"
    if not isnan(ohm):
        return ohm, OK, "V/I" if driven else "ohms"
    if driven and not isnan(volt):
        return volt / ampere, OK, "V/I"
    if abs(volt) >= OPEN_V and abs(ampere) < OPEN_A:
        return np.nan, OVER_RANGE, "V/I"
    return np.nan, "missing: no reading", "ohms"
