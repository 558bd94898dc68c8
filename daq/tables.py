"""Tables for the terminal: how all are drawn, and what was looked at, one line each, with what came of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

from rich import box
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from daq.streams import one_line

_SIGNS = {True: "ok", False: "LOOK", None: "?"}


def open_table(*, ruled: bool = False) -> Table:
    """Return an empty table without frame; *ruled* off, a row of several lines is seen to be one."""
    return Table(
        box=box.HORIZONTALS,
        show_lines=ruled,
        show_edge=False,
        pad_edge=False,
        padding=(0, 1, 0, 0),
        header_style="bold",
    )


def shown(text: str) -> Text:
    """Return *text*, which may be anybody's, for the terminal: no markup in it counts, no code either."""
    return Text(one_line(text))


@dataclass(frozen=True)
class CheckLine:
    """One thing looked at: what, whether it is as it should be, and what was found.

    *good* is None where it could not be told.
    """

    what: str
    good: bool | None
    found: str

    def as_object(self) -> dict[str, object]:
        """Return the finding for JSON."""
        return asdict(self)


def findings_table(findings: Sequence[CheckLine]) -> RenderableType:
    """Return the findings as a table."""
    table = open_table()
    table.add_column("what", overflow="fold")
    table.add_column("", no_wrap=True)
    table.add_column("found", overflow="fold")
    for finding in findings:
        table.add_row(shown(finding.what), _SIGNS[finding.good], shown(finding.found))
    return table
