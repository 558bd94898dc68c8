"""`coilsoak claim`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from daq.commands.shared import FILE, language_option, open_console, paper_option

if TYPE_CHECKING:
    from daq.results import PaperName


@click.command()
@click.argument("runs", type=FILE, nargs=-1, required=True, metavar="RUN...")
@click.option(
    "--out", type=FILE, metavar="FILE.pdf", help="The file to write.  [default: claim-RUN.pdf here]"
)
@click.option(
    "--coil",
    "coils",
    multiple=True,
    metavar="LABEL",
    help="Show this coil in detail.  [default: failed ones]",
)
@paper_option
@language_option
def claim(
    runs: tuple[Path, ...], out: Path | None, coils: tuple[str, ...], paper: PaperName, language: str
) -> None:
    """Make one PDF of one or more runs that stands on its own, with the readings inside it.

    Several runs of the same parts are given in the order in which they were made.
    """
    from daq.claim import ClaimRequest, write_claim

    with open_console(as_json=False) as screen:
        path = write_claim(ClaimRequest(runs, out, coils, paper, language))
        screen.print(f"claim pack: {path}", highlight=False, markup=False)
