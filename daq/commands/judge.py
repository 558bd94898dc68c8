"""`coilsoak judge`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from daq.commands.options import (
    FILE,
    json_option,
    language_option,
    open_console,
    paper_option,
    print_notes,
)
from daq.streams import print_json

if TYPE_CHECKING:
    from daq.archive.verdict_table import PaperName


@click.command()
@click.argument("path", type=FILE)
@click.option(
    "--set", "coil_set", type=FILE, help="Coil-set file with kinds and limits.  [default: the record's own]"
)
@click.option(
    "--rig",
    type=FILE,
    help="Rig file that says how good meter and probes of a table were.  [default: careful guesses]",
)
@click.option(
    "--report", type=FILE, metavar="FOLDER", help="Also write report.pdf, curves and result.json there."
)
@click.option(
    "--columns",
    multiple=True,
    metavar="HEADING=MEANING",
    help="What a column of a table is, as 'Temp=probe_degF', 'Y1=resistance_ohm of Y1' or at_degC=22; "
    "or a file that says it.",
)
@paper_option
@language_option
@click.option("--budget", is_flag=True, help="Also print what makes R20 and joint uncertain (JSON has it).")
@json_option
def judge(
    path: Path,
    coil_set: Path | None,
    rig: Path | None,
    report: Path | None,
    columns: tuple[str, ...],
    paper: PaperName,
    language: str,
    budget: bool,
    as_json: bool,
) -> None:
    """Judge a run folder again, or a table (CSV or xlsx) of temperature and resistance.

    Columns: coil, time_s, probe_degC, resistance_ohm, voltage_V, current_A. Order is free, cells may be
    empty, others are ignored; without time and power the rows are taken as settled points. Other headings
    are recognised, shown and asked for once; the answer is kept beside the table.
    """
    from daq.archive.budget_table import budget_tables
    from daq.archive.judgement import judge_path, judged_object, write_judgement
    from daq.archive.observe import listed
    from daq.archive.verdict_table import as_plain, as_table

    with open_console(as_json) as screen:
        asker = None if as_json or sys.stdin is None or not sys.stdin.isatty() else screen
        judged = judge_path(path, coil_set, rig, columns=columns, asker=asker)
        if report is not None:
            write_judgement(report, judged, paper, language)
        if as_json:
            print_json(judged_object(judged))
        else:
            screen.print(as_plain(judged.result))
            screen.print(as_table(judged.result))
            print_notes(screen, (*judged.problems, *judged.result.notes))
            for line in listed(judged.observations):
                screen.print(f"seen: {line}", highlight=False, markup=False)
            if budget:
                screen.print(budget_tables(judged.result))
