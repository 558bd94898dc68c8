"""`coilsoak practice`."""

from __future__ import annotations

from pathlib import Path

import click

from daq.commands.options import FILE, open_console


@click.command()
@click.option(
    "--out", type=FILE, default=Path("practice"), show_default=True, help="Folder for the rig file."
)
@click.option("--script", type=FILE, help="Fault script.  [default: the invented set with five faults]")
@click.option("--seed", type=click.IntRange(0), help="Seed of the simulated bench.")
@click.option(
    "--scale",
    type=click.FloatRange(1.0, 3600),
    default=60.0,
    show_default=True,
    help="Time runs this much faster.",
)
def practice(out: Path, script: Path | None, seed: int | None, scale: float) -> None:
    """Serve the simulated bench on loopback TCP and pseudo-serial ports until Ctrl-C.

    Writes the rig file that reaches it: try commands, rigs and bad days on it, with nothing hot.
    """
    from daq.run.practice import serve_practice

    with open_console(False) as screen:
        serve_practice(out, script, seed, scale, screen)
