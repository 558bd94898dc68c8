"""`coilsoak setup`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from daq.commands.options import FILE, open_console
from daq.errors import InputError


@click.command()
@click.argument("addresses", nargs=-1, metavar="[ADDRESS]...")
@click.option("--rig", type=FILE, default=Path("my-rig.toml"), show_default=True, help="Rig file to write.")
@click.option(
    "--set", "coil_set", type=FILE, default=Path("my-set.toml"), show_default=True, help="Set file."
)
@click.option("--answers", type=FILE, help='Answers that need not be asked for, key = "answer" a line.')
@click.option("--lan", is_flag=True, help="Look on this machine's networks first.")
@click.option("--no-look", is_flag=True, help="Do not look at this machine's ports first.")
def setup(
    addresses: tuple[str, ...], rig: Path, coil_set: Path, answers: Path | None, lan: bool, no_look: bool
) -> None:
    """Ask what is on the bench and under test, try each answer, write both files, and check them.

    Looks at serial ports, USB and GPIB first, or at the given ADDRESSes alone. Without a terminal everything
    comes from --answers. The answers are kept beside the rig file: the next time they are the defaults.
    """
    from daq.setup.meet.listing import here, searching
    from daq.setup.session import read_answers, set_up
    from daq.tables import findings_table

    with open_console(False) as screen:
        if answers is None and not (sys.stdin is not None and sys.stdin.isatty()):
            raise InputError("setup asks, and standard input is no terminal; give --answers FILE")
        given = read_answers(answers) if answers else {}
        looked = [] if no_look and not addresses else here(addresses, lan=lan, seconds=3.0, console=screen)
        found = searching(looked, screen, rig.parent) if looked else []
        findings = set_up(rig, coil_set, given, found, screen)
        screen.print(findings_table(findings))
    if any(finding.good is False for finding in findings):
        sys.exit(2)
