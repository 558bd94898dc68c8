"""What is known of a coil while it still cools, so that its soak can end when that is enough."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, log, nan, sqrt

import numpy as np

from analysis.model import Accuracy, Trace
from analysis.physics.copper import ALPHA20_PER_K
from analysis.trace.drift import ramp_drift, rest_u_K
from analysis.trace.ramp import RampFit, fit_ramp
from analysis.trace.rows import Story, sort_rows
from analysis.trace.self_heated import fit_self_heated, own_covariance


@dataclass(frozen=True)
class Known:
    """Standard uncertainties (k = 1) as far as more readings could lessen them; infinite where unknown.

    What no reading lessens is left out: the copper's own law, and the instruments' common errors.

    Attributes:
        joint_u_ohm: Of the joint, by noise and doubt about the network, or by a ramp's lag.
        r20_u_rel: Of R20, in the same way.
        drift_u_rel: Of cold after heat against cold before, were it read now: by how far the winding may
            still be from its body.
        slowest_s: Slowest time constant of the coil; NaN where it is not known.
    """

    joint_u_ohm: float
    r20_u_rel: float
    drift_u_rel: float
    slowest_s: float


#: What is known where no fit came about.
NOTHING = Known(inf, inf, inf, nan)


def known_of(trace: Trace, accuracy: Accuracy) -> Known:
    """Fit what was read so far of a coil that heated itself, or of an oven's ramp, as judging it would.

    Takes a second or two: now and then, and never while a coil is driven.

    Args:
        trace: Its readings, timed, the supply off by now.
        accuracy: What the instruments can be trusted to.
    """
    rows = sort_rows(trace)
    last = np.zeros(rows.time_s.size, dtype=np.bool_)
    last[-1] = True
    drift_u_rel = ALPHA20_PER_K * rest_u_K(rows, last)
    if rows.story is Story.RAMP:
        return _known_of_ramp(fit_ramp(rows), drift_u_rel)
    fit = fit_self_heated(rows, accuracy)
    if not fit.credible:
        return Known(inf, inf, drift_u_rel, nan)
    own = own_covariance(fit)
    return Known(
        joint_u_ohm=sqrt(max(float(own[1, 1]), 0.0)),
        r20_u_rel=sqrt(max(float(own.sum()), 0.0)) / fit.r20_ohm,
        drift_u_rel=drift_u_rel,
        slowest_s=max(fit.time_constants_s, default=float("nan")),
    )


def _known_of_ramp(fit: RampFit | None, drift_u_rel: float) -> Known:
    change = ramp_drift(fit) if fit is not None else None
    if change is not None:
        drift_u_rel = min(drift_u_rel, change.u_rel)
    if fit is None or not fit.credible:
        return Known(inf, inf, drift_u_rel, nan)
    to_joint = np.array([1.0, -1.0 / ALPHA20_PER_K])
    return Known(
        joint_u_ohm=sqrt(float(to_joint @ fit.covariance @ to_joint)),
        r20_u_rel=sqrt(float(fit.covariance[0, 0])) / fit.r20_ohm,
        drift_u_rel=drift_u_rel,
        slowest_s=nan,
    )


def cools_in_s(excess_K: float, to_K: float, slowest_s: float) -> float:
    """Return how long a body takes from *excess_K* over the air down to *to_K*; NaN where nobody knows."""
    return slowest_s * log(excess_K / to_K) if excess_K > to_K else 0.0
