"""A file that somebody names, opened as what it is; and what files are called that are no table."""

from __future__ import annotations

from pathlib import Path

from daq.errors import InputError
from daq.plain_file import read_plain, refuse_link
from daq.record.foreign.csv_text import open_csv
from daq.record.foreign.sheets import Sheet
from daq.record.foreign.xlsx import open_workbook
from daq.record.format import MAX_TABLE_BYTES

_BEGINNINGS = (
    (b"%PDF", "a PDF; export the table as CSV or xlsx"),
    (b"\x89PNG", "a picture; type its figures into a CSV or a spreadsheet"),
    (b"\xff\xd8\xff", "a picture; type its figures into a CSV or a spreadsheet"),
    (b"GIF8", "a picture; type its figures into a CSV or a spreadsheet"),
    (b"\xd0\xcf\x11\xe0", "an old or a locked Office file; save it as xlsx without a password, or as CSV"),
    (b"\x1f\x8b", "a packed file; unpack it first"),
    (b"7z\xbc\xaf", "a packed file; unpack it first"),
    (b"Rar!", "a packed file; unpack it first"),
    (b"MZ\x90\0", "a program"),
    (b"\x7fELF", "a program"),
    (b"SQLite format 3\0", "a database; export the table as CSV"),
    (b"PAR1", "a Parquet file; export the table as CSV"),
    (b"{\\rtf", "a text document; save the table as CSV"),
    (b"<?xml", "XML; save the table as CSV or xlsx"),
)
_PAGES = (b"<!doctype html", b"<html")
_ZIP = b"PK"


def open_sheets(path: Path) -> list[Sheet]:
    """Return the tables in the file at *path*: the one of a CSV, or each sheet of an xlsx that is not empty.

    Raises:
        InputError: One line: it cannot be read, is empty, or is something else.
    """
    refuse_link(path)
    try:
        raw = read_plain(path, MAX_TABLE_BYTES)
    except OSError as exc:
        raise InputError(
            f"{path}: cannot be read ({exc.strerror or exc}), expected a CSV file or a run folder"
        ) from exc
    if not raw.strip():
        raise InputError(f"{path}: is empty, expected a table of temperature and resistance")
    for beginning, what in _BEGINNINGS:
        if raw.startswith(beginning):
            raise InputError(f"{path}: is no table but {what}")
    if raw[:200].lstrip().lower().startswith(_PAGES):
        raise InputError(f"{path}: is no table but a web page; save the table as CSV")
    if raw.startswith(_ZIP):
        return open_workbook(path, raw)
    return [open_csv(path, raw)]
