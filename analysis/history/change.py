"""What became of one coil from one run to a later one, with the uncertainty of the difference.

Two results of the same instruments share most of their errors, and what is shared cancels. How much is
shared is told by the record, not assumed: see :class:`Shared`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np

from analysis.model import OWN_HEAT, CoilResult
from analysis.physics.copper import resistance_factor
from analysis.statistics.budget import (
    LEVEL,
    Budget,
    Component,
    Source,
    budget,
    coverage_factor,
    effective_dof,
)
from analysis.statistics.outliers import MAD_TO_SIGMA
from analysis.trace.contributions import JOINT, OF_WIRE, R20

#: Correlation of an instrument's error in one run with its error in another. What a data sheet allows over
#: a year is about three times what it allows over a day (common practice, no source): so a third of the
#: standard uncertainty, a ninth of the variance, is anew in each run, and the rest is the instrument's own.
LASTING = 8.0 / 9.0
_OF_METER = ("meter gain", "meter offset")
_OF_PROBE = ("probe offset", "probe gain")
#: Coils that move alike are told from those that do not by so many robust standard deviations.
_ALIKE_SIGMAS = 3.5
#: Fewer cannot outvote one.
LEAST_ALIKE = 3


@dataclass(frozen=True)
class Shared:
    """Which instruments two runs are known to have in common; one that is not known is taken for another."""

    meter: bool
    probe: bool


@dataclass(frozen=True)
class Read:
    """A cold reading as it stood on the meter, before it was referred to 20 degC."""

    ohm: float
    probe_degC: float


@dataclass(frozen=True)
class Change:
    """One coil from run *first* to run *second*, counted from 0.

    Attributes:
        r20: Budget of the change of R20 in ohms, None where one of the two has none.
        r20_share: This change over R20 before, None without it.
        r20_share_own_u: Standard uncertainty of that share but for what instruments and wire add, which moves
            a set alike.
        joint: The same as *r20* of the joint.
        before, after: What was read, None where no settled reading stands behind R20.
        by_temperature_ohm: What copper owes to the difference of the two temperatures, None without both.
        with_set: Whether most of the set moved by the same share, so that it is no change of this coil.
        looks: Of how many changes of this coil it is asked whether they are beyond chance.
    """

    first: int
    second: int
    r20: Budget | None = None
    r20_share: float | None = None
    r20_share_own_u: float = 0.0
    joint: Budget | None = None
    before: Read | None = None
    after: Read | None = None
    by_temperature_ohm: float | None = None
    with_set: bool = False
    looks: int = 1

    @property
    def read_ohm(self) -> float | None:
        """What the meter showed more than before, None without both readings."""
        return None if self.before is None or self.after is None else self.after.ohm - self.before.ohm

    @property
    def r20_moved(self) -> bool:
        """Whether R20 changed, and not with the set."""
        return not self.with_set and beyond(self.r20, self.looks)

    @property
    def joint_moved(self) -> bool:
        """Whether the joint changed, and not with the set."""
        return not self.with_set and beyond(self.joint, self.looks)

    @property
    def significant(self) -> bool:
        """Whether R20 or joint changed, and not with the set."""
        return self.r20_moved or self.joint_moved


@dataclass(frozen=True)
class Paired:
    """Differences of pairs as a whole: their mean, its standard uncertainty and degrees of freedom."""

    n: int
    mean: float
    u: float
    dof: float

    @property
    def expanded_u(self) -> float:
        """U of the mean."""
        return coverage_factor(self.dof) * self.u


def beyond(change: Budget | None, looks: int = 1) -> bool:
    """Whether a change is larger than its expanded uncertainty.

    Args:
        change: The change; None is none.
        looks: Where it is one of so many changes of the same coil, U is that of a level at which all of them
            together are within theirs as often as one alone is within its own (Bonferroni's inequality).
    """
    if change is None:
        return False
    return abs(change.value) > coverage_factor(change.dof, 1.0 - (1.0 - LEVEL) / looks) * change.u


def paired(differences: Sequence[float]) -> Paired:
    """Return what paired differences say as a whole (Student, Biometrika 6 (1908) 1).

    Args:
        differences: After minus before of each pair, at least two.
    """
    values = np.asarray(differences, dtype=np.float64)
    u = float(values.std(ddof=1)) / sqrt(values.size)
    return Paired(values.size, float(values.mean()), u, values.size - 1.0)


def compare_results(first: int, before: CoilResult, second: int, after: CoilResult, shared: Shared) -> Change:
    """Return the change of one coil from run *first* to run *second*."""
    common = _common(before, after, shared)
    was, now = cold_reading(before), cold_reading(after)
    part = None
    if was is not None and now is not None and before.r20_ohm is not None:
        risen = resistance_factor(now.probe_degC) - resistance_factor(was.probe_degC)
        part = before.r20_ohm * risen
    r20, joint = (_difference(result, before, after, common) for result in (R20, JOINT))
    share, own_u = None, 0.0
    if r20 is not None and before.r20_ohm:
        share, own_u = r20.value / before.r20_ohm, _own_u(r20) / before.r20_ohm
    return Change(first, second, r20, share, own_u, joint, was, now, part)


def cold_reading(result: CoilResult) -> Read | None:
    """Return the coldest settled reading of a coil, None where there is none."""
    if not result.point_degC.size:
        return None
    at = int(np.argmin(result.point_degC))
    return Read(float(result.point_ohm[at]), float(result.point_degC[at]))


def moved_alike(changes: Sequence[Change]) -> tuple[Paired, frozenset[int]] | None:
    """Return by which share of R20 most coils moved together, and which did, by place in *changes*.

    One temperature or lead that is not what it was moves a whole set; coils of one set do not change alike
    by themselves. None where too few could be compared, or where no more than half moved by more than U.
    """
    shares = {n: each.r20_share for n, each in enumerate(changes) if each.r20_share is not None}
    if len(shares) < LEAST_ALIKE:
        return None
    middle = float(np.median(list(shares.values())))
    spread = MAD_TO_SIGMA * float(np.median([abs(share - middle) for share in shares.values()]))
    # Shares that agree better than they are known agree by luck, or by the digits of the meter.
    spread = max(spread, float(np.median([changes[n].r20_share_own_u for n in shares])))
    alike = {n: share for n, share in shares.items() if abs(share - middle) <= _ALIKE_SIGMAS * spread}
    moved = [n for n in alike if beyond(changes[n].r20)]
    if len(alike) < LEAST_ALIKE or 2 * len(moved) <= len(shares):
        return None
    return paired(list(alike.values())), frozenset(alike)


def _own_u(change: Budget) -> float:
    """Standard uncertainty of a change but for what instruments and wire add."""
    shared = {*_OF_METER, *_OF_PROBE, OF_WIRE}
    return hypot(*(part.sensitivity * part.u for part in change.components if part.name not in shared))


def _common(before: CoilResult, after: CoilResult, shared: Shared) -> dict[str, float]:
    """Correlations of what two results owe to the same source."""
    common = {OF_WIRE: 1.0}  # it is the same wire
    # A coil that heats itself is read as V/I, by other instruments than the ohmmeter.
    if shared.meter and (before.method == OWN_HEAT) == (after.method == OWN_HEAT):
        common |= dict.fromkeys(_OF_METER, LASTING)
    if shared.probe:
        common |= dict.fromkeys(_OF_PROBE, LASTING)
    return common


def _difference(
    result: str, before: CoilResult, after: CoilResult, common: dict[str, float]
) -> Budget | None:
    was, now = (
        next((each for each in coil.budgets if each.result == result), None) for coil in (before, after)
    )
    if was is None or now is None:
        return None
    return difference(was, now, common)


def difference(before: Budget, after: Budget, common: dict[str, float]) -> Budget:
    """Return the budget of *after* minus *before*, with the correlation of what they have in *common*.

    By JCGM 100, equation 16: what is fully shared and acts alike cancels. Other sources are independent.

    Args:
        before: Budget of the earlier result.
        after: Budget of the later one, in the same unit.
        common: Correlation coefficient by name of source; one that is not named has 0.
    """
    names = dict.fromkeys(part.name for each in (before, after) for part in each.components)
    sources = [
        _joined(
            [part for part in before.components if part.name == name],
            [part for part in after.components if part.name == name],
            common.get(name, 0.0),
            before.unit,
        )
        for name in names
    ]
    return budget(f"change of {before.result}", before.unit, after.value - before.value, sources)


def _joined(before: Sequence[Component], after: Sequence[Component], r: float, unit: str) -> Source:
    """Return one source of a difference from its parts in both results, none or one of each."""
    was, now = (sum(part.sensitivity * part.u for part in parts) for parts in (before, after))
    u = sqrt(max(was * was + now * now - 2.0 * r * was * now, 0.0))
    both: list[Component] = [*before, *after]
    dof = effective_dof(_limited(both)) if u > 0.0 else None
    return Source(both[0].name, "A" if any(each.kind == "A" for each in both) else "B", unit, u, 1.0, dof)


def _limited(parts: Iterable[Component]) -> list[tuple[float, float | None]]:
    return [(abs(part.sensitivity * part.u), part.dof) for part in parts]
