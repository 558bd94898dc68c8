"""Like parts against each other.

The limit between like parts is an absolute one, so no distribution has to be guessed. What has to be
found is who is right: the reference is the largest group of coils that lie within the limit of each
other, if it holds more than half of them. That bears as many bad coils as a median does, and says so
when there is no majority.

A coil may lie within the limit and still be unlike the others. Whether it does is asked of small-sample
tests (:mod:`analysis.statistics.outliers`), whose answer is a hint: no statistics of a handful of coils can
convict one of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import pi, sqrt
from statistics import median

from analysis.statistics.outliers import apart_by_scatter, outlying
from analysis.words import Message, say

#: A coil known so many times worse than most tells nothing of what the others should be.
_BLURRED = 3.0
#: Neighbours in resistance further apart than this are parts of another kind (common practice, no source).
OTHER_KIND_RATIO = 1.15


@dataclass(frozen=True)
class PeerValue:
    """One coil's value for comparison and its standard uncertainty on common instruments, in ohms."""

    value_ohm: float
    u_ohm: float


@dataclass(frozen=True)
class Comparison:
    """One coil against the others.

    Attributes:
        difference_ohm: Own value less the reference; against the nearest like part without a majority.
        u_ohm: Standard uncertainty of the difference.
        others: How many coils the reference rests on.
        majority: Whether a majority of all compared coils agree, so that it is known who is off.
        compared: How many coils there are with this one; two alone can only disagree.
        outlying: Whether it is unlike the majority beyond chance and beyond its own uncertainty, be it
            within the limit or not. Nothing tells that of fewer than three coils, and of three hardly ever.
    """

    difference_ohm: float
    u_ohm: float
    others: int
    majority: bool
    compared: int
    outlying: bool


def compare(peers: Mapping[str, PeerValue], limit_ohm: float) -> dict[str, Comparison]:
    """Compare coils of one kind.

    Args:
        peers: Value by coil; fewer than two give nothing.
        limit_ohm: How far like parts may lie apart.

    Returns:
        One comparison for each coil.
    """
    if len(peers) < 2:
        return {}
    usual_u_ohm = median(peer.u_ohm for peer in peers.values())
    telling = {coil: peer for coil, peer in peers.items() if peer.u_ohm <= _BLURRED * usual_u_ohm}
    agreed = _agreeing(telling, limit_ohm)
    majority = len(agreed) > 1 and 2 * len(agreed) > len(telling)
    unlike = _unlike(peers) if majority else set()
    result: dict[str, Comparison] = {}
    for coil, own in peers.items():
        others = [peers[c] for c in (agreed if majority else list(telling)) if c != coil]
        others = others or [peer for c, peer in peers.items() if c != coil]
        if not majority:
            others = [min(others, key=lambda peer: abs(peer.value_ohm - own.value_ohm))]
        reference = median(peer.value_ohm for peer in others)
        mean_square = sum(peer.u_ohm**2 for peer in others) / len(others)
        # The median of many varies more than their mean, by the root of pi/2.
        u_reference = sqrt(mean_square / len(others) * (pi / 2.0 if len(others) > 2 else 1.0))
        difference, u = own.value_ohm - reference, sqrt(own.u_ohm**2 + u_reference**2)
        beyond = coil in unlike and abs(difference) > 2.0 * u
        result[coil] = Comparison(difference, u, len(others), majority, len(peers), beyond)
    return result


def _unlike(peers: Mapping[str, PeerValue]) -> set[str]:
    """The coils outlying among all; values that agree better than they are known agree by luck."""
    known_ohm = median(peer.u_ohm for peer in peers.values())
    places = outlying([peer.value_ohm for peer in peers.values()], least_scatter=known_ohm)
    return {coil for place, coil in enumerate(peers) if place in places}


def _agreeing(peers: Mapping[str, PeerValue], limit_ohm: float) -> list[str]:
    """The largest group within *limit_ohm* of each other; of several, the one nearest to the median."""
    order = sorted(peers, key=lambda coil: peers[coil].value_ohm)
    middle = median(peer.value_ohm for peer in peers.values())
    groups: list[list[str]] = []
    for first, coil in enumerate(order):
        low = peers[coil].value_ohm
        groups.append([c for c in order[first:] if peers[c].value_ohm - low <= limit_ohm])
    return max(
        groups,
        key=lambda group: (len(group), -abs(median(peers[c].value_ohm for c in group) - middle)),
    )


def provable(count: int, kind: str, limit_ohm: float) -> Message:
    """Say what *count* like parts can and cannot prove of each other, where no maker's value tells.

    Args:
        count: How many coils were compared, at least 2.
        kind: Their kind.
        limit_ohm: How far like parts may lie apart.
    """
    if count == 2:
        return say("note.two-alike", kind=kind, limit=limit_ohm)
    return say(
        "note.some-alike",
        count=count,
        kind=kind,
        # A majority has to be left.
        most=(count - 1) // 2,
        limit=limit_ohm,
        times=apart_by_scatter(count),
    )


def like_parts(values_ohm: Mapping[str, float | None]) -> list[list[str]]:
    """Group coils of unknown kind by the gaps in their resistance.

    Args:
        values_ohm: Copper part or R20 by coil, None where nothing is known.

    Returns:
        Groups of coils, each in the order given; a coil without a value joins the only group there
        is, else stands alone.
    """
    known = {coil: value for coil, value in values_ohm.items() if value is not None and value > 0.0}
    groups: list[list[str]] = []
    last: float | None = None
    for coil in sorted(known, key=lambda c: known[c]):
        if last is None or known[coil] > OTHER_KIND_RATIO * last:
            groups.append([])
        groups[-1].append(coil)
        last = known[coil]
    unknown = [coil for coil in values_ohm if coil not in known]
    if len(groups) == 1:
        groups[0] += unknown
    else:
        groups += [[coil] for coil in unknown]
    return [_in_order(group, list(values_ohm)) for group in groups]


def _in_order(group: Sequence[str], order: Sequence[str]) -> list[str]:
    return sorted(group, key=order.index)
