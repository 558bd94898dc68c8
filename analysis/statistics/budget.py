"""Uncertainty budgets by JCGM 100:2008: what a result's uncertainty is made of, and what k makes of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, hypot, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

#: Level of confidence at which k is 2 for a normal distribution (JCGM 100, table G.2).
LEVEL = 0.9545

#: A: from the scatter of the readings themselves. B: from anything else (JCGM 100, 4.2 and 4.3).
Kind = Literal["A", "B"]


@dataclass(frozen=True)
class Source:
    """One thing that a result depends on: its standard uncertainty *u* in *unit*, and what it does.

    *sensitivity* is the partial derivative of the result, in the result's unit a *unit*. *dof* are
    the degrees of freedom behind *u*, None where it is taken for exactly known.
    """

    name: str
    kind: Kind
    unit: str
    u: float
    sensitivity: float
    dof: float | None = None


@dataclass(frozen=True)
class Component(Source):
    """A source within a budget; *share* is its part of the variance, all of them 1 together."""

    share: float = 0.0


@dataclass(frozen=True)
class Budget:
    """The uncertainty of one result with its parts.

    Attributes:
        result: What it is the budget of.
        unit: Unit of *value*, *u* and *expanded_u*.
        value: The result.
        components: Its parts, the largest share first.
        u: Combined standard uncertainty.
        dof: Effective degrees of freedom, None where there is no end to them.
        k: Coverage factor for 95.45 % from the t distribution.
        expanded_u: k times u.
    """

    result: str
    unit: str
    value: float
    components: tuple[Component, ...]
    u: float
    dof: float | None
    k: float
    expanded_u: float


def budget(
    result: str,
    unit: str,
    value: float,
    sources: Sequence[Source],
    *,
    correlation: NDArray[np.float64] | None = None,
    dof: float | None = None,
) -> Budget:
    """Combine *sources* by the law of propagation (JCGM 100, equations 10 and 13).

    Args:
        result: What it is.
        unit: Its unit.
        value: The result itself.
        sources: Its parts; those that change nothing are left out.
        correlation: Correlation coefficients of the sources, shape (n, n); None: independent.
        dof: Effective degrees of freedom where they are known otherwise, as from a common fit. Without
            it they come from the formula of Welch and Satterthwaite, which wants independent sources.

    Raises:
        ValueError: An uncertainty is negative, or the correlations do not belong to the sources.
    """
    if any(source.u < 0.0 for source in sources):
        raise ValueError(f"budget of {result}: expected standard uncertainties of at least 0")
    n = len(sources)
    mutual = np.eye(n) if correlation is None else correlation
    if mutual.shape != (n, n) or (n and float(np.abs(mutual).max()) > 1.0 + 1e-9):
        raise ValueError(f"budget of {result}: expected {n} by {n} correlations within -1 and 1")
    parts = np.array([source.sensitivity * source.u for source in sources])
    # In units of the largest part, whose square may be too small or large for a number.
    largest = float(np.abs(parts).max(initial=0.0)) or 1.0
    parts = parts / largest
    variances = parts * (mutual @ parts)
    total = max(float(variances.sum()), 0.0)
    u = largest * sqrt(total)
    if dof is None and correlation is None:
        dof = effective_dof(
            [(abs(float(part)), source.dof) for part, source in zip(parts, sources, strict=True)]
        )
    components = [
        Component(**vars(source), share=float(variance) / total)
        for source, part, variance in zip(sources, parts, variances, strict=True)
        if total > 0.0 and part != 0.0
    ]
    k = coverage_factor(dof)
    components.sort(key=lambda component: -component.share)
    return Budget(result, unit, value, tuple(components), u, dof, k, k * u)


def effective_dof(parts: Sequence[tuple[float, float | None]]) -> float | None:
    """Return the effective degrees of freedom by Welch and Satterthwaite (JCGM 100, equation G.2b).

    Args:
        parts: Of each independent part, its standard uncertainty in the result and its degrees of
            freedom, None for endless.

    Returns:
        None where no part has an end to its degrees of freedom.
    """
    total = hypot(*(u for u, _ in parts))
    limited = sum((u / total) ** 4 / dof for u, dof in parts if dof is not None and u > 0.0)
    return 1.0 / limited if limited > 0.0 else None


def coverage_factor(dof: float | None, level: float = LEVEL) -> float:
    """Return k for a two-sided interval of *level* from the t distribution (JCGM 100, G.3).

    Args:
        dof: Degrees of freedom, cut down to the next whole number (JCGM 100, G.4.1); None for endless.
        level: Level of confidence; the usual one gives k = 2 for endless degrees of freedom.
    """
    if dof is None and level == LEVEL:
        return 2.0
    from scipy.special import stdtrit  # a quarter of a second, and a check of the bench needs none

    return float(stdtrit(np.inf if dof is None else whole_dof(dof), 0.5 + level / 2.0))


def whole_dof(dof: float) -> int:
    """Return degrees of freedom cut down to a whole number, at least 1 (JCGM 100, G.4.1)."""
    # What rounding took from a whole number is not cut off; beyond a million nothing changes.
    return max(1, floor(min(dof, 1e6) * (1.0 + 1e-12)))
