"""Does a coil belong where it stands? Labels mixed up between kinds, parts that stand alone, places changed.

Such a coil is asked for another look, not failed: before a part is called bad it should be the part that its
label says. Whatever else is wrong with it is judged as for a part of the kind it reads like.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import hypot
from statistics import median

from analysis.judge.coil import Examined
from analysis.judge.rules.criteria import Finding
from analysis.judge.rules.reasons import retest
from analysis.judge.rules.verdict import K
from analysis.model import Criterion, Limits
from analysis.statistics.decision import Zone
from analysis.trace.drift import Drift
from analysis.trace.estimate import Measured
from analysis.trace.rows import SHORT_OHM
from analysis.words import say

#: Parts further apart than this factor are no part of each other's kind, whatever is wrong with them
#: (common practice, no source).
NOT_FAR = 1.5


@dataclass(frozen=True)
class Mixed:
    """A coil that reads like one of *kind*; *swapped_with* is the one coil that reads the other way round."""

    kind: str
    finding: Finding
    swapped_with: str = ""


def mixed_up(coils: Sequence[Examined], limits: Mapping[str, Limits]) -> dict[str, Mixed]:
    """Find the coils of a set whose labels should be looked at.

    A coil counts as mixed up if its copper part, or R20 where that is not known, lies outside what its own
    kind reads by more than its expanded uncertainty, and within what exactly one other kind reads. What a
    kind reads is its nominal value with tolerance, else where its parts agree with each other.
    """
    found: dict[str, tuple[Measured, Zone, str, Zone]] = {}
    kinds = list(dict.fromkeys(coil.subject.kind for coil in coils))
    for coil in coils:
        own, value = coil.subject.kind, _best(coil)
        home = _span(coils, own, limits.get(own), without=coil)
        if value is None or home is None or _gap(value.value, home) <= K * value.u:
            continue
        spans = {kind: _span(coils, kind, limits.get(kind)) for kind in kinds if kind != own}
        like = {kind: span for kind, span in spans.items() if span and _gap(value.value, span) == 0.0}
        if len(like) == 1:
            kind, span = next(iter(like.items()))
            found[coil.label] = (value, home, kind, span)
    own_kind = {coil.label: coil.subject.kind for coil in coils}
    reads_like = {label: kind for label, (_, _, kind, _) in found.items()}
    result = {}
    for label, (value, home, kind, span) in found.items():
        back = [c for c, like in reads_like.items() if own_kind[c] == kind and like == own_kind[label]]
        forth = [c for c, like in reads_like.items() if own_kind[c] == own_kind[label] and like == kind]
        other = back[0] if len(back) == len(forth) == 1 else ""
        result[label] = Mixed(kind, _finding(own_kind[label], kind, value, home, span, other), other)
    return result


def alone(coils: Sequence[Examined]) -> dict[str, Finding]:
    """Find the coils of a table without a set that became a kind by themselves, not far from another kind.

    Nothing says what they should read, so what is wrong with them may be what sets them apart.
    """
    kinds: dict[str, list[tuple[str, Measured]]] = {}
    for coil in coils:
        if (best := _best(coil)) is not None:
            kinds.setdefault(coil.subject.kind, []).append((coil.label, best))
    result = {}
    for kind, members in kinds.items():
        (label, value), *others = members
        if others:
            continue
        near = {
            other: median(best.value for _, best in group)
            for other, group in kinds.items()
            if other != kind and len(group) > 1
        }
        near = {o: ohm for o, ohm in near.items() if 1.0 / NOT_FAR < value.value / ohm < NOT_FAR}
        if near:
            other = min(near, key=lambda o: abs(near[o] - value.value))
            beside = ", ".join(name for name, _ in kinds[other])
            criterion = Criterion(
                "label", say("criterion.label"), "ohm", value.value, K * value.u, None, None, "retest"
            )
            off = 100.0 * (value.value / near[other] - 1.0)
            what = say("reason.alone-of-its-kind", ohm=value, off=off, coils=beside, ohms=near[other])
            result[label] = Finding(criterion, retest("alone-of-its-kind", what))
    return result


def changed_places(coils: Sequence[Examined]) -> dict[str, str]:
    """Find the like parts that changed places during a run; the other one by label.

    One went up by what the other came down, and that is what they differ by: each reads after the heat as
    the other did before. Two coils that changed by themselves would have to meet each other's values.
    """
    result: dict[str, str] = {}
    for place, one in enumerate(coils):
        for other in coils[place + 1 :]:
            if one.label not in result and other.label not in result and _exchanged(one, other):
                result |= {one.label: other.label, other.label: one.label}
    return result


def _exchanged(one: Examined, other: Examined) -> bool:
    if one.found.r20 is None or other.found.r20 is None or one.found.r20.value < SHORT_OHM:
        return False
    apart_rel = other.found.r20.value / one.found.r20.value - 1.0
    changes = ((one.cold, other.cold), (one.hot, other.hot))
    return any(up and down and _mirrored(up, down, apart_rel) for up, down in changes)


def _mirrored(up: Drift, down: Drift, apart_rel: float) -> bool:
    """Whether one change is the other's reverse, and the difference of the two coils."""
    u_rel = 3.0 * hypot(up.u_rel, down.u_rel)
    seen = min(abs(up.change_rel), abs(down.change_rel)) > u_rel
    # What they read before is known the worse, the more of the change is in it.
    most_rel = max(u_rel, abs(up.change_rel) / 4.0)
    return (
        seen and abs(up.change_rel + down.change_rel) <= u_rel and abs(apart_rel - up.change_rel) <= most_rel
    )


def _best(coil: Examined) -> Measured | None:
    """The copper part where it is known: a joint makes no other kind of a coil."""
    return coil.found.parts.copper if coil.found.parts else coil.found.r20


def _gap(value: float, span: Zone) -> float:
    return max(span.low - value, value - span.high, 0.0)


def _span(
    coils: Sequence[Examined], kind: str, limits: Limits | None, without: Examined | None = None
) -> Zone | None:
    """What parts of *kind* read in ohms; None where neither a maker nor two parts tell."""
    limits = limits or Limits(kind)
    if limits.r20_ohm is not None:
        return Zone(limits.r20_ohm, limits.r20_ohm).drawn_in(-limits.r20_tolerance_rel * limits.r20_ohm)
    known = [
        best.value
        for coil in coils
        if coil is not without and coil.subject.kind == kind and (best := _best(coil)) is not None
    ]
    agreed = [value for value in known if abs(value - median(known)) <= limits.peer_max_ohm]
    if len(agreed) < 2 or 2 * len(agreed) <= len(known):
        return None
    return Zone(min(agreed), max(agreed)).drawn_in(-limits.peer_max_ohm)


def _finding(own: str, kind: str, value: Measured, home: Zone, span: Zone, other: str) -> Finding:
    criterion = Criterion(
        "label", say("criterion.label"), "ohm", value.value, K * value.u, home.low, home.high, "retest"
    )
    what = say(
        "reason.label-mixed-up",
        ohm=value,
        like=kind,
        low=span.low,
        high=span.high,
        own=own,
        swapped=say("reason.label-swapped", coil=other) if other else "",
    )
    return Finding(criterion, retest("label-mixed-up", what))
