"""What a run is handed on as, in tables: one list of columns and rows for CSV and spreadsheet alike.

Columns are named as in the record and its result, units at their ends; numbers are those of the record and
the result, unrounded, NaN or None where there is none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest

import numpy as np

from analysis.figures.fitted_line import FittedLine
from analysis.model import CoilResult, SetResult
from daq.record.format import READING_COLUMNS, Header
from daq.record.rows import BLOCK, Readings

Cell = str | float | int | None

_ESTIMATES = ("r20", "alpha20", "joint")
#: Of each estimate the value, its standard uncertainty u, coverage factor k, and the expanded one, k u.
_UNITS = {"r20": "ohm", "alpha20": "per_K", "joint": "ohm"}
SUMMARY_COLUMNS = (
    "coil",
    "kind",
    "serial",
    "verdict",
    *(
        name
        for of in _ESTIMATES
        for name in (f"{of}_{_UNITS[of]}", f"{of}_u_{_UNITS[of]}", f"{of}_k", f"{of}_expanded_u_{_UNITS[of]}")
    ),
    "wrong_risk",
    "method",
    "hottest_degC",
    "readings",
    "reasons",
    "run",
    "start_utc",
    "stage",
    "job",
    "simulated",
)
FIT_COLUMNS = (
    "coil",
    "series",
    "probe_degC",
    "resistance_ohm",
    "expanded_u_ohm",
    "band_low_ohm",
    "band_high_ohm",
    "limit_low_ohm",
    "limit_high_ohm",
)
#: Series of the fit: the fitted line, and the settled points that it went through.
LINE, SETTLED = "line", "settled"


@dataclass(frozen=True)
class Table:
    """A table by name. *rows* gives all rows anew with each call; rows of one coil follow each other."""

    name: str
    columns: tuple[str, ...]
    rows: Callable[[], Iterator[Sequence[Cell]]]


def summary_table(result: SetResult, header: Header, run: str) -> Table:
    """Return a row a coil: verdict, values with uncertainties, reasons, and which run it was."""
    of_run = (
        run,
        f"{header.start_utc:%Y-%m-%dT%H:%M:%SZ}",
        header.stage,
        header.job,
        "yes" if header.simulated else "no",
    )
    return Table("summary", SUMMARY_COLUMNS, lambda: ((*_of_coil(coil), *of_run) for coil in result.coils))


def _of_coil(coil: CoilResult) -> Iterator[Cell]:
    yield from (coil.coil, coil.kind, coil.serial, coil.verdict)
    for of in _ESTIMATES:
        value, u, k = (
            getattr(coil, name) for name in (f"{of}_{_UNITS[of]}", f"{of}_u_{_UNITS[of]}", f"{of}_k")
        )
        yield from (None, None, None, None) if value is None else (value, u, k, None if u is None else k * u)
    yield from (coil.wrong_risk, coil.method, coil.hottest_degC, coil.readings)
    yield "; ".join(reason.text for reason in coil.reasons)


def readings_table(readings: Readings, coils: Sequence[str]) -> Table:
    """Return every row of *coils* as recorded, coil by coil, each in the order of writing.

    Rows about the bench, which have no coil, come first.
    """
    place = {"": 0} | {coil: n for n, coil in enumerate(coils, 1)}
    labels, of_row = np.unique(readings.coil, return_inverse=True)
    places = np.array([place.get(str(label), -1) for label in labels], dtype=np.intp)[of_row]
    order = np.argsort(places, kind="stable")
    order = order[places[order] >= 0]

    def rows() -> Iterator[Sequence[Cell]]:
        for first in range(0, order.size, BLOCK):
            part = order[first : first + BLOCK]
            yield from zip(*(getattr(readings, name)[part].tolist() for name in READING_COLUMNS), strict=True)

    return Table("readings", READING_COLUMNS, rows)


def fit_table(coils: Sequence[CoilResult], lines: Mapping[str, FittedLine]) -> Table:
    """Return settled points of each coil, and of one that has a line that with its band and limits."""

    def rows() -> Iterator[Sequence[Cell]]:
        for coil in coils:
            for degC, ohm in zip(coil.point_degC.tolist(), coil.point_ohm.tolist(), strict=True):
                yield (coil.coil, SETTLED, degC, ohm, None, None, None, None, None)
            line = lines[coil.coil]
            if not line.resistance_ohm.size:
                continue
            columns = (
                line.probe_degC,
                line.resistance_ohm,
                line.expanded_u_ohm,
                line.resistance_ohm - line.expanded_u_ohm if line.expanded_u_ohm.size else np.empty(0),
                line.resistance_ohm + line.expanded_u_ohm if line.expanded_u_ohm.size else np.empty(0),
                line.limit_low_ohm,
                line.limit_high_ohm,
            )
            for row in zip_longest(*(column.tolist() for column in columns)):
                yield (coil.coil, LINE, *row)

    return Table("fit", FIT_COLUMNS, rows)


def notes_table(notes: Sequence[str]) -> Table:
    """Return what is to be said of the whole run, what is amiss with its record before all."""
    return Table("notes", ("note",), lambda: ((note,) for note in notes))
