"""`coilsoak claim`."""

from __future__ import annotations

from typing import Any

import click

from daq.commands.shared import FILE, language_option, open_console, paper_option


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
@click.option("--shop", type=FILE, metavar="FILE.toml", help="Who sends it to whom, and about what.")
@click.option(
    "--photo",
    "photos",
    type=FILE,
    multiple=True,
    metavar="FILE",
    help="Add a photo (PNG, JPEG); again for more.",
)
@paper_option
@language_option
def claim(**asked: Any) -> None:
    """Make one PDF of one or more runs that stands on its own, with the readings inside it.

    Several runs of the same parts are given in the order in which they were made. Photos are drawn anew:
    place, time and owner that a camera wrote beside the picture are left out.
    """
    from daq.claim import ClaimRequest, write_claim

    with open_console(as_json=False) as screen:
        path = write_claim(ClaimRequest(**asked))
        screen.print(f"claim pack: {path}", highlight=False, markup=False)
