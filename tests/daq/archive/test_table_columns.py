"""Tables with other headings: taken as they mean, asked about where that is in doubt, and never by guess."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from analysis.model import Trace
from analysis.words import catalogue
from daq.archive.table_columns import REMEMBERED, read_table
from daq.errors import InputError
from tests.daq.kits.cli import say
from tests.daq.kits.terminal import terminal
from tests.daq.kits.xlsx import COILS, workbook

#: One coil cold and hot in our own headings; every other way to write it has to give the same.
OURS = "coil,time_s,probe_degC,resistance_ohm\nY1,0,20,3.3\nY1,600,90,4.21\nY2,0,20,3.4\nY2,600,90,4.33\n"


def written(folder: Path, content: str, name: str = "mine.csv") -> Path:
    """Write a table."""
    path = folder / name
    path.write_text(content, encoding="utf-8")
    return path


def like(traces: tuple[Trace, ...], others: tuple[Trace, ...], *, timed: bool = True) -> None:
    """Require the same readings."""
    assert [each.coil for each in traces] == [each.coil for each in others]
    for mine, other in zip(traces, others, strict=True):
        if timed:
            np.testing.assert_allclose(mine.time_s - mine.time_s[0], other.time_s, atol=1e-6)
        else:
            assert np.isnan(mine.time_s).all()
        np.testing.assert_allclose(mine.probe_degC, other.probe_degC, atol=1e-9)
        np.testing.assert_allclose(mine.resistance_ohm, other.resistance_ohm, atol=1e-9)


def refusal(path: Path, *given: str, labels: frozenset[str] = frozenset()) -> str:
    """Return the one line that nobody could be asked about."""
    with pytest.raises(InputError) as caught:
        read_table(path, given, labels)
    said = str(caught.value)
    assert "\n" not in said
    assert len(said) < len(str(path)) + 500
    return said.removeprefix(str(path))


@pytest.mark.parametrize(
    "content",
    [
        "Spule;Zeit [min];Temperatur;Widerstand\nY1;0;20;3,3\nY1;10;90;4,21\nY2;0;20;3,4\nY2;10;90;4,33\n",
        "Coil,Time (ms),Temp (degF),Ohms\nY1,0,68,3.3\nY1,6e5,194,4.21\nY2,0,68,3.4\nY2,6e5,194,4.33\n",
        (
            "Label\tTime\tT probe [K]\tR (kOhm)\nY1\t10:00\t293.15\t0.0033\nY1\t10:10:00\t363.15\t0.00421\n"
            "Y2\t10:00:00\t293.15\t0.0034\nY2\t10:10:00\t363.15\t0.00433\n"
        ),
        (
            "Solenoid,Timestamp,Temp °C,Resistance mOhm\nY1,2026-01-31 23:55:00,20,3300\n"
            "Y1,2026-02-01 00:05:00,90,4210\nY2,2026-01-31T23:55,20,3400\nY2,2026-02-01T00:05:00,90,4330\n"
        ),
        "Bench 4\nOperator: Kim\n\nElapsed (s),°C,Y1 (ohm),Y2 (ohm)\n0,20,3.3,3.4\n600,90,4.21,4.33\n",
        "Time;Temp;R Y1;R Y2\ns;degC;ohm;ohm\n0;20;3.3;3.4\n600;90;4.21;4.33\n",
        "Time/s,Temp Y1 (°C),Temp Y2 (°C),Y1 (ohm),Y2 (ohm),Notes\n0,20,20,3.3,3.4,\n600,90,90,4.21,4.33,\n",
    ],
)
def test_a_table_reads_alike_however_it_is_written(tmp_path: Path, content: str) -> None:
    """German and English, degF, kelvin, kohm, times of day, titles and units above, one column a coil."""
    like(
        read_table(written(tmp_path, content)).traces, read_table(written(tmp_path, OURS, "ours.csv")).traces
    )


def test_ohms_at_temperatures_in_the_headings(tmp_path: Path) -> None:
    """A row a coil and a column a temperature: each cell is one reading without a time."""
    path = written(tmp_path, "Coil,Ohms at 20 °C,Ohms at 194 °F\nY1,3.3,4.21\nY2,3.4,4.33\n")
    like(read_table(path).traces, read_table(written(tmp_path, OURS, "ours.csv")).traces, timed=False)


def test_what_was_taken_for_what_is_told_in_both_languages(tmp_path: Path) -> None:
    """Every column that is used stands in a note with its meaning, as do assumed units and unused columns."""
    path = written(
        tmp_path, "Spule;Temperatur;Widerstand [kOhm];Bemerkung\nY1;20;0,0033;neu\nY1;90;0,00421;\n"
    )
    taken, assumed, unused = read_table(path).notes
    assert taken == (
        "columns of this table are taken for: 'Spule' as the coil's label, 'Widerstand [kOhm]' as the "
        "resistance in kilohm, 'Temperatur' as the temperature in degC"
    )
    assert assumed.startswith("'Temperatur' has no unit; the temperature in degC is assumed, since its")
    assert unused == "columns not used: Bemerkung"
    german = catalogue("de").said(taken)
    assert "'Widerstand [kOhm]' ist der Widerstand in Kiloohm" in german
    assert "coil's" not in german


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ("Coil,Ohms\nY1,3.3\n", ":1: no column says the temperature: at how many degC were all read? "),
        (
            "Coil,Temp,Ohms\nY1,68,3.3\nY1,194,4.2\n",
            ":1: column 'Temp' has no unit, and its figures are 68 to 194",
        ),
        ("Coil,Temp,Ohms\nY1,72,3.3\n", ":1: column 'Temp' has no unit"),
        ("Coil,Temp,Ohms\nY1,293,3.3\nY1,363,4.2\n", ":1: column 'Temp' has no unit"),
        (
            "Coil,Temp °C,R\nY1,20,0.0033\n",
            ":1: column 'R' has no unit, and its figures are 0.0033 to 0.0033",
        ),
        ("Coil,Temp °C,R\nY1,20,3300\n", ":1: column 'R' has no unit, and its figures are 3300 to 3300"),
        ("COIL,TEMP (C),RES (MOHM)\nY1,20,3300\n", ":1: column 'RES (MOHM)' has no unit"),
        (
            "Coil,Time,Temp °C,Ohms\nY1,10,20,3.3\n",
            ":1: column 'Time' has no unit, and its figures are 10 to 10",
        ),
        (
            "Coil,T1 °C,T2 °C,Ohms\nY1,20,21,3.3\n",
            ":1: which of 'T1 °C', 'T2 °C' is the temperature of the parts?",
        ),
        (
            "Coil,Temp °C,Ohms,Widerstand\nY1,20,3,3.3\n",
            ":1: which of 'Ohms', 'Widerstand' is the resistance?",
        ),
        ("Coil,Oven temp °C,Ohms\nY1,20,3.3\n", ":1: is column 'Oven temp °C' the temperature of the parts?"),
        (
            "Temp °C,Y1,Y2\n20,3.3,3.4\n",
            ":1: no heading says resistance: are 'Y1', 'Y2' the ohms of a coil each?",
        ),
        ("Valve,Temp °C,Ohms\na,20,3.3\nb,20,3.4\n", ":1: does column 'Valve' say which coil a row is of?"),
        ("No,Temp °C,Ohms\n1,20,3.3\n2,20,3.4\n", ":1: does column 'No' say which coil a row is of?"),
        (
            "Temp °C,R cold (ohm),R hot (ohm)\n20,3.3,3.4\n",
            ":1: which of 'R cold (ohm)', 'R hot (ohm)' is the",
        ),
        (
            "Coil,Temp a,Temp b,Ohms\nY1,68,70,3.3\n",
            "'Temp a=probe_degF', or 'Temp a=probe_K', or 'Temp b=probe_degC'",
        ),
        ("a,b\n1,2\n", ":1: no heading says resistance"),
        ("words\nand more\n", ":1: no column probe_degC, expected a heading line with coil"),
    ],
)
def test_what_is_in_doubt_is_one_line(tmp_path: Path, content: str, expected: str) -> None:
    """Where nobody can be asked, what could be read in two ways is refused with what to give."""
    said = refusal(written(tmp_path, content))
    assert expected in said
    assert "--columns" in said or "probe_degC" in said
    assert not (tmp_path / f"mine.csv{REMEMBERED}").exists()


@pytest.mark.parametrize(
    ("content", "given"),
    [
        ("Coil,min,Temp,Ohms\nY1,0,68,3.3\nY1,10,194,4.21\nY2,0,68,3.4\nY2,10,194,4.33\n",
         ("Temp=probe_degF", "min=time_min")),
        ("Valve,s,A °C,B °C,x\nY1,0,1,20,3300\nY1,600,2,90,4210\nY2,0,1,20,3400\nY2,600,2,90,4330\n",
         ("Valve=coil", "x=resistance_mohm", "B °C=probe_degc", "A °C=unused", "s=time_s")),
        ("sec,Temp °C,a,b\n0,20,3.3,3.4\n600,90,4.21,4.33\n",
         ("a=resistance_ohm of Y1", "b=resistance_ohm of Y2", "sec=time_s")),
    ],
)  # fmt: skip
def test_what_is_said_is_taken_and_remembered(tmp_path: Path, content: str, given: tuple[str, ...]) -> None:
    """Each doubt ends with a --columns, the rest is recognised still, and nobody has to say it twice."""
    path = written(tmp_path, content)
    refusal(path)
    ours = read_table(written(tmp_path, OURS, "ours.csv")).traces
    like(read_table(path, given).traces, ours)
    again = read_table(path)
    like(again.traces, ours)
    assert again.notes[1] == f"what the columns are stands in mine.csv{REMEMBERED}"
    beside = path.with_name(path.name + REMEMBERED)
    other = written(tmp_path, content, "other.csv")
    like(read_table(other, (str(beside),)).traces, ours)
    beside.write_text(beside.read_text().replace('= "', '= "no_'), encoding="utf-8")
    with pytest.raises(
        InputError, match=r"mine\.csv\.columns\.toml:\d+: key 'columns\..*is no column of ours"
    ):
        read_table(path)


def test_one_temperature_for_all(tmp_path: Path) -> None:
    """Ohms without a temperature are read with the one that is given, which is told."""
    path = written(tmp_path, "Coil,Ohms\nY1,3.3\nY2,OL\n")
    table = read_table(path, ("at_degC=22,5",))
    assert [trace.probe_degC.tolist() for trace in table.traces] == [[22.5], [22.5]]
    assert table.traces[1].status.tolist() == ["open or over range"]
    assert any("taken to be at 22.5 degC" in note for note in table.notes)
    assert [trace.probe_degC.tolist() for trace in read_table(path).traces] == [[22.5], [22.5]]


def test_labels_of_the_set_are_known(tmp_path: Path) -> None:
    """Figures under the very labels of the coils under test are their ohms, if they can be ohms."""
    path = written(tmp_path, "Temp °C,Y1,Y2,Batch\n20,3.3,3.4,7\n90,4.21,4.33,7\n")
    table = read_table(path, (), frozenset({"Y1", "Y2"}))
    like(table.traces, read_table(written(tmp_path, OURS, "ours.csv")).traces, timed=False)
    assert table.notes[-1] == "columns not used: Batch"
    path = written(tmp_path, "Temp °C,Y1\n20,0.0033\n")
    assert "column 'Y1' has no unit" in refusal(path, labels=frozenset({"Y1"}))


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        (("Temp=degF",), "--columns 'Temp=degF': 'degF' is no column of ours, expected one of coil, time_s"),
        (("Ohms=resistance_MOHM",), "'resistance_MOHM' is no column of ours"),
        (("=probe_degC",), "expected HEADING=MEANING"),
        (("at_degC=warm",), "'warm' is no temperature in degC"),
        (("at_degC=2200",), "'2200' is no temperature in degC"),
        (("Tempo=probe_degC",), ":1: column 'Tempo' is not among 'Coil', 'Temp', 'Ohms', expected once"),
        (("sheet=Two",), "has no sheet 'Two'; there are no sheets"),
        (("Temp=coil of Y1",), "a column of labels is of no one coil"),
        (("Temp=probe_degC at 20 degC",), "behind a resistance alone"),
    ],
)
def test_what_is_said_wrong_is_one_line(tmp_path: Path, given: tuple[str, ...], expected: str) -> None:
    """A phrase that is none, a heading that is not there, an impossible temperature."""
    assert expected in refusal(written(tmp_path, "Coil,Temp,Ohms\nY1,20,3.3\n"), *given)


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ("Coil,Temp °C,Ohms\nY1,20,3.3\nMean,,n=2\n", ":3: column 'Ohms': 'n=2' is not a number"),
        ("Coil,Temp °C,Ohms\nY1,20,#DIV/0!\n", "'#DIV/0!' is not a number"),
        (
            "Coil,Time,Temp °C,Ohms\nY1,23:59,20,3.3\nY1,00:01,20,3.3\n",
            ":3: column 'Time': the time of coil Y1 goes",
        ),
        (
            "Coil,Time,Temp °C,Ohms\nY1,10:00,20,3.3\nY1,01/02/2026 10:00,20,3\n",
            "'01/02/2026 10:00' is no time",
        ),
        ("Coil,Temp °C,Ohms\n,20,3.3\n", "column 'Coil' is empty"),
        ("Coil,Temp °C,Ohms,Ohms\nY1,20,3.3,3.3\n", "'Ohms' stands there twice"),
        ("Coil,Temp °C,Ohms\n", "no rows under the heading"),
    ],
)
def test_cells_that_are_none_are_named(tmp_path: Path, content: str, expected: str) -> None:
    """A cell is read or refused with its line and its own heading."""
    assert expected in refusal(written(tmp_path, content))


def test_a_workbook_is_read_as_its_csv_is(tmp_path: Path) -> None:
    """Of several sheets the one with a table counts; several such are asked about."""
    rows = [["Spule", "Uhrzeit", "Temp (degF)", "R [kOhm]"]]
    for coil, ohms in (("Y1", (3.3, 4.21)), ("Y2", (3.4, 4.33))):
        for minute, degF, ohm in zip((0, 10), (68, 194), ohms, strict=True):
            rows.append([coil, datetime.fromisoformat(f"2026-01-31T10:{minute:02}"), degF, ohm / 1000])
    path = workbook(tmp_path / "mine.xlsx", {"Info": [["made by Kim"]], "Data": rows})
    ours = read_table(written(tmp_path, OURS, "ours.csv")).traces
    table = read_table(path)
    like(table.traces, ours)
    assert "read from the sheet 'Data'" in table.notes
    path = workbook(tmp_path / "two.xlsx", {"One": COILS, "Data": rows})
    assert refusal(path) == (
        ": which sheet is meant: 'One', 'Data'? Say it with --columns 'sheet=One', or 'sheet=Data'"
    )
    like(read_table(path, ("sheet=Data",)).traces, ours)
    like(read_table(path).traces, ours)


def test_our_headings_in_a_workbook_need_no_words(tmp_path: Path) -> None:
    """A spreadsheet with the documented headings is read without being asked about."""
    rows = [line.split(",") for line in OURS.splitlines()]
    cells = [rows[0], *([row[0], *map(float, row[1:])] for row in rows[1:])]
    table = read_table(workbook(tmp_path / "mine.xlsx", {"S": cells}))
    like(table.traces, read_table(written(tmp_path, OURS)).traces)
    assert table.notes == ("read from the sheet 'S'",)


def test_our_own_headings_say_nothing_of_columns(tmp_path: Path) -> None:
    """A table with the documented headings is judged as ever: no note, no file beside it."""
    table = read_table(written(tmp_path, OURS))
    assert table.notes == ()
    assert [path.name for path in tmp_path.iterdir()] == ["mine.csv"]


def test_fahrenheit_and_kilohms_give_the_verdict_of_celsius_and_ohms(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The verdicts are those of the table in our units, and the notes begin with what was taken for what."""
    plain = say(capsys, "judge", written(tmp_path, OURS.replace("time_s", "unknown")), "--json").json()
    path = workbook(tmp_path / "mine.xlsx", {"S": [*COILS, ["Y2", 68.0, 0.0034], ["Y2", 194.0, 0.00433]]})
    other = say(capsys, "judge", path, "--json").json()
    for mine, theirs in zip(plain["coils"], other["coils"], strict=True):
        assert (mine["coil"], mine["verdict"]) == (theirs["coil"], theirs["verdict"])
        assert mine["r20_ohm"] == pytest.approx(theirs["r20_ohm"])
        assert mine["joint_ohm"] == pytest.approx(theirs["joint_ohm"], abs=1e-6)
    assert other["notes"][0].startswith("columns of this table are taken for: 'Coil' as")


def test_columns_of_a_run_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A run folder knows its columns."""
    assert (
        "is a run and knows its columns" in say(capsys, "judge", tmp_path, "--columns", "a=coil").complaint()
    )


@pytest.mark.slow
def test_a_person_is_asked_once(tmp_path: Path) -> None:
    """At a terminal doubts are questions and the whole is confirmed; the second time nothing is asked."""
    path = written(tmp_path, "Coil,Temp,Ohms\nY1,68,3.3\nY1,194,4.21\n")
    with terminal("judge", path) as screen:
        screen.wait_for("column 'Temp' has no unit, and its figures are 68 to 194: which is it?")
        screen.type("9", at="1 to 3: ")
        screen.type("2", at="1 to 3: ")
        screen.wait_for("the temperature in degF")
        screen.type("", at="take them so? [Y/n]: ")
        screen.wait_for("remembered in")
        screen.wait_for("R20")
        assert screen.process.wait(60) == 0
    with terminal("judge", path) as screen:
        screen.wait_for("R20")
        assert screen.process.wait(60) == 0
        assert "take them" not in screen.text


@pytest.mark.slow
def test_a_person_may_say_no(tmp_path: Path) -> None:
    """What is refused is not read and not remembered."""
    path = written(tmp_path, "Coil,Temp °C,Ohms\nY1,20,3.3\n")
    with terminal("judge", path) as screen:
        screen.type("n", at="take them so? [Y/n]: ")
        screen.wait_for("not read; say what its columns are with --columns")
        assert screen.process.wait(60) == 2
    assert not path.with_name(path.name + REMEMBERED).exists()
