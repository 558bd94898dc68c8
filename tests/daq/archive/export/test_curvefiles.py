"""Curves and figures for others: the same numbers in every format, as a stranger's program reads them."""

from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from openpyxl import Workbook, load_workbook

from daq.archive.export import xlsx_chart
from daq.archive.export.curves import CurvesRequest, write_curves_of
from daq.errors import InputError
from daq.record.format import MAX_ROWS
from tests.daq.kits.cli import say

SAMPLES = Path(__file__).parents[4] / "sample_runs"
(FAULTS,) = (SAMPLES / "faults").glob("*-as-received")
(SWEEP,) = (SAMPLES / "cleaning").glob("*-as-received")
SHEETS = ["summary", "readings", "fit", "notes"]


def made(run: Path, out: Path, *formats: str, **asked: Any) -> Path:
    """The folder with some formats of a run."""
    return write_curves_of(CurvesRequest(run, out, formats, **asked))[0]


def table(path: Path, code: str = "utf-8", between: str = ",") -> list[dict[str, str]]:
    """The rows of a CSV file by heading."""
    with path.open(encoding=code, newline="") as file:
        return list(csv.DictReader(file, delimiter=between, strict=True))


def sheet_rows(book: Workbook, name: str) -> list[dict[str, Any]]:
    """The rows of a sheet by heading, as their cells."""
    head, *rows = book[name].iter_rows()
    return [dict(zip([cell.value for cell in head], row, strict=True)) for row in rows]


def number(text: str) -> float | None:
    """The number of a cell, None for an empty one."""
    return float(text) if text else None


def near(value: float | None, rel: float) -> Any:
    """What equals *value* but for its last digits."""
    return None if value is None else pytest.approx(value, rel=rel)


def judged(run: Path) -> dict[str, dict[str, Any]]:
    """The coils of the result that the run itself wrote."""
    return {coil["coil"]: coil for coil in json.loads((run / "result.json").read_bytes())["coils"]}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The tables of the sample with faults."""
    return made(FAULTS, tmp_path_factory.mktemp("curves") / "out", "csv", "json", "xlsx")


@pytest.fixture(scope="module")
def book(folder: Path) -> Workbook:
    """The spreadsheet among them, as another program reads it."""
    return load_workbook(folder / "curves.xlsx")


@pytest.mark.slow
def test_every_format_has_the_numbers_of_the_result(folder: Path, book: Workbook) -> None:
    """CSV, JSON and spreadsheet have each value and uncertainty of result.json, and U as k times u."""
    known = judged(FAULTS)
    told = {coil["coil"]: coil for coil in json.loads((folder / "curves.json").read_bytes())["coils"]}
    rows = {row["coil"]: row for row in table(folder / "summary.csv")}
    cells = {row["coil"].value: row for row in sheet_rows(book, "summary")}
    assert known.keys() == told.keys() == rows.keys() == cells.keys()
    for name, coil in known.items():
        for key in ("r20_ohm", "r20_u_ohm", "alpha20_per_K", "joint_ohm", "joint_u_ohm", "hottest_degC"):
            assert told[name][key] == near(coil[key], 1e-9)  # judged anew on this machine
            assert number(rows[name][key]) == told[name][key]
            assert cells[name][key].value == near(told[name][key], 1e-15)
        expanded = None if coil["r20_ohm"] is None else coil["r20_k"] * coil["r20_u_ohm"]
        assert number(rows[name]["r20_expanded_u_ohm"]) == near(expanded, 1e-9)
        assert rows[name]["verdict"] == cells[name]["verdict"].value == coil["verdict"]
        assert rows[name]["reasons"] == "; ".join(reason["text"] for reason in coil["reasons"])
        assert (rows[name]["simulated"], rows[name]["start_utc"]) == ("yes", "2026-01-05T08:00:00Z")


@pytest.mark.slow
def test_readings_are_as_recorded(folder: Path, book: Workbook) -> None:
    """Each row of the record is there, cell for cell, coil by coil; the spreadsheet has them as numbers."""
    recorded = sorted(table(FAULTS / "readings.csv"), key=lambda row: row["coil"])
    rows = table(folder / "readings.csv")
    assert rows == recorded
    cells = sheet_rows(book, "readings")
    assert len(cells) == len(rows)
    for row, of_sheet in zip(rows[::97], cells[::97], strict=True):
        for key, text in row.items():
            value = of_sheet[key].value
            assert (str(value) if isinstance(value, str) else value) == (
                None if not text else text if key in {"coil", "phase", "source", "status"} else float(text)
            )


@pytest.mark.slow
def test_the_fit_is_the_line_judged_with_its_band(folder: Path) -> None:
    """Line rows follow R20 and alpha20, the band is U on either side, limits the maker's along copper."""
    known = judged(FAULTS)
    rows = table(folder / "fit.csv")
    lines = [row for row in rows if row["series"] == "line"]
    assert {row["coil"] for row in lines} == {name for name in known if known[name]["alpha20_per_K"]}
    for row in lines:
        coil, t = known[row["coil"]], float(row["probe_degC"])
        ohm, u = float(row["resistance_ohm"]), float(row["expanded_u_ohm"])
        assert ohm == pytest.approx(coil["r20_ohm"] * (1.0 + coil["alpha20_per_K"] * (t - 20.0)))
        assert (float(row["band_low_ohm"]), float(row["band_high_ohm"])) == pytest.approx((ohm - u, ohm + u))
        nominal = 3.3 if coil["kind"] == "switching" else 5.3
        assert float(row["limit_high_ohm"]) == pytest.approx(1.1 * nominal * (1.0 + 0.00393 * (t - 20.0)))
    curves = {curve["coil"]: curve for curve in json.loads((folder / "curves.json").read_bytes())["curves"]}
    for name in known:
        mine = [float(row["resistance_ohm"]) for row in lines if row["coil"] == name]
        assert mine == curves[name]["line"]["resistance_ohm"]
        settled = [
            float(row["probe_degC"]) for row in rows if row["coil"] == name and row["series"] == "settled"
        ]
        assert settled == curves[name]["settled"]["probe_degC"]


@pytest.mark.slow
def test_a_german_spreadsheet_reads_the_same_numbers(folder: Path, tmp_path: Path) -> None:
    """By its rules (semicolon parts, point groups thousands, comma is decimal) all cells are as before."""
    out = made(FAULTS, tmp_path / "out", "csv", decimal_comma=True)
    for name in SHEETS:
        assert (out / f"{name}.csv").read_bytes().startswith(b"\xef\xbb\xbf")
        german = table(out / f"{name}.csv", "utf-8-sig", ";")
        assert len(german) > 1
        for mine, theirs in zip(table(folder / f"{name}.csv"), german, strict=True):
            for key, text in mine.items():
                if text != theirs[key]:
                    assert float(theirs[key].replace(".", "").replace(",", ".")) == float(text), (name, key)
                else:
                    assert "." not in text or not text.replace(".", "").lstrip("-").isdigit(), (name, key)


def test_csv_keeps_to_rfc_4180(tmp_path: Path) -> None:
    """Lines end in CR LF, nothing stands before the heading, each row has as many cells."""
    out = made(SWEEP, tmp_path / "out", "csv")
    for name in SHEETS:
        raw = (out / f"{name}.csv").read_bytes()
        assert raw.count(b"\n") == raw.count(b"\r\n") > 0
        assert raw.endswith(b"\r\n")
        assert raw[:1].isalpha()
        rows = list(csv.reader(raw.decode("utf-8").splitlines(), strict=True))
        assert {len(row) for row in rows} == {len(rows[0])}


@pytest.mark.slow
def test_the_spreadsheet_is_laid_out_to_be_worked_with(book: Workbook) -> None:
    """Headings stay in view and have units, numbers have formats that suit them, columns are wide enough."""
    assert book.sheetnames == SHEETS
    for sheet in book:
        assert sheet.freeze_panes == "A2"
        assert all(cell.font.bold for cell in sheet[1])
        widths = {
            n: each.width for each in sheet.column_dimensions.values() for n in range(each.min, each.max + 1)
        }
        assert all(widths[cell.column] > len(cell.value) + 2 for cell in sheet[1])
    row = sheet_rows(book, "readings")[0]
    assert row["resistance_ohm"].number_format == "0.0000"
    assert row["probe_degC"].number_format == "0.00"
    assert row["resistance_ohm"].data_type == "n"
    assert book.properties.created.isoformat() == "2026-01-05T08:00:00"


@pytest.mark.slow
def test_each_coil_has_a_chart_of_its_own_rows(book: Workbook) -> None:
    """Resistance against temperature: the ranges of every series hold that coil and no other."""
    charts = book["fit"]._charts
    assert len(charts) == len(judged(FAULTS))
    for chart in charts:
        coils = set()
        for series in chart.series:
            for ref in (series.xVal.numRef.f, series.yVal.numRef.f):
                name, cells = ref.split("!")
                rows = [int(cell.split("$")[2]) for cell in cells.split(":")]
                at = 2 if name == "readings" else 1
                coils |= {book[name].cell(row, at).value for row in range(rows[0], rows[-1] + 1)}
        assert len(coils) == 1
        has_line = judged(FAULTS)[coils.pop()]["alpha20_per_K"] is not None
        assert len(chart.series) == (7 if has_line else 2)


@pytest.mark.slow
def test_the_same_run_gives_the_same_bytes(folder: Path, tmp_path: Path) -> None:
    """Nothing depends on the day: made again, each file is the same byte for byte."""
    again = made(FAULTS, tmp_path / "out", "csv", "json", "xlsx")
    assert {path.name for path in again.iterdir()} == {path.name for path in folder.iterdir()}
    for path in again.iterdir():
        assert path.read_bytes() == (folder / path.name).read_bytes(), path.name


def relabelled(run: Path, parent: Path, labels: dict[str, str]) -> Path:
    """A copy of a run in which coils have other labels, such as no set file would take."""
    copy = parent / "run"
    shutil.copytree(run, copy)
    readings = (copy / "readings.csv").read_text("utf-8")
    for label, other in labels.items():
        quoted = '"' + other.replace('"', '""') + '"'
        readings = readings.replace(f",{label},", f",{quoted},")
    (copy / "readings.csv").write_text(readings, "utf-8")
    return copy


@pytest.mark.parametrize("decimal_comma", [False, True])
def test_text_is_never_run(tmp_path: Path, decimal_comma: bool) -> None:
    """Labels that a spreadsheet would run are marked in CSV, and plain text in the spreadsheet."""
    labels = {"Y1": '=HYPERLINK("x")', "Y2": "@SUM(1)", "Y3": "+1;-2", "Y4": "ü, \u202e;x"}
    run = relabelled(SWEEP, tmp_path, labels)
    out = made(run, tmp_path / "out", "csv", "xlsx", decimal_comma=decimal_comma)
    code, between = ("utf-8-sig", ";") if decimal_comma else ("utf-8", ",")
    for name in ("summary", "readings"):
        told = {row["coil"] for row in table(out / f"{name}.csv", code, between)}
        assert {'\'=HYPERLINK("x")', "'@SUM(1)", "'+1;'-2", "ü,  ;x"} < told
    book = load_workbook(out / "curves.xlsx")
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert not [cell for cell in cells if cell.data_type == "f"]
    runnable = [cell for cell in cells if isinstance(cell.value, str) and cell.value[0] in "=@+"]
    assert {cell.value for cell in runnable} > {'=HYPERLINK("x")', "@SUM(1)", "+1;-2"}
    assert all(cell.quotePrefix for cell in runnable)


@pytest.mark.slow
def test_a_label_like_the_address_of_a_cell_is_a_title(tmp_path: Path) -> None:
    """The title of a chart is the label itself, never what stands in some cell."""
    run = relabelled(FAULTS, tmp_path, {"Y1": "notes!A1"})
    out = made(run, tmp_path / "out", "xlsx", coils=("notes!A1",))
    (chart,) = load_workbook(out / "curves.xlsx")["fit"]._charts
    assert chart.title.tx.rich.p[0].r[0].t == "notes! A1"


@pytest.mark.slow
def test_pictures_are_those_of_the_coils_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command writes what was asked for and nothing else, and says where."""
    out = tmp_path / "new" / "out"
    said = say(capsys, "curves", FAULTS, "--out", out, "--format", "png, svg,csv", "--coil", "Y2")
    assert (said.status, said.err) == (0, "")
    assert "curves: " in said.out
    assert max(map(len, said.out.splitlines()[:-2])) <= 80
    assert {path.name for path in out.iterdir()} == {
        "curve_Y2.png", "curve_Y2.svg", *(f"{name}.csv" for name in SHEETS)
    }  # fmt: skip
    assert {row["coil"] for row in table(out / "readings.csv")} == {"Y2"}
    assert (out / "curve_Y2.png").read_bytes().startswith(b"\x89PNG")


def test_a_cold_sweep_has_tables_and_no_line(tmp_path: Path) -> None:
    """Where nothing was heated there is no line to tell of, no chart, and everything else."""
    out = made(SWEEP, tmp_path / "out", "csv", "xlsx")
    assert "line" not in {row["series"] for row in table(out / "fit.csv")}
    assert len(table(out / "summary.csv")) == 8
    assert load_workbook(out / "curves.xlsx")["fit"]._charts == []


@pytest.mark.slow
def test_too_many_readings_are_not_drawn(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A chart that no spreadsheet could move shows the fit alone, and one of nothing is left out."""
    run = tmp_path / "run"
    shutil.copytree(FAULTS, run)
    always_open = re.sub(
        r"(?m)^([^,]*,Y3,[^,]*,[^,]*,[^,]*),.*$",
        r"\1,,,,,,ohms,open or over range",
        (run / "readings.csv").read_text(),
    )
    (run / "readings.csv").write_text(always_open, "utf-8")
    monkeypatch.setattr(xlsx_chart, "_MOST_DRAWN", 100)
    out = made(run, tmp_path / "out", "xlsx", coils=("Y1", "Y3", "Y8"))
    charts = load_workbook(out / "curves.xlsx")["fit"]._charts
    assert [len(chart.series) for chart in charts] == [6, 1]


def test_a_sheet_has_room_for_the_longest_record() -> None:
    """A sheet has 1,048,576 rows (ECMA-376 part 1, 18.3.1.73 by common practice); a record has fewer."""
    assert MAX_ROWS + 1 <= 1_048_576


def test_what_is_there_stays_and_what_is_not_known_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An existing folder, a table, unknown coils, formats and languages: one line each, nothing written."""
    (tmp_path / "mine").mkdir()
    (tmp_path / "table.csv").write_text("coil,probe_degC,resistance_ohm\nY1,20,3.3\n", encoding="utf-8")
    new = tmp_path / "new"
    for args, complaint in (
        ((SWEEP, "--out", tmp_path / "mine"), "is there already and is not overwritten"),
        ((tmp_path / "table.csv", "--out", new), "is no run folder"),
        ((SWEEP, "--out", new, "--coil", "Y9"), "--coil Y9: not in these runs, expected one of Y1, Y2"),
        ((SWEEP, "--out", new, "--format", "gif"), "--format gif: not known, expected some of png,svg,csv"),
        ((SWEEP, "--out", new, "--language", "xx"), "--language xx: not known"),
    ):
        assert complaint in say(capsys, "curves", *args).complaint()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["mine", "table.csv"]


def test_a_folder_appears_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When the disk fills up on the way, nothing is left behind."""

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("daq.archive.export.curves.write_csv", full)
    with pytest.raises(InputError, match="No space left"):
        made(SWEEP, tmp_path / "out", "json", "csv")
    assert not list(tmp_path.iterdir())
