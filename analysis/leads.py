"""Two-wire leads: how far readings through them can be trusted, and when not."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, sqrt

from analysis.criteria import Finding
from analysis.estimate import Estimate
from analysis.model import Accuracy, Criterion, MeterUse
from analysis.reasons import retest

#: Two-wire leads above this, or this share of a larger coil, hide too much to judge by (common practice,
#: no source).
MOST_OHM, MOST_SHARE = 0.5, 0.1
#: What is left of nulled leads grows with them: standard uncertainty as a share (common practice, no source).
_LEFT_REL = 0.05


def trusted(accuracy: Accuracy, meter: MeterUse) -> Accuracy:
    """Return *accuracy* with what the leads of a two-wire meter add to it.

    Leads that nobody measured can add up to :data:`MOST_OHM`, which is taken as a limit of error, evenly
    spread (JCGM 100, 4.3.7).
    """
    if meter.wires != 2:
        return accuracy
    if meter.leads_ohm is None:
        return replace(accuracy, leads_ohm=MOST_OHM / sqrt(3.0))
    return replace(accuracy, contact_ohm=hypot(accuracy.contact_ohm, _LEFT_REL * abs(meter.leads_ohm)))


def leads(meter: MeterUse, found: Estimate) -> Finding | None:
    """Ask whether a coil can be judged through its leads; None where they are not known to be two."""
    if meter.wires != 2 or found.r20 is None:
        return None
    code, name, unit, ohm = "leads", "two-wire leads", "ohm", meter.leads_ohm
    most = max(MOST_OHM, MOST_SHARE * found.r20.value)
    if ohm is None:
        text = "the two-wire leads were not measured, so their resistance is in every reading"
        criterion = Criterion(code, name, unit, None, None, None, most, "retest", "not nulled")
        return Finding(criterion, retest("leads-not-nulled", text))
    criterion = Criterion(
        code, name, unit, ohm, None, None, most, "pass" if abs(ohm) <= most else "retest", "nulled"
    )
    if criterion.outcome == "pass":
        return Finding(criterion)
    much = "more than the coil has, too much"
    if found.r20.value > abs(ohm):
        much = f"{100.0 * abs(ohm) / found.r20.value:.0f} % of R20, too large a share"
    text = f"two-wire leads of {ohm:.2f} ohm are {much} to judge by"
    return Finding(criterion, retest("leads-too-large", text))
