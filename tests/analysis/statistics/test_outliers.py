"""Outliers in small samples, against printed critical values, worked examples and their own promise."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.arrays import FloatArray
from analysis.statistics.outliers import (
    MAD_TO_SIGMA,
    apart_by_scatter,
    critical_deviate,
    extreme_deviates,
    outlying,
    outlying_by_esd,
    outlying_by_mad,
)

Table = Callable[[str], dict[str, FloatArray]]

#: NIST/SEMATECH e-Handbook 1.3.5.17.1, uranium by mass spectrometer (from memory).
URANIUM = (199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57)


@pytest.mark.parametrize(
    ("column", "level"),
    [("one_sided_5_percent", 0.10), ("one_sided_2p5_percent", 0.05), ("one_sided_1_percent", 0.02)],
)
def test_critical_values_as_printed(table: Table, column: str, level: float) -> None:
    """The critical deviates are those of Grubbs' tables for 3 to 30 values; one-sided at half the level."""
    data = table("grubbs")
    known = np.isfinite(data[column])
    ours = [critical_deviate(int(n), level) for n in data["n"][known]]
    assert ours == pytest.approx(data[column][known], abs=0.001)


def test_three_values_can_hardly_prove_anything() -> None:
    """Of three values none can deviate by more than 2/sqrt(3) = 1.1547, and 1 % asks for all of that."""
    assert 1.15468 < critical_deviate(3, 0.01) < 2.0 / 3.0**0.5
    assert outlying([3.30, 3.31, 3.60]) == set()
    assert outlying([3.300, 3.301, 3.600]) == {2}
    # And not where the two agree better than they are known.
    assert outlying([3.300, 3.301, 3.360], least_scatter=0.05) == set()


@pytest.mark.parametrize("n", range(3, 10))
def test_what_n_can_prove_follows_from_the_printed_limits(table: Table, n: int) -> None:
    """A value that far from the others has just the deviate that Grubbs' table prints for n, 2.5 % one-sided.

    Only from n = 5 on is it near enough to help: of three, 46 times the scatter of the other two is wanted.
    """
    data = table("grubbs")
    printed = data["one_sided_2p5_percent"][data["n"] == n].item()
    others = np.linspace(-1.0, 1.0, n - 1)
    far = apart_by_scatter(n, 0.05) * float(np.std(others, ddof=1))
    values = np.array([*others, far])
    assert (far - values.mean()) / np.std(values, ddof=1) == pytest.approx(printed, abs=0.001)
    assert (apart_by_scatter(n, 0.05) < 10.0) == (n > 4)


def test_uranium() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.17.1: G = 2.4687 against 2.032 (one-sided 5 %), the last is off."""
    ((place, deviate),) = extreme_deviates(URANIUM, 1)
    assert (place, deviate) == (7, pytest.approx(2.468765, abs=5e-7))
    assert critical_deviate(8, 0.10) == pytest.approx(2.031652, abs=5e-7)
    assert critical_deviate(8, 0.05) == pytest.approx(2.126645, abs=5e-7)
    assert outlying(URANIUM) == {7}


def test_venus(table: Table) -> None:
    """Grubbs (1950): -1.40 is beyond the one-sided 2.5 % limit, 1.01 in that of 5 %; 1 % rejects none."""
    values = table("venus_semidiameter")["residual"].tolist()
    ((place, deviate),) = extreme_deviates(values, 1)
    assert (place, deviate) == (0, pytest.approx(2.57374, abs=5e-6))
    assert critical_deviate(15, 0.10) == pytest.approx(2.40904, abs=5e-6)
    assert critical_deviate(15, 0.05) == pytest.approx(2.54831, abs=5e-6)
    assert outlying_by_esd(values, 1, level=0.05) == {0}
    highest = (1.01 - np.mean(values)) / np.std(values, ddof=1)
    assert highest == pytest.approx(1.80053, abs=5e-6)
    assert highest < critical_deviate(15, 0.10)
    assert outlying(values) == set()


def test_rosner_finds_three_that_mask_each_other(table: Table) -> None:
    """Rosner's 54 values: statistics and limits as printed (NIST e-Handbook 1.3.5.17.3), three outliers.

    The first two steps alone are within their limits: one at a time, none would be found.
    """
    values = table("rosner")["value"].tolist()
    assert len(values) == 54
    steps = extreme_deviates(values, 10)
    assert [deviate for _, deviate in steps[:4]] == pytest.approx([3.1189, 2.9430, 3.1794, 2.8102], abs=5e-5)
    limits = [critical_deviate(54 - step, 0.05) for step in range(4)]
    assert limits == pytest.approx([3.1588, 3.1514, 3.1439, 3.1362], abs=5e-5)
    assert sorted(values[k] for k in outlying_by_esd(values, 10, level=0.05)) == [5.34, 5.42, 6.01]
    assert outlying_by_esd(values, 1, level=0.05) == set()


def test_dixon_is_of_the_same_mind(table: Table) -> None:
    """The worked example of Dixon's r10: gap over range says outlier at 90 %, not at 99 %, and so do we.

    Between the two, at 95 %, the tests differ (0.4545 against 0.466; deviate 2.370 against 2.290).
    """
    values = [0.189, 0.167, 0.187, 0.183, 0.186, 0.182, 0.181, 0.184, 0.181, 0.177]
    ordered = sorted(values)
    gap_over_range = (ordered[1] - ordered[0]) / (ordered[-1] - ordered[0])
    assert gap_over_range == pytest.approx(0.4545, abs=5e-5)
    row = {key: column[-1] for key, column in table("dixon_r10").items()}
    assert (row["n"], row["two_sided_90_percent"]) == (10, 0.412)
    assert (gap_over_range > row["two_sided_90_percent"]) == (outlying_by_esd(values, 1, level=0.10) == {1})
    assert (gap_over_range > row["two_sided_99_percent"]) == (outlying_by_esd(values, 1, level=0.01) == {1})
    assert row["two_sided_90_percent"] < gap_over_range < row["two_sided_99_percent"]


def test_mad_constant(table: Table) -> None:
    """The constant is 1/Phi^-1(3/4); on Grubbs' Venus residuals the median deviation is 0.30.

    So there 3.5 x 1.4826 x 0.30 = 1.5567 is the limit.
    """
    assert pytest.approx(1.0 / NormalDist().inv_cdf(0.75), rel=1e-14) == MAD_TO_SIGMA
    values = np.array(table("venus_semidiameter")["residual"])
    assert np.median(np.abs(values - np.median(values))) == pytest.approx(0.30)
    middle = float(np.median(values))
    assert outlying_by_mad([*values, middle, middle - 1.555]) == set()
    assert outlying_by_mad([*values, middle, middle - 1.559]) == {16}


@pytest.mark.parametrize("n", [5, 6, 7, 8, 9])
def test_two_of_five_and_more_do_not_mask_each_other(n: int) -> None:
    """Two alike among at least five are found, where the single largest deviate proves nothing."""
    sound = [3.300 + 0.001 * (k % 3) for k in range(n - 2)]
    values = [*sound, 3.060, 3.062]
    assert outlying(values) == {n - 2, n - 1}
    assert outlying_by_esd(values, 1) == set()


@pytest.mark.parametrize("n", [3, 4, 5, 7, 9])
def test_false_alarms_are_as_few_as_said(n: int) -> None:
    """Of 3,000 normal samples one to three in a hundred give an outlier: both tests together are honest."""
    rng = np.random.default_rng(n)
    alarms = sum(bool(outlying(rng.standard_normal(n).tolist())) for _ in range(3000)) / 3000
    assert 0.005 < alarms < 0.035


@given(st.lists(st.integers(3000, 4000), min_size=0, max_size=9), st.floats(0.5, 50.0), st.randoms())
def test_neither_unit_nor_order_matters(milliohm: list[int], scale: float, shuffler: Random) -> None:
    """A change of unit or order changes no outlier, and fewer than half are ever called one."""
    values = [each / 1000.0 for each in milliohm]
    found = outlying(values, least_scatter=0.0011)
    # Among equals the first is taken off, so places may differ where values do not.
    worth = sorted(values[k] for k in found)
    order = list(range(len(values)))
    shuffler.shuffle(order)
    other = [values[k] * scale for k in order]
    again = sorted(other[k] / scale for k in outlying(other, least_scatter=0.0011 * scale))
    assert again == pytest.approx(worth)
    assert 2 * len(found) < max(len(values), 1)
