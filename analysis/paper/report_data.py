"""What a report says, as plain data: every number and sentence ready to be set, no layout.

The page template receives nothing but the object built here. All text is treated as foreign: it
stays text whatever it contains, and what a page cannot hold is shortened.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import datetime
from typing import Any, Literal

from analysis.figures.curves import BODY_INCH
from analysis.history.observations import Observation, gathered
from analysis.history.plain import ORDER, to_do, why
from analysis.model import CoilResult, Limits, SetResult
from analysis.paper.inert_text import breakable, inert, shortened
from analysis.paper.numbers import limit_text, ohms, plus_minus, risk_text, value_text
from analysis.words import Figure, Words

State = Literal["complete", "stopped", "fault", "cut"]

_LONGEST_LABEL = 60
_LONGEST_CELL = 30
_LONGEST_REASON = 240


@dataclass(frozen=True)
class ReportInfo:
    """What a report says about a run besides its judgement. Empty text means not stated.

    *start*, by the clock on the wall, also dates the document, so the same run gives the same bytes; it must
    know its time zone. *instruments* are (role, identity, calibrated), *settings* are (name, value).
    *own_heat*: coils were heated by their own current.
    """

    title: str
    start: datetime
    state: State
    simulated: bool
    version: str
    job: str = ""
    operator: str = ""
    stage: str = ""
    set_name: str = ""
    rig_name: str = ""
    readings_file: str = ""
    instruments: Sequence[tuple[str, str, str]] = ()
    settings: Sequence[tuple[str, str]] = ()
    notes: Sequence[str] = ()
    limits: Mapping[str, Limits] = field(default_factory=dict)
    observations: Sequence[Observation] = ()
    own_heat: bool = False


def report_data(result: SetResult, about: ReportInfo, paper: str, words: Words) -> dict[str, Any]:
    """Everything the page template prints, in words and ready-made numbers, made inert.

    Args:
        result: the judgement of the set.
        about: the run it belongs to.
        paper: name of the paper for the template.
        words: the language.
    """
    start = start_text(about)
    facts = {
        "set": about.set_name,
        "rig": about.rig_name,
        "job": about.job,
        "operator": about.operator,
        "stage": words.shown("stage", about.stage),
        "start": start,
        "state": words(f"state.{about.state}"),
        "readings": about.readings_file,
    }
    data = {
        "language": words.language,
        "paper": paper,
        "title": words.said(about.title),
        "footer": words("report.footer", version=about.version, start=start),
        "page": words.raw("report.page"),
        "banners": banners(about, words),
        "headline": headline(result, words),
        "to_do": {"heading": words("do.heading"), "groups": _to_do(result, about, words)},
        "facts": [(words(f"fact.{key}"), value or words("report.unknown")) for key, value in facts.items()],
        "summary": summary(result, words),
        **coil_words(words),
        "coils": [coil_section(coil, words, str(n)) for n, coil in enumerate(result.coils)],
        "notes": {"heading": words("report.notes"), "items": notes(result, about, words)},
        "method": {"heading": words("method.heading"), "sentences": method([result], [about], words)},
        "tables": tables(about, words),
        "cautions": {"heading": words("report.cautions"), "items": words.rows("cautions.items")},
    }
    return dict(inert(data))


def start_text(about: ReportInfo) -> str:
    """When a run began, as it is shown: local time with its zone, as ``UTC+01:00``."""
    return about.start.strftime("%Y-%m-%d %H:%M:%S %Z")


def coil_words(words: Words) -> dict[str, Any]:
    """What the sections of all coils have in common."""
    return {
        "curve_aspect": BODY_INCH[0] / BODY_INCH[1],
        "criteria_columns": words.row("coil.columns"),
        "reasons_heading": words("report.reasons"),
        "no_criteria": words("report.no_criteria"),
    }


def notes(result: SetResult, about: ReportInfo, words: Words) -> list[str]:
    """What is said of a whole run: by its judgement, and by its record in the record's own words."""
    return [words.said(note) for note in (*result.notes, *about.notes)]


def headline(result: SetResult, words: Words) -> str:
    """One sentence: how many coils pass, fail and need a retest."""
    verdicts = [coil.verdict for coil in result.coils]
    total, passed = len(verdicts), verdicts.count("pass")
    if not total:
        return words("headline.none")
    if passed == total:
        return words("headline.all", count=total) if total > 1 else words("headline.single")
    parts = [words.count("headline.pass", passed, total=total)]
    parts += [
        words.count(f"headline.{verdict}", count)
        for verdict in ("fail", "retest")
        if (count := verdicts.count(verdict))
    ]
    return ", ".join(parts) + "."


def mark(verdict: str, words: Words) -> dict[str, str]:
    """A verdict or outcome as a sign and a word."""
    return {"key": verdict, "word": words(f"verdict.{verdict}"), "sign": words(f"sign.{verdict}")}


def banners(about: ReportInfo, words: Words) -> list[dict[str, str]]:
    """What must not be missed of a run: that it is invented, or did not come to its end."""
    seen = {"simulated": about.simulated, about.state: about.state != "complete"}
    kinds = [kind for kind, told in seen.items() if told]
    return [{"title": words(f"banner.{kind}"), "text": words(f"banner_text.{kind}")} for kind in kinds]


def _to_do(result: SetResult, about: ReportInfo, words: Words) -> list[dict[str, Any]]:
    """What to do with each coil, the gravest first, each with its sentences."""
    made = []
    for do in ORDER:
        coils = [each for each in result.coils if to_do(each.verdict, each.reasons) == do]
        items = [
            (label(each.coil), " ".join(map(words.said, why(each, each.reasons, own_heat=about.own_heat))))
            for each in coils
        ]
        if items:
            made.append({"word": words(f"do.{do}"), "items": items})
    return made


def label(text: str) -> str:
    """A label as it is shown in running text."""
    return shortened(text, _LONGEST_LABEL)


def summary(result: SetResult, words: Words) -> dict[str, Any]:
    """The table of the set: a row a coil."""
    rows = [
        {
            "coil": breakable(shortened(coil.coil, _LONGEST_CELL)),
            "kind": breakable(shortened(words.said(coil.kind), _LONGEST_CELL)),
            "verdict": mark(coil.verdict, words),
            "r20": r20_text(coil, words),
            "alpha": _with_U(coil.alpha20_per_K, coil.alpha20_u_per_K, coil.alpha20_k, words, 1e3),
            "joint": _with_U(coil.joint_ohm, coil.joint_u_ohm, coil.joint_k, words),
            "reason": shortened(words.said(coil.reasons[0].text), _LONGEST_REASON)
            if coil.reasons
            else words("report.no_reason_short"),
        }
        for coil in result.coils
    ]
    return {
        "heading": words("summary.heading"),
        "columns": words.row("summary.columns"),
        "rows": rows,
        "note": words("summary.note"),
    }


def r20_text(coil: CoilResult, words: Words) -> str:
    """R20 of a coil with its U, without the unit."""
    return _with_U(coil.r20_ohm, coil.r20_u_ohm, coil.r20_k, words)


def _with_U(value: float | None, u: float | None, k: float, words: Words, times: float = 1.0) -> str:
    """A value with its expanded uncertainty, *k* times its standard uncertainty."""
    return plus_minus(None if value is None else value * times, None if u is None else k * u * times, words)


def coil_section(coil: CoilResult, words: Words, place: str, *, curve: bool = True) -> dict[str, Any]:
    """What is said of one coil, with its *curve* or without; *place* tells it from others of the pages."""
    how = words.shown("fitted", coil.method)
    facts = words("coil.facts_cold", count=coil.readings, method=how)
    if coil.hottest_degC is not None:
        facts = words("coil.facts", count=coil.readings, hottest=coil.hottest_degC, method=how)
    if coil.wrong_risk is not None:
        facts = words("coil.risk", facts=facts, risk=risk_text(coil.wrong_risk, words))
    return {
        "label": label(coil.coil),
        "kind": label(words.said(coil.kind)),
        "serial": words("report.serial", serial=label(coil.serial)) if coil.serial else "",
        "verdict": mark(coil.verdict, words),
        "facts": facts,
        "place": f"coil-{place}",
        "curve": f"curve-{place}.svg" if curve else None,
        "alt": words("figure.alt", coil=label(coil.coil)),
        "criteria": [
            {
                "name": words.said(criterion.name),
                "note": words.said(criterion.note),
                "value": value_text(criterion, words),
                "limit": limit_text(criterion, words),
                "risk": risk_text(criterion.wrong_risk, words),
                "outcome": mark(criterion.outcome, words),
            }
            for criterion in coil.criteria
        ],
        "reasons": [words.said(reason.text) for reason in coil.reasons] or [words("report.no_reason")],
    }


def method(results: Sequence[SetResult], about: Sequence[ReportInfo], words: Words) -> list[str]:
    """How coils were judged, sentence by sentence, as far as it was used."""
    used = {coil.method for result in results for coil in result.coils}
    lines = [text for method, text in words.group("method_of").items() if method in used]
    limits = [each for run in about for each in run.limits.values()]
    rules = [_rule(guard, words) for guard in sorted({each.guard_band_U for each in limits or [Limits("")]})]
    return [words("method.text"), *lines, words("method.uncertainty"), *rules, words("method.risk")]


def _rule(guard_band_U: float, words: Words) -> str:
    """A decision rule in words."""
    if guard_band_U == 0.0:
        return words("method.simple_rule")
    return words("method.rule", guard="U" if guard_band_U == 1.0 else Figure(f"{guard_band_U:g} U"))


def tables(about: ReportInfo, words: Words) -> list[dict[str, Any]]:
    """Observations, limits, instruments and settings of a run."""
    seen = [
        (", ".join(map(label, coils)), ", ".join(map(words.said, what)), utc, operator)
        for coils, what, utc, operator in gathered(about.observations)
    ]
    instruments = [
        (words.shown("role", role), name, date or words("instruments.no_date"))
        for role, name, date in about.instruments
    ]
    settings = [(words.shown("setting", name), words.shown("value", value)) for name, value in about.settings]
    made = [
        _table("observations", seen, words),
        _table("limits", [_limits_row(x, words) for x in about.limits.values()], words, words("limits.note")),
        _table("instruments", instruments, words, "" if instruments else words("instruments.none")),
        _table("settings", settings, words),
    ]
    return [table for table in made if table["rows"] or table["key"] == "instruments"]


def _table(key: str, rows: Sequence[Sequence[str]], words: Words, note: str = "") -> dict[str, Any]:
    return {
        "key": key,
        "heading": words(f"{key}.heading"),
        "columns": words.row(f"{key}.columns"),
        "rows": [list(row) for row in rows],
        "note": note,
    }


def _limits_row(limits: Limits, words: Words) -> list[str]:
    r20 = words("limits.free") if limits.r20_ohm is None else words.number(f"{limits.r20_ohm:.5g}")
    shown = {
        "r20_ohm": r20,
        "r20_tolerance_rel": words.number(f"± {limits.r20_tolerance_rel * 100.0:.3g} %"),
        "joint_max_ohm": words("report.at_most", high=Figure(f"{limits.joint_max_ohm:.4g}")),
        "peer_max_ohm": words("report.within", high=Figure(f"{limits.peer_max_ohm:.4g}")),
        "drift_max_rel": words("report.at_most", high=Figure(f"{limits.drift_max_rel * 100.0:.3g} %")),
        "leakage_min_ohm": words("report.at_least", low=ohms(limits.leakage_min_ohm)),
    }
    missing = [f.name for f in fields(limits) if f.name in shown and f.name in limits.defaulted]
    kind = words.said(limits.kind)
    return [kind, *(text + ("*" if name in missing else "") for name, text in shown.items())]
