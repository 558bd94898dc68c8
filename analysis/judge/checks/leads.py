"""Two-wire leads: how far readings through them can be trusted, and when not."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, sqrt

from analysis.judge.rules.criteria import Finding
from analysis.judge.rules.reasons import retest
from analysis.model import MOST_LEADS_OHM, Accuracy, Criterion, MeterUse, Verdict
from analysis.trace.estimate import Estimate
from analysis.words import say

#: Of a larger coil the leads may be this share (common practice, no source).
_MOST_SHARE = 0.1
#: What is left of nulled leads grows with them: standard uncertainty as a share (common practice, no source).
_LEFT_REL = 0.05


def trusted(accuracy: Accuracy, meter: MeterUse) -> Accuracy:
    """Return *accuracy* with what the leads of a two-wire meter add to it.

    Leads that nobody measured can add up to `MOST_LEADS_OHM`, which is taken as a limit of error, evenly
    spread (JCGM 100, 4.3.7).
    """
    if meter.wires != 2:
        return accuracy
    if meter.leads_ohm is None:
        return replace(accuracy, leads_ohm=MOST_LEADS_OHM / sqrt(3.0))
    return replace(accuracy, contact_ohm=hypot(accuracy.contact_ohm, _LEFT_REL * abs(meter.leads_ohm)))


def leads(meter: MeterUse, found: Estimate) -> Finding | None:
    """Ask whether a coil can be judged through its leads; None where they are not known to be two."""
    if meter.wires != 2 or found.r20 is None:
        return None
    code, name, unit, ohm = "leads", say("criterion.leads"), "ohm", meter.leads_ohm
    most = max(MOST_LEADS_OHM, _MOST_SHARE * found.r20.value)
    if ohm is None:
        criterion = Criterion(code, name, unit, None, None, None, most, "retest", say("lack.not-nulled"))
        return Finding(criterion, retest("leads-not-nulled", say("reason.leads-not-nulled")))
    outcome: Verdict = "pass" if abs(ohm) <= most else "retest"
    criterion = Criterion(code, name, unit, ohm, None, None, most, outcome, say("lack.nulled"))
    if criterion.outcome == "pass":
        return Finding(criterion)
    text = say("reason.leads-above-coil", ohm=ohm)
    if found.r20.value > abs(ohm):
        text = say("reason.leads-too-large", ohm=ohm, share=100.0 * abs(ohm) / found.r20.value)
    return Finding(criterion, retest("leads-too-large", text))
