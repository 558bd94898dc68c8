"""Noise that grows with heat: found where a contact frets, and nowhere else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.arrays import FloatArray
from analysis.judge.set import judge_set
from analysis.model import Accuracy, Trace
from analysis.trace.fretting import Fretting, fretting
from analysis.trace.rows import sort_rows
from tests.analysis.conftest import Bench

ACCURACY = Accuracy(noise_ohm=0.0005)


def soak(
    bench: Bench, hot_ohm: FloatArray | float = 0.0, *, seed: int = 1, noise_ohm: float = 0.0005
) -> Trace:
    """Cold, up to 90 degC, held and back, a reading every 15 s; *hot_ohm* is added above 70 degC."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, 9000.0, 15.0)
    # Cold for ten minutes, half an hour up, an hour held, the rest down and cold.
    body = np.interp(time_s, [600.0, 2400.0, 6000.0, 7800.0], [22.0, 90.0, 90.0, 22.0])
    ohm = 3.3 * (1.0 + (body - 20.0) / 254.4529) + rng.normal(0.0, noise_ohm, body.size)
    ohm += np.where(body > 70.0, hot_ohm, 0.0)
    phase = np.where(body > 89.9, "hold", np.where(time_s < 600.0, "ambient", "rise"))
    phase = np.where(time_s > 6000.0, np.where(body > 22.1, "cool", "return"), phase)
    return bench.trace("Y1", time_s, body + rng.normal(0.0, 0.1, body.size), ohm, phase=phase)


def found(trace: Trace, accuracy: Accuracy = ACCURACY) -> Fretting:
    """What is found of a trace that has enough readings."""
    result = fretting(sort_rows(trace), accuracy)
    assert result is not None
    return result


def contact(seed: int, share: float, size_ohm: float) -> FloatArray:
    """A contact that frets: for a *share* of the readings some resistance up to *size_ohm* more."""
    rng = np.random.default_rng(seed)
    return np.where(rng.random(600) < share, rng.uniform(0.0, size_ohm, 600), 0.0)


@pytest.mark.parametrize(("share", "size_ohm"), [(1.0, 0.02), (0.5, 0.03), (0.3, 0.05)])
def test_fretting_contact_is_noisy(bench: Bench, share: float, size_ohm: float) -> None:
    """A contact that adds some ten milliohms to many hot readings is found, always or in bursts."""
    for seed in range(20):
        assert found(soak(bench, contact(seed, share, size_ohm), seed=seed)).noisy


def test_scatter_is_measured_about_the_local_line(bench: Bench) -> None:
    """Whatever the slope, hot and cold scatter come out as they were put in."""
    rng = np.random.default_rng(8)
    seen = [found(soak(bench, rng.normal(0.0, 0.005, 600), seed=seed)) for seed in range(20)]
    assert np.mean([each.hot_ohm for each in seen]) == pytest.approx(0.005, rel=0.05)
    assert np.mean([each.cold_ohm for each in seen]) == pytest.approx(0.0005, rel=0.1)


def test_fretting_asks_for_a_retest_with_what_to_do(bench: Bench) -> None:
    """Alone it convicts nobody: the coil is to be soaked again with clean and tight contacts."""
    (coil,) = judge_set([soak(bench, contact(1, 1.0, 0.03))], None, None, ACCURACY).coils
    # What it adds when hot may make the slope look too steep besides.
    assert (coil.verdict, coil.reasons[0].code) == ("retest", "noisy-when-hot")
    assert "times more when hot than cold" in coil.reasons[0].text
    assert "clean and tighten" in coil.reasons[0].action
    (sound,) = judge_set([soak(bench)], None, None, ACCURACY).coils
    criterion = next(each for each in sound.criteria if each.code == "noise")
    assert (sound.verdict, criterion.outcome, criterion.high) == ("pass", "pass", 3.0)


@pytest.mark.slow
@pytest.mark.parametrize("noise_ohm", [0.00005, 0.0005, 0.02])
def test_no_false_alarm_of_even_noise(bench: Bench, noise_ohm: float) -> None:
    """Of 300 sound coils none is noisy, be the meter better or worse than it is said to be."""
    seen = [found(soak(bench, seed=seed, noise_ohm=noise_ohm)) for seed in range(300)]
    assert not any(each.noisy for each in seen)
    if noise_ohm > ACCURACY.noise_ohm:
        # The chance that is told is one: of 300 about 15 are below 5 %.
        assert 4 <= sum(each.chance < 0.05 for each in seen) <= 30


def test_interruptions_and_slips_are_no_noise(bench: Bench) -> None:
    """Dropouts are told as such, and a few readings off the line make no fretting contact."""
    slips = np.zeros(600)
    slips[[200, 230, 260, 290, 320]] = [0.05, 10.0, -0.04, 0.1, 0.02]
    assert not found(soak(bench, slips)).noisy


def test_growth_that_is_small_beside_the_coil_counts_for_nothing(bench: Bench) -> None:
    """Ten times the noise of a very good meter is still nothing to a rebuilder."""
    rng = np.random.default_rng(4)
    quiet = found(
        soak(bench, rng.normal(0.0, 0.001, 600), noise_ohm=0.0001), replace(ACCURACY, noise_ohm=0.0001)
    )
    assert quiet.ratio > 3.0
    assert quiet.chance < 1e-4
    assert not quiet.noisy


def test_flickering_last_digit_is_no_noise(bench: Bench) -> None:
    """A display of 0.1 ohm that stood still when cold and flickers when hot tells nothing."""
    coarse = soak(bench, noise_ohm=0.02)
    coarse = replace(coarse, resistance_ohm=np.round(coarse.resistance_ohm, 1))
    assert not found(coarse).noisy


def test_self_heated_coil_is_not_noisy(bench: Bench) -> None:
    """A winding that comes down from its lead in a curve scatters no more than at rest."""
    assert not found(bench.self_heated()).noisy


def test_too_few_readings_tell_no_noise(bench: Bench) -> None:
    """Steps an hour apart, points without time and one temperature give nothing to compare."""
    assert fretting(sort_rows(bench.soak(readings=4)), ACCURACY) is None
    assert fretting(sort_rows(bench.points("Y1", [22.0, 90.0], [3.3, 4.2])), ACCURACY) is None
    flat = bench.trace("Y1", np.arange(100.0), np.full(100, 22.0), np.full(100, 3.3))
    assert fretting(sort_rows(flat), ACCURACY) is None
