"""The rows of somebody's table as traces: by our own headings, or by what its headings were taken for.

Spreadsheets and loggers write such files in many dialects; what is not clear is refused with
line and column rather than guessed.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from math import isinf, isnan

import numpy as np

from analysis.model import LIMITING, OK, OVER_RANGE, PHASES, TRIPPED, Trace
from analysis.trace.rows import DRIVEN_A
from daq.errors import InputError
from daq.record.foreign.columns import Columns, Meaning
from daq.record.foreign.numbers import COMMA_NUMBER, NO_WORDS, OPEN_WORDS, clock_s, parse_number
from daq.record.foreign.sheets import Cell, Sheet
from daq.record.format import (
    AGAIN,
    INSULATION,
    LEADS,
    MAX_COILS,
    MAX_LABEL,
    MAX_ROWS,
    MAX_STATUS,
    cell_text,
    printable,
)

#: A coil with this voltage across it and no current to speak of is open.
OPEN_V, OPEN_A = 1.0, 0.005

NUMBERS = ("time_s", "probe_degC", "resistance_ohm", "voltage_V", "current_A")
TEXTS = ("coil", "phase", "source", "status")
_SIGN_NAMES = {".": "point", ",": "comma"}
#: A record's own count of the energy put into a coil; a better answer than V and I at the rows.
ENERGY = "energy_J"
_SOURCES = frozenset({"ohms", "V/I", "typed", "switching"})
_WANTED = (
    "expected a heading line with coil, time_s, probe_degC, resistance_ohm, voltage_V, current_A "
    "(probe_degC, and resistance_ohm or both voltage_V and current_A, are needed)"
)
_BY_QUANTITY = {
    "time": "time_s",
    "probe": "probe_degC",
    "resistance": "resistance_ohm",
    "voltage": "voltage_V",
    "current": "current_A",
}


@dataclass(frozen=True)
class _Column:
    """Where a column stands, how messages call it, and how its number becomes one of ours."""

    at: int
    called: str
    canonical: Callable[[float], float] | None = None
    clock: bool = False


@dataclass(frozen=True)
class _Point:
    """What one row says of one coil: columns by their names in NUMBERS and TEXTS.

    *coil* is the label where the headings say it, None where the row or the file does. *probe_degC* is for a
    row without a column of temperature.
    """

    columns: Mapping[str, _Column]
    coil: str | None = None
    probe_degC: float | None = None


@dataclass
class _Rows:
    """The rows of one coil while they are read: *numbers* row by row, in the order of NUMBERS and ENERGY."""

    numbers: array[float] = field(default_factory=lambda: array("d"))
    words: list[tuple[str, str, str]] = field(default_factory=list)
    #: First line with a time, and first without.
    timed: int | None = None
    untimed: int | None = None
    #: The last time of day without a date.
    clock_s: float = -1.0


def has_our_headings(sheet: Sheet) -> bool:
    """Whether the first row of *sheet* names what is needed as we do."""
    _, names = next(sheet.rows(), (1, []))
    ours = {name.strip().casefold() for name in names if isinstance(name, str)}
    driven = {"voltage_v", "current_a"} <= ours
    return "probe_degc" in ours and ("resistance_ohm" in ours or driven)


def read_ours(sheet: Sheet) -> list[Trace]:
    """Read the traces of a table with our own headings, coils in the order of their first row.

    With semicolon or tab between the cells a decimal comma is taken. Without a column ``coil`` the file is
    one coil named like the file. Where resistance is empty and a current flows it is V/I. Columns phase,
    source and status count where they hold a record's words.

    Raises:
        InputError: One line with file, line and column: a needed column missing, a cell that is no number,
            times given for only some of a coil's rows, more rows or coils than anybody reads.
    """
    line, names = next(sheet.rows(), (1, []))
    columns = _our_columns(sheet, line, names)
    return _read(sheet, line, 1, len(names), [_Point(columns)])


def read_as(sheet: Sheet, line: int, below: int, names: Sequence[str], columns: Columns) -> list[Trace]:
    """Read the traces of a table by what its columns mean.

    Args:
        sheet: The table.
        line: Where its headings stand.
        below: How many rows that are not blank stand above the figures.
        names: Its headings.
        columns: What they mean.

    Raises:
        InputError: As :func:`read_ours`, and where a heading stands there twice or not at all, or two columns
            mean the same.
    """
    shared: dict[str, _Column] = {}
    own: dict[tuple[str, float | None], dict[str, _Column]] = {}
    for heading, meaning in columns.by_heading.items():
        column = _column(sheet, line, names, heading, meaning)
        name = _BY_QUANTITY.get(meaning.unit.quantity, "coil")
        apart = bool(meaning.coil) or meaning.at_degC is not None
        group = own.setdefault((meaning.coil, meaning.at_degC), {}) if apart else shared
        if name in group:
            raise InputError(
                f"{sheet.at(line)}: columns {group[name].called} and {column.called} are both {meaning}; "
                "expected one"
            )
        group[name] = column
    if "coil" in shared and any(coil for coil, _ in own):
        raise InputError(
            f"{sheet.at(line)}: a column of labels, and columns of one coil each; expected one of both"
        )
    points = [
        _Point(shared | mine, coil or None, columns.at_degC if degC is None else degC)
        for (coil, degC), mine in own.items()
    ] or [_Point(shared, None, columns.at_degC)]
    return _read(sheet, line, below, max(len(names), 1), points)


def _column(sheet: Sheet, line: int, names: Sequence[str], heading: str, meaning: Meaning) -> _Column:
    if names.count(heading) != 1:
        there = ", ".join(repr(name[:30]) for name in names[:12] if name)
        what = "stands there twice" if heading in names else f"is not among {there}"
        raise InputError(f"{sheet.at(line)}: column {heading[:40]!r} {what}, expected once")
    clock = meaning.word == "time_clock"
    return _Column(names.index(heading), repr(heading[:40]), meaning.unit.canonical, clock)


def _our_columns(sheet: Sheet, line: int, names: Sequence[Cell]) -> dict[str, _Column]:
    """Return where each known column stands."""
    known = {name.casefold(): name for name in (*NUMBERS, ENERGY, *TEXTS)}
    columns: dict[str, _Column] = {}
    for at, written in enumerate(names):
        name = known.get(written.strip().casefold()) if isinstance(written, str) else None
        if name in columns:
            raise InputError(f"{sheet.at(line)}: column {name} stands there twice, expected once")
        if name is not None:
            columns[name] = _Column(at, name)
    if "probe_degC" not in columns:
        raise InputError(f"{sheet.at(line)}: no column probe_degC, {_WANTED}")
    if "resistance_ohm" not in columns and not {"voltage_V", "current_A"} <= set(columns):
        raise InputError(
            f"{sheet.at(line)}: no column resistance_ohm, nor voltage_V and current_A, {_WANTED}"
        )
    return columns


def _read(sheet: Sheet, line: int, below: int, width: int, points: Sequence[_Point]) -> list[Trace]:
    """Read the rows behind the first *below* ones, each of which tells *points*."""
    cells = _Cells(sheet)
    coils: dict[str, _Rows] = {}
    for count, (at, row) in enumerate(islice(sheet.rows(), below, None)):
        if count == MAX_ROWS:
            raise InputError(f"{sheet.at(at)}: more than {MAX_ROWS} rows, expected fewer; split the file")
        if any(not isinstance(cell, str) or cell.strip() for cell in row[width:]):
            raise InputError(
                f"{sheet.at(at)}: {len(row)} cells under {width} headings; expected one each "
                "(a decimal comma needs ; or tab between the cells)"
            )
        for point in points:
            _take(sheet, coils, cells, at, row, point)
    if not coils:
        raise InputError(f"{sheet.at(line)}: no rows under the heading, expected readings")
    return [_trace(sheet, label, mine) for label, mine in coils.items()]


def _take(
    sheet: Sheet, coils: dict[str, _Rows], cells: _Cells, line: int, row: Sequence[Cell], point: _Point
) -> None:
    """Add what *row* says of one coil to its rows."""
    columns = point.columns
    source = cells.text(row, columns.get("source"))
    if source in {INSULATION, LEADS}:
        return  # of a record's own readings those that are no point of a winding's line
    if point.coil is not None:
        label = printable(point.coil)
    elif "coil" in columns:
        label = cell_text(cells.text(row, columns["coil"]))
    else:
        label = printable(sheet.path.stem)
    if source == AGAIN:
        coils.pop(label, None)  # read again: what stands above counts no more
        return
    if label not in coils:
        _check_label(sheet, line, label, coils, columns.get("coil"))
    mine = coils.setdefault(label, _Rows())
    numbers = [cells.number(line, row, name, columns.get(name)) for name in (*NUMBERS, ENERGY)]
    if (time := columns.get("time_s")) is not None and time.clock:
        numbers[0], dated = cells.clock(line, row, time)
        if not dated and numbers[0] < mine.clock_s:
            raise InputError(
                f"{sheet.at(line)}: column {time.called}: the time of coil {label} goes back; "
                "expected dates with the times, or rows in their order"
            )
        mine.clock_s = mine.clock_s if dated or isnan(numbers[0]) else numbers[0]
    if point.probe_degC is not None and "probe_degC" not in columns:
        numbers[1] = point.probe_degC
    mine.numbers.extend(numbers)
    mine.words.append(cells.words(row, columns))
    if isnan(numbers[0]):
        mine.untimed = mine.untimed or line
    else:
        mine.timed = mine.timed or line


def _check_label(sheet: Sheet, line: int, label: str, coils: Iterable[str], column: _Column | None) -> None:
    """Refuse what cannot be the label of one more coil."""
    where = f"{sheet.at(line)}: column {column.called if column else 'coil'}"
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


class _Cells:
    """Turns cells into texts and numbers, and holds the file to one decimal sign."""

    def __init__(self, sheet: Sheet) -> None:
        self._sheet = sheet
        self._sign: tuple[str, int] | None = None
        self._known: dict[str, str] = {}

    def text(self, row: Sequence[Cell], column: _Column | None) -> str:
        """Return the cell of *column*, empty where there is none; a whole number without its point."""
        cell = row[column.at] if column is not None and column.at < len(row) else ""
        if isinstance(cell, float):
            return f"{cell:.12g}"
        return cell.strip() if isinstance(cell, str) else str(cell)

    def words(self, row: Sequence[Cell], columns: Mapping[str, _Column]) -> tuple[str, str, str]:
        """Return phase, source and status; the same words are the same objects, so that they take no room."""
        cells = (self.text(row, columns.get(name))[:MAX_STATUS] for name in ("phase", "source", "status"))
        phase, source, status = (self._known.setdefault(cell, cell) for cell in cells)
        return phase, source, status

    def clock(self, line: int, row: Sequence[Cell], column: _Column) -> tuple[float, bool]:
        """Return the time in *column* in seconds, NaN for none, and whether it has a date."""
        cell = row[column.at] if column.at < len(row) else ""
        if isinstance(cell, str) and cell.strip().casefold() in NO_WORDS:
            return np.nan, False
        found = clock_s(cell)
        if found is None:
            raise InputError(
                f"{self._sheet.at(line)}: column {column.called}: {str(cell)[:40]!r} is no time, expected "
                "such as 14:05:30 or 2026-01-31 14:05:30"
            )
        return found

    def number(self, line: int, row: Sequence[Cell], name: str, column: _Column | None) -> float:
        """Return the number in *column*: NaN where missing, infinity for a resistance over range."""
        if column is None or column.clock:
            return np.nan
        cell = row[column.at] if column.at < len(row) else ""
        comma = self._sheet.separator != ","
        value = parse_number(cell, comma=comma)
        if value is None:
            text = self.text(row, column)
            hint = (
                "; a decimal comma needs ; or tab between the cells" if COMMA_NUMBER.fullmatch(text) else ""
            )
            raise InputError(
                f"{self._sheet.at(line)}: column {column.called}: {text[:40]!r} is not a number{hint}"
            )
        if isinstance(cell, str):
            sign = "." if "." in cell else "," if "," in cell else ""
            if sign and (self._sign is None or self._sign[0] != sign):
                self._hold_to(sign, line, column, cell.strip())
        if isinf(value):
            return np.inf if name == "resistance_ohm" else np.nan
        return value if column.canonical is None else column.canonical(value)

    def _hold_to(self, sign: str, line: int, column: _Column, text: str) -> None:
        if text.casefold() in OPEN_WORDS:
            return  # as O.L
        if self._sign is None:
            self._sign = (sign, line)
        elif self._sign[0] != sign:
            raise InputError(
                f"{self._sheet.at(line)}: column {column.called}: {text!r} has a decimal "
                f"{_SIGN_NAMES[sign]}, "
                f"line {self._sign[1]} a decimal {_SIGN_NAMES[self._sign[0]]}; expected one of them "
                "throughout"
            )


def _trace(sheet: Sheet, label: str, rows: _Rows) -> Trace:
    if rows.timed and rows.untimed:
        raise InputError(
            f"{sheet.at(rows.untimed)}: column time_s is empty, yet coil {label} has a time in line "
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
