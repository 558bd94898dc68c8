"""Risks of a decision by JCGM 106:2012: how likely a verdict is wrong, for one item and for many.

A value *y* with standard uncertainty *u* leaves the measurand normal about *y* (JCGM 106, 7.2; nothing
is taken for known beforehand, 7.2.1 note). JCGM 106 has nothing else; where few degrees of freedom stand
behind *u*, the measurand is here as the t distribution of these about *y* (JCGM 101:2008, 6.4.9, from
memory), which has the normal one as its limit and makes k of the guard band and the risk agree. How
often a rule goes wrong over many items needs in addition how the items are spread (JCGM 106, 9).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import inf, isfinite, pi, sqrt

import numpy as np
from scipy.special import ndtr, stdtr

from analysis.statistics.budget import whole_dof

#: Gauss-Legendre nodes and weights for one smooth piece of an integrand.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(40)
#: Where a normal distribution bends, in standard deviations; beyond the last nothing is left (1e-23).
_BENDS = (-10.0, -6.0, -3.0, -1.0, 0.0, 1.0, 3.0, 6.0, 10.0)


@dataclass(frozen=True)
class Zone:
    """From *low* to *high*, both included; infinite where there is no limit."""

    low: float = -inf
    high: float = inf

    @classmethod
    def between(cls, low: float | None, high: float | None) -> Zone:
        """Return the zone within limits that are None where there is none."""
        return cls(-inf if low is None else low, inf if high is None else high)

    def drawn_in(self, guard: float) -> Zone:
        """Return the zone with each limit moved inwards by *guard*; outwards where it is negative."""
        return Zone(self.low + guard, self.high - guard)


@dataclass(frozen=True)
class Process:
    """How items are spread before anyone measures them: normal, with mean and standard deviation."""

    mean: float
    sd: float


@dataclass(frozen=True)
class GlobalRisks:
    """Shares of all items, 0 to 1.

    *false_accept*: outside tolerance, yet accepted (consumer's risk R_C of JCGM 106, 9.5.2).
    *false_reject*: within tolerance, yet not accepted (producer's risk R_P, 9.5.3).
    """

    false_accept: float
    false_reject: float


def conformance(value: float, u: float, tolerance: Zone, dof: float | None = None) -> float:
    """Return the probability that what was measured lies in *tolerance* (JCGM 106, 7.3 and 7.4).

    Args:
        value: Measured value.
        u: Its standard uncertainty in the same unit; with zero the value is the truth.
        tolerance: The tolerance zone.
        dof: Degrees of freedom behind *u*, None for endless.

    Raises:
        ValueError: *u* is negative.
    """
    low, high = _standardized(value, u, tolerance)
    if low > 0.0:  # both limits in one tail: take the difference there, where it is small and exact
        low, high = -high, -low
    return _below(high, dof) - _below(low, dof)


def nonconformance(value: float, u: float, tolerance: Zone, dof: float | None = None) -> float:
    """Return the probability that what was measured lies outside *tolerance*; arguments as `conformance`.

    It is one less :func:`conformance`, but exact also where that rounds to one.

    Raises:
        ValueError: *u* is negative.
    """
    low, high = _standardized(value, u, tolerance)
    return _below(low, dof) + _below(-high, dof)


def _below(at: float, dof: float | None) -> float:
    """The share of the t distribution, or of the normal one, below *at* standard uncertainties."""
    if dof is None or not isfinite(at):
        return float(ndtr(at))
    return float(stdtr(whole_dof(dof), at))


def _standardized(value: float, u: float, tolerance: Zone) -> tuple[float, float]:
    if u < 0.0:
        raise ValueError(f"decision: expected a standard uncertainty of at least 0, got {u}")
    if u == 0.0:
        return (inf if value < tolerance.low else -inf), (-inf if value > tolerance.high else inf)
    return (tolerance.low - value) / u, (tolerance.high - value) / u


def wrong_risk(
    outcome: str, value: float, u: float, tolerance: Zone, dof: float | None = None
) -> float | None:
    """Return the probability that a pass or a fail of *value* is wrong; None for anything else.

    This is the specific risk of JCGM 106, 9.2: of a pass that the truth is outside, of a fail that it
    is within.
    """
    if outcome == "pass":
        return nonconformance(value, u, tolerance, dof)
    return conformance(value, u, tolerance, dof) if outcome == "fail" else None


def combined_risk(verdict: str, risks: Iterable[tuple[str, float | None]]) -> float | None:
    """Return the most that the risk of a coil's verdict can be, from those of its criteria.

    Criteria share instruments and are not independent, so bounds are taken that hold whatever they
    share: a pass is wrong if any of its passes is (their sum), a fail only if all its fails are (the
    least of them).

    Args:
        verdict: The verdict of the whole.
        risks: Outcome and risk by criterion, None where a criterion has none.

    Returns:
        Between 0 and 1; None for a retest, or where no criterion behind the verdict has a risk.
    """
    known = [risk for outcome, risk in risks if outcome == verdict and risk is not None]
    if not known or verdict not in {"pass", "fail"}:
        return None
    return min(1.0, sum(known)) if verdict == "pass" else min(known)


def global_risks(process: Process, u: float, tolerance: Zone, acceptance: Zone) -> GlobalRisks:
    """Return how often a rule goes wrong over all items of *process* (JCGM 106, 9.5, equations 19 and 20).

    Args:
        process: How the items are spread, standard deviation positive.
        u: Standard uncertainty of one measurement, positive.
        tolerance: Where a good item's true value lies.
        acceptance: Where a measured value is accepted.

    Raises:
        ValueError: A standard deviation or uncertainty is not positive.
    """
    if not (process.sd > 0.0 and u > 0.0):
        raise ValueError("decision: expected a positive spread of the process and a positive uncertainty")
    bends = [process.mean + process.sd * at for at in _BENDS]
    least, most = bends[0], bends[-1]
    for limit in (acceptance.low, acceptance.high):
        bends += [limit + u * at for at in _BENDS]
    # Pieces end at the tolerance limits, so that each belongs to one side.
    edges = np.unique(np.clip([*bends, tolerance.low, tolerance.high], least, most))
    half, middle = np.diff(edges) / 2.0, (edges[1:] + edges[:-1]) / 2.0
    x = middle[:, None] + half[:, None] * _NODES
    density = np.exp(-0.5 * ((x - process.mean) / process.sd) ** 2) / (process.sd * sqrt(2.0 * pi))
    rejected = ndtr((acceptance.low - x) / u) + ndtr((x - acceptance.high) / u)
    accepted = ndtr((acceptance.high - x) / u) - ndtr((acceptance.low - x) / u)
    within = (middle > tolerance.low) & (middle < tolerance.high)
    wrong = np.where(within[:, None], rejected, accepted) * density
    share = half * (wrong @ _WEIGHTS)
    return GlobalRisks(float(share[~within].sum()), float(share[within].sum()))
