"""Sheets of an xlsx file: stored values only, no formula is worked out, and nothing hostile is unpacked."""

from __future__ import annotations

import io
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from datetime import datetime, time, timedelta
from functools import partial
from itertools import zip_longest
from pathlib import Path
from typing import Any

from daq.errors import InputError
from daq.record.foreign.sheets import Cell, Rows, Sheet
from daq.record.format import MAX_ROWS, MAX_TABLE_BYTES

#: A workbook has tens of parts. What unpacks to a thousand times its size is a bomb.
_MOST_PARTS, _MOST_SHEETS = 2000, 50
#: Gaps between cells count as cells: a far corner makes a sheet of many.
_MOST_CELLS = 20_000_000
_CHUNK = 1 << 20
#: An XML part that declares entities of its own is no spreadsheet program's.
_DECLARED = (b"<!DOCTYPE", b"<!ENTITY")
_FORMULA = (b"<f>", b"<f ", b"<f/")


def open_workbook(path: Path, raw: bytes) -> list[Sheet]:
    """Return the sheets in *raw*, the content of a ZIP archive, that hold anything.

    Raises:
        InputError: It is no workbook, is damaged, or unpacks to more than anybody's table.
    """
    formulas = _searched(path, raw)
    values = partial(_rows, path, raw, formulas=False)
    names = _names(path, raw)
    if len(names) > _MOST_SHEETS:
        raise InputError(f"{path}: has {len(names)} sheets, expected at most {_MOST_SHEETS}")
    found = []
    for name in names:
        rows = partial(values, name)
        if next(rows(), None) is None:
            continue
        unfilled = _unfilled(path, raw, name) if formulas else 0
        found.append(Sheet(path, rows, name=name, unfilled=unfilled))
    if not found:
        raise InputError(f"{path}: its sheets are empty, expected a table of temperature and resistance")
    return found


def _searched(path: Path, raw: bytes) -> bool:
    """Whether any sheet holds a formula; all parts are unpacked once, within bounds of ours."""
    left, formulas = MAX_TABLE_BYTES, False
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            parts = archive.infolist()
            if "xl/workbook.xml" not in {part.filename for part in parts}:
                raise InputError(
                    f"{path}: is a ZIP archive without an xlsx sheet; unpack it, or save as xlsx"
                )
            if len(parts) > _MOST_PARTS:
                raise InputError(f"{path}: has {len(parts)} parts, expected at most {_MOST_PARTS}")
            for part in parts:
                chunks = []
                with archive.open(part) as stream:
                    while chunk := stream.read(_CHUNK):
                        left -= len(chunk)
                        if left < 0:
                            size = MAX_TABLE_BYTES // 1_000_000
                            raise InputError(f"{path}: unpacks to more than {size} MB, expected a table")
                        chunks.append(chunk)
                content = b"".join(chunks)
                if not part.filename.endswith((".xml", ".rels", ".vml")):
                    continue
                if b"\0" in content[:200] or any(each in content for each in _DECLARED):
                    raise InputError(f"{path}: {part.filename[:60]!r} is no spreadsheet program's XML")
                formulas |= "worksheets/" in part.filename and any(each in content for each in _FORMULA)
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, OSError) as exc:
        raise InputError(f"{path}: is damaged or locked ({_said(exc)}), expected an xlsx file") from exc
    return formulas


def _said(exc: Exception) -> str:
    return " ".join(str(exc).split())[:100] or type(exc).__name__


def _workbook(path: Path, raw: bytes, *, formulas: bool) -> Any:
    import openpyxl  # nobody else needs it

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # extensions of one spreadsheet program that another does not know
        try:
            return openpyxl.load_workbook(
                io.BytesIO(raw), read_only=True, data_only=not formulas, keep_links=False
            )
        except Exception as exc:
            raise _damaged(path, exc) from exc


def _damaged(path: Path, exc: Exception) -> InputError:
    return InputError(f"{path}: is damaged ({_said(exc)}), expected an xlsx file")


def _names(path: Path, raw: bytes) -> list[str]:
    book = _workbook(path, raw, formulas=False)
    return [sheet.title for sheet in book.worksheets if sheet.sheet_state == "visible"]


def _rows(path: Path, raw: bytes, name: str, *, formulas: bool) -> Rows:
    """Yield each row that is not blank with its number."""
    for number, row in enumerate(_all_rows(path, raw, name, formulas=formulas), 1):
        cells = [_cell(value) for value in row]
        if any(cell if isinstance(cell, str) else True for cell in cells):
            yield number, cells


def _all_rows(path: Path, raw: bytes, name: str, *, formulas: bool) -> Iterator[tuple[Any, ...]]:
    sheet = _workbook(path, raw, formulas=formulas)[name]
    sheet.reset_dimensions()  # what the file says of its size need not be so
    rows, cells = iter(sheet.iter_rows(values_only=True)), 0
    for number in range(1, MAX_ROWS + 3):
        try:
            row = next(rows, None)
        except Exception as exc:
            raise _damaged(path, exc) from exc
        if row is None:
            return
        cells += len(row)
        if cells > _MOST_CELLS:
            raise InputError(f"{path}: sheet {name[:40]!r}, row {number}: more than {_MOST_CELLS} cells")
        yield row
    raise InputError(f"{path}: sheet {name[:40]!r} has more than {MAX_ROWS} rows, expected fewer")


def _cell(value: Any) -> Cell:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value)
    if isinstance(value, int | float):
        try:
            return float(value)
        except OverflowError:
            return str(value)[:40]
    if isinstance(value, datetime | time | timedelta):
        return value
    return str(value).strip()


def _unfilled(path: Path, raw: bytes, name: str) -> int:
    """Return how many formulas of a sheet have no stored value."""
    count = 0
    both = (_all_rows(path, raw, name, formulas=formulas) for formulas in (True, False))
    for written, stored in zip_longest(*both, fillvalue=()):
        for formula, value in zip_longest(written, stored):
            count += value is None and formula is not None
    return count
