"""What a report says, as plain data: every number and sentence ready to be set, no layout.

The page template receives nothing but the object built here. All text is treated as foreign: it
stays text whatever it contains, and what a page cannot hold is shortened.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import datetime
from typing import Any, Literal

from analysis import report_words as words
from analysis.curves import BODY_INCH
from analysis.model import CoilResult, Limits, SetResult
from analysis.plain_text import breakable, inert, shortened
from analysis.report_numbers import limit_text, ohms, plus_minus, risk_text, value_text

State = Literal["complete", "stopped", "fault", "cut"]

_LONGEST_LABEL = 60
_LONGEST_CELL = 30
_LONGEST_REASON = 240


@dataclass(frozen=True)
class ReportInfo:
    """What a report says about a run besides its judgement. Empty text means not stated.

    *start_utc* also dates the document, so the same run gives the same bytes; it must know its
    time zone. *instruments* are (role, identity, calibrated), *settings* are (name, value).
    """

    title: str
    start_utc: datetime
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


def report_data(result: SetResult, about: ReportInfo, paper: str) -> dict[str, Any]:
    """Everything the page template prints, in words and ready-made numbers, made inert.

    Args:
        result: the judgement of the set.
        about: the run it belongs to.
        paper: name of the paper for the template.
    """
    start = about.start_utc.strftime("%Y-%m-%d %H:%M:%S UTC")
    facts = {
        "set": about.set_name,
        "rig": about.rig_name,
        "job": about.job,
        "operator": about.operator,
        "stage": about.stage,
        "start": start,
        "state": words.STATE[about.state],
        "readings": about.readings_file,
    }
    data = {
        "language": words.LANGUAGE,
        "paper": paper,
        "title": about.title,
        "footer": words.FOOTER.format(version=about.version, start=start),
        "page": words.PAGE,
        "banners": _banners(about),
        "headline": headline(result),
        "groups": _groups(result),
        "facts": [(words.FACTS[key], value or words.UNKNOWN) for key, value in facts.items()],
        "summary": _summary(result),
        "curve_aspect": BODY_INCH[0] / BODY_INCH[1],
        "criteria_columns": words.CRITERIA_COLUMNS,
        "reasons_heading": words.REASONS,
        "no_criteria": words.NO_CRITERIA,
        "coils": [_coil(coil) for coil in result.coils],
        "notes": {"heading": words.NOTES, "items": [*result.notes, *about.notes]},
        "method": {"heading": words.METHOD, "sentences": _method(result, about)},
        "tables": _tables(about),
        "cautions": {"heading": words.CAUTIONS, "items": words.CAUTION_ITEMS},
    }
    return dict(inert(data))


def headline(result: SetResult) -> str:
    """One sentence: how many coils pass, fail and need a retest."""
    verdicts = [coil.verdict for coil in result.coils]
    total, passed = len(verdicts), verdicts.count("pass")
    if not total:
        return words.HEADLINE_NONE
    if passed == total:
        return words.HEADLINE_ALL_GOOD.format(count=total) if total > 1 else words.HEADLINE_ONE_GOOD
    parts = [_plural(words.HEADLINE_PASS, passed).format(count=passed, total=total)]
    for forms, count in (
        (words.HEADLINE_FAIL, verdicts.count("fail")),
        (words.HEADLINE_RETEST, verdicts.count("retest")),
    ):
        if count:
            parts.append(_plural(forms, count).format(count=count))
    return ", ".join(parts) + "."


def _plural(forms: tuple[str, str], count: int) -> str:
    return forms[0] if count == 1 else forms[1]


def _verdict(key: str) -> dict[str, str]:
    return {"key": key, "word": words.VERDICT[key], "sign": words.SIGN[key]}


def _banners(about: ReportInfo) -> list[dict[str, str]]:
    banners = []
    if about.simulated:
        banners.append({"title": words.SIMULATED_BANNER, "text": words.SIMULATED_TEXT})
    if about.state in words.STATE_BANNER:
        banners.append({"title": words.STATE_BANNER[about.state], "text": words.STATE_TEXT[about.state]})
    return banners


def _groups(result: SetResult) -> list[dict[str, Any]]:
    groups = []
    for verdict, word in words.GROUP.items():
        labels = [_label(coil.coil) for coil in result.coils if coil.verdict == verdict]
        if labels:
            groups.append(
                {"word": word, "sign": words.SIGN[verdict], "key": verdict, "coils": ", ".join(labels)}
            )
    return groups


def _label(text: str) -> str:
    return shortened(text, _LONGEST_LABEL)


def _summary(result: SetResult) -> dict[str, Any]:
    rows = [
        {
            "coil": breakable(shortened(coil.coil, _LONGEST_CELL)),
            "kind": breakable(shortened(coil.kind, _LONGEST_CELL)),
            "verdict": _verdict(coil.verdict),
            "r20": _with_U(coil.r20_ohm, coil.r20_u_ohm, coil.r20_k),
            "alpha": _with_U(coil.alpha20_per_K, coil.alpha20_u_per_K, coil.alpha20_k, 1e3),
            "joint": _with_U(coil.joint_ohm, coil.joint_u_ohm, coil.joint_k),
            "reason": shortened(coil.reasons[0].text, _LONGEST_REASON)
            if coil.reasons
            else words.NO_REASON_SHORT,
        }
        for coil in result.coils
    ]
    return {
        "heading": words.SUMMARY,
        "columns": words.SUMMARY_COLUMNS,
        "rows": rows,
        "note": words.SUMMARY_NOTE,
    }


def _with_U(value: float | None, u: float | None, k: float, times: float = 1.0) -> str:
    """A value with its expanded uncertainty, *k* times its standard uncertainty."""
    return plus_minus(None if value is None else value * times, None if u is None else k * u * times)


def _coil(coil: CoilResult) -> dict[str, Any]:
    hottest = coil.hottest_degC
    facts = words.COIL_FACTS_NO_HEAT if hottest is None else words.COIL_FACTS
    if coil.wrong_risk is not None:
        facts += words.COIL_RISK.format(risk=risk_text(coil.wrong_risk))
    method = words.METHOD_WORD.get(coil.method, coil.method)
    return {
        "label": _label(coil.coil),
        "kind": _label(coil.kind),
        "serial": words.SERIAL.format(serial=_label(coil.serial)) if coil.serial else "",
        "verdict": _verdict(coil.verdict),
        "facts": facts.format(count=coil.readings, hottest=f"{hottest or 0.0:.1f} °C", method=method),
        "alt": words.CURVE_ALT.format(coil=_label(coil.coil)),
        "criteria": [
            {
                "name": criterion.name,
                "note": criterion.note,
                "value": value_text(criterion),
                "limit": limit_text(criterion),
                "risk": risk_text(criterion.wrong_risk),
                "outcome": _verdict(criterion.outcome),
            }
            for criterion in coil.criteria
        ],
        "reasons": [reason.text for reason in coil.reasons] or [words.NO_REASON],
    }


def _method(result: SetResult, about: ReportInfo) -> list[str]:
    used = {coil.method for coil in result.coils}
    lines = [text for method, text in words.METHOD_LINES.items() if method in used]
    return [words.METHOD_TEXT, *lines, words.METHOD_UNCERTAINTY, *_rules(about), words.METHOD_RISK]


def _rules(about: ReportInfo) -> list[str]:
    """The decision rules of the limits in force, in words."""
    guards = sorted({limits.guard_band_U for limits in about.limits.values()} or {Limits("").guard_band_U})
    return [words.METHOD_RULE.get(guard, words.METHOD_GUARD.format(times=f"{guard:g}")) for guard in guards]


def _tables(about: ReportInfo) -> list[dict[str, Any]]:
    instruments = [(role, name, date or words.NO_CALIBRATION) for role, name, date in about.instruments]
    tables = [
        _table(
            words.LIMITS,
            words.LIMITS_COLUMNS,
            [_limits_row(x) for x in about.limits.values()],
            words.LIMITS_NOTE,
        ),
        _table(words.INSTRUMENTS, words.INSTRUMENT_COLUMNS, instruments),
        _table(words.SETTINGS, words.SETTING_COLUMNS, about.settings),
    ]
    if not instruments:
        tables[1]["note"] = words.NO_INSTRUMENTS
    return [table for table in tables if table["rows"] or table["note"] == words.NO_INSTRUMENTS]


def _table(
    heading: str, columns: Sequence[str], rows: Sequence[Sequence[str]], note: str = ""
) -> dict[str, Any]:
    return {"heading": heading, "columns": columns, "rows": [list(row) for row in rows], "note": note}


def _limits_row(limits: Limits) -> list[str]:
    shown = {
        "r20_ohm": words.FREE if limits.r20_ohm is None else f"{limits.r20_ohm:.5g}",
        "r20_tolerance_rel": f"± {limits.r20_tolerance_rel * 100.0:.3g} %",
        "joint_max_ohm": words.AT_MOST.format(high=f"{limits.joint_max_ohm:.4g}"),
        "peer_max_ohm": words.WITHIN.format(high=f"{limits.peer_max_ohm:.4g}"),
        "drift_max_rel": words.AT_MOST.format(high=f"{limits.drift_max_rel * 100.0:.3g} %"),
        "leakage_min_ohm": words.AT_LEAST.format(low=ohms(limits.leakage_min_ohm)),
    }
    missing = [f.name for f in fields(limits) if f.name in shown and f.name in limits.defaulted]
    return [limits.kind, *(text + ("*" if name in missing else "") for name, text in shown.items())]
