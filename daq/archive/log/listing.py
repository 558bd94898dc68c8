"""What the log shows of the runs it found: lines for people, objects for programs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict
from pathlib import Path

from rich.cells import set_cell_size
from rich.console import Console
from rich.text import Text

from daq.archive.log.search import Found, FoundRun, Wanted
from daq.archive.log.summary import CoilBrief
from daq.archive.verdict_table import SIGNS
from daq.streams import one_line

#: Cells a column takes on a terminal, two blanks between: 80 together.
_COLUMNS = {"started, UTC": 16, "run": 5, "stage": 14, "job": 13, "coils": 24}
#: In this order verdicts are counted up; an empty one is none.
_ORDER = ("pass", "fail", "retest", "")


def print_found(console: Console, folder: Path, found: Found, wanted: Wanted) -> None:
    """Print each run with its folder, the coils if something was asked of them, and what is broken."""
    if found.runs:
        console.print(Text(_line(_COLUMNS), style="bold"), soft_wrap=True)
    for run in found.runs:
        for line in _run_lines(folder, run, of_coil=wanted.of_coil()):
            console.print(Text(line), soft_wrap=True)
    for line in _closing_lines(folder, found, wanted):
        console.print(Text(line), soft_wrap=True)


def _closing_lines(folder: Path, found: Found, wanted: Wanted) -> Iterator[str]:
    if found.total > len(found.runs):
        yield f"the newest {len(found.runs)} of {found.total} runs; --newest shows more"
    elif not found.total:
        yield "no run found" if wanted == Wanted() else "no such run found"
    if found.broken and wanted != Wanted():
        yield f"note: {len(found.broken)} cannot be read and could not be searched; 'log' alone names them"
    else:
        yield from (one_line(f"cannot be read: {folder / path}: {why}") for path, why in found.broken)


def _run_lines(folder: Path, run: FoundRun, *, of_coil: bool) -> Iterator[str]:
    counted = ", ".join(f"{run.counts[word]} {word or 'not judged'}" for word in _ORDER if word in run.counts)
    started = run.start_utc[:16].replace("T", " ")
    yield _line([started, run.procedure, run.stage, run.job or "-", counted or "-"])
    marks = [
        "simulated" if run.simulated else "",
        "" if run.state == "complete" else run.state,
        run.problem,
    ]
    told = ", ".join(mark for mark in marks if mark)
    yield one_line(f"  {folder / run.folder}" + (f"  ({told})" if told else ""))
    if of_coil:
        yield from (f"  {_coil_line(coil)}" for coil in run.coils)


def _coil_line(coil: CoilBrief) -> str:
    sign = f"{SIGNS[coil.verdict]} {coil.verdict}" if coil.verdict else "not judged"
    said = [set_cell_size(one_line(coil.label), 9), f"{sign:<10}"]
    if coil.r20_ohm is not None:
        expanded = "" if coil.r20_U_ohm is None else f" ±{coil.r20_U_ohm:.3f}"
        said.append(f"R20 {coil.r20_ohm:.3f}{expanded} ohm")
    said.append(", ".join(word for word in (coil.kind, coil.serial) if word))
    return one_line("  ".join(said)).rstrip()


def _line(cells: Iterable[str]) -> str:
    fitted = (
        set_cell_size(one_line(cell), width) for cell, width in zip(cells, _COLUMNS.values(), strict=True)
    )
    return "  ".join(fitted).rstrip()


def found_object(folder: Path, found: Found) -> dict[str, object]:
    """Return what was found as plain objects for JSON; verdicts are empty where none was given."""
    return {
        "found": found.total,
        "runs": [_run_object(folder, run) for run in found.runs],
        "broken": [{"run": str(folder / path), "problem": problem} for path, problem in found.broken],
    }


def _run_object(folder: Path, run: FoundRun) -> dict[str, object]:
    fields = asdict(run)
    del fields["folder"]
    return {"run": str(folder / run.folder), **fields}
