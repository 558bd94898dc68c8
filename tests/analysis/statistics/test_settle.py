"""Settling, and the end of an exponential approach."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.arrays import FloatArray
from analysis.statistics.settle import left_to_go, predict, settled, settled_at

Table = Callable[[str], dict[str, FloatArray]]

TIMES = np.arange(0.0, 300.0, 15.0)


@pytest.mark.parametrize(
    ("taus", "percent"),
    [(0.5, 39.3469), (1, 63.2121), (2, 86.4665), (3, 95.0213), (4, 98.1684), (5, 99.3262), (7, 99.9088)],
)
def test_prediction_from_the_beginning_of_a_step(taus: float, percent: float) -> None:
    """From readings up to so many time constants the end of the step is told (fractions by definition)."""
    t = np.linspace(0.0, 200.0 * taus, 40)
    y = 100.0 * (1.0 - np.exp(-t / 200.0))
    assert y[-1] == pytest.approx(percent, abs=5e-5)
    approach = predict(t, y)
    assert approach is not None
    assert approach.final == pytest.approx(100.0, abs=1e-3)
    assert approach.tau_s == pytest.approx(200.0, rel=1e-4)


def test_prediction_of_a_cooling_resistance() -> None:
    """12.5 ohm falling to 10 ohm with 300 s passes the known values and is told to end there.

    Values at 30, 60 and 90 s computed from the definition.
    """
    t = np.arange(30.0, 330.0, 30.0)
    y = 10.0 + 2.5 * np.exp(-t / 300.0)
    assert y[:3] == pytest.approx([12.26209355, 12.04682688, 11.85204555], abs=5e-9)
    approach = predict(t, y)
    assert approach is not None
    assert approach.final == pytest.approx(10.0, abs=1e-9)
    assert approach.tau_s == pytest.approx(300.0, abs=1e-6)


@pytest.mark.slow
def test_prediction_knows_how_good_it_is() -> None:
    """The stated standard uncertainty is that seen in 200 repetitions, within a quarter."""
    rng = np.random.default_rng(7)
    t = np.arange(0.0, 600.0, 15.0)
    y = 90.0 - 40.0 * np.exp(-t / 240.0)
    approaches = [predict(t, y + rng.normal(0.0, 0.05, t.size)) for _ in range(200)]
    finals = np.array([(a.final, a.u_final) for a in approaches if a is not None])
    assert len(finals) == 200
    assert finals[:, 0].mean() == pytest.approx(90.0, abs=0.02)
    assert finals[:, 0].std() == pytest.approx(np.median(finals[:, 1]), rel=0.25)


@pytest.mark.parametrize(
    "y", [np.full(20, 90.0), 0.1 * np.arange(20.0), np.exp(np.arange(20.0) / 10), np.arange(5.0)]
)
def test_no_prediction_without_an_approach(y: np.ndarray) -> None:
    """Flat, straight, growing or too short series have no predicted end."""
    assert predict(TIMES[: y.size], y) is None


@pytest.mark.slow
@settings(max_examples=30)
@given(st.floats(-1e5, 1e5))
def test_prediction_does_not_know_the_clock(shift_s: float) -> None:
    """A later start of the clock changes nothing."""
    y = 90.0 - 40.0 * np.exp(-TIMES / 240.0)
    here, there = predict(TIMES, y), predict(TIMES + shift_s, y)
    assert here is not None
    assert there is not None
    assert there.final == pytest.approx(here.final, abs=1e-4)


def test_cooling_water_wants_two_exponentials(table: Table) -> None:
    """Measured cooling in a cup: two exponentials are chosen, of 74.03 and 12.25 min, with 0.166 K left over.

    Figures computed from the data of mosaicData's CoolingWater; one exponential leaves 1.477 K.
    """
    data = table("cooling_water")
    minutes, degC = data["time_min"], data["temperature_degC"]
    approach = predict(minutes, degC)
    assert approach is not None
    assert sorted(tau for _, tau in approach.falls) == pytest.approx([12.25, 74.03], abs=0.005)
    fitted = approach.final + sum(a * np.exp(-minutes / tau) for a, tau in approach.falls)
    assert np.std(degC - fitted) == pytest.approx(0.166, abs=5e-4)
    # The plain uncertainty is 0.071; but neighbouring residuals are alike, and three terms would end at 22.8.
    assert approach.u_final == pytest.approx(0.15, abs=0.02)


def test_capacitor_wants_one_exponential_and_an_offset(table: Table) -> None:
    """Measured discharge: one exponential with an offset is chosen, of 0.43777(72) s, ending at 0.28861 V.

    Figures computed from the data of Stat2Data's Volts.
    """
    data = table("rc_discharge")
    approach = predict(data["time_s"], data["voltage_V"])
    assert approach is not None
    assert len(approach.falls) == 1
    assert approach.tau_s == pytest.approx(0.43777, abs=5e-6)
    assert approach.final == pytest.approx(0.28861, abs=5e-6)


@pytest.mark.parametrize("taus_s", [(60.0, 600.0), (30.0, 240.0)])
def test_second_exponential_only_by_evidence(taus_s: tuple[float, float]) -> None:
    """Winding and body falling together are two exponentials; with the fast one gone it is one."""
    fast_s, slow_s = taus_s
    t = np.arange(0.0, 4.0 * slow_s, slow_s / 40.0)
    noise = np.random.default_rng(4).normal(0.0, 0.05, t.size)
    both = predict(t, 22.0 + 30.0 * np.exp(-t / fast_s) + 40.0 * np.exp(-t / slow_s) + noise)
    late = predict(t, 22.0 + 40.0 * np.exp(-t / slow_s) + noise)
    assert both is not None
    assert late is not None
    assert [len(each.falls) for each in (both, late)] == [2, 1]
    assert both.final == pytest.approx(22.0, abs=4.0 * both.u_final)
    assert sorted(tau for _, tau in both.falls) == pytest.approx(sorted(taus_s), rel=0.05)


@pytest.mark.parametrize(("a", "tau_s"), [(-40.0, 240.0), (30.0, 600.0), (-5.0, 90.0)])
def test_time_until_settled(a: float, tau_s: float) -> None:
    """The moment is that of the closed form, movement = |a| exp(-t/tau) (exp(W/tau) - 1) over a window W."""
    t = np.arange(0.0, 1.5 * tau_s, 10.0)
    approach = predict(t, 90.0 + a * np.exp(-t / tau_s))
    assert approach is not None
    settled_s = tau_s * np.log(abs(a) * (np.exp(120.0 / tau_s) - 1.0) / 0.15)
    in_s = approach.settles_in_s(window_s=120.0, tolerance=0.15)
    assert in_s == pytest.approx(settled_s - t[-1], abs=(120.0 + 20.0 * tau_s) / 790.0)
    assert approach.settles_in_s(window_s=120.0, tolerance=100.0) == pytest.approx(0.0, abs=120.0)


@pytest.mark.slow
@settings(max_examples=60)
@given(st.lists(st.floats(-1e6, 1e6), min_size=6, max_size=20), st.sampled_from([1e-3, 1.0, 15.0, 1e5]))
def test_prediction_of_anything_is_finite_or_none(values: list[float], spacing_s: float) -> None:
    """Whatever the readings are, there is no warning, no infinity and no NaN."""
    approach = predict(spacing_s * np.arange(len(values)), np.array(values))
    if approach is not None:
        in_s = approach.settles_in_s(window_s=120.0, tolerance=0.15)
        assert np.isfinite([approach.final, approach.u_final, approach.tau_s, in_s]).all()


def test_quiet_series_is_settled() -> None:
    """Independent noise about a constant counts as settled, even where it exceeds the tolerance."""
    wobble = 0.2 * np.where(np.arange(20) % 2, 1.0, -1.0)
    assert settled(TIMES, 90.0 + wobble, window_s=120.0, tolerance=0.15)


def test_trend_is_not_settled() -> None:
    """A trend of more than the tolerance over the window is not settled; less is."""
    assert not settled(TIMES, 90.0 + 0.16 * TIMES / 120.0, window_s=120.0, tolerance=0.15)
    assert settled(TIMES, 90.0 + 0.14 * TIMES / 120.0, window_s=120.0, tolerance=0.15)


def test_turning_point_is_not_settled() -> None:
    """At the top of an overshoot the trend is nil, but nothing has settled."""
    top_s = 225.0
    assert not settled(TIMES, 90.0 - 2e-4 * (TIMES - top_s) ** 2, window_s=120.0, tolerance=0.15)


@pytest.mark.parametrize("count", [0, 1, 3, 8])
def test_short_series_is_not_settled(count: int) -> None:
    """Nothing settles before the window has been watched whole."""
    assert not settled(TIMES[:count], np.full(count, 90.0), window_s=120.0, tolerance=0.15)


def test_few_readings_do_not_settle() -> None:
    """Three readings tell no trend from noise, however long the watch."""
    assert not settled((0.0, 100.0, 200.0), (90.0, 90.0, 90.0), window_s=150.0, tolerance=0.15)


@given(st.floats(-1e6, 1e6), st.floats(-100.0, 100.0))
def test_settling_knows_neither_clock_nor_zero(shift_s: float, lift: float) -> None:
    """Only changes count: neither the clock's start nor the value's level matters."""
    y = np.where(TIMES > 200.0, 0.3, 0.0)
    plain = settled(TIMES, y, window_s=120.0, tolerance=0.15)
    assert settled(TIMES + shift_s, y + lift, window_s=120.0, tolerance=0.15) == plain


@given(
    steps=st.lists(st.floats(0.5, 40.0), min_size=0, max_size=60),
    tau_s=st.floats(20.0, 2000.0),
    noise=st.sampled_from([0.0, 0.02, 0.1]),
    seed=st.integers(0, 2**32 - 1),
)
def test_all_rows_at_once_settle_as_one_by_one(
    steps: list[float], tau_s: float, noise: float, seed: int
) -> None:
    """Asked for every row at once, settling is what asking after each reading says."""
    t = np.cumsum([0.0, *steps])
    value = 90.0 - 60.0 * np.exp(-t / tau_s) + np.random.default_rng(seed).normal(0.0, noise, t.size)
    one_by_one = [
        settled(t[: row + 1], value[: row + 1], window_s=120.0, tolerance=0.3) for row in range(t.size)
    ]
    assert settled_at(t, value, window_s=120.0, tolerance=0.3).tolist() == one_by_one


@pytest.mark.parametrize("seen_s", [60.0, 120.0, 240.0, 480.0])
@pytest.mark.parametrize("noise", [0.005, 0.02])
def test_a_slow_second_time_constant_does_not_fool_what_is_left(seen_s: float, noise: float) -> None:
    """Behind a fall of 20 s hides one of 300 s: what is told to be left is true within twice its u."""
    rng = np.random.default_rng(3)
    t = np.arange(0.0, seen_s, 5.0)
    held = 0
    for _ in range(30):
        y = 60.0 + 8.0 * np.exp(-t / 20.0) + 1.5 * np.exp(-t / 300.0) + rng.normal(0.0, noise, t.size)
        left, u = left_to_go(t, y, slowest_s=300.0)
        true = -8.0 * np.exp(-t[-1] / 20.0) - 1.5 * np.exp(-t[-1] / 300.0)
        held += abs(left - true) <= 2.0 * u
    assert held >= 28


def test_what_has_come_to_rest_has_nothing_left() -> None:
    """A series at rest is told to be so, the better the longer it was seen; a few readings tell nothing."""
    rng = np.random.default_rng(4)
    uncertainties = []
    for seen_s in (100.0, 400.0):
        t = np.arange(0.0, seen_s, 5.0)
        left, u = left_to_go(t, 60.0 + rng.normal(0.0, 0.01, t.size), slowest_s=300.0)
        assert abs(left) <= 2.0 * u
        uncertainties.append(u)
    assert uncertainties[1] < uncertainties[0] / 4.0
    assert left_to_go([0.0, 1.0], [60.0, 60.0], slowest_s=300.0) == (np.inf, np.inf)
