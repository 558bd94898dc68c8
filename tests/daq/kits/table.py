"""Tables of others as the tests read them."""

from __future__ import annotations

from pathlib import Path

from analysis.model import Trace
from daq.record.foreign.opening import open_sheets
from daq.record.foreign.traces import read_ours


def read_csv(path: Path) -> list[Trace]:
    """Read a CSV with our own headings."""
    (sheet,) = open_sheets(path)
    return read_ours(sheet)
