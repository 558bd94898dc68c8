"""The checks that need the company of other coils: slope and joint, and like parts.

A low slope may be a joint in series, or a thermometer that did not follow. It counts as a joint only
where the copper part, slope over alpha20, is what it should be by the maker's value or by like parts.

How large a joint is in itself is known no better than the wire's temperature coefficient: one per cent of
it is 30 mohm on a coil of 3 ohm. How much larger it is than in like parts, of the same batch of wire on
the same meter, is known several times better. So where a coil by itself is too near its limit, its excess
over like parts decides. A joint is never negative, so the excess is the least that it can be. What like
parts share would have to be the same bad joint in most of them, or be the wire's.

By its own heat a coil that loses heat from the winding to the air, past its body, looks as if it had a joint,
and no trace of it alone tells the two apart. Like parts are built alike: only the excess over them convicts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import hypot, sqrt
from statistics import median

from analysis.judge.checks.peers import Comparison, PeerValue, compare
from analysis.judge.rules.criteria import Finding
from analysis.judge.rules.reasons import largest_change, retest
from analysis.judge.rules.verdict import K, judged, nothing_passes, undetermined
from analysis.model import OWN_HEAT, Criterion, Limits, Reason
from analysis.physics.copper import PUBLISHED_ALPHA20_PER_K
from analysis.statistics.budget import coverage_factor
from analysis.trace.contributions import JOINT, OF_WIRE
from analysis.trace.estimate import Estimate, Measured, Parts
from analysis.words import Message, say

#: Of fewer like parts, the coil itself not counted, nobody can say which of them is the usual one.
_LEAST_OTHERS = 2
#: Below zero by so many standard uncertainties is surely below. With two, one batch of copper in fifty would
#: be called another metal; with three, windings of aluminium would pass.
BELOW_U = 2.5
#: By this share of a coil's resistance its joint may seem to differ where its copper is of another batch: one
#: per cent of alpha20 either way would be two; most are nearer (common practice, no source).
_BATCHES_REL = 0.01


def slope_and_joint(found: Estimate, others: Sequence[Parts], limits: Limits) -> tuple[Finding, Finding]:
    """Judge slope and joint of one coil.

    Args:
        found: The coil.
        others: What the slopes of like parts tell.
        limits: What the kind is held to.

    Returns:
        The findings on slope and on joint.
    """
    low, high = PUBLISHED_ALPHA20_PER_K
    slope_as, most = ("slope", say("criterion.slope"), "1/K"), limits.joint_max_ohm
    if found.parts is None:
        return (
            Finding(undetermined(*slope_as, low=low, high=high, note=found.lack)),
            Finding(undetermined("joint", say("criterion.joint"), "ohm", high=most, note=found.lack)),
        )
    alpha, joint = found.parts.alpha20, found.parts.joint
    alone = _judged(joint, limits, found.caution)
    beside = _beside(joint, [other.joint for other in others], limits)
    slope = Criterion(*slope_as, alpha.value, alpha.expanded_u, low, high, "pass", dof=alpha.dof, k=alpha.k)
    if alpha.value - alpha.expanded_u > high:
        text = say("reason.slope-steep", alpha=_shown(alpha), high=1e3 * high)
        reason = retest("slope-implausible", text)
        return Finding(replace(slope, outcome="retest"), reason), Finding(alone)
    if (other := _other_wire(found.parts, others)) is not None:
        return Finding(replace(slope, outcome="retest"), other), Finding(
            replace(alone, outcome="not determined", wrong_risk=None)
        )
    decided = _decided(alone, beside, most)
    why: Reason | None = None
    if decided.outcome == "fail":
        if found.method != OWN_HEAT or (beside is not None and beside.outcome == "fail"):
            confirmed = _corroboration(found.parts, others, limits)
            return _low_slope(found.parts, confirmed, limits, slope, decided)
        decided = replace(decided, outcome="retest", wrong_risk=None)
        why = retest("joint-own-heat", say("reason.joint-own-heat", joint=joint, most=most))
    elif decided.outcome == "retest":
        # Beside like parts already, the wire's alpha20 is told by no more of them.
        known = OF_WIRE if len(others) >= _LEAST_OTHERS else ""
        change = say("advice.soak-again") if found.changed else largest_change(found.budgets, JOINT, known)
        why = retest("joint-unsure", say("reason.joint-unsure", joint=joint, most=most), change)
    return Finding(slope), Finding(decided, why)


def less_than_none(parts: Parts, others: Sequence[Parts]) -> bool:
    """Whether the joint would have to be negative: the wire is not copper, or the probe's scale is off.

    By itself that is so where it is surely below zero, the doubt about copper's coefficient included.
    Like parts share the batch of wire and its coefficient: beside two of them or more it is so where it is
    below zero without that doubt, and below theirs by more than copper of two batches can differ.
    """
    joint, whole_ohm = parts.joint, _whole(parts)
    # No k of few points: they make it large, and would excuse any value below nothing.
    if joint.value + BELOW_U * joint.u < 0.0:
        return True
    if len(others) < _LEAST_OTHERS or joint.value + BELOW_U * joint.own_u >= 0.0:
        return False
    theirs_ohm = median(other.joint.value for other in others)
    u_ohm = hypot(joint.own_u, median(other.joint.own_u for other in others))
    most_ohm = _BATCHES_REL * whole_ohm
    return joint.value - theirs_ohm + BELOW_U * u_ohm < -most_ohm


def _other_wire(parts: Parts, others: Sequence[Parts]) -> Reason | None:
    steep = [other for other in others if other.joint.value + BELOW_U * other.joint.u < 0.0]
    alike = bool(others) and 2 * len(steep) >= len(others)
    if not less_than_none(parts, others) and not (2 * len(steep) > len(others) and _as(parts, steep)):
        return None
    alpha = _shown(parts.alpha20)
    if alike:
        return retest("not-copper", say("reason.not-copper-alike", alpha=alpha), say("advice.scale"))
    return retest("not-copper", say("reason.not-copper", alpha=alpha, joint=parts.joint))


def _as(parts: Parts, steep: Sequence[Parts]) -> bool:
    """Whether a coil may be as steep as most of its like, and so of their wire, for all that is known."""
    theirs_ohm = median(other.joint.value for other in steep)
    u_ohm = hypot(parts.joint.own_u, median(other.joint.own_u for other in steep))
    return len(steep) >= _LEAST_OTHERS and parts.joint.value - theirs_ohm < BELOW_U * u_ohm


def _whole(parts: Parts) -> float:
    """Resistance at 20 degC, copper and joint together, in ohms."""
    return parts.copper.value + parts.joint.value


def _judged(joint: Measured, limits: Limits, note: str) -> Criterion:
    """Decide a joint as not below nothing: what lies below is error, and no credit against U."""
    name, high, guard = say("criterion.joint"), limits.joint_max_ohm, limits.guard_band_U
    least = max(joint.value, 0.0)
    decided = judged(
        "joint", name, "ohm", least, joint.u, high=high, guard_band_U=guard, note=note, dof=joint.dof
    )
    return replace(decided, value=joint.value)


def _beside(joint: Measured, others: Sequence[Measured], limits: Limits) -> Criterion | None:
    """Judge how much larger a joint is than in most like parts; None where nobody knows what most have."""
    if len(others) < _LEAST_OTHERS:
        return None
    alike = {str(n): PeerValue(each.value, each.own_u) for n, each in enumerate((joint, *others))}
    # Joints that are alike lie apart by what is allowed, and by what they are not known better.
    apart_ohm = limits.joint_max_ohm + 2.0 * sqrt(2.0) * median(peer.u_ohm for peer in alike.values())
    own = compare(alike, apart_ohm)["0"]
    if not own.majority:
        return None
    note = say("lack.excess", count=own.others)
    return _judged(Measured(own.difference_ohm, own.u_ohm, dof=joint.own_dof), limits, note)


def _shared(joint: Measured, others: Sequence[Measured], most_ohm: float) -> bool:
    """Whether like parts show a joint beyond the limit too, and this one is not clearly beyond theirs."""
    if not others:
        return False
    theirs_ohm = median(other.value for other in others)
    u_ohm = hypot(joint.own_u, median(other.own_u for other in others))
    clearly = joint.value - theirs_ohm - coverage_factor(joint.own_dof) * u_ohm > most_ohm
    return theirs_ohm > most_ohm and not clearly


def _decided(alone: Criterion, beside: Criterion | None, most_ohm: float) -> Criterion:
    """The coil by itself where that is clear, else its excess over like parts.

    A pass beside like parts needs the best estimates of the joint and of what they share within the limit:
    the coil's own is accepted with a guard band, the common part, which no retest would tell, without.
    """
    if alone.outcome != "retest" or beside is None or alone.value is None or beside.value is None:
        return alone
    shared_ohm = alone.value - beside.value
    if beside.outcome == "pass" and max(alone.value, shared_ohm) > most_ohm:
        return alone
    return alone if beside.outcome == "retest" else beside


def _low_slope(
    parts: Parts, confirmed: tuple[str, str], limits: Limits, slope: Criterion, joint: Criterion
) -> tuple[Finding, Finding]:
    """A joint if the copper part is as it should be, else a slope that nobody understands."""
    witness, doubt = confirmed
    if witness:
        flat = parts.alpha20.value + parts.alpha20.expanded_u < PUBLISHED_ALPHA20_PER_K[0]
        text = say("reason.joint", joint=parts.joint, most=limits.joint_max_ohm, witness=witness)
        return (
            Finding(replace(slope, outcome="fail" if flat else "pass", note=say("lack.explained"))),
            Finding(joint, Reason("joint", text)),
        )
    text = say("reason.slope-flat", alpha=_shown(parts.alpha20), joint=parts.joint, doubt=doubt)
    return (
        Finding(replace(slope, outcome="retest"), retest("slope-implausible", text)),
        Finding(replace(joint, outcome="not determined", note=doubt, wrong_risk=None)),
    )


def _shown(alpha20: Measured) -> Message:
    return say("part.alpha", alpha=Measured(1e3 * alpha20.value, 1e3 * alpha20.u))


def _corroboration(parts: Parts, others: Sequence[Parts], limits: Limits) -> tuple[str, str]:
    """Who confirms the copper part of a coil, in words; else why nobody does."""
    copper, whole_ohm = parts.copper, _whole(parts)
    guard = copper.expanded_u
    if _shared(parts.joint, [other.joint for other in others], limits.joint_max_ohm):
        return "", say("doubt.shared")
    off = abs(copper.value - median(other.copper.value for other in others)) if others else None
    # A thermometer that exaggerates makes a joint out of nothing: then the whole is as like parts have it.
    whole_off = abs(whole_ohm - median(_whole(other) for other in others)) if others else 0.0
    if off is not None and off <= limits.peer_max_ohm + guard and off < whole_off:
        return say("witness.peers", copper=copper), ""
    nominal = limits.r20_ohm
    near = nominal is not None and abs(copper.value - nominal) <= limits.r20_tolerance_rel * nominal + guard
    if nominal is not None and near and abs(copper.value - nominal) + guard < abs(whole_ohm - nominal):
        return say("witness.nominal", copper=copper, nominal=nominal), ""
    if nominal is None and off is None:
        return "", say("doubt.unknown")
    return "", say("doubt.disagree", copper=copper)


def against_peers(
    comparison: Comparison | None, limits: Limits, basis: str, note: str, wires: int | None = None
) -> Finding:
    """Judge one coil against like parts.

    Args:
        comparison: The comparison, None where there was none.
        limits: What the kind is held to.
        basis: What was compared, in words.
        note: Why there was no comparison.
        wires: Of the meter, 2 or 4; None where nobody knows.
    """
    code, name, unit, most = "peers", say("criterion.peers"), "ohm", limits.peer_max_ohm
    if comparison is None:
        return Finding(undetermined(code, name, unit, low=-most, high=most, note=note))
    difference, u = comparison.difference_ohm, comparison.u_ohm
    others = say("part.others", count=comparison.others)
    if comparison.others == 1:
        open_who = not comparison.majority and comparison.compared > 2
        others = say("part.nearest-other" if open_who else "part.one-other")
    note, guard = say("part.basis", basis=basis, others=others), limits.guard_band_U
    criterion = judged(code, name, unit, difference, u, low=-most, high=most, guard_band_U=guard, note=note)
    value = say("part.difference", basis=basis, difference=Measured(difference, u), others=others)
    if not comparison.majority:
        text, change = say("reason.peers-disagree", difference=value), None
        if comparison.compared == 2:
            text, change = say("reason.peers-two", difference=value), say("advice.third")
        return Finding(
            replace(criterion, outcome="retest", wrong_risk=None), retest("peers-disagree", text, change)
        )
    return Finding(criterion, _unlike(comparison, criterion, value, limits, wires))


def _unlike(
    comparison: Comparison, criterion: Criterion, value: Message, limits: Limits, wires: int | None
) -> Reason | None:
    """What to say of a coil that differs by *value* from a majority; None where there is nothing to say."""
    most = limits.peer_max_ohm
    if criterion.outcome == "pass":
        text = say("reason.unlike-peers", difference=value, most=most)
        return Reason("unlike-peers", text) if comparison.outlying else None
    if criterion.outcome == "retest":
        if nothing_passes(criterion, limits.guard_band_U):
            coarse = say("reason.peers-coarse", difference=value, most=most, U=K * comparison.u_ohm)
            return retest("peers-unsure", coarse, say("advice.finer-four" if wires == 4 else "advice.finer"))
        return retest("peers-unsure", say("reason.peers-unsure", difference=value, most=most))
    if comparison.difference_ohm < 0.0:
        return Reason("shorted-turns", say("reason.shorted-turns", difference=value))
    return Reason("resistance-high", say("reason.peers-high", difference=value, most=most))
