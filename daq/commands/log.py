"""`coilsoak log`."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import click

from daq.commands.shared import FILE, STAGES, open_console, print_notes
from daq.terminal import print_json

DAY = click.DateTime(formats=["%Y-%m-%d"])


def _day(_context: click.Context, _parameter: click.Parameter, value: datetime | None) -> date | None:
    return value.date() if value else None


@click.command()
@click.argument("folder", type=FILE, default=Path("runs"))
@click.option("--job", default="", help="Job number.")
@click.option("--serial", default="", help="Serial number of a coil.")
@click.option("--coil", default="", help="Label of a coil.")
@click.option("--kind", default="", help="Kind of a coil.")
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
@click.option("--rebuild", is_flag=True, help="Read every run folder again, not only what is new.")
@click.option("--json", "as_json", is_flag=True, help="Print what was found as JSON on standard output.")
def log(
    folder: Path,
    job: str,
    serial: str,
    coil: str,
    kind: str,
    verdict: str | None,
    stage: str | None,
    since: date | None,
    until: date | None,
    newest: int,
    rebuild: bool,
    as_json: bool,
) -> None:
    """Find runs below FOLDER (default: runs), whatever the case of letters; the newest is shown last.

    In a job, serial, coil or kind * stands for any letters and ? for one. What is asked of a coil has to
    hold for one and the same coil.
    """
    from daq.loglist import found_object, print_found
    from daq.runindex import with_index
    from daq.runsearch import Wanted, search

    with open_console(as_json) as screen:
        asked = Wanted(job, stage or "", serial, coil, kind, verdict or "", since, until)
        found = with_index(
            folder,
            lambda index: search(index, asked, newest),
            lambda note: print_notes(screen, [note]),
            rebuild=rebuild,
        )
        if as_json:
            print_json(found_object(folder, found))
        else:
            print_found(screen, folder, found, asked)
