"""What must hold of every judgement, whatever the unit, the clock or the order of the readings."""

from __future__ import annotations

from dataclasses import replace
from math import inf, nan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.judge.set import judge_set
from analysis.model import Limits, MeterUse, Subject
from tests.analysis.conftest import Bench
from tests.analysis.judge.test_judge import ACCURACY, codes, judged


@settings(max_examples=25)
@given(st.floats(0.7, 20.0))
def test_scaled_ohms_scale_results(scale: float) -> None:
    """Resistances in another unit give results in that unit and the same slope."""
    trace = Bench().soak(joint_ohm=0.1)
    scaled = replace(trace, resistance_ohm=trace.resistance_ohm * scale)
    accuracy = replace(ACCURACY, noise_ohm=ACCURACY.noise_ohm * scale, offset_ohm=ACCURACY.offset_ohm * scale)
    (plain,), (other,) = (
        judge_set([t], None, None, a).coils for t, a in ((trace, ACCURACY), (scaled, accuracy))
    )
    for name in ("r20_ohm", "r20_u_ohm", "joint_ohm", "joint_u_ohm"):
        assert getattr(other, name) == pytest.approx(getattr(plain, name) * scale, rel=1e-6, abs=1e-9)
    assert other.alpha20_per_K == pytest.approx(plain.alpha20_per_K, rel=1e-9)


@settings(max_examples=15)
@given(st.floats(0.3, 30.0))
def test_limits_scaled_alike_keep_the_verdicts(scale: float) -> None:
    """A set in another unit, with limits and instruments in that unit, has the same verdicts and reasons."""
    bench = Bench()
    traces = [
        bench.soak("Y1"),
        bench.soak("Y2", joint_ohm=0.35, copper_ohm=3.22, seed=2),
        bench.soak("Y3", copper_ohm=3.3 * 0.94, seed=3),
        bench.soak("Y4", grown_rel=0.02, seed=4),
        bench.soak("Y5", joint_ohm=0.09, seed=5),
        bench.soak("Y6", seed=6),
    ]
    subjects = [Subject(trace.coil, "valve") for trace in traces]
    results = []
    for by in (1.0, scale):
        limits = Limits("valve", r20_ohm=3.3 * by, joint_max_ohm=0.1 * by, peer_max_ohm=0.1 * by)
        accuracy = replace(ACCURACY, noise_ohm=ACCURACY.noise_ohm * by, offset_ohm=ACCURACY.offset_ohm * by)
        scaled = [replace(trace, resistance_ohm=trace.resistance_ohm * by) for trace in traces]
        results.append(judge_set(scaled, subjects, {"valve": limits}, accuracy).coils)
    for plain, other in zip(*results, strict=True):
        assert (other.verdict, codes(other)) == (plain.verdict, codes(plain))
        assert [each.outcome for each in other.criteria] == [each.outcome for each in plain.criteria]
        for name in ("r20_ohm", "joint_ohm"):
            value = getattr(plain, name)
            scaled_value = None if value is None else pytest.approx(value * scale, rel=1e-6, abs=1e-6)
            assert getattr(other, name) == scaled_value


@settings(max_examples=15)
@given(st.floats(-1e6, 1e6))
def test_start_of_the_clock_does_not_matter_to_interruptions(shift_s: float) -> None:
    """Opens, their brackets, and what may have been missed are the same at another time of day."""
    trace = Bench().soak(readings=20)
    hot = trace.probe_degC > 80.0
    hot[[25, 30]] = True
    broken = replace(
        trace,
        resistance_ohm=np.where(hot, nan, trace.resistance_ohm),
        status=np.where(hot, "open or over range", "ok"),
    )
    meter = MeterUse(0.2, 0.02, 100.0)
    plain, other = (
        judge_set([replace(broken, time_s=broken.time_s + by)], None, None, ACCURACY, meter=meter).coils[0]
        for by in (0.0, shift_s)
    )
    assert (other.verdict, codes(other)) == (plain.verdict, codes(plain)) == ("fail", ["opens-hot"])
    ours, theirs = plain.interruptions, other.interruptions
    assert replace(theirs, open_s=None, watch=None) == replace(ours, open_s=None, watch=None)
    assert theirs.open_s == pytest.approx(ours.open_s, abs=1e-6)
    assert ours.watch is not None
    assert theirs.watch is not None
    assert theirs.watch.certain_s == pytest.approx(ours.watch.certain_s, abs=1e-6)
    assert [each.share for each in theirs.watch.missed] == pytest.approx(
        [each.share for each in ours.watch.missed], abs=1e-6
    )


@settings(max_examples=25)
@given(st.floats(0.0, 2.0))
def test_a_pure_joint_moves_the_joint_alone(joint_ohm: float) -> None:
    """Ohms in series appear as joint and in R20; the copper part stays."""
    trace = Bench().soak()
    (plain,), (other,) = (
        judge_set([t], None, None, ACCURACY).coils
        for t in (trace, replace(trace, resistance_ohm=trace.resistance_ohm + joint_ohm))
    )
    assert plain.joint_ohm is not None
    assert plain.r20_ohm is not None
    assert other.joint_ohm == pytest.approx(plain.joint_ohm + joint_ohm, abs=1e-6)
    assert other.r20_ohm == pytest.approx(plain.r20_ohm + joint_ohm, abs=1e-6)


@settings(max_examples=15)
@given(st.floats(-1e6, 1e6), st.booleans())
def test_start_of_the_clock_does_not_matter(shift_s: float, phased: bool) -> None:
    """The same readings at another time of day are the same judgement."""
    trace = Bench().soak(phased=phased)
    (plain,), (other,) = (
        judge_set([t], None, None, ACCURACY).coils
        for t in (trace, replace(trace, time_s=trace.time_s + shift_s))
    )
    assert other.joint_ohm == pytest.approx(plain.joint_ohm, abs=1e-9)
    assert (other.verdict, codes(other)) == (plain.verdict, codes(plain))


@settings(max_examples=25)
@given(st.permutations(range(8)))
def test_order_of_settled_points_does_not_matter(order: list[int]) -> None:
    """Points without time are judged the same in any order, opens included."""
    probe = [22.0, 22.1, 50.0, 50.1, 70.0, 70.1, 90.0, 90.1]
    ohm = [3.326, 3.327, 3.689, 3.69, 3.9485, 3.9495, inf, inf]
    bench = Bench()
    plain = judged(bench.points("Y1", probe, ohm))["Y1"]
    other = judged(bench.points("Y1", [probe[k] for k in order], [ohm[k] for k in order]))["Y1"]
    assert (other.joint_ohm, other.r20_ohm) == pytest.approx((plain.joint_ohm, plain.r20_ohm), abs=1e-12)
    assert other.reasons == plain.reasons
