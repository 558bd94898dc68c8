"""Where did a steady series step: the best split into two means, and how sure that is.

Every split has been tried, so the F ratio of the best one is larger than that of a split chosen
beforehand. Its chance is bounded by the sum over all splits (Boole), which is true of independent
normal noise whatever the length, and errs on the careful side. Where the series stepped is told by an
interval of all splits that are hardly worse, by the likelihood ratio (Hansen, Econometrica 68 (2000)
575, whose limit is that of small steps; larger ones are held more often than promised).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, sqrt

import numpy as np
from scipy.special import stdtr

from analysis.arrays import FloatArray

#: 95 % point of Hansen's limit distribution (1 - exp(-x/2))^2.
_RATIO_95 = -2.0 * log(1.0 - sqrt(0.95))


@dataclass(frozen=True)
class Step:
    """The best split of a series.

    Attributes:
        at: Place of the first value after the step.
        earliest: First place of the 95 % interval of *at*.
        latest: Last place of that interval.
        before: Mean before.
        after: Mean after.
        u: Standard uncertainty of *after* - *before*, from the scatter about the two means.
        squares: Sum of squares left over by the two means.
        f: F ratio of the split, with 1 and n - 2 degrees of freedom.
        chance: At most this likely to be so large at the best of all splits of a series without a step.
    """

    at: int
    earliest: int
    latest: int
    before: float
    after: float
    u: float
    squares: float
    f: float
    chance: float

    @property
    def size(self) -> float:
        """How far the mean went up."""
        return self.after - self.before


def best_split(values: FloatArray, *, least: int = 2, least_scatter: float = 0.0) -> Step | None:
    """Split a series into two means by least squares.

    Args:
        values: Equally good readings in order, shape (n,).
        least: How many values there must be on either side.
        least_scatter: Standard deviation that is there even where the values show less of it.

    Returns:
        The best split, significant or not; None where the series is too short or does not vary.
    """
    n = values.size
    if n < max(2 * least, 3):
        return None
    centred = values - values.mean()
    total = float(centred @ centred)
    if not total > 0.0:
        return None
    splits = np.arange(least, n - least + 1)
    explained = np.cumsum(centred)[splits - 1] ** 2 * n / (splits * (n - splits))
    best = int(np.argmax(explained))
    at = int(splits[best])
    before, after = float(values[:at].mean()), float(values[at:].mean())
    # By the residuals: total less explained loses its digits where the step is nearly all there is.
    rest = np.concatenate([values[:at] - before, values[at:] - after])
    squares = float(rest @ rest)
    variance = max(squares / (n - 2), least_scatter**2, 1e-30 * total)
    f = float(explained[best]) / variance
    near = splits[(explained[best] - explained) / variance <= _RATIO_95]
    return Step(
        at=at,
        earliest=int(near[0]),
        latest=int(near[-1]),
        before=before,
        after=after,
        u=sqrt(variance * (1.0 / at + 1.0 / (n - at))),
        squares=squares,
        f=f,
        chance=min(1.0, splits.size * 2.0 * float(stdtr(n - 2, -sqrt(f)))),
    )
