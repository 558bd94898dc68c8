"""`coilsoak try`."""

from __future__ import annotations

import sys

import click

from daq.commands.options import open_console
from daq.streams import print_json


@click.command("try")
@click.argument("address")
@click.option("--dialect", metavar="NAME", help="Speak this one, or a file.toml.  [default: what fits best]")
@click.option("--role", type=click.Choice(["supply", "meter", "probe", "switch", "oven"]), help="As what.")
@click.option("--json", "as_json", is_flag=True, help="Print what came of each op as JSON, and do not ask.")
def try_(address: str, dialect: str | None, role: str | None, as_json: bool) -> None:
    """Ask one instrument: see its bytes, and what a dialect makes of them.

    ADDRESS is as people write it: COM3, /dev/ttyUSB0, 192.168.1.5, meter.local. Without a terminal it asks
    what the dialect asks, and ends. What is only asked changes nothing; before anything else is sent you are
    asked, and an output is switched off at the end.
    """
    from daq.setup.meet.prompt import try_instrument
    from daq.setup.meet.trial import dialects_for

    with open_console(as_json) as screen:
        asking = not as_json and sys.stdin is not None and sys.stdin.isatty()
        findings = try_instrument(address, dialects_for(dialect), dialect, role, screen, ask=asking)
        if as_json:
            print_json({"findings": [finding.as_object() for finding in findings]})
