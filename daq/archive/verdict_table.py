"""A judgement as JSON for programs and as a table for people."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Literal

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.text import Text

from analysis.history.plain import ORDER, to_do, why
from analysis.model import CoilResult, SetResult
from analysis.words import say
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
    return {"coil": coil.coil, "do": to_do(coil.verdict, coil.reasons), "plain": _sentences(coil)} | fields


def _sentences(coil: CoilResult) -> str:
    return " ".join(why(coil, coil.reasons))


def as_plain(result: SetResult) -> RenderableType:
    """Return what to do with each coil and why, in words of every day; coils of one sentence share it."""
    lines: list[RenderableType] = []
    for do in ORDER:
        told: dict[str, list[str]] = {}
        for coil in result.coils:
            if to_do(coil.verdict, coil.reasons) == do:
                told.setdefault(_sentences(coil), []).append(coil.coil)
        if told:
            lines.append(Text(say(f"do.{do}"), style="bold"))
        for sentence, coils in told.items():
            lines.append(Padding(shown(f"{', '.join(coils)}: {sentence}"), (0, 0, 0, 2)))
    return Group(*lines, "")


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
