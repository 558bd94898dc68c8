"""How often is a fault found, how often is a sound coil blamed, and what would simpler methods have said?

From the top of the tree (about 2 s a set on the simulated bench, a tenth of that by formula)::

    python tests/benchmarks/detection.py --bench 400 --bench-faulty 400 --formula 3000 --runs KEPT

``--bench`` sets are soaked on the simulated bench, end to end; ``--formula`` sets come from the benchmark's
own formulas, which share nothing with bench or program. What ``--runs`` holds already is judged again and
not soaked again. Every coil is invented. Intervals are those of Clopper and Pearson, 95 %.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from scipy.stats import binomtest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.benchmarks.detection_rows import INSTEAD, SETTINGS, Row, by_bench, by_formula  # noqa: E402

#: Settings that a fault is looked at in, and what its curve is drawn apart by.
VIEWS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "opens hot": (("as the file",), ()),
    "dropouts": (("as the file",), ("mean_open_s",)),
    "joint": (("as the file", "joint 0.02 ohm"), ("kind",)),
    "shorted turns": (("as the file", "peers 1 %"), ("kind", "spread_rel")),
    "drift": (("as the file", "drift 0.15 %"), ()),
    "leakage": (("as the file",), ()),
}
#: Severities that are not drawn in steps are put into these bins, each named by its upper edge.
BINS = {
    "opens hot": (60.0, 70.0, 80.0, 89.0, 90.0, 91.0, 93.0, 96.0),
    "drift": (0.0015, 0.0025, 0.0035, 0.007, 0.0115, 0.02, 0.04),
}


@dataclass(frozen=True)
class Cell:
    """One figure: so many of *n* coils were failed, or sent to another test; bounds of the share failed."""

    route: str
    what: str
    where: str
    severity: float
    method: str
    n: int
    fails: int
    retests: int
    low: float
    high: float


def _one(task: tuple[Path | None, int, int, bool]) -> list[Row]:
    """Judge one set: soaked on the bench and kept in a folder, or by formula without one."""
    runs, number, seed, faulty = task
    if runs is None:
        return by_formula(number, seed, faulty=faulty)
    return by_bench(runs, number, seed, faulty=faulty)


def _cell(route: str, what: str, where: str, severity: float, method: str, verdicts: list[str]) -> Cell:
    fails, n = verdicts.count("fail"), len(verdicts)
    bounds = binomtest(fails, n).proportion_ci(method="exact")
    retests = verdicts.count("retest")
    return Cell(route, what, where, severity, method, n, fails, retests, bounds.low, bounds.high)


def _cells(
    route: str, what: str, where: str, severity: float, rows: list[Row], settings: Sequence[str]
) -> Iterator[Cell]:
    """What each setting and each simple method makes of the same coils."""
    for setting in settings:
        yield _cell(route, what, where, severity, setting, [row.verdicts[setting][0] for row in rows])
    for method in INSTEAD:
        told = ["fail" if method in row.rejected_by else "pass" for row in rows]
        yield _cell(route, what, where, severity, method, told)


def _sound(route: str, rows: list[Row]) -> Iterator[Cell]:
    """False alarms, in sets without a fault and beside coils with one."""
    for company in ("sound sets", "beside faults"):
        sound = [row for row in rows if not row.part.fault and row.faulty_set == (company != "sound sets")]
        for spread_rel in sorted({row.spread_rel for row in sound}):
            alike = [row for row in sound if row.spread_rel == spread_rel]
            where = f"{company}, parts {100.0 * spread_rel:g} %"
            yield from _cells(route, "sound", where, 0.0, alike, list(SETTINGS))


def _severity(row: Row) -> float:
    """The severity itself, or the upper edge of its bin."""
    edges = BINS.get(row.part.fault)
    exact = row.part.severity
    return exact if edges is None else next(edge for edge in edges if exact <= edge)


def _place(row: Row, by: Sequence[str]) -> str:
    """What a curve is drawn apart by, in words."""
    words = {
        "kind": row.kind,
        "spread_rel": f"parts {100.0 * row.spread_rel:g} %",
        "mean_open_s": f"each {row.part.mean_open_s or 0.0:g} s",
    }
    return ", ".join(words[each] for each in by)


def _faulty(route: str, rows: list[Row]) -> Iterator[Cell]:
    """Detection against severity."""
    for fault, (settings, by) in VIEWS.items():
        points: dict[tuple[str, float], list[Row]] = {}
        for row in rows:
            if row.part.fault == fault:
                points.setdefault((_place(row, by), _severity(row)), []).append(row)
        for (where, severity), alike in sorted(points.items()):
            yield from _cells(route, fault, where, severity, alike, settings)


def _print(cells: list[Cell]) -> None:
    """Print one table a fault: a line a severity, a column a method."""
    for (route, what), table in _grouped(cells, lambda cell: (cell.route, cell.what)):
        methods = list(dict.fromkeys(cell.method for cell in table))
        print(f"\n{what} ({route}): failed % (95 % interval) and retests %")  # noqa: T201
        print(f"{'':30}{'severity':>9}{'coils':>7}  " + "".join(f"{method:27}" for method in methods))  # noqa: T201
        for (where, severity), line in _grouped(table, lambda cell: (cell.where, cell.severity)):
            shown = "".join(f"{_percents(cell):27}" for cell in line)
            print(f"{where:30}{severity:9.4g}{line[0].n:7d}  {shown}".rstrip())  # noqa: T201


def _grouped(
    cells: list[Cell], key: Callable[[Cell], tuple[str, float | str]]
) -> Iterator[tuple[tuple[str, float | str], list[Cell]]]:
    groups: dict[tuple[str, float | str], list[Cell]] = {}
    for cell in cells:
        groups.setdefault(key(cell), []).append(cell)
    yield from groups.items()


def _percents(cell: Cell) -> str:
    share, low, high = 100.0 * cell.fails / cell.n, 100.0 * cell.low, 100.0 * cell.high
    return f"{share:.3g} ({low:.3g}-{high:.3g}) {100.0 * cell.retests / cell.n:.3g}"


def main() -> None:
    """Run the benchmark and print its tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--bench", type=int, default=20, help="sound sets on the simulated bench")
    parser.add_argument("--bench-faulty", type=int, default=20, help="and faulty ones")
    parser.add_argument("--formula", type=int, default=200, help="sound, and as many faulty, sets by formula")
    parser.add_argument("--runs", type=Path, help="where the run folders are kept; default: nowhere")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--json", action="store_true", help="print the figures for programs")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as nowhere:
        runs = asked.runs or Path(nowhere)
        soaked = [(runs, number, asked.seed, False) for number in range(asked.bench)]
        soaked += [(runs, number, asked.seed, True) for number in range(asked.bench_faulty)]
        drawn = [(None, number, asked.seed, bool(f)) for number in range(asked.formula) for f in (0, 1)]
        with multiprocessing.get_context("spawn").Pool(asked.jobs, os.nice, (10,)) as pool:
            on_bench = [row for rows in pool.map(_one, soaked, chunksize=4) for row in rows]
            computed = [row for rows in pool.map(_one, drawn, chunksize=20) for row in rows]
    cells: list[Cell] = []
    for route, rows in (("simulated bench", on_bench), ("formula", computed)):
        cells += [*_sound(route, rows), *_faulty(route, rows)]
    if asked.json:
        print(json.dumps([asdict(cell) for cell in cells]))  # noqa: T201
    else:
        _print(cells)


if __name__ == "__main__":
    main()
