"""Tolerance intervals against published factors and sample sizes, and against their own promise."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
from scipy.special import chdtri, ndtr, ndtri

from analysis.statistics.tolerance import (
    LEAST,
    least_by_rank,
    normal_factor,
    outlying_values,
    rank_confidence,
    rank_left_out,
    tolerance,
)


def howe(n: int, content: float, confidence: float) -> float:
    """Howe's approximation (J. Am. Stat. Assoc. 64 (1969) 610), as NIST/SEMATECH handbook 7.2.6.3 has it."""
    return float(ndtri((1 + content) / 2) * sqrt((n - 1) * (1 + 1 / n) / chdtri(n - 1, confidence)))


def test_the_worked_example_of_the_nist_handbook() -> None:
    """43 wafers, 90 % content, 99 % confidence: chi-square 23.650, and Howe's k beside the exact one.

    NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3 (sizes, from memory); 23.650 from any table of
    chi-square (0.01, 42), k = 1.645 sqrt(42 (1 + 1/43) / 23.650) computed from the definition.
    """
    assert float(chdtri(42, 0.99)) == pytest.approx(23.650, abs=5e-4)
    assert howe(43, 0.90, 0.99) == pytest.approx(2.2173, abs=5e-5)
    assert normal_factor(43, 0.90, 0.99) == pytest.approx(howe(43, 0.90, 0.99), rel=0.003)


@pytest.mark.parametrize(
    ("n", "k"), [(2, 36.519), (5, 5.077), (10, 3.393), (20, 2.760), (50, 2.382), (100, 2.234)]
)
def test_exact_factors_for_95_95(n: int, k: float) -> None:
    """Two-sided factors for 95 % content and confidence (Odeh and Owen 1980; ISO 16269-6: from memory)."""
    assert normal_factor(n, 0.95, 0.95) == pytest.approx(k, abs=1e-3)


@pytest.mark.parametrize("content", [0.75, 0.95, 0.999])
@pytest.mark.parametrize("confidence", [0.75, 0.95, 0.999])
@pytest.mark.parametrize("n", [20, 93, 1000, 1_000_000])
def test_howe_comes_close_to_the_exact_factor(n: int, content: float, confidence: float) -> None:
    """From 20 values on the approximation is within 2 %, of very many it is the same."""
    exact = normal_factor(n, content, confidence)
    assert exact == pytest.approx(howe(n, content, confidence), rel=0.02 if n < 1_000_000 else 1e-6)


def test_a_factor_keeps_its_promise_on_samples() -> None:
    """Of 20,000 normal samples of 12, mean +- k standard deviations hold 90 % of all in 95 % of them."""
    samples = np.random.default_rng(11).normal(size=(20_000, 12))
    reach = normal_factor(12, 0.90, 0.95) * samples.std(axis=1, ddof=1)
    middle = samples.mean(axis=1)
    held = ndtr(middle + reach) - ndtr(middle - reach) >= 0.90
    assert held.mean() == pytest.approx(0.95, abs=4 * sqrt(0.95 * 0.05 / 20_000))


@pytest.mark.parametrize(
    ("content", "confidence", "n"),
    [(0.90, 0.90, 38), (0.90, 0.95, 46), (0.95, 0.95, 93), (0.99, 0.95, 473), (0.99, 0.99, 662)],
)
def test_sample_sizes_from_smallest_to_largest(content: float, confidence: float, n: int) -> None:
    """So many values are needed for the content to lie between their extremes (Wilks 1941, from memory)."""
    assert least_by_rank(content, confidence) == n
    assert rank_left_out(n - 1, content, confidence) == 0
    assert rank_left_out(n, content, confidence) == 1
    # n p^(n-1) - (n-1) p^n is left over: the formula for the extremes, written out.
    left = n * content ** (n - 1) - (n - 1) * content**n
    assert rank_confidence(n, 2, content) == pytest.approx(1 - left, rel=1e-9)


def test_59_values_are_enough_on_one_side() -> None:
    """At least 95 % lie above the smallest of 59 with 95 % confidence: 1 - 0.95^59 (Wilks 1941)."""
    assert rank_confidence(58, 1, 0.95) < 0.95 < rank_confidence(59, 1, 0.95)
    assert rank_confidence(59, 1, 0.95) == pytest.approx(1 - 0.95**59, rel=1e-12)


@pytest.mark.slow
def test_ranks_keep_their_promise_whatever_the_distribution() -> None:
    """Of 20,000 skew samples of 200, the inner ranks hold 95 % of all in at least 95 % of them."""
    samples = np.sort(np.random.default_rng(12).exponential(size=(20_000, 200)), axis=1)
    rank = rank_left_out(200, 0.95, 0.95)
    assert rank == 2
    held = np.exp(-samples[:, rank - 1]) - np.exp(-samples[:, -rank]) >= 0.95
    promised = rank_confidence(200, 2 * rank, 0.95)
    assert promised >= 0.95
    assert held.mean() == pytest.approx(promised, abs=4 * sqrt(promised * (1 - promised) / 20_000))


def test_values_that_stand_apart_are_set_aside_and_named() -> None:
    """Three mixed-up coils among a hundred are set aside by their places, and widen neither interval."""
    rng = np.random.default_rng(13)
    sound = rng.normal(3.3, 0.01, 100)
    mixed = np.insert(sound, [10, 50, 90], [3.6, 3.1, 3.7])
    limits = tolerance(mixed)
    assert limits.outlying == (10, 51, 92)
    clean = tolerance(sound)
    assert (limits.normal, limits.by_rank, limits.n) == (clean.normal, clean.by_rank, 100)


@pytest.mark.parametrize("n", [60, 400])
def test_hardly_any_sound_value_stands_apart(n: int) -> None:
    """Of 200 normal samples at most one in twenty-five has an outlier, small and large samples alike."""
    rng = np.random.default_rng(14)
    with_outlier = sum(bool(outlying_values(rng.normal(size=n))) for _ in range(200))
    assert with_outlier <= 8


@pytest.mark.slow
@pytest.mark.parametrize("mixed_up", [0.0, 0.03])
def test_screening_costs_little_of_the_confidence(mixed_up: float) -> None:
    """With values set aside, normal intervals of 40 coils still hold 95 % in at least 91 of 100 samples."""
    rng = np.random.default_rng(15)
    held = []
    for _ in range(400):
        limits = tolerance(rng.normal(size=40) + 8.0 * (rng.random(40) < mixed_up))
        held.append(ndtr(limits.normal.high) - ndtr(limits.normal.low) >= 0.95)
    assert np.mean(held) >= 0.91


def test_few_values_give_the_normal_interval_alone_and_too_few_none() -> None:
    """Below 93 values there is no interval by rank; below twenty nothing, and the number is said."""
    values = np.linspace(3.2, 3.4, 92)
    limits = tolerance(values)
    assert (limits.by_rank, limits.rank, limits.least_by_rank) == (None, 0, 93)
    assert limits.best == limits.normal
    assert limits.normal.high == pytest.approx(limits.mean + limits.factor * limits.sd)
    with pytest.raises(ValueError, match=f"{LEAST - 1} values, expected at least {LEAST}"):
        tolerance(values[: LEAST - 1])


def test_equal_values_give_an_interval_without_width() -> None:
    """A sample without scatter ends in no error."""
    limits = tolerance(np.full(100, 3.3))
    assert limits.best.low == limits.best.high == 3.3
