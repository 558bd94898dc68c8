"""The checks of one coil by itself: resistance, drift, heat, insulation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from analysis.judge.rules.reasons import largest_change, retest
from analysis.judge.rules.verdict import judged, nothing_passes, undetermined
from analysis.model import Criterion, Limits, Reason, Trace
from analysis.physics.copper import REFERENCE_DEGC
from analysis.rounding import with_uncertainty
from analysis.statistics.decision import Zone, wrong_risk
from analysis.trace.bend import Bend, BendKind
from analysis.trace.contributions import R20
from analysis.trace.drift import Drift
from analysis.trace.estimate import Estimate
from analysis.trace.fretting import RATIO, SHARE, Fretting
from analysis.trace.rows import SHORT_OHM, Rows, Story
from analysis.words import Message, say, say_count

#: Further than this from any reading R20 is as its slope has it.
_FAR_K = 15.0
#: A body further below the temperature asked for has not been soaked at it.
REACHED_K = 5.0
#: Coils are heated to about this (common practice, no source). What a recorder logs should come near it;
#: a table of settled points ends where somebody chose, if it is not much cooler.
#: A table that is this far below its hottest at its end came back.
USUAL_DEGC, _MUCH_COOLER_K, _BACK_K = 90.0, 20.0, 10.0
#: One reading in a record of at least so many may be a slip, of the meter or of a hand, where its neighbours
#: within this of its temperature are in order.
SLIP_ROWS, _SAME_K = 20, 1.5
#: A two-wire reading of insulation is good to some five per cent (common practice, no source).
_LEAKAGE_U_REL = 0.05
#: Scatter of a coil against that of at least so many others on the same meter (common practice, no source).
BESIDE_RATIO, LEAST_BESIDE = 4.0, 3


@dataclass(frozen=True)
class Finding:
    """A criterion and what it has to say, None where it needs no words."""

    criterion: Criterion
    reason: Reason | None = None


def resistance(found: Estimate, limits: Limits) -> Finding:
    """Judge R20 against the maker's value, and a short against common sense."""
    code, name, unit = "resistance", say("criterion.resistance"), "ohm"
    nominal = limits.r20_ohm
    low = high = None
    if nominal is not None:
        low, high = (nominal * (1.0 + sign * limits.r20_tolerance_rel) for sign in (-1.0, 1.0))
    r20 = found.r20
    if r20 is None:
        return Finding(undetermined(code, name, unit, low=low, high=high, note=found.lack))
    if r20.value < SHORT_OHM and (nominal is None or nominal > 2.0 * SHORT_OHM):
        least = SHORT_OHM if low is None else low
        return Finding(
            Criterion(
                code,
                name,
                unit,
                r20.value,
                r20.expanded_u,
                least,
                high,
                "fail",
                wrong_risk=wrong_risk("fail", r20.value, r20.u, Zone.between(least, high), r20.dof),
                dof=r20.dof,
                k=r20.k,
            ),
            Reason("short", say("reason.short", ohm=r20.value)),
        )
    if low is None or high is None:
        return Finding(undetermined(code, name, unit, note=say("lack.no-nominal")))
    guard = limits.guard_band_U
    criterion = judged(
        code, name, unit, r20.value, r20.u, low=low, high=high, guard_band_U=guard, dof=r20.dof
    )
    if criterion.outcome == "pass":
        return Finding(criterion)
    if criterion.outcome == "fail":
        word, bound = ("low", low) if r20.value < low else ("high", high)
        return Finding(
            criterion, Reason(f"resistance-{word}", say("reason.resistance-off", r20=r20, limit=bound))
        )
    text = say("reason.resistance-unsure", r20=r20, low=low, high=high)
    if nothing_passes(criterion, guard):
        text = say("reason.resistance-coarse", r20=r20, low=low, high=high, U=r20.expanded_u)
    return Finding(criterion, retest("resistance-unsure", text, largest_change(found.budgets, R20)))


def drift(cold: Drift | None, hot: Drift | None, rows: Rows, limits: Limits) -> list[Finding]:
    """Judge the change over the run, and the change during the hottest hold."""
    most, guard = limits.drift_max_rel, limits.guard_band_U
    findings = [_cold_drift(cold, rows, most, guard)]
    if hot is not None:
        criterion = _change("drift-hot", hot, most, guard)
        if hot.stepped is not None:
            criterion = replace(criterion, note=_how(hot))
        reason = None
        if criterion.outcome == "fail":
            reason = Reason("drift", say("reason.drift-hot", how=_how(hot)))
        elif criterion.outcome == "retest":
            reason = retest("drift-unsure", say("reason.drift-hot-unsure"), say("advice.hold-longer"))
        findings.append(Finding(criterion, reason))
    return findings


@dataclass(frozen=True)
class Common:
    """What all coils of a set show alike, by share; None where they do not.

    *drift_rel* is their change over the heat, *bend_rel* by how much they leave their lines hot,
    *driven_factor* V/I over their ohms.
    """

    drift_rel: float | None = None
    bend_rel: float | None = None
    driven_factor: float | None = None


def of_the_record(findings: Sequence[Finding], common: Common) -> list[Finding]:
    """Have no coil fail for what all coils of its set show alike: that is the meter's, or the record's.

    Nor pass: V/I that is off in all of them is seen in each, whatever the bounds of one let pass.
    """
    found: list[Finding] = []
    for each in findings:
        code = each.criterion.code
        if code == "driven" and common.driven_factor is not None:
            why = retest("driven-alike", say("reason.driven-alike", factor=common.driven_factor))
            found.append(Finding(replace(each.criterion, outcome="retest"), why))
            continue
        rel = common.bend_rel if code == "straight" else common.drift_rel if "drift" in code else None
        if rel is None or each.criterion.outcome != "fail":
            found.append(each)
            continue
        name = "bend-alike" if code == "straight" else "drift-alike"
        found.append(_acquitted(each, retest(name, say(f"reason.{name}", percent=100.0 * rel))))
    return found


def of_another(findings: Sequence[Finding], other: str) -> list[Finding]:
    """Have no coil fail for a change that is the difference to *other*, whose place it took in the run."""
    found: list[Finding] = []
    why: Reason | None = retest("changed-places", say("reason.changed-places", coil=other))
    for each in findings:
        code = each.criterion.code
        if each.criterion.outcome == "fail" and (code == "straight" or "drift" in code):
            found.append(_acquitted(each, why))
            why = None  # said once
        else:
            found.append(each)
    return found


def _acquitted(failed: Finding, why: Reason | None) -> Finding:
    """A finding that failed, asked for again instead; *why* is None where it was said already."""
    return Finding(replace(failed.criterion, outcome="retest", wrong_risk=None), why)


def far_from_20(finding: Finding, found: Estimate) -> Finding:
    """Have no coil fail for an R20 that is far from all readings, by a slope that nobody understands."""
    far = found.point_degC.size and float(np.abs(found.point_degC - REFERENCE_DEGC).min()) > _FAR_K
    if finding.criterion.code != "resistance" or finding.criterion.outcome != "fail" or not far:
        return finding
    lack = say("lack.slope-open")
    return Finding(replace(finding.criterion, outcome="not determined", note=lack, wrong_risk=None))


def _change(code: str, found: Drift, most: float, guard_band_U: float) -> Criterion:
    """Judge a relative change, of either sign, against *most*."""
    name, value, u = say(f"criterion.{code}"), found.change_rel, found.u_rel
    return judged(code, name, "", value, u, low=-most, high=most, guard_band_U=guard_band_U, dof=found.dof)


def _how(hot: Drift) -> Message:
    """Say whether a coil crept or stepped while hot; times as in the record, so that the row is found."""
    percent, step = 100.0 * hot.change_rel, hot.stepped
    if step is None:
        return say("part.changed", percent=percent)
    height = with_uncertainty(step.change_ohm, step.u_ohm)
    return say("part.stepped", height=height, percent=percent, at=step.at_s, start=step.from_s, end=step.to_s)


def _cold_drift(found: Drift | None, rows: Rows, most: float, guard_band_U: float) -> Finding:
    if found is None:
        name, note = say("criterion.drift"), say("lack.no-cold-pair")
        criterion = undetermined("drift", name, "", low=-most, high=most, note=note)
        cut = rows.story in {Story.STEPS, Story.RAMP, Story.SWEEP} and bool(
            (rows.trace.phase == "ambient").any()
        )
        if not cut:
            return Finding(criterion)
        return Finding(
            criterion,
            retest("unfinished", say("reason.unfinished")),
        )
    criterion = _change("drift", found, most, guard_band_U)
    percent = with_uncertainty(100.0 * found.change_rel, 100.0 * found.u_rel)
    if criterion.outcome == "fail":
        return Finding(
            criterion,
            Reason("drift", say("reason.drift", percent=percent, most=100 * most)),
        )
    if criterion.outcome == "retest":
        return Finding(
            criterion,
            retest("drift-unsure", say("reason.drift-unsure", percent=percent, most=100 * most)),
        )
    return Finding(criterion)


def straightness(found: Estimate, rows: Rows, limits: Limits) -> Finding | None:
    """Judge how a coil leaves the straight line of copper and joint; None where it does not.

    Within the limit too it is no pass: what a coil does when hot was seen, and nothing explains it.
    """
    if found.bend is not None:
        return _bent(found.bend, limits)
    below = np.flatnonzero(found.set_aside == "below")
    if below.size and not (below.size == 1 and _slipped(int(below[0]), found, rows)):
        return _off_line("reads-low", below.size)
    # At rest what lies above is a contact that jumped, or a change that lasts; on the move no check has it.
    above = int(np.count_nonzero(found.set_aside == "above")) if rows.story is Story.COOLING else 0
    return _off_line("reads-high", above) if above else None


def _off_line(code: str, count: int) -> Finding:
    criterion = Criterion("straight", say("criterion.straight"), "", float(count), None, None, 0.0, "retest")
    return Finding(criterion, retest(code, say_count(f"reason.{code}", count)))


def _slipped(low: int, found: Estimate, rows: Rows) -> bool:
    """Whether a lone low row of a long record is a slip: just before and after it the coil was in order."""
    if rows.good.sum() < SLIP_ROWS:
        return False
    probe, used = rows.trace.probe_degC, np.flatnonzero(found.used)
    before, after = used[used < low], used[used > low]
    if not before.size or not after.size:
        return False
    return bool(np.all(np.abs(probe[[before[-1], after[0]]] - probe[low]) <= _SAME_K))


def _bent(bend: Bend, limits: Limits) -> Finding:
    most, name = limits.drift_max_rel, say("criterion.straight")
    criterion = judged(
        "straight",
        name,
        "",
        bend.change_rel,
        bend.u_rel,
        low=-most,
        high=most,
        guard_band_U=limits.guard_band_U,
        dof=bend.dof,
    )
    percent = with_uncertainty(100.0 * abs(bend.change_rel), 100.0 * bend.u_rel)
    if bend.apart is not None:
        degC, apart_rel = bend.apart
        pair = say("reason.pair-apart", degC=degC, percent=100.0 * apart_rel)
        return Finding(replace(criterion, outcome="retest", wrong_risk=None), retest("pair-apart", pair))
    if bend.lone_hot:
        signed = with_uncertainty(100.0 * bend.change_rel, 100.0 * bend.u_rel)
        alone = say("reason.lone-hot", percent=signed, between=_where(bend))
        return Finding(replace(criterion, outcome="retest", wrong_risk=None), retest("lone-hot", alone))
    if bend.lone_cold:
        unlike = say("reason.first-unlike", percent=percent)
        return Finding(replace(criterion, outcome="retest", wrong_risk=None), retest("first-unlike", unlike))
    if bend.kind is BendKind.CURVED:
        curved = say("reason.not-straight", percent=percent)
        return Finding(replace(criterion, outcome="retest", wrong_risk=None), retest("not-straight", curved))
    figures = {"percent": percent, "between": _where(bend), "most": 100.0 * most}
    reason = Reason("rises-hot", say("reason.rises-hot", **figures))
    if bend.kind is BendKind.DROPS:
        reason = Reason("drops-hot", say("reason.drops-hot", **figures))
    if criterion.outcome == "fail" and bend.sure:
        return Finding(criterion, reason)
    within = abs(bend.change_rel) <= most
    text = say(f"reason.{reason.code}-within", **figures) if within else reason.text
    return Finding(
        replace(criterion, outcome="retest", wrong_risk=None), retest(f"{reason.code}-unsure", text)
    )


def _where(bend: Bend) -> str:
    """Between which temperatures at the probe it happens, and goes back."""
    if bend.between_degC is None:
        return ""
    low, high = bend.between_degC
    there = say("part.from", low=low, high=high)
    if round(low) == round(high):
        there = say("part.from-one", degC=high)
    if bend.back_degC is None:
        return there
    low, high = bend.back_degC
    return say("part.and-back", there=there, low=low, high=high)


def heat(hottest_degC: float | None, soak_degC: float) -> Finding:
    """Ask whether the body came as near to *soak_degC* as a soak should: faults wait for the last kelvins."""
    code, name, unit, least = "heat", say("criterion.heat"), "degC", soak_degC - REACHED_K
    if hottest_degC is None:
        return Finding(undetermined(code, name, unit, low=least, note=say("lack.no-temperature")))
    if hottest_degC >= least:
        return Finding(Criterion(code, name, unit, hottest_degC, None, least, None, "pass"))
    text = say("reason.not-hot-enough", reached=hottest_degC, asked=soak_degC)
    return Finding(
        Criterion(code, name, unit, hottest_degC, None, least, None, "retest"), retest("not-hot-enough", text)
    )


def broken_off(rows: Rows, hottest_degC: float | None) -> Finding | None:
    """Ask of a table whether it ends on the way up: what heat would have shown above that is not in it.

    Args:
        rows: The table, in whose order it was written down.
        hottest_degC: The hottest that anything was made of, None without any.

    Returns:
        None where it went as hot as is usual, or came back cold.
    """
    probe = rows.trace.probe_degC[np.isfinite(rows.trace.probe_degC)]
    if not rows.heated or (rows.trace.phase != "").any() or probe[-1] < probe.max() - _BACK_K:
        return None
    reached = hottest_degC if hottest_degC is not None else float(probe.max())
    least = USUAL_DEGC - (REACHED_K if rows.timed else _MUCH_COOLER_K)
    if reached >= least:
        return None
    text = say("reason.broken-off", reached=reached, usual=USUAL_DEGC)
    criterion = Criterion(
        "broken-off", say("criterion.broken-off"), "degC", reached, None, least, None, "retest"
    )
    return Finding(criterion, retest("broken-off", text))


def noise(found: Fretting | None) -> Finding:
    """Ask whether readings scatter more when hot: alone it convicts nobody."""
    code, name = "noise", say("criterion.noise")
    if found is None:
        note = say("lack.few-in-succession")
        return Finding(undetermined(code, name, "", high=RATIO, note=note))
    figures = {"hot": 1e3 * found.hot_ohm, "cold": 1e3 * found.cold_ohm}
    note = say("part.scatter", **figures)
    if not found.noisy:
        if found.ratio > RATIO:
            note = say("part.scatter-little", **figures)
        return Finding(Criterion(code, name, "", found.ratio, None, None, RATIO, "pass", note))
    text = say("reason.noisy-when-hot", ratio=found.ratio, figures=note)
    return Finding(
        Criterion(code, name, "", found.ratio, None, None, RATIO, "retest", note),
        retest("noisy-when-hot", text),
    )


def noise_beside(found: Fretting | None, others: Sequence[Fretting], ohm: float) -> Finding | None:
    """Ask whether a coil of *ohm* scatters more than *others* on the same meter; None where nobody can tell.

    A contact that frets cold as hot is no noisier when hot, so only its neighbours tell.
    """
    alike = [each.cold_ohm for each in others if found is not None and each.powered == found.powered]
    if found is None or len(alike) < LEAST_BESIDE:
        return None
    theirs_ohm = median(alike)
    ratio = found.cold_ohm / theirs_ohm
    code, name = "noise-beside", say("criterion.noise-beside")
    note = say("part.scatter-beside", own=1e3 * found.cold_ohm, others=1e3 * theirs_ohm)
    if ratio <= BESIDE_RATIO or found.cold_ohm <= SHARE * ohm:
        return Finding(Criterion(code, name, "", ratio, None, None, BESIDE_RATIO, "pass", note))
    text = say("reason.noisy-beside", ratio=ratio, figures=note)
    return Finding(
        Criterion(code, name, "", ratio, None, None, BESIDE_RATIO, "retest", note),
        retest("noisy-beside", text),
    )


def leakage(trace: Trace, limits: Limits) -> Finding:
    """Judge the insulation between winding and body by its worst reading."""
    code, name, unit, least = "leakage", say("criterion.leakage"), "ohm", limits.leakage_min_ohm
    told = trace.leakage_ohm[~np.isnan(trace.leakage_ohm)]
    if not told.size:
        return Finding(undetermined(code, name, unit, low=least, note=say("lack.not-measured")))
    worst = float(told.min())
    if not np.isfinite(worst):
        note = say("lack.above-range")
        return Finding(Criterion(code, name, unit, None, None, least, None, "pass", note))
    u = _LEAKAGE_U_REL * abs(worst)
    criterion = judged(code, name, unit, worst, u, low=least, guard_band_U=limits.guard_band_U)
    if criterion.outcome == "pass":
        return Finding(criterion)
    if criterion.outcome == "retest":
        return Finding(
            criterion, retest("leakage-unsure", say("reason.leakage-unsure", ohm=worst, least=least))
        )
    return Finding(criterion, Reason("leakage", say("reason.leakage", ohm=worst, least=least)))
