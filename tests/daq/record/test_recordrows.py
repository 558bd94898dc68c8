"""Rows of a record read column by column are those that are read one by one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.record import rows as recordrows
from daq.record.format import READING_COLUMNS, READINGS, Reading, reading_line
from daq.record.rows import read_readings

WORDS = st.sampled_from(["Y1", "Y2", "Y,3", 'Y"4', "=Y5", "'Y6", "Ä7", "", "Y8 " * 40, "missing: lost, gone"])
NUMBERS = st.none() | st.floats(-1e6, 1e6, allow_nan=False)
#: What may have happened to a line since.
DAMAGE = st.sampled_from(["", ",", '"', "x", "\r", "inf", "1e999", "\0"])


@st.composite
def lines(draw: st.DrawFn) -> list[str]:
    """Lines of a record, some damaged."""
    rows = []
    for _ in range(draw(st.integers(0, 12))):
        reading = Reading(
            time_s=draw(st.floats(0, 1e6)),
            coil=draw(WORDS),
            phase="hold",
            probe_degC=draw(NUMBERS),
            resistance_ohm=draw(NUMBERS),
            leakage_ohm=draw(NUMBERS),
            status=draw(WORDS),
        )
        line = reading_line(reading)[:-1]
        at = draw(st.integers(0, len(line)))
        rows.append(line[:at] + draw(DAMAGE) + line[at:] + "\n")
    return rows


@given(lines(), st.integers(1, 5))
@settings(max_examples=150)
def test_blocks_read_as_rows_do(
    tmp_path_factory: pytest.TempPathFactory, rows: list[str], block: int
) -> None:
    """Whatever stands in the file, arrays and complaints are the same when no block counts as plain."""
    folder = tmp_path_factory.mktemp("run")
    text = ",".join(READING_COLUMNS) + "\n" + "".join(rows)
    (folder / READINGS).write_text(text, encoding="utf-8", newline="")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(recordrows, "BLOCK", block)
        quick_problems: list[str] = []
        quick = read_readings(folder, quick_problems)
        patch.setattr(recordrows, "_plain_block", lambda _: None)
        careful_problems: list[str] = []
        careful = read_readings(folder, careful_problems)
    assert quick_problems == careful_problems
    for name in READING_COLUMNS:
        np.testing.assert_array_equal(getattr(quick, name), getattr(careful, name), err_msg=name)


def test_a_plain_record_is_read_by_columns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows as the program writes them need no closer look."""
    monkeypatch.setattr(recordrows, "_careful_block", None)
    rows = [reading_line(Reading(time_s=n, coil="Y1", phase="hold", resistance_ohm=3.3)) for n in range(7)]
    (tmp_path / READINGS).write_text(",".join(READING_COLUMNS) + "\n" + "".join(rows), encoding="utf-8")
    problems: list[str] = []
    assert read_readings(tmp_path, problems).time_s.tolist() == list(range(7))
    assert problems == []


def test_a_table_whose_line_ends_were_changed_is_read(tmp_path: Path) -> None:
    """Mail and editors write CR LF: the same readings, and the manifest tells that the file was changed."""
    rows = [
        reading_line(Reading(time_s=float(n), coil="Y1", phase="sweep", resistance_ohm=3.3)) for n in range(3)
    ]
    text = ",".join(READING_COLUMNS) + "\n" + "".join(rows)
    (tmp_path / READINGS).write_bytes(text.replace("\n", "\r\n").encode())
    problems: list[str] = []
    read = read_readings(tmp_path, problems)
    assert problems == []
    assert read.status.tolist() == ["ok"] * 3
