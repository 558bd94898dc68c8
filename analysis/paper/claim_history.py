"""What a claim of several runs says of the same coils before and after."""

from __future__ import annotations

from typing import Any

from analysis.history import words as history_words
from analysis.history.history import CoilHistory, History
from analysis.model import CoilResult
from analysis.paper.numbers import plus_minus
from analysis.paper.report_data import label, mark, r20_text
from analysis.words import Words


def before_after(found: History | None, words: Words) -> dict[str, Any]:
    """R20 and verdict of each coil, a column a run, and the change from first to last; no rows of one run."""
    data: dict[str, Any] = {"heading": words("claim.before_after"), "rows": [], "remarks": []}
    if found is None:
        return data
    runs = [
        words("claim.run_column", n=n, date=f"{run.start:%Y-%m-%d}", stage=words.shown("stage", run.stage))
        for n, run in enumerate(found.runs, 1)
    ]
    remarks = [
        words("note.of", coils=label(coil.name), what=words.said(text))
        for coil in found.coils
        for text in history_words.remarks(coil, found.runs)
    ]
    return data | {
        "columns": [words.row("summary.columns")[0], *runs, words("claim.change")],
        "rows": [_row(coil, words) for coil in found.coils],
        "remarks": [*remarks, *map(words.said, history_words.notes(found))],
        "curve": {"file": "slopes.svg", "alt": words("claim.slopes_alt")},
    }


def _row(coil: CoilHistory, words: Words) -> dict[str, Any]:
    change = coil.whole.r20 if coil.whole is not None else None
    nothing = words("sign.not determined")
    return {
        "coil": label(coil.name),
        "results": [_cell(result, words) for result in coil.results],
        "change": nothing if change is None else plus_minus(change.value, change.expanded_u, words),
    }


def _cell(result: CoilResult | None, words: Words) -> dict[str, Any]:
    if result is None:
        return {"value": words("sign.not determined"), "verdict": None}
    return {"value": r20_text(result, words), "verdict": mark(result.verdict, words)}
