"""The best split of a series, against the Nile, an independent library and its own promises."""

from __future__ import annotations

import sys
from math import log, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.datasets import nile

from analysis.arrays import FloatArray
from analysis.statistics.changepoint import best_split

if sys.version_info < (3, 14):  # ruptures asks for less
    import ruptures


@pytest.fixture(scope="module")
def volume() -> FloatArray:
    """Annual flow of the Nile at Aswan, 1871-1970 (Cobb, Biometrika 65 (1978) 243), as statsmodels has it."""
    values = nile.load_pandas().data["volume"].to_numpy(dtype=np.float64)
    assert (values.size, values.sum()) == (100, 91935.0)
    return values


def test_nile(volume: FloatArray) -> None:
    """The Nile steps after 28 years, in 1898: means, what is left over and sup F, computed from the data."""
    step = best_split(volume)
    assert step is not None
    assert 1871 + step.at - 1 == 1898
    assert (step.at, volume.size - step.at) == (28, 72)
    assert (step.before, step.after) == pytest.approx((1097.750, 849.9722), abs=5e-5)
    assert step.squares == pytest.approx(1597457.194, abs=5e-4)
    assert step.f == pytest.approx(75.9298, abs=5e-5)
    assert step.u == pytest.approx(sqrt(1597457.194 / 98 * (1 / 28 + 1 / 72)), rel=1e-6)


def test_nile_interval(volume: FloatArray) -> None:
    """The interval holds 1898 and lies in the one that strucchange (R) gives by another method, 25 to 32.

    Hansen's likelihood ratio leaves the splits 26 to 29: 26 and 29 are 5.4 and 5.9 worse, 25 and 30 over 9.
    """
    step = best_split(volume)
    assert step is not None
    assert 25 <= step.earliest <= 28 <= step.latest <= 32
    assert (step.earliest, step.latest) == (26, 29)
    # Hansen (2000), table I: 7.35 at 95 %.
    assert pytest.approx(7.35, abs=5e-3) == -2.0 * log(1.0 - sqrt(0.95))


def test_nile_is_no_accident(volume: FloatArray) -> None:
    """The bound on chance is far below one in a thousand, and of 999 shuffled Niles none splits so well."""
    step = best_split(volume)
    assert step is not None
    assert step.chance < 1e-10
    rng = np.random.default_rng(1871)
    shuffled = [best_split(rng.permutation(volume)) for _ in range(999)]
    assert max(each.f for each in shuffled if each is not None) < step.f / 2.0


if sys.version_info < (3, 14):

    def test_referee_splits_the_nile_alike(volume: FloatArray) -> None:
        """Dynamic programming of ruptures gives 28, which is the exclusive end of the first part."""
        step = best_split(volume)
        assert step is not None
        assert ruptures.Dynp(model="l2", jump=1, min_size=2).fit(volume).predict(1) == [step.at, 100]

    @given(st.integers(6, 60), st.floats(0.0, 6.0), st.integers(0, 2**32 - 1))
    def test_referee_splits_anything_alike(n: int, height: float, seed: int) -> None:
        """Random series with and without a step are split where ruptures splits them."""
        rng = np.random.default_rng(seed)
        values = rng.standard_normal(n) + height * (np.arange(n) >= rng.integers(2, n - 1))
        step = best_split(values)
        assert step is not None
        assert ruptures.Binseg(model="l2", jump=1, min_size=2).fit(values).predict(1) == [step.at, n]


@pytest.mark.parametrize("n", [8, 40, 120])
def test_chance_is_corrected_for_the_search(n: int) -> None:
    """Of 2,000 steady series at most as many as promised seem to step, though the best split was sought."""
    rng = np.random.default_rng(n)
    steps = [best_split(rng.standard_normal(n)) for _ in range(2000)]
    chances = np.array([step.chance for step in steps if step is not None])
    assert chances.size == 2000
    # Three standard deviations of the count itself.
    for promised in (0.05, 0.01):
        assert np.mean(chances < promised) <= promised + 3.0 * sqrt(promised / 2000)
    assert np.mean(chances < 0.05) > 0.01


@pytest.mark.parametrize("height", [0.7, 1.5, 3.0])
def test_interval_holds_the_truth_as_often_as_said(height: float) -> None:
    """In 1,000 series with a step of known place the 95 % interval holds it at least 94 % of the time."""
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(1000):
        step = best_split(rng.standard_normal(45) + height * (np.arange(45) >= 33))
        assert step is not None
        held += step.earliest <= 33 <= step.latest
    assert held >= 940


def test_perfect_step_and_steady_resolution() -> None:
    """A step without noise is found whole; a last digit that flips is no step where the noise is known."""
    values = np.repeat([3.0, 3.5], [7, 5])
    step = best_split(values)
    assert step is not None
    assert (step.at, step.earliest, step.latest) == (7, 7, 7)
    assert (step.size, step.chance) == (pytest.approx(0.5), pytest.approx(0.0, abs=1e-12))
    flip = best_split(np.repeat([3.001, 3.002], [7, 5]), least_scatter=0.001)
    assert flip is not None
    assert flip.chance > 0.5


def test_nothing_to_split() -> None:
    """Too few values or no change at all are not split."""
    assert best_split(np.full(10, 3.3)) is None
    assert best_split(np.array([1.0, 2.0, 3.0])) is None
    assert best_split(np.array([1.0, 1.0, 2.0, 2.0, 2.0]), least=3) is None


@given(st.floats(-100.0, 100.0), st.floats(0.01, 100.0), st.integers(0, 2**32 - 1))
def test_neither_zero_nor_unit_matters(lift: float, scale: float, seed: int) -> None:
    """The split is where it is on any scale, its height goes with the unit, its chance with neither."""
    values = np.random.default_rng(seed).standard_normal(20)
    plain, other = best_split(values), best_split(lift + scale * values)
    assert plain is not None
    assert other is not None
    assert (other.at, other.earliest, other.latest) == (plain.at, plain.earliest, plain.latest)
    assert other.size == pytest.approx(scale * plain.size, rel=1e-6)
    assert other.chance == pytest.approx(plain.chance, rel=1e-4)
