"""Tables as a spreadsheet with a chart a coil; the same tables give the same bytes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from math import isfinite
from pathlib import Path
from typing import Any

from xlsxwriter import Workbook

from analysis.words import Words
from daq.archive.export.tables import Table
from daq.archive.export.xlsx_chart import Ends, Span, add_charts
from daq.record.format import harmless, printable

_WIDEST, _NARROWEST = 60, 9
_WIDTHS = {"reasons": _WIDEST, "note": 100, "run": 40, "start_utc": 21, "status": 20}
#: Number formats by the end of a column's name, the longest that fits.
_FORMATS = {
    "_ohm": "0.0000",
    "_degC": "0.00",
    "_s": "0.0",
    "_V": "0.0000",
    "_A": "0.0000",
    "_J": "0.0",
    "_per_K": "0.000000",
    "_k": "0.00",
    "risk": "0.0E+00",
    "leakage_ohm": "0",
}


def write_xlsx(
    path: Path,
    tables: Sequence[Table],
    charts: Mapping[str, Ends],
    words: Words,
    *,
    title: str,
    created: datetime,
) -> None:
    """Write a sheet a table, and on that of the fit a chart of each coil in *charts*.

    Rows go to the disk as they come, so that a long record needs no more memory than a short one. A sheet
    has room for 1,048,576 rows, more than a record has.

    Args:
        path: The file to write.
        tables: With ``summary``, ``readings`` and ``fit`` among them, which charts refer to.
        charts: What to draw, by coil.
        words: Language of what stands in the charts.
        title: Title of the document.
        created: Its date, which is that of the run, so that nothing depends on today's.

    Raises:
        OSError: It cannot be written.
    """
    with path.open("wb") as file, Workbook(file, {"constant_memory": True}) as book:
        book.set_properties({"title": printable(title), "created": created.replace(tzinfo=None)})
        sheets = {table.name: _fill(book, table) for table in tables}
        add_charts(book, sheets, charts, words)


def _fill(book: Any, table: Table) -> dict[tuple[str, ...], Span]:
    """Write a table on a sheet of its own; return the rows of each coil, and series of it."""
    sheet = book.add_worksheet(table.name)
    bold = book.add_format({"bold": True, "bottom": 1})
    # A cell marked so stays text even when it is edited, and holds the text unchanged.
    quoted = book.add_format({"quote_prefix": True})
    formats = []
    for number, name in enumerate(table.columns):
        ends = [end for end in _FORMATS if name.endswith(end)]
        formats.append(book.add_format({"num_format": _FORMATS[max(ends, key=len)]}) if ends else None)
        width = _WIDTHS.get(name, max(len(name) + 3, _NARROWEST))  # with the button of the filter
        sheet.set_column(number, number, width)
    sheet.freeze_panes(1, 0)
    sheet.write_row(0, 0, table.columns, bold)
    grouped = [table.columns.index(name) for name in ("coil", "series") if name in table.columns]
    spans: dict[tuple[str, ...], Span] = {}
    last = 0
    for last, row in enumerate(table.rows(), 1):
        for column, cell in enumerate(row):
            if isinstance(cell, str):
                if cell:
                    safe = harmless(cell) == cell
                    sheet.write_string(last, column, printable(cell), None if safe else quoted)
            elif cell is not None and isfinite(cell):
                sheet.write_number(last, column, cell, formats[column])
        group = tuple(str(row[column]) for column in grouped)
        spans[group] = spans.get(group, (last, last))[0], last
    sheet.autofilter(0, 0, last, len(table.columns) - 1)
    return spans
