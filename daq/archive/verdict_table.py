"""A judgement as JSON for programs and as a table for people."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Literal

from rich.console import RenderableType
from rich.text import Text

from analysis.model import CoilResult, SetResult
from daq.tables import open_table, shown

PaperName = Literal["a4", "letter"]

#: Words carry the verdict; the sign in front makes it stand out without colour.
SIGNS = {"pass": "+", "fail": "x", "retest": "?"}
_STYLES = {"pass": "", "fail": "bold", "retest": "italic"}


def as_object(
    result: SetResult, *, run: str = "", state: str = "", problems: Sequence[str] = ()
) -> dict[str, object]:
    """Return *result* as plain objects for JSON; uncertainties are standard (k = 1), unknown is null.

    *problems* are those of the record it rests on, and stand before the notes of the judgement.
    """
    return {
        "run": run or None,
        "state": state or None,
        "coils": [_coil_object(coil) for coil in result.coils],
        "notes": [*problems, *result.notes],
    }


def _coil_object(coil: CoilResult) -> dict[str, object]:
    fields = asdict(coil)
    for drawn in ("point_degC", "point_ohm", "line_cov"):  # what only figures need
        del fields[drawn]
    return fields


def as_table(result: SetResult) -> RenderableType:
    """Return the verdict table: one coil a row, ruled off, with the reasons in words; fits 80 columns.

    Without any joint, as of a sweep, its room goes to the reasons.
    """
    jointed = any(coil.joint_ohm is not None for coil in result.coils)
    table = open_table(ruled=True)
    table.add_column("coil", max_width=16, overflow="fold")
    table.add_column("verdict", no_wrap=True)
    table.add_column("R20 ±U, ohm", justify="right", no_wrap=True)
    if jointed:
        table.add_column("joint ±U, ohm", justify="right", no_wrap=True)
    table.add_column("why", ratio=1, overflow="fold")
    for coil in result.coils:
        table.add_row(
            shown(coil.coil),
            Text(f"{SIGNS[coil.verdict]} {coil.verdict}", style=_STYLES[coil.verdict]),
            _with_U(coil.r20_ohm, coil.r20_u_ohm, coil.r20_k),
            *([_with_U(coil.joint_ohm, coil.joint_u_ohm, coil.joint_k)] if jointed else []),
            shown("; ".join(reason.text for reason in coil.reasons)),
        )
    return table


def _with_U(value: float | None, u: float | None, k: float) -> Text:
    """Show a value with its expanded uncertainty."""
    return Text("-" if value is None or u is None else f"{value:.3f} ±{k * u:.3f}")
