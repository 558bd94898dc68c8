"""What a claim pack says, as plain data: every number and sentence ready to be set, no layout."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analysis.history.history import History
from analysis.model import CoilResult
from analysis.paper.claim_first_page import ClaimRun, first_page, not_so_hot
from analysis.paper.claim_history import before_after
from analysis.paper.inert_text import inert
from analysis.paper.report_data import (
    banners,
    coil_section,
    coil_words,
    label,
    method,
    notes,
    start_text,
    summary,
    tables,
)
from analysis.statistics.budget import Budget, Component
from analysis.words import Words

#: Budgets are shown side by side, so many coils a table.
_BUDGETS_WIDE = 8


@dataclass(frozen=True)
class Picture:
    """A picture for a page, nothing in it but the picture: content, file ending, and what it shows."""

    data: bytes
    ending: str
    caption: str = ""


@dataclass(frozen=True)
class Case:
    """Who sends a claim to whom, and about what; whatever is empty is left out."""

    shop: str = ""
    address: tuple[str, ...] = ()
    contact: str = ""
    logo: Picture | None = None
    customer: str = ""
    number: str = ""
    date: str = ""
    part: str = ""
    part_number: str = ""
    remark: str = ""


@dataclass(frozen=True)
class ShownCoil:
    """A coil that is shown: the run it is of, its result, its place in the pack, its name among all."""

    run: ClaimRun
    coil: CoilResult
    place: str
    name: str

    @property
    def drawn(self) -> bool:
        """Whether there is a curve to show: of a coil that was read cold only, there is not."""
        return self.run.kind == "soak"


def worth_showing(runs: Sequence[ClaimRun], asked: Sequence[str]) -> list[ShownCoil]:
    """Return the coils to show: those *asked* for, else those that did not pass in some run, else all."""
    everything = [coil for run in runs for coil in run.result.coils]
    shown = set(asked) or {coil.coil for coil in everything if coil.verdict != "pass"}
    shown = shown or {coil.coil for coil in everything}
    return [
        ShownCoil(run, coil, f"{n}-{m}", label(coil.coil) + (f" ({n + 1})" if len(runs) > 1 else ""))
        for n, run in enumerate(runs)
        for m, coil in enumerate(run.result.coils)
        if coil.coil in shown
    ]


def claim_data(
    runs: Sequence[ClaimRun],
    shown: Sequence[ShownCoil],
    case: Case,
    attachments: Mapping[str, bytes],
    photos: Sequence[Picture],
    words: Words,
    found: History | None = None,
) -> dict[str, Any]:
    """Everything the page template prints, in words and ready-made numbers, made inert.

    Args:
        runs: The runs, at least one, in the order in which they were made.
        shown: The coils that get a section.
        case: Who claims what.
        attachments: What is attached, content by name.
        photos: Pictures at the end.
        words: The language.
        found: Of several runs, what became of the coils in them.
    """
    about = runs[-1].about
    page = first_page(runs, words, found)
    data = {
        "language": words.language,
        "title": words("claim.title", headline=page["headline"], set=about.set_name or about.job),
        "footer": _footer(case, runs, words),
        "page": words.raw("report.page"),
        "banners": banners(about, words),
        "shop": {"name": case.shop, "lines": [*case.address, case.contact], "logo": None},
        "facts": _facts(runs, case, words),
        "first": page,
        "remark": case.remark,
        "signed": words.row("claim.signed"),
        "history": before_after(found if found is not None and found.common else None, words),
        "runs": [_run(run, n, shown, words, alone=len(runs) == 1) for n, run in enumerate(runs)],
        **coil_words(words),
        "method": {"heading": words("method.heading"), "sentences": _method(runs, words)},
        "tables": _tables(runs, words),
        "budgets": _budgets(shown, words),
        "scope": {"heading": words("claim.scope"), "items": _scope(runs, words)},
        "cautions": {"heading": words("report.cautions"), "items": words.rows("cautions.items")},
        "photos": {
            "heading": words("claim.photos"),
            "items": [
                {
                    "file": f"photo-{n}.{photo.ending}",
                    "alt": words("claim.photo", n=n + 1, caption=photo.caption),
                }
                for n, photo in enumerate(photos)
            ],
        },
        "attached": _attached(attachments, words),
    }
    return dict(inert(data))


def _footer(case: Case, runs: Sequence[ClaimRun], words: Words) -> str:
    parts = [words("claim.number", number=case.number)] if case.number else []
    about = runs[-1].about
    return ", ".join([*parts, words("report.footer", version=about.version, start=start_text(about))])


def _facts(runs: Sequence[ClaimRun], case: Case, words: Words) -> list[tuple[str, str]]:
    about = runs[-1].about
    facts = {
        "number": case.number,
        "date": case.date,
        "customer": case.customer,
        "part": case.part or about.set_name,
        "part_number": case.part_number,
        "job": about.job,
    }
    return [(words(f"claim.fact.{key}"), value) for key, value in facts.items() if value]


def _run(run: ClaimRun, n: int, shown: Sequence[ShownCoil], words: Words, *, alone: bool) -> dict[str, Any]:
    """Table of the set, conditions, notes and sections of one run."""
    about = run.about
    facts = {
        "stage": words.shown("stage", about.stage),
        "start": start_text(about),
        "rig": about.rig_name,
        "set": about.set_name,
        "state": words(f"state.{about.state}"),
        "operator": about.operator or words("report.unknown"),
    }
    kind, stage = words(f"report.{run.kind}"), words.shown("stage", about.stage)
    return {
        "heading": kind if alone else words("claim.run", n=n + 1, kind=kind, stage=stage),
        "facts": [(words(f"fact.{key}"), value) for key, value in facts.items()],
        "summary": summary(run.result, words),
        "notes": {"heading": words("report.notes"), "items": notes(run.result, about, words)},
        "coils": [
            coil_section(each.coil, words, each.place, curve=each.drawn) for each in shown if each.run is run
        ],
        # Where the row of a coil leads, None for one without a section.
        "linked": [
            next((f"coil-{each.place}" for each in shown if each.run is run and each.coil is coil), None)
            for coil in run.result.coils
        ],
    }


def _tables(runs: Sequence[ClaimRun], words: Words) -> list[dict[str, Any]]:
    """Limits, instruments and settings: once where all runs had the same."""
    made: list[dict[str, Any]] = []
    for run in runs:
        stage = words.shown("stage", run.about.stage)
        for table in tables(run.about, words):
            alike = [each for each in made if each["key"] == table["key"]]
            if not any(each["rows"] == table["rows"] for each in alike):
                made.append({**table, "heading": f"{table['heading']} ({stage})"} if alike else table)
    return sorted(
        made, key=lambda table: ("observations", "limits", "instruments", "settings").index(table["key"])
    )


def _method(runs: Sequence[ClaimRun], words: Words) -> list[str]:
    return method([run.result for run in runs], [run.about for run in runs], words)


def _scope(runs: Sequence[ClaimRun], words: Words) -> list[str]:
    """What the tests did not cover."""
    hottest = [
        coil.hottest_degC
        for run in runs
        if run.kind == "soak"
        for coil in run.result.coils
        if coil.hottest_degC is not None
    ]
    heat = words("claim.scope_of.heat", hottest=max(hottest)) if hottest else words("claim.scope_of.cold")
    less = [each for run in runs if run.kind == "soak" for each in not_so_hot(run, words)] if hottest else []
    return [
        heat,
        *less,
        *(words(f"claim.scope_of.{key}") for key in ("electrical", "use", "instruments", "sample")),
    ]


def _budgets(shown: Sequence[ShownCoil], words: Words) -> dict[str, Any]:
    """What uncertainties are made of, a column a coil, in milliohms."""
    tables = []
    for result in ("R20", "joint"):
        found = [
            (each.name, budget) for each in shown for budget in each.coil.budgets if budget.result == result
        ]
        tables += [
            _budget_table(result, found[first : first + _BUDGETS_WIDE], words)
            for first in range(0, len(found), _BUDGETS_WIDE)
        ]
    return {"heading": words("budget.heading"), "note": words("budget.note"), "tables": tables}


def _budget_table(result: str, budgets: Sequence[tuple[str, Budget]], words: Words) -> dict[str, Any]:
    names = dict.fromkeys(part.name for _, budget in budgets for part in budget.components)
    rows = []
    for name in names:
        found = {coil: part for coil, budget in budgets for part in budget.components if part.name == name}
        cells = [_contribution(found.get(coil), words) for coil, _ in budgets]
        rows.append([words(f"source.{name}"), next(iter(found.values())).kind, *cells])
    each = [budget for _, budget in budgets]
    rows += [
        [words("budget.combined"), "", *(_milli(budget.u, words) for budget in each)],
        [words("budget.k"), "", *(words.number(f"{budget.k:.2f}") for budget in each)],
        [words("budget.expanded"), "", *(_milli(budget.expanded_u, words) for budget in each)],
    ]
    return {
        "sums": 3,
        "columns": [words(f"budget.{result}"), words("budget.kind"), *(coil for coil, _ in budgets)],
        "rows": rows,
    }


def _contribution(part: Component | None, words: Words) -> str:
    return words("sign.not determined") if part is None else _milli(part.sensitivity * part.u, words)


def _milli(ohm: float, words: Words) -> str:
    """An uncertainty in milliohms, to two digits or the hundredth."""
    value = 1e3 * abs(ohm)
    places = 0 if value >= 10.0 else 1 if value >= 1.0 else 2
    return words.number(f"{value:.{places}f}")


def _attached(attachments: Mapping[str, bytes], words: Words) -> dict[str, Any]:
    return {
        "heading": words("claim.attached"),
        "text": words("claim.check"),
        "columns": words.row("claim.attachment_columns"),
        "rows": [
            (name, words("claim.size", size=len(data) / 1000.0), hashlib.sha256(data).hexdigest())
            for name, data in attachments.items()
        ],
    }
