from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analysis.model import OVER_RANGE, Trace
from daq.errors import InputError
from daq.record.foreign import opening
from daq.record.reader import read_run
from tests.daq.kits.record import reading, start
from tests.daq.kits.table import read_csv

HEADING = "coil,time_s,probe_degC,resistance_ohm,voltage_V,current_A\n"


def read(folder: Path, content: str | bytes, name: str = "mine.csv") -> list[Trace]:
    """Read a file of that content."""
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_csv(path)


def complaint(folder: Path, content: str | bytes) -> str:
    """Return the one line with which a file of that content is refused."""
    with pytest.raises(InputError) as caught:
        read(folder, content)
    said = str(caught.value)
    assert "\n" not in said
    assert len(said) < 500
    return said.replace(f"{folder}/", "")


def test_coils_come_apart_and_in_time_order(tmp_path: Path) -> None:
    """Rows of two coils become two traces, each in time order, in the order of their first rows."""
    y2, y1 = read(tmp_path, HEADING + "Y2,5,50,3.6,,\nY1,1,20,3.2,,\nY2,2,21,3.3,,\n")
    assert (y2.coil, y1.coil) == ("Y2", "Y1")
    assert y2.time_s.tolist() == [2.0, 5.0]
    assert y2.resistance_ohm.tolist() == [3.3, 3.6]
    assert y2.probe_degC.tolist() == [21.0, 50.0]
    assert y2.status.tolist() == ["ok", "ok"]
    assert y2.source.tolist() == ["ohms", "ohms"]


def test_column_order_and_extra_columns_do_not_matter(tmp_path: Path) -> None:
    """Columns are found by name, in any case and order; others are passed over."""
    (trace,) = read(tmp_path, "note,Resistance_Ohm,x,probe_degc,coil\nhot,4.1,9,90,Y1\n")
    assert trace.resistance_ohm.tolist() == [4.1]
    assert trace.probe_degC.tolist() == [90.0]
    assert np.isnan(trace.time_s).all()


def test_without_a_coil_column_the_file_is_one_coil(tmp_path: Path) -> None:
    """A file of settled points without labels is one coil, named like the file."""
    (trace,) = read(tmp_path, "probe_degC,resistance_ohm\n20,3.2\n90,4.1\n", "blade up.csv")
    assert trace.coil == "blade up"
    assert trace.probe_degC.tolist() == [20.0, 90.0]


@pytest.mark.parametrize(
    "content",
    [
        "coil;time_s;probe_degC;resistance_ohm\nY1;0;20,5;3,305\nY1;1;21;3,4\n",
        "coil\ttime_s\tprobe_degC\tresistance_ohm\nY1\t0\t20,5\t3,305\nY1\t1\t21\t3,4\n",
        "coil;time_s;probe_degC;resistance_ohm\r\nY1;0;20.5;3.305\r\n\r\nY1;1;21;3.4\r\n",
        '"coil","time_s","probe_degC","resistance_ohm"\n"Y1","0","20.5","3.305"\nY1,1,+21,3.4e0\n',
        "\ufeffcoil,time_s,probe_degC,resistance_ohm\nY1,0,20.5,3.305\nY1,1,21,3.4",
        "\n;;;\ncoil;time_s;probe_degC;resistance_ohm\nY1;0;20,5;3,305\n;;;\nY1;1;21;3,4\n",
        "coil,time_s,probe_degC,resistance_ohm\nY1,0,20.5,3.305\nY1,1,21,3.4\n".encode("utf-16"),
        "coil,time_s,probe_degC,resistance_ohm,Ö\nY1,0,20.5,3.305,°\nY1,1,21,3.4,\n".encode("latin-1"),
    ],
)
def test_the_usual_spellings_of_csv_read_alike(tmp_path: Path, content: str | bytes) -> None:
    """Semicolons, tabs, decimal commas, quotes, marks at the start, blank lines: one and the same trace."""
    (trace,) = read(tmp_path, content)
    assert trace.coil == "Y1"
    assert trace.time_s.tolist() == [0.0, 1.0]
    assert trace.probe_degC.tolist() == [20.5, 21.0]
    assert trace.resistance_ohm.tolist() == [3.305, 3.4]


@pytest.mark.parametrize(
    "cell", ["OL", "ol", "O.L", "open", "9.9E37", "+9.90000000E+37", "-9.9e37", "1E99", "inf"]
)
def test_over_range_is_a_status_and_no_number(tmp_path: Path, cell: str) -> None:
    """What meters show for an open circuit becomes the status, and the number is missing."""
    (trace,) = read(tmp_path, f"{HEADING}Y1,0,80,{cell},,\n")
    assert trace.status.tolist() == [OVER_RANGE]
    assert np.isnan(trace.resistance_ohm).all()


@pytest.mark.parametrize("cell", ["", "nan", "n/a", "9.91E37", "+9.91000000E+37"])
def test_no_reading_is_missing_and_not_open(tmp_path: Path, cell: str) -> None:
    """An empty cell, and 9.91E37 which instruments send for 'not a number', are missing with a reason."""
    (trace,) = read(tmp_path, f"{HEADING}Y1,0,80,{cell},,\n")
    assert trace.status.tolist() == ["missing: no reading"]


def test_resistance_under_power_is_volts_over_amperes(tmp_path: Path) -> None:
    """Empty resistance: V/I where a current flows, open where there is voltage and none, else missing."""
    (trace,) = read(
        tmp_path, HEADING + "Y1,0,50,,8.4,2.0\nY1,1,50,,8.4,0\nY1,2,50,,0,0\nY1,3,50,4.2,8.4,2.0\n"
    )
    assert trace.resistance_ohm[0] == 4.2
    assert trace.source.tolist() == ["V/I", "V/I", "ohms", "V/I"]
    assert trace.status.tolist() == ["ok", OVER_RANGE, "missing: no reading", "ok"]


def test_our_own_readings_read_as_the_record_does(tmp_path: Path) -> None:
    """readings.csv given as a plain file makes the traces that the run folder makes."""
    with start(tmp_path) as writer:
        writer.row(reading(0))
        writer.row(reading(1, coil="Y2", resistance_ohm=None, status="open or over range"))
        writer.row(reading(2, phase="drive", voltage_V=8.0, current_A=2.0, resistance_ohm=4.0, source="V/I"))
        writer.row(reading(3, resistance_ohm=None, source="typed", status="missing: not taken"))
    for ours, theirs in zip(
        read_run(writer.folder).traces(), read_csv(writer.folder / "readings.csv"), strict=True
    ):
        assert ours.coil == theirs.coil
        for name in ("time_s", "probe_degC", "resistance_ohm", "voltage_V", "current_A"):
            np.testing.assert_array_equal(getattr(ours, name), getattr(theirs, name))
        for name in ("phase", "source", "status"):
            assert getattr(ours, name).tolist() == getattr(theirs, name).tolist()


def test_words_of_others_in_our_columns_are_not_taken(tmp_path: Path) -> None:
    """A phase, source or status that is no word of ours is passed over."""
    (trace,) = read(tmp_path, "probe_degC,resistance_ohm,phase,source,status\n20,3.2,L1,mains,good\n")
    assert (trace.phase[0], trace.source[0], trace.status[0]) == ("", "ohms", "ok")


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ("", "mine.csv: is empty, expected a table"),
        ("x,y\n", "mine.csv:1: no column probe_degC, expected a heading line with coil, time_s"),
        ("\n\n", "mine.csv: is empty"),
        ("Y1,1,2,3\n", "mine.csv:1: no column probe_degC"),
        ("coil,resistance_ohm\nY1,3\n", "mine.csv:1: no column probe_degC"),
        ("probe_degC,current_A\n20,1\n", "mine.csv:1: no column resistance_ohm, nor voltage_V and current_A"),
        ("probe_degC,resistance_ohm\n", "mine.csv:1: no rows under the heading"),
        ("probe_degC,resistance_ohm,PROBE_degC\n", "mine.csv:1: column probe_degC stands there twice"),
        (HEADING + "Y1,0,20,3.2,,\n,1,20,3.2,,\n", "mine.csv:3: column coil is empty"),
        (HEADING + "Y1,0,20,3.2 ohm,,\n", "mine.csv:2: column resistance_ohm: '3.2 ohm' is not a number"),
        (HEADING + "\nY1,0,2O,3.2,,\n", "mine.csv:3: column probe_degC: '2O' is not a number"),
        (HEADING + "Y1,1_0,20,3.2,,\n", "mine.csv:2: column time_s: '1_0' is not a number"),
        (HEADING + "Y1,0,20,0x10,,\n", "mine.csv:2: column resistance_ohm: '0x10' is not a number"),
        (HEADING + "Y1,0,20,٣,,\n", "mine.csv:2: column resistance_ohm: '٣' is not a number"),
        (HEADING + "Y1,0,20," + "9x" * 9999 + ",,\n", "mine.csv:2: column resistance_ohm: '9x9x"),
        (HEADING + 'Y1,0,"20,5",3.2,,\n', "'20,5' is not a number; a decimal comma needs ; or tab"),
        ("probe_degC,resistance_ohm\n20,5,3,2\n", "mine.csv:2: 4 cells under 2 headings; expected one each"),
        (
            "probe_degC;resistance_ohm\n20,5;3,2\n21;1.234\n",
            "mine.csv:3: column resistance_ohm: '1.234' has a decimal point, line 2 a decimal comma",
        ),
        ("probe_degC;resistance_ohm\n20;1.234,5\n", "mine.csv:2: column resistance_ohm: '1.234,5' is not a"),
        (
            HEADING + "Y1,0,20,3.2,,\nY2,,20,3.2,,\nY1,,20,3.2,,\n",
            "mine.csv:4: column time_s is empty, yet coil Y1 has a time in line 2",
        ),
        (HEADING + 'Y1,0,"20,3.2,,\n', "mine.csv:2: not a CSV line"),
        (b"\x00\x01\x02\x03", "mine.csv: is not text, expected a CSV file"),
        (b"\x7fELF\x02\x01\x01" + bytes(100), "mine.csv: is no table but a program"),
        (b"\xff\xfe\x00", "mine.csv: is not text"),
        (b"PK\x03\x04", "mine.csv: is damaged or locked (File is not a zip file), expected an xlsx file"),
        (b"x" * 300_000, "mine.csv:1: not a CSV line (field larger than field limit (131072))"),
    ],
)
def test_what_is_wrong_is_said_with_file_line_and_column(
    tmp_path: Path, content: str | bytes, expected: str
) -> None:
    """A file that cannot be understood is refused in one line that names the place."""
    assert expected in complaint(tmp_path, content)


def test_files_that_cannot_be_read_are_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A missing file, a folder, a name with NUL and a huge file are refused in one line."""
    for path, expected in [
        (tmp_path / "none.csv", "No such file"),
        (tmp_path, "is a folder"),
        (Path("a\0b"), "cannot be read"),
    ]:
        with pytest.raises(InputError, match=expected):
            read_csv(path)
    monkeypatch.setattr(opening, "MAX_TABLE_BYTES", 1000)
    assert "larger than" in complaint(tmp_path, HEADING + "Y1,0,20,3.2,,\n" * 100)


@pytest.mark.slow
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=st.one_of(st.binary(), st.text().map(lambda t: (HEADING + t).encode("utf-8", "replace"))))
def test_garbage_never_ends_in_a_traceback(tmp_path: Path, content: bytes) -> None:
    """Any bytes either read or are refused with an InputError."""
    try:
        traces = read(tmp_path, content)
    except InputError as exc:
        assert "mine.csv" in str(exc)
    else:
        assert all(trace.time_s.shape == trace.status.shape for trace in traces)
