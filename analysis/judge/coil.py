"""One coil examined by itself, and its result put into words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.judge.checks import interruptions
from analysis.judge.checks.leads import leads
from analysis.judge.checks.under_power import Driven, driven, under_power
from analysis.judge.checks.unexplained import account, unexplained
from analysis.judge.rules import criteria
from analysis.judge.rules.criteria import Finding
from analysis.judge.rules.reasons import retest
from analysis.judge.rules.verdict import K, decide, overall
from analysis.model import (
    Accuracy,
    CoilResult,
    Limits,
    MeterUse,
    OpenKind,
    Opens,
    Reason,
    Sight,
    Subject,
    Trace,
)
from analysis.statistics.budget import coverage_factor
from analysis.statistics.decision import combined_risk
from analysis.trace.drift import Drift, before_heat, cold_drift, hot_drift
from analysis.trace.estimate import Estimate, Measured, estimate
from analysis.trace.fretting import Fretting, fretting
from analysis.trace.interruptions import find_opens
from analysis.trace.rows import Rows, Story, sort_rows
from analysis.trace.self_heated import hottest_winding_degC
from analysis.words import Message, say

_NONE = (None, None)
#: Reasons for a retest that a lost probe brings with it.
_BY_PROBE = frozenset({"no-temperature", "not-hot-enough", "one-temperature", "unfinished"})
_WHAT_TO_DO = {
    Story.STEPS: "steps",
    Story.RAMP: "steps",
    Story.SELF_HEATED: "self-heated",
    Story.COOLING: "cooling",
    Story.SWEEP: "steps",
    Story.NOTHING: "nothing",
}


@dataclass(frozen=True)
class Examined:
    """One coil on its way to a verdict."""

    subject: Subject
    rows: Rows
    found: Estimate
    opens: Opens
    cold: Drift | None
    hot: Drift | None
    fretting: Fretting | None
    driven: Driven

    @property
    def label(self) -> str:
        """The coil's label."""
        return self.subject.coil

    @property
    def hottest_degC(self) -> float | None:
        """The hottest that something was made of a reading of it, be it a resistance or an open."""
        rows, found = self.rows, self.found
        told = rows.good | rows.opened
        if found.method == "line" and found.used.size:
            told = found.used | rows.opened | found.jumped
        degC = rows.trace.probe_degC[told & np.isfinite(rows.trace.probe_degC)]
        return float(degC.max()) if degC.size else None


def examine(subject: Subject, trace: Trace, accuracy: Accuracy, meter: MeterUse) -> Examined:
    """Find out everything one trace says about its coil."""
    rows = sort_rows(trace)
    found = estimate(rows, accuracy)
    opens = interruptions.with_winding(find_opens(rows, found.jumped, meter), found.r20, accuracy)
    whole = opens.kind in {OpenKind.NONE, OpenKind.DROPOUTS, OpenKind.ONCE_HOT}
    hot = hot_drift(rows, accuracy) if opens.kind is OpenKind.NONE else None
    cold = cold_drift(rows, accuracy) if whole else None
    if cold is not None and found.drift is not None and found.drift.u_rel < cold.u_rel:
        cold = (
            found.drift
        )  # of a coil read before it is quite cold the way down tells more than its last rows
    warm = rows.hottest_degC is not None
    noise = fretting(rows, accuracy) if whole and warm else None
    return Examined(subject, rows, found, opens, cold, hot, noise, driven(rows, accuracy))


def settle_drift(coil: Examined, limits: Limits, accuracy: Accuracy) -> Examined:
    """Where the coil changed too much, go by what was read before the heat: no line fits all of it."""
    most, guard = limits.drift_max_rel, limits.guard_band_U
    changes = [change for change in (coil.cold, coil.hot) if change is not None]
    outcomes = [
        decide(each.change_rel, each.u_rel, -most, most, guard_band_U=guard, dof=each.dof) for each in changes
    ]
    if "fail" not in outcomes:
        seen = any(abs(each.change_rel) > coverage_factor(each.dof) * each.u_rel for each in changes)
        return replace(coil, found=replace(coil.found, changed=seen))
    before = before_heat(coil.rows)
    if not before.any():
        return coil
    found = estimate(coil.rows, accuracy, before)
    return replace(coil, found=replace(found, lack=say("lack.changed"), jumped=coil.found.jumped))


def own_findings(coil: Examined, limits: Limits, meter: MeterUse, soak_degC: float | None) -> list[Finding]:
    """The checks that need no other coil; *soak_degC* is how hot it should have been, None if nobody said."""
    findings = [
        interruptions.interruptions(coil.opens, heated=coil.rows.heated),
        criteria.resistance(coil.found, limits),
        criteria.leakage(coil.rows.trace, limits),
        under_power(coil.driven, limits),
    ]
    if coil.rows.heated and coil.opens.kind not in {OpenKind.HOT, OpenKind.ALWAYS, OpenKind.COLD}:
        findings += criteria.drift(coil.cold, coil.hot, coil.rows, limits)
        findings.append(criteria.noise(coil.fretting))
    if (through := leads(meter, coil.found)) is not None:
        findings.append(through)
    bent = criteria.straightness(coil.found, coil.rows, limits)
    # A contact that lets go within a reading makes it high: that is told once, as interruptions.
    raised = coil.found.bend is not None and coil.found.bend.change_rel > 0.0
    if bent is not None and not (raised and findings[0].criterion.outcome == "fail"):
        findings.append(bent)
    if soak_degC is not None:
        findings.append(criteria.heat(coil.hottest_degC, soak_degC))
    return findings


def result(coil: Examined, checks: Sequence[Finding], accuracy: Accuracy) -> CoilResult:
    """Put verdict, reasons and figures of one coil together; what no check explains forbids a pass."""
    found, rows = coil.found, coil.rows
    told = account(rows, found, accuracy)
    elsewhere = overall(check.criterion.outcome for check in checks) != "pass" or bool(_missing(coil))
    findings = [*checks, unexplained(told, explained=elsewhere)]
    checked = tuple(finding.criterion for finding in findings)
    verdict = overall(criterion.outcome for criterion in checked)
    reasons: dict[str, list[Reason]] = {"fail": [], "retest": [], "pass": [], "not determined": []}
    for finding in findings:
        if finding.reason is not None:
            why = replace(finding.reason, criterion=finding.criterion.code)
            reasons[finding.criterion.outcome].append(why)
    missing = [*_missing(coil), *reasons["not determined"]]
    if verdict != "fail" and missing:
        verdict = "retest"
    # What convicts a coil comes alone: the rest follows from it, and stands in the criteria.
    shown = reasons["fail"] if verdict == "fail" else _without_echo([*reasons["retest"], *missing])
    if verdict == "pass":
        shown = [Reason("within-limits", _sound(coil)), *reasons["pass"]]
    r20, parts = _pair(found.r20), found.parts
    alpha20, joint = (_pair(parts.alpha20), _pair(parts.joint)) if parts else (_NONE, _NONE)
    return CoilResult(
        coil=coil.label,
        kind=coil.subject.kind,
        serial=coil.subject.serial,
        verdict=verdict,
        reasons=tuple(shown),
        criteria=checked,
        r20_ohm=r20[0],
        r20_u_ohm=r20[1],
        alpha20_per_K=alpha20[0],
        alpha20_u_per_K=alpha20[1],
        joint_ohm=joint[0],
        joint_u_ohm=joint[1],
        method=found.method,
        hottest_degC=coil.hottest_degC,
        readings=int((rows.good | rows.opened).sum()),
        wrong_risk=combined_risk(verdict, ((each.outcome, each.wrong_risk) for each in checked)),
        point_degC=found.point_degC,
        point_ohm=found.point_ohm,
        line_cov=found.line_cov if found.parts else np.empty((0, 0)),
        r20_k=found.r20.k if found.r20 else K,
        alpha20_k=parts.alpha20.k if parts else K,
        joint_k=parts.joint.k if parts else K,
        budgets=found.budgets,
        interruptions=coil.opens,
        account=told,
        sight=_sight(coil),
    )


def _sight(coil: Examined) -> Sight:
    rows, watch, body_degC = coil.rows, coil.opens.watch, coil.hottest_degC
    by_ohms = None
    if rows.story is Story.SELF_HEATED and coil.found.r20 is not None:
        by_ohms = hottest_winding_degC(rows, coil.found.r20.value)
    return Sight(
        heated=rows.heated,
        body_degC=body_degC,
        winding_degC=max((each for each in (body_degC, by_ohms) if each is not None), default=None),
        warm_s=watch.watched_s if watch is not None else None,
        energised=bool(rows.driven.any()),
    )


def _without_echo(reasons: list[Reason]) -> list[Reason]:
    """Of a coil whose probe was lost, leave out what only follows from that: its advice would mislead."""
    if all(each.code != "probe" for each in reasons):
        return reasons
    return [each for each in reasons if each.code not in _BY_PROBE]


def _missing(coil: Examined) -> list[Reason]:
    """What a pass would need and the readings do not give."""
    found, story = coil.found, coil.rows.story
    change = say(f"advice.{_WHAT_TO_DO[story]}")
    code = "self-heated" if story is Story.SELF_HEATED else "one-temperature"
    if found.r20 is None and found.bend is None and story is not Story.SELF_HEATED:
        if coil.rows.good.any():
            return [retest("no-temperature", found.lack, change)]
        if not coil.rows.good.size:
            return [retest("not-read", say("reason.not-read"))]
        return [retest("no-reading", say("reason.no-reading"), change)]
    if found.parts is not None or found.bend is not None or story is Story.SWEEP:
        return []
    return [retest(code, say("reason.undetermined", lack=found.lack), change)]


def _sound(coil: Examined) -> Message:
    hottest = coil.hottest_degC
    if coil.rows.heated and hottest is not None:
        return say("reason.within-limits", hottest=hottest)
    return say("reason.within-limits-cold", cold=say("lack.cold-only"))


def _pair(measured: Measured | None) -> tuple[float | None, float | None]:
    return _NONE if measured is None else (measured.value, measured.u)
