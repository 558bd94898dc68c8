"""What was looked at and what came of it, one line each: of a bench or of a claim pack."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

from rich.console import RenderableType

from daq.results import open_table, shown

_SIGNS = {True: "ok", False: "LOOK", None: "?"}


@dataclass(frozen=True)
class Finding:
    """One thing looked at: what, whether it is as it should be, and what was found.

    *good* is None where it could not be told.
    """

    what: str
    good: bool | None
    found: str

    def as_object(self) -> dict[str, object]:
        """Return the finding for JSON."""
        return asdict(self)


def findings_table(findings: Sequence[Finding]) -> RenderableType:
    """Return the findings as a table."""
    table = open_table()
    table.add_column("what", overflow="fold")
    table.add_column("", no_wrap=True)
    table.add_column("found", overflow="fold")
    for finding in findings:
        table.add_row(shown(finding.what), _SIGNS[finding.good], shown(finding.found))
    return table
