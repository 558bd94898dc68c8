"""A coil that steps or creeps while it is held hot."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.arrays import FloatArray
from analysis.judge.set import judge_set
from analysis.model import Accuracy, Limits, Subject, Trace
from analysis.trace.drift import Drift, hot_drift
from analysis.trace.rows import sort_rows
from tests.analysis.conftest import Bench

READINGS = 40
LIMITS = {"valve": Limits("valve", r20_ohm=3.30)}


def held(bench: Bench, change_rel: FloatArray, *, seed: int = 1) -> tuple[Trace, FloatArray]:
    """A soak whose resistance changes by *change_rel*, shape (40,), over the hottest hold; times of the hold.

    What the last reading has, stays.
    """
    trace = bench.soak(readings=READINGS, seed=seed)
    hot = np.flatnonzero(trace.probe_degC > 80.0)
    change = np.zeros(trace.time_s.size)
    change[hot] = change_rel
    change[hot[-1] + 1 :] = change_rel[-1]
    return replace(trace, resistance_ohm=trace.resistance_ohm * (1.0 + change)), trace.time_s[hot]


def found(trace: Trace) -> Drift:
    """What the hold shows."""
    drift = hot_drift(sort_rows(trace), Accuracy())
    assert drift is not None
    return drift


def step_at(reading: int, height_rel: float) -> FloatArray:
    """A change that is there from one reading on."""
    return np.where(np.arange(READINGS) >= reading, height_rel, 0.0)


@pytest.mark.parametrize("reading", [3, 20, 36])
@pytest.mark.parametrize("height_rel", [-0.06, -0.015, 0.004])
def test_step_is_told_with_height_and_instant(bench: Bench, reading: int, height_rel: float) -> None:
    """A step early, in the middle or late has its height and its reading, whatever a trend makes of it."""
    trace, time_s = held(bench, step_at(reading, height_rel))
    drift = found(trace)
    step = drift.stepped
    assert step is not None
    assert drift.change_rel == pytest.approx(height_rel, abs=3.0 * drift.u_rel)
    assert drift.u_rel < 0.0005
    assert step.change_ohm == pytest.approx(height_rel * 3.3 * (1.0 + 70.0 / 254.4529), rel=0.1, abs=0.004)
    assert step.at_s == time_s[reading]
    assert step.from_s <= time_s[reading - 1]
    assert time_s[reading] <= step.to_s <= time_s[reading] + 60.0


def test_creep_is_no_step(bench: Bench) -> None:
    """A steady climb, a climb that slows down and no change at all are told as trends."""
    progress = np.linspace(0.0, 1.0, READINGS)
    for change_rel in (0.02 * progress, 0.02 * (1.0 - np.exp(-2.0 * progress)), 0.0 * progress):
        drift = found(held(bench, change_rel)[0])
        assert drift.stepped is None
        assert drift.change_rel == pytest.approx(change_rel[-1], rel=0.15, abs=3.0 * drift.u_rel)


def test_sound_holds_do_not_step(bench: Bench) -> None:
    """Of 300 sound holds, half of them in an oven that wobbles ahead of the probe, none steps."""
    wobble_rel = 2e-4 * np.sin(np.arange(READINGS) / 3.0)
    drifts = [found(held(bench, (seed % 2) * wobble_rel, seed=seed)[0]) for seed in range(300)]
    assert [drift.stepped for drift in drifts] == [None] * 300
    assert max(abs(drift.change_rel) for drift in drifts) < 0.002


def test_spikes_are_no_step(bench: Bench) -> None:
    """Single wild readings, the last one among them, make neither a step nor a trend."""
    wild = np.zeros(READINGS)
    wild[[5, 17, 18, READINGS - 1]] = (0.5, -0.1, 2.0, 0.3)
    trace, _ = held(bench, wild)
    drift = found(trace)
    assert drift.stepped is None
    assert abs(drift.change_rel) < 0.001


def test_hold_that_begins_shorted_gives_numbers(bench: Bench) -> None:
    """A winding that reads nothing at first and then itself has stepped, by a finite share."""
    drift = found(held(bench, np.where(np.arange(READINGS) < 9, -1.0, 0.0))[0])
    assert drift.stepped is not None
    assert 1.0 < drift.change_rel < 1000.0


def test_reason_names_the_step_and_its_reading(bench: Bench) -> None:
    """A coil that loses 1.8 % at once fails, and the reason says by how much and with which reading."""
    trace, time_s = held(bench, step_at(25, -0.018))
    (coil,) = judge_set([trace], [Subject("Y1", "valve")], LIMITS, Accuracy()).coils
    assert coil.verdict == "fail"
    texts = [reason.text for reason in coil.reasons if "hottest hold" in reason.text]
    assert len(texts) == 1
    assert texts[0].startswith("stepped by -0.0")
    assert f"with the reading at {time_s[25]:.0f} s" in texts[0]


def test_small_step_is_noted_and_passes(bench: Bench) -> None:
    """A step of 0.4 %, within the limit of 1 %, stands in the note of a criterion that passes."""
    trace, _ = held(bench, step_at(20, -0.004))
    (coil,) = judge_set([trace], [Subject("Y1", "valve")], LIMITS, Accuracy()).coils
    (criterion,) = (each for each in coil.criteria if each.code == "drift-hot")
    assert criterion.outcome == "pass"
    assert criterion.note.startswith("stepped by -0.01")
