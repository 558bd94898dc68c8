"""`coilsoak compare`."""

from __future__ import annotations

from pathlib import Path

import click

from daq.commands.options import FILE, language_option, open_console
from daq.streams import print_json


@click.command()
@click.argument("runs", type=FILE, nargs=-1, required=True, metavar="RUN RUN...")
@click.option(
    "--report", type=FILE, metavar="FOLDER", help="Also write comparison.json and the slope plot there."
)
@language_option
@click.option("--json", "as_json", is_flag=True, help="Print the comparison as JSON on standard output.")
def compare(runs: tuple[Path, ...], report: Path | None, language: str, as_json: bool) -> None:
    """Say what changed of the same coils from run to run, and what only moved with temperature.

    A coil is known again by its serial number wherever it is; without one by its label within one set and
    job. Runs are taken in the order of time, those of one minute in that of their stages.
    """
    from daq.archive.comparison import compare_runs, comparison_object, write_comparison
    from daq.archive.comparison_table import comparison
    from daq.archive.judgement import require_language

    with open_console(as_json) as screen:
        require_language(language)
        found = compare_runs(runs)
        if report is not None:
            write_comparison(report, found, language)
        if as_json:
            print_json(comparison_object(found))
        else:
            screen.print(comparison(found), highlight=False)
