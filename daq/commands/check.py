"""`coilsoak check`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from daq.commands.options import bench_options, open_console
from daq.streams import print_json


@click.command()
@bench_options
@click.option("--json", "as_json", is_flag=True, help="Print the findings as JSON on standard output.")
def check(rig: Path | None, coil_set: Path | None, seed: int | None, as_json: bool) -> None:
    """See whether the bench is what its rig file says; no coil is energised."""
    from daq.run.check import check_bench
    from daq.tables import findings_table

    with open_console(as_json) as screen:
        findings = check_bench(rig, coil_set, seed, screen)
        if as_json:
            print_json({"findings": [finding.as_object() for finding in findings]})
        else:
            screen.print(findings_table(findings))
    if any(finding.good is False for finding in findings):
        sys.exit(2)
