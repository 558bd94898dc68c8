"""Which masses a coil has beside winding and body: orders grown by their evidence, and pooled by it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.arrays import FloatArray
from analysis.thermal.data import Data
from analysis.thermal.least_squares import (
    COPPER,
    JOINT,
    NETWORK,
    Fitted,
    extended,
    first_guess,
    least_squares,
)
from analysis.thermal.network import Order, layout

#: An order gets this many evaluations to show that it is worth more.
_GLANCE = 15

#: With every misfit of a round above this, which order leads is luck until all have converged.
_PROMISING = 3.0

#: A misfit that no condensed trace of a network that fits has.
_ASTRAY = 1.5

#: How far evidence between orders is trusted. No order is the coil, and full weight would go to whichever
#: bends best round what all of them lack. On invented coils of other builds this restores the coverage.
_TRUST = 0.25

#: An order whose -2 log evidence is this much above the best has a share below one in forty.
_HOPELESS = 30.0


def grown(data: Data) -> tuple[list[Fitted], int]:
    """Fit orders of growing size while the evidence rises.

    Returns:
        The orders whose evidence is within reach of the best, best first, and the evaluations spent.
    """
    plain = least_squares(Order(), first_guess(data), data, most=12, tolerance=1.0)
    spent, tried = plain.evaluations, list[Fitted]()

    def fit(order: Order, *parents: Fitted) -> Fitted:
        nonlocal spent
        ends = [least_squares(order, extended(parent, order), data, most=_GLANCE) for parent in parents]
        if min(t.misfit for t in ends) > _PROMISING:
            ends += [least_squares(order, t.value, data) for t in ends]
        spent += sum(t.evaluations for t in ends)
        tried.append(min(ends, key=lambda t: t.chi2))
        return tried[-1]

    best = fit(Order(contact=True, lag=True, uneven=True), plain)
    parents = [best]
    while larger := best.order.grown():
        # A parent that does not fit is bent by what it lacks: begin from the bare network as well.
        astray = len(parents) > 1 and min(t.misfit for t in parents) > _ASTRAY
        new = [fit(order, *(parents if astray else [best]), *[plain] * astray) for order in larger]
        leader = min(new, key=lambda t: t.doubt)
        if leader.doubt >= best.doubt:
            break
        best, parents = leader, new
    for order in _simpler(best):
        fit(order, best)
    limit = min(t.doubt for t in tried) + _HOPELESS
    near = [t for t in tried if t.doubt < limit]
    done = [t if t.converged else least_squares(t.order, t.value, data) for t in near]
    spent += sum(d.evaluations for t, d in zip(near, done, strict=True) if d is not t)
    return sorted(done, key=lambda t: t.doubt), spent


def _simpler(fitted: Fitted) -> list[Order]:
    """The order without its contact or its probe lag, where the fit does not rule that out."""
    names = [p.name for p in layout(fitted.order).parameters]
    sigma = np.sqrt(np.diag(fitted.covariance()))
    contact, lag = (NETWORK + names.index(name) for name in ("contact", "probe rate"))
    simpler = []
    if abs(fitted.value[contact]) < 4.0 * sigma[contact]:
        simpler.append(replace(fitted.order, contact=False))
    # A lag under a second is none: rows are seldom closer.
    if fitted.value[lag] + 4.0 * sigma[lag] > 0.0:
        simpler.append(replace(fitted.order, lag=False))
    return simpler


def pooled(tried: list[Fitted], full: Fitted) -> tuple[tuple[float, float], FloatArray]:
    """Copper and joint in ohm and their covariance in ohm², shape (2, 2), over all orders by their evidence.

    Args:
        tried: Orders fitted to the condensed rows, best first.
        full: The first of them on all rows.
    """
    pair = [COPPER, JOINT]
    doubt = np.array([t.doubt for t in tried])
    share = np.exp(-0.5 * _TRUST * (doubt - doubt[0]))
    share /= share.sum()
    apart = np.array([t.value[pair] - tried[0].value[pair] for t in tried])
    mean = share @ apart
    cov = np.zeros((2, 2))
    for part, fitted, off in zip(share, tried, apart - mean, strict=True):
        cov += part * (fitted.covariance()[np.ix_(pair, pair)] + np.outer(off, off))
    copper, joint = full.value[pair] + mean
    return (float(copper), float(joint)), cov
