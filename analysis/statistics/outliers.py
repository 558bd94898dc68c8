"""Outliers in small samples, by two tests that bear several outliers at once.

One-at-a-time tests are blind to two outliers that widen the scatter together (masking). Generalised
ESD takes the most extreme values off one after another and only then asks how many of the steps were
too large; median and MAD do not notice fewer than half of the values at all. Each alone is too quick
with three to nine values: ESD for so few is a little liberal, MAD of so few is often far too small by
luck. A value counts as outlying only where both say so.

Measured on normal samples of 3 to 9 at a level of 1 %: 1 to 3 samples in a hundred give an outlier
that is none. So an outlier is a hint to look again and convicts nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from statistics import median
from typing import Literal

import numpy as np
from scipy.special import stdtrit

from analysis.arrays import FloatArray

#: Standard deviation of a normal distribution over its median absolute deviation, 1/Phi^-1(3/4).
MAD_TO_SIGMA = 1.482602218505602
#: Further from the median than this many robust standard deviations is outlying
#: (Iglewicz and Hoaglin, How to Detect and Handle Outliers, ASQC 1993).
MAD_LIMIT = 3.5
#: Level of significance of the extreme deviates.
LEVEL = 0.01
#: Fewer values tell no scatter without the one in question.
LEAST = 3


def critical_deviate(n: int, level: float) -> float:
    """Return what the largest of *n* deviates over their standard deviation exceeds by chance, at *level*.

    Two-sided: (n-1) t / sqrt((n-2+t^2) n), where Student's t of n-2 degrees of freedom is exceeded with
    a probability of level/(2n). Grubbs, Technometrics 11 (1969) 1; one-sided at half the *level*.

    Args:
        n: Number of values, at least 3.
        level: Probability of a false outlier in a normal sample.
    """
    t = float(-stdtrit(n - 2, level / (2 * n)))
    return (n - 1) * t / sqrt((n - 2 + t * t) * n)


def apart_by_scatter(n: int, level: float = LEVEL) -> float:
    """Return how far one of *n* values lies from the mean of the others when chance no longer explains it.

    In standard deviations of the others: t sqrt(n / (n-1)), with t as in :func:`critical_deviate`, whose
    deviates have the value itself in mean and scatter. Arguments as there.
    """
    return float(-stdtrit(n - 2, level / (2 * n))) * sqrt(n / (n - 1))


def extreme_deviates(
    values: Sequence[float], most: int, *, least_scatter: float = 0.0
) -> list[tuple[int, float]]:
    """Take the *most* extreme values off one after another.

    Args:
        values: The sample, shape (n,).
        most: How many to take off, at most n - 2.
        least_scatter: Standard deviation that is there even where the values show less of it.

    Returns:
        Place in *values* and deviate over the standard deviation of what was left, for each step.
    """
    left = list(range(len(values)))
    steps: list[tuple[int, float]] = []
    for _ in range(most):
        mean = sum(values[k] for k in left) / len(left)
        scatter = sqrt(sum((values[k] - mean) ** 2 for k in left) / (len(left) - 1))
        furthest = max(left, key=lambda k: abs(values[k] - mean))
        deviate = abs(values[furthest] - mean)
        steps.append((furthest, deviate / max(scatter, least_scatter) if deviate > 0.0 else 0.0))
        left.remove(furthest)
    return steps


def outlying_by_esd(
    values: Sequence[float], most: int, *, level: float = LEVEL, least_scatter: float = 0.0
) -> set[int]:
    """Return the places of up to *most* outliers by generalised ESD (Rosner, Technometrics 25 (1983) 165).

    Arguments as for :func:`extreme_deviates`; *level* as for :func:`critical_deviate`.
    """
    steps = extreme_deviates(values, most, least_scatter=least_scatter)
    beyond = [
        step
        for step, (_, deviate) in enumerate(steps)
        if deviate > critical_deviate(len(values) - step, level)
    ]
    # The last step beyond its limit counts, with all before it: those were hidden by the ones after.
    return {place for place, _ in steps[: beyond[-1] + 1]} if beyond else set()


def outlying_by_mad(
    values: Sequence[float], *, limit: float = MAD_LIMIT, least_scatter: float = 0.0
) -> set[int]:
    """Return the places of the values too far from the median for the median absolute deviation."""
    middle = median(values)
    scatter = max(MAD_TO_SIGMA * median(abs(value - middle) for value in values), least_scatter)
    return {place for place, value in enumerate(values) if abs(value - middle) > limit * scatter}


def outlying(values: Sequence[float], *, least_scatter: float = 0.0) -> set[int]:
    """Return the places of values that both tests call outlying; none below three values.

    Args:
        values: The sample, shape (n,). Fewer than half of it can be outlying.
        least_scatter: Standard uncertainty of a value: agreement closer than this is luck.
    """
    if len(values) < LEAST:
        return set()
    by_esd = outlying_by_esd(values, (len(values) - 1) // 2, least_scatter=least_scatter)
    return by_esd & outlying_by_mad(values, least_scatter=least_scatter)


def running_median(
    values: FloatArray, width: int, ends: Literal["reflect", "edge"] = "reflect"
) -> FloatArray:
    """Median of each value and its neighbours, shape (n,).

    Args:
        values: Shape (n,), at least *width* of them, all finite.
        width: How many values, an odd number.
        ends: What stands beyond the ends: the values mirrored, or the last one on and on.
    """
    padded = np.pad(values, width // 2, mode=ends)
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1))
