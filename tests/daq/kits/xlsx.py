"""Workbooks as tests need them: sound ones, and parts of them bent."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from openpyxl import Workbook

COILS = [["Coil", "Temp (degF)", "Widerstand [kOhm]"], ["Y1", 68.0, 0.0033], ["Y1", 194.0, 0.00421]]


def workbook(path: Path, sheets: Mapping[str, Sequence[Sequence[object]]]) -> Path:
    """Write rows to sheets of a new workbook, by another program than ours."""
    book = Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(list(row))
    book.save(path)
    return path


def bent(path: Path, part: str, content: bytes) -> Path:
    """Replace a part of the workbook at *path*, or add it."""
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in (parts | {part: content}).items():
            archive.writestr(name, data)
    path.write_bytes(stream.getvalue())
    return path


def part(path: Path, name: str) -> bytes:
    """Return a part of a workbook."""
    with zipfile.ZipFile(path) as archive:
        return archive.read(name)
