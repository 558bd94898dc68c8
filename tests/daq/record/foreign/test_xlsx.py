"""Spreadsheets of others: stored values, and files that mean harm or are something else."""

from __future__ import annotations

from datetime import datetime, time
from pathlib import Path

import pytest

from daq.errors import InputError
from daq.record.foreign import xlsx
from daq.record.foreign.opening import open_sheets
from tests.daq.kits.xlsx import COILS, bent, part, workbook

NOON = datetime.fromisoformat("2026-01-31T14:05")
FIRST = "xl/worksheets/sheet1.xml"


def refusal(path: Path) -> str:
    """Return the one line with which the file is refused, be it when it is opened or when it is read."""
    with pytest.raises(InputError) as caught:
        for sheet in open_sheets(path):
            list(sheet.rows())
    said = str(caught.value)
    assert said.startswith(str(path))
    assert "\n" not in said
    assert len(said) < len(str(path)) + 400
    return said.removeprefix(str(path))


def test_cells_come_as_they_are_stored(tmp_path: Path) -> None:
    """Texts, numbers, dates and times keep their kind; blank rows and empty sheets are passed over."""
    rows = [["Time", "Ohms"], [], [NOON, 3], [time(14, 5, 30), " 3,3 "]]
    path = workbook(tmp_path / "mine.xlsx", {"Messung": rows, "Tabelle2": []})
    (sheet,) = open_sheets(path)
    assert sheet.name == "Messung"
    expected = [
        (1, ["Time", "Ohms"]),
        (3, [NOON, 3.0]),
        (4, [time(14, 5, 30), "3,3"]),
    ]
    assert list(sheet.rows()) == expected
    assert list(sheet.rows()) == expected


def test_no_formula_is_worked_out(tmp_path: Path) -> None:
    """A formula's stored value is read; one that nobody worked out is an empty cell, and is counted."""
    path = workbook(tmp_path / "mine.xlsx", {"S": [["Temp", "Ohms"], [20, "=1+2.3"], [90, "=2+2.2"]]})
    text = part(path, FIRST)
    assert text.count(b"<v />") == 2 or text.count(b"<v></v>") == 2 or text.count(b"<v/>") == 2
    for empty in (b"<v />", b"<v></v>", b"<v/>"):
        text = text.replace(empty, b"<v>3.3</v>", 1)
    (sheet,) = open_sheets(bent(path, FIRST, text))
    assert [row[1:] for _, row in sheet.rows()] == [["Ohms"], [3.3], [""]]
    assert sheet.unfilled == 1


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "is empty"),
        (b"%PDF-1.7\n%\xe2\xe3", "is no table but a PDF; export the table as CSV or xlsx"),
        (b"\x89PNG\r\n\x1a\n\0\0", "is no table but a picture"),
        (b"\xff\xd8\xff\xe0\0\x10JFIF", "is no table but a picture"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1", "is no table but an old or a locked Office file; save it as xlsx"),
        (b"\x1f\x8b\x08\0", "is no table but a packed file; unpack it first"),
        (b"\x7fELF\x02\x01", "is no table but a program"),
        (b"\n <!doctype HTML><html>", "is no table but a web page"),
        (b"\0\x01\x02\x03", "is not text"),
        (b"PK\x03\x04 and no more", "is damaged or locked"),
    ],
)
def test_other_files_are_called_by_their_name(tmp_path: Path, content: bytes, expected: str) -> None:
    """What is no table at all is refused in one line that says what it is and what to do."""
    path = tmp_path / "mine.xlsx"
    path.write_bytes(content)
    assert expected in refusal(path)


def test_a_workbook_without_a_table_is_refused(tmp_path: Path) -> None:
    """Empty sheets, and an archive of something else, are told apart."""
    assert "its sheets are empty" in refusal(workbook(tmp_path / "mine.xlsx", {"S": [], "T": [[None]]}))
    path = workbook(tmp_path / "other.xlsx", {"S": COILS})
    data = path.read_bytes().replace(b"xl/workbook.xml", b"xl/somethin.xml")
    path.write_bytes(data)
    assert "is a ZIP archive without an xlsx sheet" in refusal(path)


def test_a_bomb_is_not_unpacked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A part that unpacks beyond the bound is refused, whatever size the archive says it has."""
    monkeypatch.setattr(xlsx, "MAX_TABLE_BYTES", 3_000_000)
    path = bent(workbook(tmp_path / "mine.xlsx", {"S": COILS}), "xl/media/image1.png", bytes(5_000_000))
    assert path.stat().st_size < 20_000
    assert "unpacks to more than 3 MB" in refusal(path)


@pytest.mark.parametrize("name", [FIRST, "xl/workbook.xml", "xl/styles.xml"])
@pytest.mark.parametrize(
    "declared",
    [
        b'<!DOCTYPE a [<!ENTITY b "lol"><!ENTITY c "&b;&b;&b;">]>',
        b'<!DOCTYPE a SYSTEM "file:///etc/passwd">',
    ],
)
def test_entities_are_refused(tmp_path: Path, name: str, declared: bytes) -> None:
    """XML that declares entities of its own, in whichever part and coding, never reaches a parser."""
    path = workbook(tmp_path / "mine.xlsx", {"S": COILS})
    before = part(path, name)
    head, _, body = before.rpartition(b"?>")
    bent(path, name, head + (b"?>" if head else b"") + declared + body)
    assert "is no spreadsheet program's XML" in refusal(path)
    bent(path, name, (declared + body).decode().encode("utf-16"))
    assert "is no spreadsheet program's XML" in refusal(path)


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        (b'<row r="3000000"><c r="A3000000"><v>1</v></c></row>', "more than 1000 rows"),
        (b'<row><c r="XFD5"><v>1</v></c></row>' * 40, "more than 100000 cells"),
        (b'<row r="5"><c r="A5"><v>1', "is damaged"),
        (b'<row r="5"><c r="A5" t="s"><v>99999</v></c></row>', "is damaged"),
    ],
)
def test_a_far_corner_and_bent_cells_are_one_line(
    tmp_path: Path, cell: bytes, expected: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sheet is as large as its cells say, within bounds; what the library stumbles over is 'damaged'."""
    monkeypatch.setattr(xlsx, "MAX_ROWS", 1000)
    monkeypatch.setattr(xlsx, "_MOST_CELLS", 100_000)
    path = workbook(tmp_path / "mine.xlsx", {"S": COILS})
    text = part(path, FIRST)
    bent(path, FIRST, text.replace(b"</sheetData>", cell + b"</sheetData>"))
    assert expected in refusal(path)
