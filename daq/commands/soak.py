"""`coilsoak soak`."""

from __future__ import annotations

from typing import Any

import click

from daq.commands.options import FILE, bench_options, run_options
from daq.commands.running import do_run


@click.command()
@bench_options
@click.option(
    "--heat", type=click.Choice(["oven", "supply", "hand"]), help="How to heat.  [default: the set's]"
)
@run_options
@click.option(
    "--resume", type=FILE, metavar="RUN", help="Go on with a cut soak, with the same rig and set files."
)
@click.option("--yes", is_flag=True, help="Skip the cautions' confirmation (simulated bench only).")
def soak(as_json: bool, **asked: Any) -> None:
    """Heat the set step by step, log every coil, judge each, write the report."""
    do_run("soak", as_json, asked)
