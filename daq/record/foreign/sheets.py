"""The rows of a table, whether it came as CSV or as a spreadsheet."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from pathlib import Path

from daq.record.format import printable

#: A cell of a CSV is text; one of a spreadsheet may be a number or a time.
Cell = str | float | datetime | time | timedelta
Rows = Iterator[tuple[int, list[Cell]]]


@dataclass(frozen=True)
class Sheet:
    """One table: *rows* gives those that are not blank anew each time, with the line on which each ends.

    *name* is that of a spreadsheet's sheet, '' of a CSV. *separator* parts the cells of a CSV. *unfilled*
    counts formulas of which nobody stored the value: their cells are empty.
    """

    path: Path
    rows: Callable[[], Rows]
    name: str = ""
    separator: str = ""
    unfilled: int = 0

    def at(self, line: int) -> str:
        """Return how a message names a line."""
        sheet = f" sheet {printable(self.name)[:40]!r}, row " if self.name else ""
        return f"{self.path}:{sheet}{line}"
