"""Which masses a coil has beside winding and body: orders grown by their evidence, and pooled by it."""

from __future__ import annotations

import numpy as np

from analysis.model import FloatArray
from analysis.network import Order
from analysis.network_data import Data
from analysis.network_fit import COPPER, JOINT, Fitted, extended, first_guess, least_squares

#: An order gets this many evaluations to show that it is worth more.
_GLANCE = 15

#: With every misfit of a round above this, which order leads is luck until all have converged.
_PROMISING = 3.0

#: An order whose -2 log evidence is this much above the best has a share below a millionth.
_HOPELESS = 30.0


def grown(data: Data) -> tuple[list[Fitted], int]:
    """Fit orders of growing size while the evidence rises.

    Returns:
        The orders whose evidence is within reach of the best, best first, and the evaluations spent.
    """
    plain = least_squares(Order(), first_guess(data), data, most=12, tolerance=1.0)
    order = Order(contact=True, lag=True, uneven=True)
    best = least_squares(order, extended(plain, order), data, most=_GLANCE)
    spent, tried = plain.evaluations + best.evaluations, [best]
    while larger := best.order.grown():
        new = [least_squares(order, extended(best, order), data, most=_GLANCE) for order in larger]
        spent += sum(t.evaluations for t in new)
        if min(t.misfit for t in new) > _PROMISING:
            new = [least_squares(t.order, t.value, data) for t in new]
            spent += sum(t.evaluations for t in new)
        tried += new
        leader = min(new, key=lambda t: t.doubt)
        if leader.doubt >= best.doubt:
            break
        best = leader
    limit = best.doubt + _HOPELESS * max(1.0, best.misfit)
    near = [t for t in tried if t.doubt < limit]
    done = [t if t.converged else least_squares(t.order, t.value, data) for t in near]
    spent += sum(d.evaluations for t, d in zip(near, done, strict=True) if d is not t)
    return sorted(done, key=lambda t: t.doubt), spent


def pooled(tried: list[Fitted], full: Fitted) -> tuple[tuple[float, float], FloatArray]:
    """Copper and joint in ohm and their covariance in ohm², shape (2, 2), over all orders by their evidence.

    Args:
        tried: Orders fitted to the condensed rows, best first.
        full: The first of them on all rows.
    """
    pair = [COPPER, JOINT]
    doubt = np.array([t.doubt for t in tried])
    share = np.exp(-0.5 * (doubt - doubt[0]))
    share /= share.sum()
    apart = np.array([t.value[pair] - tried[0].value[pair] for t in tried])
    mean = share @ apart
    cov = np.zeros((2, 2))
    for part, fitted, off in zip(share, tried, apart - mean, strict=True):
        cov += part * (fitted.covariance()[np.ix_(pair, pair)] + np.outer(off, off))
    copper, joint = full.value[pair] + mean
    return (float(copper), float(joint)), cov
