"""`coilsoak log`."""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from daq.commands.options import FILE, STAGES, open_console, print_notes
from daq.streams import print_json

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from rich.console import Console

    from daq.archive.log.learn import Asked
    from daq.archive.log.search import Wanted

    #: Gives what a function finds in the index.
    InIndex = Callable[[Callable[[sqlite3.Connection], Any]], Any]
    #: What came of it as plain objects, and how to show it.
    Outcome = tuple[dict[str, object], Callable[[Console], None]]

SHARE = click.FloatRange(0.5, 0.999)


def _day(_context: click.Context, _parameter: click.Parameter, value: str | None) -> date | None:
    if value is None:
        return None
    try:
        return date.fromisoformat(value)
    except ValueError as exc:
        raise click.BadParameter(f"{value!r} is not a day, expected one as 2026-01-31.") from exc


@click.command()
@click.argument("folder", type=FILE, default=Path("runs"))
@click.option("--job", help="Job number.")
@click.option("--serial", help="Serial number of a coil.")
@click.option("--coil", help="Label of a coil.")
@click.option("--kind", help="Kind of a coil.")
@click.option("--verdict", type=click.Choice(["pass", "fail", "retest"]), help="Verdict on a coil.")
@click.option("--stage", type=click.Choice(STAGES), help="State of the parts.")
@click.option("--since", callback=_day, metavar="DAY", help="First day, as 2026-01-31 (UTC).")
@click.option("--until", callback=_day, metavar="DAY", help="Last day (UTC), itself included.")
@click.option(
    "--newest",
    type=click.IntRange(1),
    default=20,
    show_default=True,
    metavar="N",
    help="Show no more than the newest N runs.",
)
@click.option("--learn", metavar="KIND", help="Propose limits of R20 for a kind, from its sound coils.")
@click.option(
    "--content",
    type=SHARE,
    default=0.95,
    show_default=True,
    help="Share of like coils within these.",
)
@click.option("--confidence", type=SHARE, default=0.95, show_default=True, help="How sure that is to be.")
@click.option("--simulated", is_flag=True, help="Learn from the simulated bench, not from real ones.")
@click.option("--from", "source", type=FILE, metavar="EXPORT", help="Learn from an export instead, by Dask.")
@click.option("--scheduler", metavar="ADDRESS", help="Do that on the workers of this Dask scheduler.")
@click.option("--export", type=FILE, metavar="EXPORT", help="Write all runs as Parquet into a new folder.")
@click.option("--rebuild", is_flag=True, help="Read every run folder again, not only what is new.")
@click.option("--json", "as_json", is_flag=True, help="Print what was found as JSON on standard output.")
def log(
    folder: Path,
    newest: int,
    learn: str | None,
    content: float,
    confidence: float,
    simulated: bool,
    source: Path | None,
    scheduler: str | None,
    export: Path | None,
    rebuild: bool,
    as_json: bool,
    **wanted: Any,
) -> None:
    """Find runs below FOLDER (default: runs), whatever the case of letters; the newest is shown last.

    In a job, serial, coil or kind * stands for any letters and ? for one. What is asked of a coil has to
    hold for one and the same coil.

    With --learn: propose limits for a kind of coil. One coil counts once, with its newest judgement; nothing
    is changed.
    """
    from daq.archive.log.index import with_index
    from daq.archive.log.learn import Asked
    from daq.archive.log.search import Wanted

    asked = Wanted(**{name: value for name, value in wanted.items() if value})
    refused: list[str] = []
    with open_console(as_json) as screen:
        _require_sense(learn, source, scheduler, export, asked)
        in_index = partial(
            with_index,
            folder,
            tell=lambda note: print_notes(screen, [note]),
            refuse=refused.append,
            rebuild=rebuild,
        )
        with _naming(refused):
            if learn is not None:
                to_learn = Asked(learn, asked, simulated, content, confidence)
                told, show = _learn(in_index, to_learn, source, scheduler)
            elif export is not None:
                told, show = _export(in_index, export)
            else:
                told, show = _find(in_index, folder, asked, newest)
            if as_json:
                print_json(told)
            else:
                show(screen)


@contextmanager
def _naming(refused: list[str]) -> Iterator[None]:
    """End with the first of the runs that were *refused* and the number of the others, if there are any."""
    from daq.errors import ForeignFileError, InputError

    why = ""
    try:
        yield
    except InputError as exc:
        if not refused:
            raise
        why = f"; {exc}"
    if refused:
        first, *others = dict.fromkeys(refused)
        raise ForeignFileError(first + (f" (and {len(others)} more runs)" if others else "") + why)


def _require_sense(
    learn: str | None, source: Path | None, scheduler: str | None, export: Path | None, asked: Wanted
) -> None:
    """Refuse options that would do nothing, or can find nothing.

    Raises:
        InputError: The message says what is expected.
    """
    from daq.archive.log.search import Wanted
    from daq.errors import InputError

    if source is not None and learn is None:
        raise InputError(f"--from {source}: is for --learn KIND, which is missing")
    if scheduler is not None and source is None:
        raise InputError(f"--scheduler {scheduler}: is for --learn KIND --from EXPORT, which is missing")
    if asked.since is not None and asked.until is not None and asked.since > asked.until:
        raise InputError(f"--since {asked.since}: is after --until {asked.until}, expected a day before it")
    if export is not None and (learn is not None or asked != Wanted()):
        raise InputError(f"--export {export}: writes all runs, expected no other task and nothing to find")


def _find(in_index: InIndex, folder: Path, asked: Wanted, newest: int) -> Outcome:
    from daq.archive.log.listing import found_object, print_found
    from daq.archive.log.search import search

    found = in_index(lambda index: search(index, asked, newest))
    return found_object(folder, found), lambda screen: print_found(screen, folder, found, asked)


def _export(in_index: InIndex, folder: Path) -> Outcome:
    from daq.archive.log.parquet import write_export

    rows = in_index(lambda index: write_export(index, folder))
    told = f"{rows} rows, one a coil a run, written to {folder}"
    return {"export": str(folder), "rows": rows}, lambda screen: print_notes(screen, [told])


def _learn(in_index: InIndex, asked: Asked, source: Path | None, scheduler: str | None) -> Outcome:
    from daq.archive.log.learn import learn_limits, sample_of_index
    from daq.archive.log.lesson_listing import lesson_object, print_lesson

    if source is None:
        sample = in_index(lambda index: sample_of_index(index, asked))
    else:
        from daq.archive.log.learn_dask import sample_of_export

        sample = sample_of_export(source, asked, scheduler)
    lesson = learn_limits(sample, asked)
    return lesson_object(lesson), lambda screen: print_lesson(screen, lesson)
