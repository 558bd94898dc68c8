"""What a report says, as plain data: every number and sentence ready to be set, no layout.

The page template receives nothing but the object built here. All text is treated as foreign: it
stays text whatever it contains, and what a page cannot hold is shortened.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import datetime
from math import inf, isfinite
from typing import Any, Literal

from analysis import report_words as words
from analysis.curves import BODY_INCH
from analysis.model import CoilResult, Criterion, Limits, SetResult
from analysis.plain_text import breakable, inert, shortened

State = Literal["complete", "stopped", "fault", "cut"]

# Units as they stand in names of the code, and as a reader writes them.
_UNITS = {"ohm": "Ω", "degC": "°C", "per_K": "/K", "1/K": "/K"}
_PREFIXES = ((1e9, "G"), (1e6, "M"), (1e3, "k"))
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
        "method": {"heading": words.METHOD, "sentences": _method(result)},
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


def plus_minus(value: float | None, expanded_u: float | None) -> str:
    """A value and its U rounded together, without the unit: ``3.205 ± 0.006``."""
    if value is None or not isfinite(value):
        return words.SIGN["not determined"]
    if expanded_u is None or not 0.0 < expanded_u < inf:
        return f"{value:.4g}".replace("-", "\u2212")
    exponent = int(f"{expanded_u:.0e}".split("e")[1])
    # A leading 1 gets a second digit: rounding 0.014 to 0.01 would lose a third of it.
    places = max(0, -exponent + (1 if expanded_u < 1.95 * 10.0**exponent else 0))
    return f"{round(value, places) + 0.0:.{places}f} ± {expanded_u:.{places}f}".replace("-", "\u2212")


def limit_text(criterion: Criterion) -> str:
    """How the limit of a criterion reads to a person."""
    low, high = criterion.low, criterion.high
    if low is None and high is None:
        return words.SIGN["not determined"]
    factor, unit = _scale(criterion)
    ends = [f"{end / factor:.5g}" for end in (low, high) if end is not None]
    if low is None:
        text = words.AT_MOST.format(high=ends[0])
    elif high is None:
        text = words.AT_LEAST.format(low=ends[0])
    elif low == -high:
        text = words.WITHIN.format(high=ends[1])
    else:
        text = words.BETWEEN.format(low=ends[0], high=ends[1])
    return f"{text} {unit}".rstrip()


def _value_text(criterion: Criterion) -> str:
    if criterion.value is None:
        return words.SIGN["not determined"]
    factor, unit = _scale(criterion)
    u = criterion.expanded_u
    return f"{plus_minus(criterion.value / factor, None if u is None else u / factor)} {unit}".rstrip()


def _scale(criterion: Criterion) -> tuple[float, str]:
    """Divisor and unit that keep value and limits of a criterion readable."""
    sizes = [abs(x) for x in (criterion.value, criterion.low, criterion.high) if x]
    unit = _UNITS.get(criterion.unit, criterion.unit)
    if unit == "Ω" and sizes:
        for factor, prefix in _PREFIXES:
            if min(sizes) >= factor:
                return factor, prefix + unit
    return 1.0, unit


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
            "r20": _twice(coil.r20_ohm, coil.r20_u_ohm),
            "alpha": _twice(coil.alpha20_per_K, coil.alpha20_u_per_K, 1e3),
            "joint": _twice(coil.joint_ohm, coil.joint_u_ohm),
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


def _twice(value: float | None, u: float | None, times: float = 1.0) -> str:
    """A value with its expanded uncertainty (k = 2) from its standard uncertainty."""
    return plus_minus(None if value is None else value * times, None if u is None else 2.0 * u * times)


def _coil(coil: CoilResult) -> dict[str, Any]:
    hottest = coil.hottest_degC
    facts = words.COIL_FACTS_NO_HEAT if hottest is None else words.COIL_FACTS
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
                "value": _value_text(criterion),
                "limit": limit_text(criterion),
                "outcome": _verdict(criterion.outcome),
            }
            for criterion in coil.criteria
        ],
        "reasons": [reason.text for reason in coil.reasons] or [words.NO_REASON],
    }


def _method(result: SetResult) -> list[str]:
    used = {coil.method for coil in result.coils}
    lines = [text for method, text in words.METHOD_LINES.items() if method in used]
    return [words.METHOD_TEXT, *lines, words.METHOD_UNCERTAINTY]


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
        "leakage_min_ohm": words.AT_LEAST.format(low=_ohms(limits.leakage_min_ohm)),
    }
    missing = [f.name for f in fields(limits) if f.name in shown and f.name in limits.defaulted]
    return [limits.kind, *(text + ("*" if name in missing else "") for name, text in shown.items())]


def _ohms(value: float) -> str:
    for factor, prefix in _PREFIXES:
        if value >= factor:
            return f"{value / factor:.4g} {prefix}Ω"
    return f"{value:.4g} Ω"
