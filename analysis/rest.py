"""Were the parts at rest? A winding just washed in hot water or heated gives itself away by moving."""

from __future__ import annotations

from math import inf, sqrt

import numpy as np

from analysis.budget import coverage_factor
from analysis.copper import ALPHA20_PER_K, REFERENCE_DEGC
from analysis.criteria import Finding
from analysis.model import Criterion
from analysis.reasons import retest
from analysis.rows import Rows, Story
from analysis.words import say

#: Faster than this a part is not at rest. A body that comes to rest in ten minutes (time constant; common
#: practice, no source) is then 2 K off, and its resistance 0.8 %.
MOST_K_PER_min = 0.2
#: Surer than usual: each of eight coils could raise the alarm, and all is well nearly always.
LEVEL = 0.9973
#: Less tells nothing: rows, and seconds from the first to the last.
_LEAST_ROWS, _LEAST_S = 4, 3.0


def at_rest(rows: Rows) -> Finding | None:
    """Ask whether the winding of a cold coil still warms or cools, from its own resistance over the sweep.

    None where the readings say nothing of it: a soak, too few of them, or all at one time. Only a movement
    that is certain asks for a retest; noise does not.
    """
    # A soak that was cut before its first hold has nothing but cold readings too, and warms as it should.
    swept = np.isin(rows.trace.phase, ("sweep", ""))
    good = rows.good & swept & np.isfinite(rows.trace.time_s)
    if rows.story is not Story.SWEEP or int(good.sum()) < _LEAST_ROWS:
        return None
    time_s, ohm = rows.trace.time_s[good], rows.trace.resistance_ohm[good]
    if time_s[-1] - time_s[0] < _LEAST_S:
        return None
    lever_s = time_s - time_s.mean()
    slope = float(lever_s @ ohm / (lever_s @ lever_s))
    left = ohm - ohm.mean() - slope * lever_s
    dof = ohm.size - 2
    # Readings that agree to the last digit are known no better than that digit.
    digit_ohm = float(np.diff(np.unique(ohm)).min(initial=inf)) if np.ptp(ohm) else 0.0
    noise_ohm = max(sqrt(float(left @ left) / dof), digit_ohm)
    # What a kelvin is worth, at a temperature near enough to 20 degC.
    probe_degC = rows.trace.probe_degC[good]
    known = probe_degC[np.isfinite(probe_degC)]
    warm_K = float(known.mean()) - REFERENCE_DEGC if known.size else 0.0
    K_per_ohm = (1.0 / ALPHA20_PER_K + warm_K) / float(ohm.mean())
    rate, u = (60.0 * K_per_ohm * each for each in (slope, noise_ohm / sqrt(float(lever_s @ lever_s))))
    k = coverage_factor(float(dof), LEVEL)
    moving = abs(rate) - k * u > MOST_K_PER_min
    criterion = Criterion(
        "rest",
        say("criterion.rest"),
        "K/min",
        rate,
        k * u,
        -MOST_K_PER_min,
        MOST_K_PER_min,
        "retest" if moving else "pass",
        dof=float(dof),
        k=k,
    )
    if not moving:
        return Finding(criterion)
    how = say("reason.warming" if rate > 0.0 else "reason.cooling", rate=abs(rate))
    return Finding(criterion, retest("not-at-rest", how))
