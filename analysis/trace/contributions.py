"""What R20 and joint of a coil owe their uncertainty to, as budgets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from analysis.arrays import FloatArray
from analysis.model import Accuracy
from analysis.physics.copper import ALPHA20_PER_K, ALPHA20_U_PER_K
from analysis.statistics.budget import Budget, Kind, Source, budget

R20, JOINT = "R20", "joint"
OF_WIRE = "alpha20 of the wire"
#: How far winding and probe may still differ at a settled step (standard uncertainty, common practice).
REST_K = 0.1
_TO_JOINT = np.array([1.0, -1.0 / ALPHA20_PER_K])


@dataclass(frozen=True)
class Scatter:
    """What the fit itself leaves uncertain: covariance of R20 and slope, shape (2, 2).

    *kind* is A with *dof* where the scatter of the points set it, B where their stated noise did.
    """

    name: str
    covariance: FloatArray
    kind: Kind
    dof: float | None = None


@dataclass(frozen=True)
class Shift:
    """An error common to all readings, standard uncertainty *u* in *unit*.

    *r20* and *slope* are what one unit of it does to R20 in ohms and to the slope in ohms a kelvin.
    """

    name: str
    unit: str
    u: float
    r20: float
    slope: float


def common_shifts(r20_ohm: float, slope: float, accuracy: Accuracy) -> list[Shift]:
    """Return the errors that meter and probe bring to every reading of a run alike."""
    return [
        Shift("meter gain", "1", accuracy.gain_rel, r20_ohm, slope),
        Shift("meter offset", "ohm", accuracy.offset_ohm, 1.0, 0.0),
        Shift("two-wire contacts", "ohm", accuracy.contact_ohm, 1.0, 0.0),
        Shift("leads not nulled", "ohm", accuracy.leads_ohm, 1.0, 0.0),
        Shift("probe offset", "K", accuracy.probe_K, -slope, 0.0),
        Shift("probe gain", "1", accuracy.probe_gain_rel, 0.0, -slope),
    ]


def line_budgets(
    r20_ohm: float, slope: float, scatter: Scatter, shifts: Sequence[Shift]
) -> tuple[Budget, Budget]:
    """Return the budgets of R20 and of the joint, both in ohms.

    Args:
        r20_ohm: Resistance at 20 degC.
        slope: Ohms a kelvin.
        scatter: What the fit leaves uncertain.
        shifts: Errors common to all readings, independent of each other.
    """
    copper = slope / ALPHA20_PER_K
    variances = scatter.covariance[0, 0], _TO_JOINT @ scatter.covariance @ _TO_JOINT
    r20, joint = (
        [Source(scatter.name, scatter.kind, "ohm", sqrt(max(float(variance), 0.0)), 1.0, scatter.dof)]
        for variance in variances
    )
    for shift in shifts:
        r20.append(Source(shift.name, "B", shift.unit, shift.u, shift.r20))
        to_joint = shift.r20 - shift.slope / ALPHA20_PER_K
        joint.append(Source(shift.name, "B", shift.unit, shift.u, to_joint))
    joint.append(Source(OF_WIRE, "B", "1/K", ALPHA20_U_PER_K, copper / ALPHA20_PER_K))
    return budget(R20, "ohm", r20_ohm, r20), budget(JOINT, "ohm", r20_ohm - copper, joint)


def budget_at_best(r20_ohm: float, accuracy: Accuracy) -> Budget:
    """Return the budget of R20 in ohms, were it *r20_ohm* and read at 20 degC until noise is nothing."""
    noise = Source("noise of the readings", "B", "ohm", 0.0, 1.0)
    return single_budget(r20_ohm, 0.0, ALPHA20_PER_K * r20_ohm, noise, 0.0, accuracy)


def single_budget(
    r20_ohm: float,
    above_20_K: float,
    per_K: float,
    noise: Source,
    probe_noise_K: float,
    accuracy: Accuracy,
) -> Budget:
    """Return the budget of R20 in ohms from readings at one temperature.

    Args:
        r20_ohm: Resistance at 20 degC.
        above_20_K: How far above 20 degC it was measured.
        per_K: What a kelvin too much at the probe does to R20, in ohms.
        noise: What the readings' noise leaves.
        probe_noise_K: What noise of the probe's readings leaves, standard uncertainty.
        accuracy: What meter and probe can be trusted to.
    """
    sources = [
        noise,
        Source("noise of the probe", "B", "K", probe_noise_K, -per_K),
        Source("winding against probe at rest", "B", "K", REST_K, -per_K),
        Source("probe offset", "B", "K", accuracy.probe_K, -per_K),
        Source("meter gain", "B", "1", accuracy.gain_rel, r20_ohm),
        Source("meter offset", "B", "ohm", accuracy.offset_ohm, 1.0),
        Source("two-wire contacts", "B", "ohm", accuracy.contact_ohm, 1.0),
        Source("leads not nulled", "B", "ohm", accuracy.leads_ohm, 1.0),
        Source(OF_WIRE, "B", "1/K", ALPHA20_U_PER_K, -r20_ohm * above_20_K),
    ]
    return budget(R20, "ohm", r20_ohm, sources)
