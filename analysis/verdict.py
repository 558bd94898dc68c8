"""Decisions with guard bands: no coil passes or fails by luck."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from analysis.model import Criterion, Verdict

Outcome = Literal["pass", "fail", "retest", "not determined"]

#: Coverage factor of the expanded uncertainty U: about 95 % (JCGM 100, 6.3.3).
K = 2.0


def decide(value: float, u: float, low: float | None, high: float | None) -> Verdict:
    """Decide *value* with standard uncertainty *u* against limits, each None where there is none.

    Inside by at least U = 2 u passes, outside by more than U fails, between is a retest: the guard
    band is U on both sides of a limit (ILAC-G8:09/2019, w = U).
    """
    guard = K * u
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
    note: str = "",
) -> Criterion:
    """Return the criterion of *value* with standard uncertainty *u*, decided."""
    return Criterion(code, name, unit, value, K * u, low, high, decide(value, u, low, high), note)


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
