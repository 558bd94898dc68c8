"""The cautions before a heated run: shown each time, agreed to by a person where anything real gets hot."""

from __future__ import annotations

from rich.console import Console

from analysis.words import RECORD_LANGUAGE, catalogue
from daq.bench.operator import Operator
from daq.errors import InputError


def confirm_cautions(console: Console, operator: Operator, *, practising: bool, agreed: bool) -> None:
    """Show the cautions and wait for the operator's agreement; a simulated bench goes on by itself.

    Args:
        console: Where to show them.
        operator: Who agrees.
        practising: Nothing real can get hot.
        agreed: ``--yes`` was given.

    Raises:
        InputError: ``--yes`` on a real bench, or nobody there to agree.
    """
    if practising:
        console.print(
            "On a real bench: hot metal, flammable vapour, inductive kick and fire. Never leave it alone.",
            style="dim",
        )
        return
    if agreed:
        raise InputError(
            "--yes is for the simulated bench: on a real one a person reads the cautions and agrees"
        )
    for title, text in catalogue(RECORD_LANGUAGE).rows("cautions.items"):
        console.print(f"- {title} {text}", highlight=False, markup=False)
    operator.confirm("Stay with the bench until it is cold")
