"""A joint beside like parts: what the wire's coefficient leaves open by itself, its neighbours tell.

Settled points are computed from the copper law with a coefficient that is off by one per cent, as winding
wire's may be (rule of Dellinger, Bull. Bureau of Standards 7 (1911) 71, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from analysis.judge.set import judge_set
from analysis.model import Accuracy, Criterion, Limits, SetResult, Subject, Trace
from tests.analysis.conftest import Bench

LOW, HIGH = 0.00389, 0.00397
ACCURACY = Accuracy(probe_K=0.3, offset_ohm=0.002)
#: Of a coil with a joint in series, as its kind.
KIND, R20_OHM = "valve", 5.3


def points(coil: str, joint_ohm: float, *, copper_ohm: float = R20_OHM, alpha20: float = LOW) -> Trace:
    """Return settled points, 20 to 90 degC, without time."""
    winding = np.linspace(20.0, 90.0, 8)
    ohm = copper_ohm * (1.0 + alpha20 * (winding - 20.0)) + joint_ohm
    none = np.full(8, np.nan)
    return Trace(coil, none, winding, ohm, none, none, *(np.full(8, word) for word in ("", "ohms", "ok")))


def judged(joints_ohm: Mapping[str, float], *, alpha20: float = LOW, joint_max_ohm: float = 0.1) -> SetResult:
    """Judge coils of one batch of wire with these joints."""
    limits = {KIND: Limits(KIND, r20_ohm=R20_OHM, joint_max_ohm=joint_max_ohm)}
    traces = [points(coil, joint_ohm, alpha20=alpha20) for coil, joint_ohm in joints_ohm.items()]
    return judge_set(traces, [Subject(coil, KIND) for coil in joints_ohm], limits, ACCURACY)


def verdicts(result: SetResult) -> dict[str, tuple[str, str]]:
    """Return verdict and first reason code by coil."""
    return {coil.coil: (coil.verdict, coil.reasons[0].code) for coil in result.coils}


def joint_of(result: SetResult, coil: str) -> Criterion:
    """Return the criterion on the joint of *coil*."""
    found = next(each for each in result.coils if each.coil == coil)
    return next(criterion for criterion in found.criteria if criterion.code == "joint")


def test_sound_parts_of_one_wire_acquit_each_other() -> None:
    """Each looks like 0.06 ohm, too near 0.10 ohm to decide by itself; all look alike, so it is the wire."""
    result = judged({"A": 0.005, "B": 0.010, "C": 0.015})
    assert [coil.joint_ohm for coil in result.coils] == pytest.approx([0.059, 0.064, 0.069], abs=0.001)
    assert {verdict for verdict, _ in verdicts(result).values()} == {"pass"}
    assert "in excess of 2 like parts" in joint_of(result, "A").note


def test_alone_or_as_two_they_stay_unsure_and_say_what_helps() -> None:
    """One like part does not tell whose joint is the usual one."""
    for joints_ohm in ({"A": 0.005}, {"A": 0.005, "B": 0.010}):
        result = judged(joints_ohm)
        assert set(verdicts(result).values()) == {("retest", "joint-unsure")}
        assert "together with two like parts or more" in result.coils[0].reasons[0].text


def test_a_joint_hidden_by_the_wire_is_found_beside_like_parts() -> None:
    """Wire of a high coefficient takes 0.05 ohm off each joint: 0.18 looks like 0.13, its excess does not."""
    result = judged({"A": 0.01, "B": 0.18, "C": 0.01}, alpha20=HIGH)
    assert verdicts(result) == {
        "A": ("pass", "within-limits"),
        "B": ("fail", "joint"),
        "C": ("pass", "within-limits"),
    }
    found = joint_of(result, "B")
    assert found.value == pytest.approx(0.17, abs=0.001)
    assert found.value is not None
    assert found.expanded_u is not None
    assert found.value - found.expanded_u > 0.1


def test_a_bad_neighbour_does_not_spoil_the_reference() -> None:
    """Of three with one bad, the two that agree are the reference for each other."""
    result = judged({"A": 0.01, "B": 0.40, "C": 0.01})
    assert [verdict for verdict, _ in verdicts(result).values()] == ["pass", "fail", "pass"]


@pytest.mark.parametrize("scale", [1.04, 1.05, 1.06])
def test_a_probe_that_exaggerates_makes_no_joint(scale: float) -> None:
    """The whole coil is as its like parts are, and only the parts it is made of seem to differ."""
    traces = [points(coil, 0.01) for coil in "ABCD"]
    traces[0] = replace(traces[0], probe_degC=20.0 + scale * (traces[0].probe_degC - 20.0))
    limits = {KIND: Limits(KIND, r20_ohm=R20_OHM, peer_max_ohm=0.04 * R20_OHM)}
    result = judge_set(traces, [Subject(coil, KIND) for coil in "ABCD"], limits, ACCURACY)
    assert verdicts(result)["A"] == ("retest", "slope-implausible")
    assert {verdict for coil, (verdict, _) in verdicts(result).items() if coil != "A"} == {"pass"}


@pytest.mark.parametrize("unlike_ohm", [-0.06, 0.0, 0.06])
def test_a_joint_in_a_part_that_is_a_little_unlike_convicts_it(unlike_ohm: float) -> None:
    """Parts of one kind are not equal: the joint is larger than they differ, and is found."""
    traces = [points(coil, 0.01) for coil in "BCD"]
    traces.append(points("A", 0.25, copper_ohm=R20_OHM + unlike_ohm))
    limits = {KIND: Limits(KIND, r20_ohm=R20_OHM, peer_max_ohm=0.04 * R20_OHM)}
    result = judge_set(traces, [Subject(coil, KIND) for coil in "ABCD"], limits, ACCURACY)
    assert verdicts(result)["A"] == ("fail", "joint")


@pytest.mark.parametrize("alpha20", [LOW, HIGH])
def test_the_same_bad_joint_in_all_of_them_passes_nobody(alpha20: float) -> None:
    """What like parts share is theirs only while its best estimate is within the limit."""
    result = judged({"A": 0.17, "B": 0.17, "C": 0.17}, alpha20=alpha20)
    assert "pass" not in {verdict for verdict, _ in verdicts(result).values()}


def test_a_narrow_limit_does_not_let_a_bad_joint_off() -> None:
    """Though the wire makes every part look beyond 0.02 ohm, the one that sticks out of them is failed."""
    result = judged({"A": 0.005, "B": 0.30, "C": 0.010, "D": 0.005}, joint_max_ohm=0.02)
    assert verdicts(result)["B"] == ("fail", "joint")
    assert "fail" not in {verdict for coil, (verdict, _) in verdicts(result).items() if coil != "B"}


def test_a_joint_far_beyond_those_of_scattered_like_parts_is_not_shared_by_them() -> None:
    """No group of like parts agrees, most look beyond the narrow limit, and 0.30 ohm is not the same."""
    result = judged({"A": 0.0, "B": 0.30, "C": 0.045, "D": 0.09}, joint_max_ohm=0.005)
    assert verdicts(result)["B"] == ("fail", "joint")


def test_a_coil_that_changes_within_its_limit_is_told_to_soak_again(bench: Bench) -> None:
    """Half a per cent of drift blurs the slope: not more heat helps, but seeing whether it goes on."""
    coil = judge_set(
        [bench.soak(grown_rel=0.006)],
        [Subject("Y1", KIND)],
        {KIND: Limits(KIND, r20_ohm=3.3)},
        ACCURACY,
        soak_degC=90.0,
    ).coils[0]
    assert coil.verdict == "retest"
    (reason,) = (reason for reason in coil.reasons if reason.code == "joint-unsure")
    assert "soak it again" in reason.text
