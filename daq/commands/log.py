"""`coilsoak log`."""

from __future__ import annotations

from datetime import date, datetime
from functools import partial
from pathlib import Path
from typing import Any

import click

from daq.commands.shared import FILE, STAGES, open_console, print_notes
from daq.terminal import print_json

SHARE = click.FloatRange(0.5, 0.999)
DAY = click.DateTime(formats=["%Y-%m-%d"])


def _day(_context: click.Context, _parameter: click.Parameter, value: datetime | None) -> date | None:
    return value.date() if value else None


@click.command()
@click.argument("folder", type=FILE, default=Path("runs"))
@click.option("--job", help="Job number.")
@click.option("--serial", help="Serial number of a coil.")
@click.option("--coil", help="Label of a coil.")
@click.option("--kind", help="Kind of a coil.")
@click.option("--verdict", type=click.Choice(["pass", "fail", "retest"]), help="Verdict on a coil.")
@click.option("--stage", type=click.Choice(STAGES), help="State of the parts.")
@click.option("--since", type=DAY, callback=_day, metavar="DAY", help="First day, as 2026-01-31 (UTC).")
@click.option("--until", type=DAY, callback=_day, metavar="DAY", help="Last day.")
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
@click.option("--rebuild", is_flag=True, help="Read every run folder again, not only what is new.")
@click.option("--json", "as_json", is_flag=True, help="Print what was found as JSON on standard output.")
def log(
    folder: Path,
    newest: int,
    learn: str | None,
    content: float,
    confidence: float,
    simulated: bool,
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
    from daq.learning import Asked, learn_limits, sample_of_index
    from daq.lessonlist import lesson_object, print_lesson
    from daq.loglist import found_object, print_found
    from daq.runindex import with_index
    from daq.runsearch import Wanted, search

    asked = Wanted(**{name: value for name, value in wanted.items() if value})
    with open_console(as_json) as screen:
        in_index = partial(with_index, folder, tell=lambda note: print_notes(screen, [note]), rebuild=rebuild)
        if learn is not None:
            to_learn = Asked(learn, asked, simulated, content, confidence)
            lesson = learn_limits(in_index(lambda index: sample_of_index(index, to_learn)), to_learn)
            if as_json:
                print_json(lesson_object(lesson))
            else:
                print_lesson(screen, lesson)
            return
        found = in_index(lambda index: search(index, asked, newest))
        if as_json:
            print_json(found_object(folder, found))
        else:
            print_found(screen, folder, found, asked)
