"""A table as CSV, in one of the two spellings that spreadsheets of this world read.

*Point*: RFC 4180 (commas, CR LF, quotes where needed), decimal point, UTF-8 without a mark in front.
*Comma*: for spreadsheets that write 3,3 - semicolons between cells, decimal comma, and a byte order mark,
without which they take UTF-8 for an older code. No thousands separators, in either; an empty cell is a number
that is not there.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from math import isfinite
from pathlib import Path

from daq.archive.export.tables import Cell, Table
from daq.record.format import harmless


def write_csv(path: Path, table: Table, *, decimal_comma: bool = False) -> None:
    """Write *table* to *path*; a text that a spreadsheet would run is marked as the record marks it.

    Raises:
        OSError: It cannot be written.
    """
    code, between = ("utf-8-sig", ";") if decimal_comma else ("utf-8", ",")
    with path.open("w", encoding=code, newline="") as file:
        writer = csv.writer(file, delimiter=between, lineterminator="\r\n")
        writer.writerow(table.columns)
        writer.writerows(_spelled(row, "," if decimal_comma else ".") for row in table.rows())


def _spelled(row: Iterable[Cell], decimal: str) -> Iterator[str]:
    for cell in row:
        if isinstance(cell, str):
            yield harmless(cell)
        elif cell is None or not isfinite(cell):
            yield ""
        else:
            yield repr(cell).replace(".", decimal)
