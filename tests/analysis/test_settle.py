"""Settling, and the end of an exponential approach."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.settle import predict, settled

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
    """The stated standard uncertainty is that seen in 400 repetitions, within a fifth."""
    rng = np.random.default_rng(7)
    t = np.arange(0.0, 600.0, 15.0)
    y = 90.0 - 40.0 * np.exp(-t / 240.0)
    approaches = [predict(t, y + rng.normal(0.0, 0.05, t.size)) for _ in range(400)]
    finals = np.array([(a.final, a.u_final) for a in approaches if a is not None])
    assert len(finals) == 400
    assert finals[:, 0].mean() == pytest.approx(90.0, abs=0.02)
    assert finals[:, 0].std() == pytest.approx(np.median(finals[:, 1]), rel=0.2)


@pytest.mark.parametrize(
    "y", [np.full(20, 90.0), 0.1 * np.arange(20.0), np.exp(np.arange(20.0) / 10), np.arange(5.0)]
)
def test_no_prediction_without_an_approach(y: np.ndarray) -> None:
    """Flat, straight, growing or too short series have no predicted end."""
    assert predict(TIMES[: y.size], y) is None


@given(st.floats(-1e5, 1e5))
def test_prediction_does_not_know_the_clock(shift_s: float) -> None:
    """A later start of the clock changes nothing."""
    y = 90.0 - 40.0 * np.exp(-TIMES / 240.0)
    here, there = predict(TIMES, y), predict(TIMES + shift_s, y)
    assert here is not None
    assert there is not None
    assert there.final == pytest.approx(here.final, abs=1e-4)


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
