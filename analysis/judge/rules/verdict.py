"""Decisions with guard bands: no coil passes or fails by luck."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from analysis.model import Criterion, Verdict
from analysis.statistics.budget import coverage_factor
from analysis.statistics.decision import Zone, wrong_risk
from analysis.words import Message, say

Outcome = Literal["pass", "fail", "retest", "not determined"]

#: Coverage factor of the expanded uncertainty U for endless degrees of freedom: 95.45 % (JCGM 100, G.2).
K = 2.0


def decide(
    value: float,
    u: float,
    low: float | None,
    high: float | None,
    *,
    guard_band_U: float = 1.0,
    dof: float | None = None,
) -> Verdict:
    """Decide *value* with standard uncertainty *u* against limits, each None where there is none.

    Inside by at least the guard band passes, outside by more fails, between is a retest. The guard band
    is *guard_band_U* times U on both sides of a limit: 1 as in ILAC-G8:09/2019, 0.83 for 5 % by
    ISO 14253-1:2017, 0 for simple acceptance. U is k u with k for *dof* degrees of freedom, 2 where
    these are None: endless, or not known.
    """
    guard = guard_band_U * coverage_factor(dof) * u
    if (low is not None and value + guard < low) or (high is not None and value - guard > high):
        return "fail"
    if (low is None or value - guard >= low) and (high is None or value + guard <= high):
        return "pass"
    return "retest"


def judged(
    code: str,
    name: str,
    unit: str,
    value: float,
    u: float,
    *,
    low: float | None = None,
    high: float | None = None,
    guard_band_U: float = 1.0,
    note: str = "",
    dof: float | None = None,
) -> Criterion:
    """Return the criterion of *value* with standard uncertainty *u*, decided, with its risk."""
    outcome = decide(value, u, low, high, guard_band_U=guard_band_U, dof=dof)
    risk = wrong_risk(outcome, value, u, Zone.between(low, high), dof)
    k = coverage_factor(dof)
    return Criterion(code, name, unit, value, k * u, low, high, outcome, note, risk, dof, k)


def nothing_passes(criterion: Criterion, guard_band_U: float) -> bool:
    """Return whether the guard band takes up all there is between both limits, so that no value passes."""
    low, high, expanded_u = criterion.low, criterion.high, criterion.expanded_u
    if low is None or high is None or expanded_u is None:
        return False
    return 2.0 * guard_band_U * expanded_u > high - low


def undetermined(
    code: str, name: str, unit: str, *, low: float | None = None, high: float | None = None, note: str
) -> Criterion:
    """Return a criterion that could not be decided; *note* says why."""
    return Criterion(code, name, unit, None, None, low, high, "not determined", note)


def overall(outcomes: Iterable[Outcome]) -> Verdict:
    """The verdict of a coil: the worst of what was decided."""
    seen = set(outcomes)
    if "fail" in seen:
        return "fail"
    return "retest" if "retest" in seen else "pass"


def rule_name(guard_band_U: float) -> Message:
    """Return what a guard band of that many times U is called, with its source.

    With U for k = 2 a value at the edge of a pass is beyond its limit with probability 2.3 % for U,
    4.8 % for 0.83 U, and 50 % without a guard band.
    """
    if guard_band_U == 0.0:
        return say("rule.simple")
    if guard_band_U == 1.0:
        return say("rule.U")
    if guard_band_U in {0.83, 0.825}:
        return say("rule.iso", guard=guard_band_U)
    return say("rule.other", guard=guard_band_U)
