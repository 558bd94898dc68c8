"""Uncertainty budgets as tables for people."""

from __future__ import annotations

from collections.abc import Iterator

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from analysis.model import SetResult
from analysis.rounding import with_uncertainty
from analysis.statistics.budget import Budget

#: Degrees of freedom of what is taken for exactly known.
ENDLESS = "-"
#: Effective degrees of freedom beyond this change no digit of k.
_MANY = 1e4


def budget_tables(result: SetResult) -> RenderableType:
    """Return what the uncertainties of R20 and joint of each coil are made of; fits 80 columns."""
    return Group(*_parts(result))


def _parts(result: SetResult) -> Iterator[RenderableType]:
    for coil in result.coils:
        for budget in coil.budgets:
            yield Text(f"\n{coil.coil} {_summary(budget)}", style="bold")
            yield _table(budget)
        if not coil.budgets:
            yield Text(f"\n{coil.coil}: no budget, neither R20 nor joint is determined", style="bold")


def _summary(budget: Budget) -> str:
    """The result with its standard uncertainty in the last digits, and how U comes of it."""
    value = with_uncertainty(budget.value, budget.u)
    endless = budget.dof is None or budget.dof > _MANY
    freedom = "" if endless else f", {budget.dof:.3g} degrees of freedom"
    return (
        f"{budget.result} = {value} {budget.unit}, U = {budget.expanded_u:.2g} {budget.unit} "
        f"(k = {budget.k:.2f}{freedom})"
    )


def _table(budget: Budget) -> Table:
    table = Table(box=box.HORIZONTALS, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("source", ratio=1)
    table.add_column("kind")
    for name in ("u", "dof", "sensitivity", f"in {budget.unit}", "share"):
        table.add_column(name, justify="right", no_wrap=True)
    for part in budget.components:
        unit = "" if part.unit == "1" else f" {part.unit}"
        table.add_row(
            Text(part.name),
            part.kind,
            f"{part.u:.2g}{unit}",
            ENDLESS if part.dof is None else f"{part.dof:.3g}",
            f"{part.sensitivity:.3g}",
            f"{abs(part.sensitivity) * part.u:.2g}",
            f"{100.0 * part.share:.1f} %",
        )
    return table
