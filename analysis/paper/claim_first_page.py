"""The first page of a claim: what failed, how it was found and how sure that is, for readers of no trade."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.model import OK, OVER_RANGE, CoilResult, OpenKind, SetResult, Trace
from analysis.paper.report_data import ReportInfo, label
from analysis.words import Message, Words, say

#: A smaller chance of a wrong verdict is told as less than one in a thousand.
_LITTLE_RISK = 1e-3


@dataclass(frozen=True)
class ClaimRun:
    """One run of a claim: its judgement, the readings behind it, and what else there is to say of it.

    *kind* is ``soak`` or ``sweep``, *heat* how it was heated: ``oven``, ``supply`` or ``hand``.
    """

    result: SetResult
    traces: Sequence[Trace]
    about: ReportInfo
    kind: str
    heat: str


def headline(runs: Sequence[ClaimRun], words: Words) -> str:
    """What came out in the end, in one line."""
    last = latest(runs)
    for verdict in ("fail", "retest"):
        if count := sum(coil.verdict == verdict for coil, _ in last.values()):
            return words.count(f"claim.headline.{verdict}", count, total=len(last))
    return words.count("claim.headline.pass", len(last))


def latest(runs: Sequence[ClaimRun]) -> dict[str, tuple[CoilResult, ClaimRun]]:
    """Return each coil by its label, as the last run with it judged it."""
    return {coil.coil: (coil, run) for run in runs for coil in run.result.coils}


def first_page(runs: Sequence[ClaimRun], words: Words) -> dict[str, Any]:
    """Everything that the first page says in sentences."""
    last = latest(runs)
    failed = [(coil, run) for coil, run in last.values() if coil.verdict == "fail"]
    return {
        "headline": headline(runs, words),
        "failed": {
            "heading": words("claim.failed"),
            "items": [(_name(coil, words), _what(coil, run, words)) for coil, run in failed],
            "none": words("claim.none_failed"),
        },
        "rest": _rest(runs, words),
        "found": {"heading": words("claim.found"), "items": [_found(run, words) for run in runs]},
        "sure": {"heading": words("claim.sure"), "rule": words("claim.rule"), "items": _sure(failed, words)},
        "see": words.raw("claim.see"),
    }


def _name(coil: CoilResult, words: Words) -> str:
    if not coil.serial:
        return label(coil.coil)
    return words("claim.named", coil=label(coil.coil), serial=label(coil.serial))


def _what(coil: CoilResult, run: ClaimRun, words: Words) -> str:
    """What is wrong with a coil, in sentences without a term of the trade."""
    criteria = {each.code: each.value for each in coil.criteria if each.value is not None}
    figures: dict[str, object] = {
        "joint_ohm": coil.joint_ohm,
        "off_ohm": abs(criteria.get("peers", 0.0)),
        "changed": 100.0 * criteria.get("drift", 0.0),
    }
    if run.heat == "supply" and coil.interruptions.before_degC is not None:
        # A coil that heats itself is far hotter than its body, of which the reason tells.
        figures["opened"] = say("part.opened-winding", degC=coil.interruptions.before_degC[0])
    sentences = [
        words(f"plain.{reason.text.key.removeprefix('reason.')}", **{**reason.text.figures, **figures})
        for reason in coil.reasons
        if isinstance(reason.text, Message)
    ]
    return " ".join(sentences)


def _rest(runs: Sequence[ClaimRun], words: Words) -> list[str]:
    """What is to be said of the coils that did not fail, or no longer."""
    last = latest(runs)
    sentences = []
    for verdict in ("retest", "pass"):
        names = [label(coil.coil) for coil, _ in last.values() if coil.verdict == verdict]
        if names:
            sentences.append(words.count(f"claim.rest.{verdict}", len(names), coils=_listed(names, words)))
    for run in runs:
        mended = [coil for coil in run.result.coils if _mended(coil, last[coil.coil][0])]
        sentences += [
            words(
                "claim.mended",
                coil=label(coil.coil),
                before=words.shown("stage", run.about.stage),
                what=_what(coil, run, words),
                after=words.shown("stage", last[coil.coil][1].about.stage),
            )
            for coil in mended
        ]
    return sentences


def _mended(before: CoilResult, after: CoilResult) -> bool:
    return before.verdict == "fail" and after.verdict == "pass"


def _found(run: ClaimRun, words: Words) -> str:
    """How a run was done."""
    times = [trace.time_s[np.isfinite(trace.time_s)] for trace in run.traces]
    seconds = max((float(time.max()) for time in times if time.size), default=0.0)
    hottest = [coil.hottest_degC for coil in run.result.coils if coil.hottest_degC is not None]
    how = "sweep" if run.kind == "sweep" else run.heat if hottest else "unknown"
    return words(
        f"claim.found_by.{how}",
        date=run.about.start_utc.strftime("%Y-%m-%d"),
        stage=words.shown("stage", run.about.stage),
        count=len(run.result.coils),
        hottest=max(hottest, default=0.0),
        readings=sum(trace.time_s.size for trace in run.traces),
        length=_length(seconds, words),
    )


def _length(time_s: float, words: Words) -> str:
    minutes = round(time_s / 60.0)
    if minutes < 60:
        return words.count("claim.minutes", max(1, minutes))
    return words("claim.hours", hours=minutes // 60, minutes=minutes % 60)


def _sure(failed: Iterable[tuple[CoilResult, ClaimRun]], words: Words) -> list[str]:
    """How sure each verdict is; coils of which the same is to be said share a sentence."""
    told: dict[str, list[str]] = {}
    seen = []
    for coil, run in failed:
        trace = next((each for each in run.traces if each.coil == coil.coil), None)
        if coil.wrong_risk is None and trace is not None and coil.interruptions.count:
            seen.append(_seen(coil, trace, words))
        elif coil.wrong_risk is not None:
            told.setdefault(_risk(coil.wrong_risk, words), []).append(label(coil.coil))
    by_risk = [
        words.count("claim.risk", len(coils), coils=_listed(coils, words), risk=risk)
        for risk, coils in told.items()
    ]
    return seen + by_risk


def _seen(coil: CoilResult, trace: Trace, words: Words) -> str:
    """How often a coil was seen open."""
    stopped = int((trace.status == OVER_RANGE).sum())
    total = stopped + int((trace.status == OK).sum())
    if coil.interruptions.kind is OpenKind.DROPOUTS:
        return words("claim.lost", coil=label(coil.coil), count=coil.interruptions.count, total=total)
    return words("claim.seen", coil=label(coil.coil), stopped=stopped, total=total)


def _risk(risk: float, words: Words) -> str:
    return words("claim.little") if risk < _LITTLE_RISK else words("claim.one_in", n=round(1.0 / risk))


def _listed(names: Sequence[str], words: Words) -> str:
    if len(names) == 1:
        return names[0]
    return words("claim.list", first=", ".join(names[:-1]), last=names[-1])
