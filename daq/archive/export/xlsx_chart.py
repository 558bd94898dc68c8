"""Charts of a spreadsheet: resistance against temperature, a chart a coil, beside the rows of its fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import ceil, floor, log10
from typing import Any

import numpy as np

from analysis.figures.fitted_line import FittedLine
from analysis.figures.thinning import finite, view
from analysis.model import OK, CoilResult, Trace
from analysis.words import Words
from daq.archive.export.tables import FIT_COLUMNS, LINE, SETTLED
from daq.record.format import READING_COLUMNS, printable

#: Rows of a chart, so that one stands below another, and its size in pixels.
_CHART_ROWS, _CHART_PX = 20, (620, 380)
#: More readings than this make a chart that spreadsheets hardly move; then only the fit is drawn.
_MOST_DRAWN = 32_000
#: A coil seen at temperatures that differ by less has nothing to draw against temperature.
_LEAST_SPAN_K = 1.0
#: Lines of a chart: column, text of the legend, look. They differ by more than colour.
_BAND = {"color": "black", "width": 0.75, "dash_type": "dash"}
_LIMITS = {"color": "#595959", "width": 1.0, "dash_type": "round_dot"}
_LINES: tuple[tuple[str, str, dict[str, Any]], ...] = (
    ("resistance_ohm", "line", {"color": "black", "width": 1.5}),
    ("band_low_ohm", "band_low", _BAND),
    ("band_high_ohm", "band_high", _BAND),
    ("limit_low_ohm", "limit_low", _LIMITS),
    ("limit_high_ohm", "limit_high", _LIMITS),
)
_BLUE = "#0072B2"
_GRID = {"visible": True, "line": {"color": "#D9D9D9", "width": 0.5}}

#: Ends of the axes of a chart: of the temperature, of the resistance.
Ends = tuple[tuple[float, float], tuple[float, float]]
#: First and last row of what belongs together.
Span = tuple[int, int]
#: Of each sheet the rows of each coil, and of each series of it.
Sheets = Mapping[str, Mapping[tuple[str, ...], Span]]


def axis_ends(coil: CoilResult, trace: Trace, line: FittedLine) -> Ends | None:
    """Return where the axes of a coil's chart end, at round figures; None for one with nothing to draw."""
    if not line.probe_degC.size or np.ptp(line.probe_degC) < _LEAST_SPAN_K:
        return None
    ohms = finite(trace.resistance_ohm[trace.status == OK])
    low, high = view(ohms, np.concatenate([finite(coil.point_ohm), line.resistance_ohm]))
    return _rounded(float(line.probe_degC[0]), float(line.probe_degC[-1])), _rounded(low, high)


def _rounded(low: float, high: float) -> tuple[float, float]:
    places = 1 - floor(log10(high - low))
    return floor(low * 10.0**places) / 10.0**places, ceil(high * 10.0**places) / 10.0**places


def add_charts(book: Any, sheets: Sheets, charts: Mapping[str, Ends], words: Words) -> None:
    """Put a chart of each coil in *charts* on the sheet of the fit, right of its rows."""
    drawn = [(_chart(book, coil, sheets, words), ends) for coil, ends in charts.items()]
    # One that was left empty, of too many readings and no fit, is not put anywhere.
    for n, (chart, ends) in enumerate(each for each in drawn if each[0].series):
        axes = zip((chart.set_x_axis, chart.set_y_axis), ("probe_axis", "resistance_axis"), ends, strict=True)
        for set_axis, name, (low, high) in axes:
            reach = {"min": low, "max": high, "crossing": "min"}
            set_axis({"name": words(f"figure.{name}"), "major_gridlines": _GRID, **reach})
        sheet = book.get_worksheet_by_name("fit")
        sheet.insert_chart(1 + n * _CHART_ROWS, len(FIT_COLUMNS) + 1, chart)


def _chart(book: Any, coil: str, sheets: Sheets, words: Words) -> Any:
    """R against temperature of one coil: readings, settled points, line, band and limits."""
    chart = book.add_chart({"type": "scatter", "subtype": "straight"})
    chart.set_size({"width": _CHART_PX[0], "height": _CHART_PX[1]})
    readings, fit = sheets["readings"], sheets["fit"]
    # With a blank behind it no '!' makes an address of a cell, which a title may be.
    chart.set_title({"name": printable(coil).replace("!", "! "), "name_font": {"size": 11}})
    chart.set_legend({"position": "bottom"})

    def add(sheet: str, columns: Sequence[str], span: Span, y: str, key: str, look: dict[str, Any]) -> None:
        x, y_column = columns.index("probe_degC"), columns.index(y)
        chart.add_series(
            {
                "name": words(f"figure.{key}"),
                "categories": [sheet, span[0], x, span[1], x],
                "values": [sheet, span[0], y_column, span[1], y_column],
                **look,
            }
        )

    rows = readings.get((coil,))
    if rows is not None and rows[1] - rows[0] < _MOST_DRAWN:
        add("readings", READING_COLUMNS, rows, "resistance_ohm", "reading", _mark("circle", 3, _BLUE))
    if (coil, SETTLED) in fit:
        look = _mark("diamond", 8, "black")
        add("fit", FIT_COLUMNS, fit[coil, SETTLED], "resistance_ohm", "settled", look)
    for y, key, line in _LINES if (coil, LINE) in fit else ():
        add("fit", FIT_COLUMNS, fit[coil, LINE], y, key, {"line": line})
    return chart


def _mark(kind: str, size: int, colour: str) -> dict[str, Any]:
    """How points look that no line joins: hollow, so that many can be told from few."""
    marker = {"type": kind, "size": size, "border": {"color": colour}, "fill": {"none": True}}
    return {"marker": marker, "line": {"none": True}}
