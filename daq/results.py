"""A judgement as JSON for programs and as a table for people."""

from __future__ import annotations

from dataclasses import asdict
from typing import Literal

from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from analysis.model import CoilResult, SetResult

PaperName = Literal["a4", "letter"]

#: Words carry the verdict; the sign in front makes it stand out without colour.
SIGNS = {"pass": "+", "fail": "x", "retest": "?"}
_STYLES = {"pass": "", "fail": "bold", "retest": "italic"}


def as_object(result: SetResult, *, run: str = "", state: str = "") -> dict[str, object]:
    """Return *result* as plain objects for JSON; uncertainties are standard (k = 1), unknown is null."""
    return {
        "run": run or None,
        "state": state or None,
        "coils": [_coil_object(coil) for coil in result.coils],
        "notes": list(result.notes),
    }


def _coil_object(coil: CoilResult) -> dict[str, object]:
    fields = asdict(coil)
    del fields["point_degC"], fields["point_ohm"]
    return fields


def as_table(result: SetResult) -> RenderableType:
    """Return the verdict table: one coil a row, the first reason in words; fits 80 columns."""
    table = Table(pad_edge=False)
    table.add_column("coil")
    table.add_column("verdict", no_wrap=True)
    table.add_column("R20 ohm", justify="right", no_wrap=True)
    table.add_column("joint ohm", justify="right", no_wrap=True)
    table.add_column("why", ratio=1)
    for coil in result.coils:
        table.add_row(
            coil.coil,
            Text(f"{SIGNS[coil.verdict]} {coil.verdict}", style=_STYLES[coil.verdict]),
            _with_u(coil.r20_ohm, coil.r20_u_ohm),
            _with_u(coil.joint_ohm, coil.joint_u_ohm),
            "; ".join(reason.text for reason in coil.reasons),
        )
    return table


def _with_u(value: float | None, u: float | None) -> str:
    if value is None or u is None:
        return "-"
    return f"{value:.3f} ±{2 * u:.3f}"
