"""The fitted line of a coil against temperature with its band and limits, as points to draw or to hand on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.arrays import FloatArray
from analysis.model import OK, OVER_RANGE, CoilResult, Limits, Trace
from analysis.physics.copper import REFERENCE_DEGC, resistance_factor

#: Points of a line: its band is curved.
_POINTS = 25


@dataclass(frozen=True)
class FittedLine:
    """Resistance against probe temperature as judged; every array has shape (n,), or (0,) where not known.

    *expanded_u_ohm* is U of the line. *limit_low_ohm* and *limit_high_ohm* are the limits of R20, along the
    copper law.
    """

    probe_degC: FloatArray
    resistance_ohm: FloatArray
    expanded_u_ohm: FloatArray
    limit_low_ohm: FloatArray
    limit_high_ohm: FloatArray


def fitted_line(result: CoilResult, trace: Trace, limits: Limits | None = None) -> FittedLine:
    """Return the line of a coil over all temperatures it was seen at; n is 0 for a coil without any."""
    probe, nothing = trace.probe_degC, np.empty(0)
    seen = (np.isfinite(trace.resistance_ohm) & (trace.status == OK)) | (trace.status == OVER_RANGE)
    reach = np.concatenate([probe[seen], result.point_degC])
    reach = reach[np.isfinite(reach)]
    span = np.linspace(reach.min(), reach.max(), _POINTS) if reach.size else nothing
    line = u = low = high = nothing
    if result.r20_ohm is not None and result.alpha20_per_K is not None:
        line = result.r20_ohm * resistance_factor(span, result.alpha20_per_K)
        u = _expanded_u(result, span)
    if limits is not None and limits.r20_ohm is not None:
        copper = limits.r20_ohm * resistance_factor(span)
        low, high = (copper * (1.0 + sign * limits.r20_tolerance_rel) for sign in (-1.0, 1.0))
    return FittedLine(span, line, u, low, high)


def _expanded_u(result: CoilResult, probe_degC: FloatArray) -> FloatArray:
    """U of the fitted line at each temperature, in ohms; empty where it is not known."""
    if result.line_cov.shape != (2, 2):
        return np.empty(0)
    at = np.stack((np.ones_like(probe_degC), probe_degC - REFERENCE_DEGC))
    variance: FloatArray = np.einsum("in,ij,jn->n", at, result.line_cov, at)
    u: FloatArray = np.sqrt(np.maximum(variance, 0.0))
    return result.r20_k * u
