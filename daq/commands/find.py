"""`coilsoak find`."""

from __future__ import annotations

import click

from daq.commands.options import open_console
from daq.streams import print_json


@click.command()
@click.argument("addresses", nargs=-1, metavar="[ADDRESS]...")
@click.option(
    "--lan", is_flag=True, help="Look on this machine's networks too: multicast DNS, VXI-11 broadcast."
)
@click.option(
    "--seconds",
    type=click.FloatRange(0.5, 30),
    default=3.0,
    show_default=True,
    help="How long the network is listened to.",
)
@click.option("--json", "as_json", is_flag=True, help="Print what was found as JSON on standard output.")
def find(addresses: tuple[str, ...], lan: bool, seconds: float, as_json: bool) -> None:
    """List the instruments here: who answers where, and in which dialect.

    Looks at serial ports, USB and GPIB, or at the given ADDRESSes alone: COM3, /dev/ttyUSB0, 192.168.1.5,
    meter.local. Asks only: nothing is set, and no output is touched.
    """
    from daq.setup.meet.listing import found_table, here, searching

    with open_console(as_json) as screen:
        found = searching(here(addresses, lan=lan, seconds=seconds, console=screen), screen)
        if as_json:
            print_json({"found": [each.as_object() for each in found]})
        else:
            screen.print(found_table(found))
