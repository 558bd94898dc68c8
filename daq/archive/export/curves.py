"""Curves and figures of a run for others: pictures, tables, JSON, a spreadsheet, in a folder of their own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from analysis.figures.fitted_line import FittedLine, fitted_line
from analysis.model import CoilResult
from analysis.words import catalogue
from daq.archive.export.csv_table import write_csv
from daq.archive.export.tables import fit_table, notes_table, readings_table, summary_table
from daq.archive.judgement import Judged, given_run, judge_run, judged_object, require_coils, require_language
from daq.durable_file import whole_folder
from daq.errors import InputError
from daq.record.format import TRAVEL, json_text
from daq.record.reader import Run

PICTURES = ("png", "svg")
FORMATS = (*PICTURES, "csv", "json", "xlsx")
JSON, XLSX = "curves.json", "curves.xlsx"


@dataclass(frozen=True)
class CurvesRequest:
    """What was asked for on the command line. *out* None: a name made from the run's folder."""

    run: Path
    out: Path | None = None
    formats: tuple[str, ...] = FORMATS
    coils: tuple[str, ...] = ()
    decimal_comma: bool = False
    language: str = "en"


def write_curves_of(request: CurvesRequest) -> tuple[Path, list[str]]:
    """Write what *request* asks for; return the folder and what is to be said of the run.

    The folder appears when all is in it, or not at all.

    Raises:
        InputError: The run cannot be read, a coil, format or language is not known, or the folder is there
            already or cannot be written.
    """
    require_language(request.language)
    for name in request.formats:
        if name not in FORMATS:
            raise InputError(f"--format {name}: not known, expected some of {','.join(FORMATS)}")
    out = request.out or Path(f"curves-{request.run.resolve().name}")
    if out.exists():
        raise InputError(f"{out}: is there already and is not overwritten; choose another folder with --out")
    run = given_run(request.run, TRAVEL)  # its own report and curves may have been left elsewhere
    judged = judge_run(run)
    require_coils(request.coils, [judged])
    judged = _only(judged, request.coils)
    try:
        with whole_folder(out) as folder:
            _write(folder, run, judged, request)
    except OSError as exc:
        raise InputError(f"{out}: cannot be written ({exc.strerror or exc})") from exc
    return out, [*judged.problems, *judged.result.notes]


def _only(judged: Judged, coils: Sequence[str]) -> Judged:
    if not coils:
        return judged
    chosen = tuple(coil for coil in judged.result.coils if coil.coil in coils)
    seen = tuple(each for each in judged.observations if each.coil in coils)
    return replace(judged, result=replace(judged.result, coils=chosen), observations=seen)


def _write(folder: Path, run: Run, judged: Judged, request: CurvesRequest) -> None:
    traces = {trace.coil: trace for trace in judged.traces}
    coils = [coil for coil in judged.result.coils if coil.coil in traces]
    lines = {coil.coil: fitted_line(coil, traces[coil.coil], judged.limits.get(coil.kind)) for coil in coils}
    kinds = [kind for kind in PICTURES if kind in request.formats]
    if kinds:
        from analysis.figures.curves import write_curves  # drawing is not needed for tables

        for coil in coils:
            limits = judged.limits.get(coil.kind)
            write_curves(folder, coil, traces[coil.coil], limits, language=request.language, kinds=kinds)
    name = run.folder.resolve().name
    told = judged_object(judged) | {"run": name}  # not where it lies on this machine
    if "json" in request.formats:
        curves = [_curve_object(coil, lines[coil.coil]) for coil in coils]
        (folder / JSON).write_bytes(json_text(told | {"curves": curves}))
    tables = (
        summary_table(judged.result, run.header, name),
        readings_table(run.readings, [coil.coil for coil in judged.result.coils]),
        fit_table(coils, lines),
        notes_table([*judged.problems, *judged.result.notes]),
    )
    if "csv" in request.formats:
        for table in tables:
            write_csv(folder / f"{table.name}.csv", table, decimal_comma=request.decimal_comma)
    if "xlsx" in request.formats:
        from daq.archive.export.xlsx import write_xlsx
        from daq.archive.export.xlsx_chart import axis_ends

        write_xlsx(
            folder / XLSX,
            tables,
            {
                coil.coil: ends
                for coil in coils
                if (ends := axis_ends(coil, traces[coil.coil], lines[coil.coil]))
            },
            catalogue(request.language),
            title=name,
            created=run.header.start_utc,
        )


def _curve_object(coil: CoilResult, line: FittedLine) -> dict[str, object]:
    """Return what the curve of a coil goes through, as plain objects for JSON."""
    return {
        "coil": coil.coil,
        "settled": {"probe_degC": coil.point_degC, "resistance_ohm": coil.point_ohm},
        "line": asdict(line),
    }
