"""Between what limits a stated share of like coils lies, with a stated confidence, from a sample of them.

Two intervals: one for a normal distribution, mean and standard deviation with a factor, and one by ranks that
assumes no distribution and needs more values. Values that stand apart are set aside for both, since they are
coils to look at and none to make limits of; the share is then that of coils like the others.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import bdtr, chdtrc, chndtrix

from analysis.arrays import FloatArray
from analysis.statistics.outliers import LEVEL, MAD_LIMIT, critical_deviate, outlying, outlying_by_mad

#: Fewer values show no distribution, and limits made of them say little (common practice, no source).
LEAST = 20
#: Of more values the median deviation is no matter of luck any more, and the slower test is not needed.
_MANY = 200
#: Nodes for an integral over the error of the mean, in its standard deviations; beyond nine there is nothing.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(80)
_FURTHEST = 9.0
#: More values than this nobody has.
_MOST = 10**8


@dataclass(frozen=True)
class Interval:
    """From *low* to *high*, in the unit of the sample."""

    low: float
    high: float


@dataclass(frozen=True)
class Tolerance:
    """Tolerance intervals of a sample.

    *outlying* are places in the sample that were set aside, *n* counts the others. *normal* is *mean* and
    *factor* times *sd*; *by_rank* goes from the *rank*-th smallest to the *rank*-th largest value, and is
    None where n is below *least_by_rank*.
    """

    content: float
    confidence: float
    n: int
    outlying: tuple[int, ...]
    mean: float
    sd: float
    factor: float
    normal: Interval
    rank: int
    by_rank: Interval | None
    least_by_rank: int

    @property
    def best(self) -> Interval:
        """The interval that assumes less, where there are enough values for it."""
        return self.by_rank or self.normal


def tolerance(values: FloatArray, content: float = 0.95, confidence: float = 0.95) -> Tolerance:
    """Return both tolerance intervals of *values*.

    Args:
        values: A sample, shape (m,), finite, at least :data:`LEAST` of them after those set aside.
        content: Share of all that is to lie in the interval.
        confidence: How often intervals made like this hold that share, over samples of the same size.

    Raises:
        ValueError: Too few values.
    """
    apart = outlying_values(values)
    kept = np.sort(np.delete(values, list(apart)))
    n = kept.size
    if n < LEAST:
        raise ValueError(f"{n} values, expected at least {LEAST}")
    mean, sd = float(kept.mean()), float(kept.std(ddof=1))
    factor, rank = normal_factor(n, content, confidence), rank_left_out(n, content, confidence)
    return Tolerance(
        content=content,
        confidence=confidence,
        n=n,
        outlying=tuple(sorted(apart)),
        mean=mean,
        sd=sd,
        factor=factor,
        normal=Interval(mean - factor * sd, mean + factor * sd),
        rank=rank,
        by_rank=Interval(float(kept[rank - 1]), float(kept[n - rank])) if rank else None,
        least_by_rank=least_by_rank(content, confidence),
    )


def outlying_values(values: FloatArray) -> set[int]:
    """Return the places of values that stand apart from the others; of sound normal ones hardly any do.

    Up to 200 values both tests of :mod:`analysis.statistics.outliers` have to say so. Of more, the distance
    from the median has to be beyond what the largest of that many deviates comes to by chance.
    """
    listed = values.tolist()
    if len(listed) <= _MANY:
        return outlying(listed)
    return outlying_by_mad(listed, limit=max(MAD_LIMIT, critical_deviate(len(listed), LEVEL)))


def normal_factor(n: int, content: float, confidence: float) -> float:
    """Return k of the two-sided tolerance interval mean +- k standard deviations of a normal sample.

    The exact factor (ISO 16269-6, annex; Wald and Wolfowitz, Ann. Math. Stat. 17 (1946) 208): over the error
    of the mean is integrated how probable a standard deviation large enough to hold *content* is.

    Args:
        n: Number of values, at least 2.
        content: Share of the distribution that is to lie in the interval.
        confidence: Probability that it does.
    """
    off = _FURTHEST * (_NODES + 1.0) / 2.0
    weights = _FURTHEST * _WEIGHTS * np.exp(-off * off / 2.0) / np.sqrt(2.0 * np.pi)
    # Half the width that holds the content, squared: a quantile of a noncentral chi-square of one degree.
    needed = chndtrix(content, 1.0, off * off / n)

    def excess(k: float) -> float:
        return float(weights @ chdtrc(n - 1.0, (n - 1.0) * needed / (k * k))) - confidence

    least = float(np.sqrt(needed[0])) / 2.0
    most = 2.0 * least
    while excess(most) < 0.0:
        most *= 2.0
    return float(brentq(excess, least, most, xtol=1e-12, rtol=1e-14))


def rank_confidence(n: int, left_out: int, content: float) -> float:
    """Return how surely at least *content* of any distribution lies within ranks of a sample of *n*.

    A sample parts what it is from into n + 1 blocks, whose shares have the same distribution whatever that of
    the values is (Wilks, Ann. Math. Stat. 12 (1941) 91).

    Args:
        n: Number of values.
        left_out: Blocks that are not counted: 2 from smallest to largest, 1 for all above the smallest.
        content: Share that is to lie in the others.
    """
    return float(bdtr(n - left_out, n, content)) if n >= left_out else 0.0


def rank_left_out(n: int, content: float, confidence: float) -> int:
    """Return the largest r for which the r-th smallest to the r-th largest of *n* will do, else 0."""
    ranks = range(1, n // 2 + 1)
    return bisect_left(ranks, True, key=lambda r: rank_confidence(n, 2 * r, content) < confidence)


def least_by_rank(content: float, confidence: float) -> int:
    """Return how many values are needed so that their smallest and largest will do."""
    sizes = range(2, _MOST)
    return sizes[bisect_left(sizes, True, key=lambda n: rank_confidence(n, 2, content) >= confidence)]
