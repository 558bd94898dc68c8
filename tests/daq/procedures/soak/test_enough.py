"""When a hold or a cool-down ends because enough is known."""

from __future__ import annotations

from math import inf, nan

import numpy as np
import pytest

from analysis.model import Accuracy
from analysis.trace import known_so_far
from analysis.trace.known_so_far import Known
from daq.bench.fits import VirtualFits
from daq.procedures.soak.stop_rules import CoolingFit, Holding, Targets, trace_of
from daq.record.format import INSULATION
from daq.record.writer import Reading


@pytest.mark.parametrize(
    ("targets", "reached"),
    [
        (Targets(), True),
        (Targets(joint_u_ohm=0.01), True),
        (Targets(joint_u_ohm=0.009), False),
        (Targets(joint_u_ohm=0.01, r20_u_rel=0.0001), False),
        (Targets(drift_u_rel=0.003), False),
    ],
)
def test_all_that_is_asked_for_has_to_be_known(targets: Targets, reached: bool) -> None:
    """What is not asked for does not count."""
    assert targets.reached(Known(0.01, 0.0002, 0.004, 600.0)) is reached
    assert targets.asked is (targets != Targets())


def test_a_cool_down_is_fitted_now_and_then_and_never_before_three_minutes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Asked every second for an hour, it is fitted some twenty times; without a target never."""
    asked_s: list[float] = []
    cooled_s = 0.0

    def fit(*_: object) -> Known:
        asked_s.append(cooled_s)
        return Known(inf, inf, inf, nan)

    monkeypatch.setattr(known_so_far, "known_of", fit)
    for targets in (Targets(joint_u_ohm=0.01), Targets()):
        looked = CoolingFit(targets, Accuracy(), VirtualFits())
        for cooled_s in np.arange(0.0, 3600.0):
            assert looked.look([], cooled_s) is None
    assert asked_s[0] == 180.0
    assert 15 <= len(asked_s) <= 25


def hold(targets: Targets, slow_K: float) -> float:
    """Return how long a hold of half an hour lasts whose body has *slow_K* to go with 300 s."""
    rng = np.random.default_rng(5)
    holding = Holding(targets, 100.0)
    for now_s in np.arange(100.0, 1900.0, 11.0):
        gone_s = now_s - 100.0
        body_degC = 60.0 - slow_K * float(np.exp(-gone_s / 300.0)) + float(rng.normal(0.0, 0.01))
        holding.add("Y1", now_s, body_degC, 3.8 + 0.05 * float(np.exp(-gone_s / 20.0)))
        if holding.over(now_s):
            return float(gone_s)
    return 1800.0


def test_a_hold_ends_when_what_will_still_change_is_small() -> None:
    """At rest but for noise it ends soon, with a slow fall behind it later, and only then."""
    targets = Targets(r20_u_rel=0.001)  # a quarter of a kelvin of copper
    at_rest_s, slow_s = hold(targets, 0.0), hold(targets, 3.0)
    assert 60.0 <= at_rest_s < 240.0
    assert 3.0 * np.exp(-slow_s / 300.0) < 0.25
    assert slow_s < 1500.0


def test_without_a_target_a_hold_has_its_full_time() -> None:
    """A target of the joint alone says nothing of holds."""
    assert hold(Targets(joint_u_ohm=0.01), 0.0) == 1800.0


def test_rows_become_a_trace_in_order_of_time() -> None:
    """Missing numbers are NaN, and insulation has no place among resistances."""
    rows = [
        Reading(time_s=2.0, coil="Y1", phase="cool", resistance_ohm=3.4, source="ohms"),
        Reading(time_s=1.0, coil="Y1", phase="heat", current_A=0.0, energy_J=5.0, source="switching"),
        Reading(time_s=3.0, coil="Y1", phase="cool", source=INSULATION),
    ]
    trace = trace_of(rows)
    assert trace.time_s.tolist() == [1.0, 2.0]
    assert trace.phase.tolist() == ["heat", "cool"]
    np.testing.assert_array_equal(trace.resistance_ohm, [nan, 3.4])
    np.testing.assert_array_equal(trace.energy_J, [5.0, nan])
