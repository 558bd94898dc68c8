"""`coilsoak sweep`."""

from __future__ import annotations

from typing import Any

import click

from daq.commands.options import bench_options, run_options
from daq.commands.running import do_run


@click.command()
@bench_options
@run_options
@click.option(
    "--ask", is_flag=True, help="Without a switch unit: ask for each coil instead of following the leads."
)
def sweep(as_json: bool, **asked: Any) -> None:
    """Read every coil at room temperature and judge it; nothing is energised.

    Without a switch unit the leads are followed: touch coil after coil as the screen shows them.
    """
    do_run("sweep", as_json, {"heat": None, "yes": False, **asked})
