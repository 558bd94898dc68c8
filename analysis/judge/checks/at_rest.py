"""Were the parts at rest? A winding just washed in hot water or heated gives itself away by moving."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt
from statistics import median

import numpy as np

from analysis.judge.rules.criteria import Finding
from analysis.judge.rules.reasons import retest
from analysis.judge.rules.verdict import undetermined
from analysis.model import Criterion, Limits, MeterUse
from analysis.physics.copper import ALPHA20_PER_K, REFERENCE_DEGC
from analysis.statistics.budget import coverage_factor
from analysis.trace.rows import Rows, Story, digit_ohm
from analysis.words import Message, say

#: Time constant of a bare coil of this size in still air (10 to 25 minutes; common practice, no source). A
#: part that moves is so many minutes' worth away from where it will come to rest.
COMES_TO_REST_min = 20.0
#: As much of the narrowest limit in ohms may be taken up by a temperature that is not known.
SHARE = 1.0 / 3.0
#: Chance that any coil of a set at rest raises the alarm.
FALSE_ALARM = 0.01
#: A coil that scatters more than its like by this factor is held to its own scatter.
_UNSTEADY = 3.0
#: Less tells nothing: rows, and seconds from the first to the last.
_LEAST_ROWS, _LEAST_S = 4, 3.0


@dataclass(frozen=True)
class _Movement:
    """How one winding moved: its rate, and what an ohm of scatter makes of that."""

    rate_K_per_min: float
    u_per_ohm: float
    K_per_ohm: float
    scatter_ohm: float
    digit_ohm: float
    dof: int


class Resting:
    """The windings of a swept set: each moves by its own resistance, and the meter scatters by that of all.

    Args:
        swept: Rows by coil.
        meter: How the meter was used. With two wires nothing can be told: from pass to pass the contacts
            differ by more than a winding moves.
    """

    def __init__(self, swept: Mapping[str, Rows], meter: MeterUse) -> None:
        found = {coil: _movement(rows) for coil, rows in swept.items()}
        self._moved = {coil: each for coil, each in found.items() if each is not None}
        self._two_wires = meter.wires == 2
        # Few readings of one coil tell little of the scatter, all coils on one meter tell it well.
        moved = list(self._moved.values())
        usual_ohm = median(each.scatter_ohm for each in moved) if moved else 0.0
        steady = [each for each in moved if each.scatter_ohm <= _UNSTEADY * usual_ohm]
        self._dof = sum(each.dof for each in steady)
        squares = sum(each.dof * each.scatter_ohm**2 for each in steady)
        self._scatter_ohm = sqrt(squares / self._dof) if steady else 0.0
        # Readings that agree to the last digit are known no better than that digit.
        self._digit_ohm = min((each.digit_ohm for each in moved if each.digit_ohm), default=0.0)

    def findings(self, coil: str, limits: Limits) -> list[Finding]:
        """Ask whether *coil* was at rest, as far as *limits* ask for it; nothing where no readings tell.

        Only a movement that is certain and that would take up a third of the narrowest limit, were the part
        as far from rest as its rate says, asks for a retest.
        """
        if coil not in self._moved:
            return []
        own, name, unit = self._moved[coil], say("criterion.rest"), "K/min"
        if self._two_wires:
            return [Finding(undetermined("rest", name, unit, note=say("lack.two-wire-rest")))]
        scatter_ohm, dof = self._scatter_ohm, self._dof
        if own.scatter_ohm > _UNSTEADY * scatter_ohm:
            scatter_ohm, dof = own.scatter_ohm, own.dof
        k = coverage_factor(dof, 1.0 - FALSE_ALARM / len(self._moved))
        expanded_u = k * own.u_per_ohm * max(scatter_ohm, self._digit_ohm)
        most = SHARE * own.K_per_ohm * _narrowest_ohm(limits) / COMES_TO_REST_min
        rate = own.rate_K_per_min
        moving = abs(rate) > max(most, expanded_u)
        criterion = Criterion(
            "rest",
            name,
            unit,
            rate,
            expanded_u,
            -most,
            most,
            "retest" if moving else "pass",
            dof=float(dof),
            k=k,
        )
        return [Finding(criterion, retest("not-at-rest", _how(rate)) if moving else None)]


def _how(rate_K_per_min: float) -> Message:
    way = "reason.warming" if rate_K_per_min > 0.0 else "reason.cooling"
    return say(way, rate=abs(rate_K_per_min), off=abs(rate_K_per_min) * COMES_TO_REST_min)


def _narrowest_ohm(limits: Limits) -> float:
    if limits.r20_ohm is None:
        return limits.peer_max_ohm
    return min(limits.peer_max_ohm, limits.r20_tolerance_rel * limits.r20_ohm)


def _movement(rows: Rows) -> _Movement | None:
    """The line through the cold readings of one coil; None where they tell nothing: a soak, few, at once."""
    # A soak that was cut before its first hold has nothing but cold readings too, and warms as it should.
    swept = np.isin(rows.trace.phase, ("sweep", ""))
    good = rows.good & swept & np.isfinite(rows.trace.time_s)
    if rows.story is not Story.SWEEP or int(good.sum()) < _LEAST_ROWS:
        return None
    time_s, ohm = rows.trace.time_s[good], rows.trace.resistance_ohm[good]
    if time_s[-1] - time_s[0] < _LEAST_S or float(ohm.mean()) <= 0.0:
        return None
    lever_s = time_s - time_s.mean()
    slope = float(lever_s @ ohm / (lever_s @ lever_s))
    left = ohm - ohm.mean() - slope * lever_s
    dof = ohm.size - 2
    scatter_ohm = sqrt(float(left @ left) / dof)
    # What a kelvin is worth, at a temperature near enough to 20 degC.
    probe_degC = rows.trace.probe_degC[good]
    known = probe_degC[np.isfinite(probe_degC)]
    warm_K = float(known.mean()) - REFERENCE_DEGC if known.size else 0.0
    K_per_ohm = (1.0 / ALPHA20_PER_K + warm_K) / float(ohm.mean())
    per_min = 60.0 * K_per_ohm
    per_ohm = per_min / sqrt(float(lever_s @ lever_s))
    return _Movement(per_min * slope, per_ohm, K_per_ohm, scatter_ohm, digit_ohm(ohm), dof)
