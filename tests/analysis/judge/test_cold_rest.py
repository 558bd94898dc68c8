"""How well cold after heat compares with cold before: as well as the probe was seen to stand still."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.arrays import FloatArray
from analysis.model import Accuracy, Trace
from analysis.trace.drift import cold_drift
from analysis.trace.rows import sort_rows

ACCURACY = Accuracy(noise_ohm=0.0005, probe_noise_K=0.1)


def soak(
    rng: np.random.Generator, *, rate_K_per_h: float, lag_s: float = 0.0, drift_rel: float = 0.0
) -> Trace:
    """Five cold readings, one hot hold, half an hour of cooling that ends at a rate, five cold readings."""
    cool_s = 7200.0 + np.arange(0.0, 1800.0, 15.0)
    time_s = np.concatenate((np.arange(5.0), 3600.0 + 30.0 * np.arange(10), cool_s, 9000.0 + np.arange(5.0)))
    phase = np.repeat(["ambient", "hold", "cool", "return"], [5, 10, cool_s.size, 5])
    still_to_go_h = (9004.0 - time_s) / 3600.0
    body = np.select(
        [phase == "ambient", phase == "hold"], [22.0, 90.0], default=22.5 + rate_K_per_h * still_to_go_h
    )
    winding = np.where(time_s > 7000.0, body + rate_K_per_h * lag_s / 3600.0, body)
    grown = np.where(time_s > 7000.0, 1.0 + drift_rel, 1.0)
    ohm = 3.3 * grown * (1.0 + 0.00393 * (winding - 20.0)) + rng.normal(0.0, 0.0005, time_s.size)
    return trace(time_s, body + rng.normal(0.0, 0.1, time_s.size), ohm, phase)


def trace(time_s: FloatArray, probe_degC: FloatArray, ohm: FloatArray, phase: np.ndarray) -> Trace:
    """Return undriven readings."""
    n, none = time_s.size, np.full(time_s.size, np.nan)
    return Trace("Y1", time_s, probe_degC, ohm, none, none, phase, np.full(n, "ohms"), np.full(n, "ok"))


def pulls(*, rate_K_per_h: float, lag_s: float) -> tuple[FloatArray, FloatArray]:
    """Return error over stated uncertainty, and that uncertainty, of 300 seeds."""
    errors, stated = [], []
    for seed in range(300):
        rows = sort_rows(soak(np.random.default_rng(seed), rate_K_per_h=rate_K_per_h, lag_s=lag_s))
        found = cold_drift(rows, ACCURACY)
        assert found is not None
        errors.append(found.change_rel)
        stated.append(found.u_rel)
    return np.array(errors) / np.array(stated), np.array(stated)


@pytest.mark.parametrize(("rate_K_per_h", "lag_s"), [(0.0, 0.0), (4.5, 30.0), (30.0, 30.0), (30.0, 60.0)])
@pytest.mark.slow
def test_what_is_stated_covers_a_winding_that_trails(rate_K_per_h: float, lag_s: float) -> None:
    """At rest, at the slowest that counts as rest, and well above it: twice u holds the truth, zero."""
    pull, _ = pulls(rate_K_per_h=rate_K_per_h, lag_s=lag_s)
    assert np.mean(np.abs(pull) <= 2.0) >= 0.95


@pytest.mark.slow
def test_a_change_of_a_third_of_a_per_cent_shows_where_the_probe_stood_still() -> None:
    """Five readings before and after at 0.1 K of noise: U is below 0.1 %; on the move it is above."""
    _, calm = pulls(rate_K_per_h=0.5, lag_s=0.0)
    _, moving = pulls(rate_K_per_h=40.0, lag_s=0.0)
    assert 2.0 * np.median(calm) < 0.001 < 2.0 * moving.min()


def test_a_jumped_contact_among_the_cold_readings_is_no_drift() -> None:
    """One of five readings 3 % too high is left out."""
    sound = soak(np.random.default_rng(1), rate_K_per_h=0.5)
    ohm = sound.resistance_ohm.copy()
    ohm[-2] *= 1.03
    found = cold_drift(sort_rows(trace(sound.time_s, sound.probe_degC, ohm, sound.phase)), ACCURACY)
    assert found is not None
    assert abs(found.change_rel) < 2.0 * found.u_rel < 0.002


def test_without_a_look_at_the_way_down_the_careful_figure_stands() -> None:
    """Cold readings alone, nothing read for minutes before them: nobody knows how calm it was."""
    whole = soak(np.random.default_rng(1), rate_K_per_h=0.0)
    kept = whole.phase != "cool"
    alone = trace(whole.time_s[kept], whole.probe_degC[kept], whole.resistance_ohm[kept], whole.phase[kept])
    seen, unseen = (cold_drift(sort_rows(each), ACCURACY) for each in (whole, alone))
    assert seen is not None
    assert unseen is not None
    assert unseen.change_rel == seen.change_rel
    assert unseen.u_rel > 1.3 * seen.u_rel
