"""`coilsoak observe`."""

from __future__ import annotations

from pathlib import Path

import click

from analysis.history.observations import ACTIONS, FINDINGS
from daq.commands.options import FILE, open_console


@click.command()
@click.argument("run", type=FILE)
@click.option("--coil", "coils", multiple=True, metavar="LABEL", help="Of which coil; may be repeated.")
@click.option("--all", "every", is_flag=True, help="Of every coil of the set.")
@click.option("--plunger", type=click.Choice(FINDINGS["plunger"]), help="How it moves.")
@click.option("--debris", type=click.Choice(FINDINGS["debris"]), help="What lay on or in it.")
@click.option("--contact", type=click.Choice(FINDINGS["contact"]), help="How terminal or plug look.")
@click.option("--o-ring", "o_ring", type=click.Choice(FINDINGS["o-ring"]), help="How it looks.")
@click.option("--did", multiple=True, type=click.Choice(ACTIONS), help="What was done; may be repeated.")
@click.option("--note", default="", metavar="TEXT", help="Whatever else there is to say.")
@click.option("--operator", default="", help="Who saw or did it.")
def observe(
    run: Path,
    coils: tuple[str, ...],
    every: bool,
    did: tuple[str, ...],
    note: str,
    operator: str,
    plunger: str | None,
    debris: str | None,
    contact: str | None,
    o_ring: str | None,
) -> None:
    """Note what was seen of coils after a run, or done to them; without options list what was noted.

    Rows are added to observations.csv in the run folder; nothing else there is touched. As in:

    coilsoak observe RUN --coil Y5 --plunger "slow to return" --did washed
    """
    from daq.archive.observe import Noted, list_observations, note_observations

    findings = {"plunger": plunger, "debris": debris, "contact": contact, "o-ring": o_ring}
    noted = Noted({item: found for item, found in findings.items() if found}, did, note, operator)
    with open_console(as_json=False) as screen:
        listed = (
            note_observations(run, coils, noted, every=every)
            if noted or coils or every
            else list_observations(run)
        )
        for line in listed:
            screen.print(line, highlight=False, markup=False)
