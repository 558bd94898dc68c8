"""CSV as spreadsheets and loggers write it: separators, encodings and line ends as they come."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from pathlib import Path
from typing import cast

from daq.errors import InputError
from daq.record.foreign.sheets import Rows, Sheet

_LINE = re.compile(r"[^\r\n]*+(?:\r\n?|\n)?")
#: So many lines may stand above the headings.
_FIRST_LINES = 30


def open_csv(path: Path, raw: bytes) -> Sheet:
    """Return the table in *raw*, the content of a CSV file; separator comma, semicolon or tab.

    Raises:
        InputError: It is not text.
    """
    text = _text(path, raw)
    separator = _separator(text)
    return Sheet(path, lambda: _numbered_rows(path, text, separator), separator=separator)


def _separator(text: str) -> str:
    lines = [line for line in text.lstrip().split("\n", _FIRST_LINES)[:_FIRST_LINES] if line.strip()]
    # Headings of ours tell by themselves; elsewhere a title may stand above them.
    looked_at = lines[:1] if lines and "probe_degc" in lines[0].casefold() else lines
    for separator in "\t;":
        if 2 * sum(separator in line for line in looked_at) > len(looked_at):
            return separator
    return ","


def _text(path: Path, raw: bytes) -> str:
    try:
        # Some spreadsheets save "Unicode text" in 16 bits.
        text = raw.decode("utf-16" if raw[:2] in {b"\xff\xfe", b"\xfe\xff"} else "utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")  # older spreadsheets; headings and numbers are ASCII all the same
    if any(c < " " and c not in "\t\r\n" for c in text[:100_000]) or "\0" in text:
        raise InputError(f"{path}: is not text, expected a CSV file")
    return text


def _numbered_rows(path: Path, text: str, separator: str) -> Rows:
    """Yield each row that is not blank with the number of the line on which it ends."""
    lines: Iterator[str] = (found[0] for found in _LINE.finditer(text) if found[0])
    reader = csv.reader(lines, delimiter=separator, strict=True)
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                yield reader.line_num, cast("list[str | float]", row)  # type: ignore[misc]
    except csv.Error as exc:
        raise InputError(f"{path}:{reader.line_num}: not a CSV line ({exc}), expected cells") from exc
