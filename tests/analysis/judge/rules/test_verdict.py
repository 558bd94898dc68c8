"""The guard-banded decision."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from analysis.judge.rules.verdict import K, decide, judged, overall, undetermined


@pytest.mark.parametrize(
    ("value", "outcome"),
    [
        (0.0, "pass"),
        (0.8, "pass"),
        (0.801, "retest"),
        (1.0, "retest"),
        (1.2, "retest"),
        (1.201, "fail"),
        (-1.2, "retest"),
        (-1.201, "fail"),
    ],
)
def test_guard_band_on_both_sides(value: float, outcome: str) -> None:
    """Inside by U passes, outside by more than U fails, between is a retest."""
    assert decide(value, 0.1, -1.0, 1.0) == outcome


def test_a_pass_is_wrong_at_most_once_in_forty() -> None:
    """At the edge of a pass the value is beyond the limit with at most 2.5 % (ILAC-G8:09/2019, w = U)."""
    assert decide(0.8, 0.1, None, 1.0) == "pass"
    assert norm.sf((1.0 - 0.8) / 0.1) <= 0.025
    assert norm.sf(K) == pytest.approx(0.02275, abs=5e-6)


def test_one_sided_limits() -> None:
    """A limit that is not given does not count."""
    assert decide(1e9, 0.1, 1.0, None) == "pass"
    assert decide(-1e9, 0.1, None, 1.0) == "pass"
    assert decide(5.0, 1.0, None, None) == "pass"


@given(st.floats(-5.0, 5.0), st.floats(0.0, 3.0), st.floats(0.0, 3.0))
def test_more_uncertainty_never_decides_more(value: float, u: float, more: float) -> None:
    """A larger uncertainty may turn a decision into a retest, never one decision into the other."""
    before, after = decide(value, u, -1.0, 1.0), decide(value, u + more, -1.0, 1.0)
    assert after in {before, "retest"}


def test_criterion_carries_what_it_was_decided_by() -> None:
    """Value, U with k = 2, limits and outcome stand together."""
    criterion = judged("joint", "joint in series", "ohm", 0.3, 0.02, high=0.1)
    assert (criterion.expanded_u, criterion.high, criterion.outcome) == (0.04, 0.1, "fail")
    nothing = undetermined("joint", "joint in series", "ohm", high=0.1, note="one temperature")
    assert (nothing.value, nothing.outcome, nothing.note) == (None, "not determined", "one temperature")


@pytest.mark.parametrize(("dof", "k"), [(1.0, 13.97), (10.0, 2.28), (20.0, 2.13), (50.0, 2.05), (None, 2.0)])
def test_few_degrees_of_freedom_widen_the_guard_band(dof: float | None, k: float) -> None:
    """U takes k from Student's t for 95.45 %, and the guard band is U (JCGM 100, table G.2, from memory)."""
    criterion = judged("x", "x", "", 0.0, 0.1, high=1.0, dof=dof)
    assert (criterion.k, criterion.dof) == (pytest.approx(k, abs=5e-3), dof)
    assert criterion.expanded_u == pytest.approx(0.1 * criterion.k)
    edge = 1.0 - 0.1 * criterion.k
    assert decide(edge - 1e-9, 0.1, None, 1.0, dof=dof) == "pass"
    assert decide(edge + 1e-9, 0.1, None, 1.0, dof=dof) == "retest"


@given(st.floats(1.0, 200.0), st.sampled_from([1.0, -1.0]))
def test_the_risk_at_the_edge_is_the_same_for_any_degrees_of_freedom(dof: float, side: float) -> None:
    """With k and risk from one distribution a verdict at its edge is wrong with 2.275 %, pass or fail."""
    k = judged("x", "x", "", 0.0, 0.1, dof=dof).k
    criterion = judged("x", "x", "", 1.0 - side * 0.1 * k * (1.0 + 1e-9), 0.1, high=1.0, dof=dof)
    assert criterion.outcome == ("pass" if side > 0.0 else "fail")
    assert criterion.wrong_risk == pytest.approx(0.02275, abs=5e-6)


def test_worst_outcome_is_the_verdict() -> None:
    """One fail fails, else one retest is a retest; what is not determined does not count here."""
    assert overall(["pass", "retest", "fail"]) == "fail"
    assert overall(["pass", "retest", "not determined"]) == "retest"
    assert overall(["pass", "not determined"]) == "pass"
