"""A joint is never negative: what is measured below nothing is error, and earns no credit."""

from __future__ import annotations

import pytest

from analysis.judge.checks.slope import less_than_none, slope_and_joint
from analysis.model import Limits
from analysis.trace.estimate import Estimate, Measured, Parts


def parts(joint_ohm: float, u_ohm: float, dof: float | None = None) -> Parts:
    """Return what a slope of copper and a joint of *joint_ohm* tell."""
    own_u = u_ohm / 2.0
    return Parts(
        Measured(0.00393, 2e-5), Measured(3.3, 0.01, 0.01), Measured(joint_ohm, u_ohm, own_u, dof, dof)
    )


@pytest.mark.parametrize("joint_ohm", [-1.84, -0.3, 0.0, 0.05])
@pytest.mark.parametrize("u_ohm", [0.15, 0.25, 0.9])
def test_an_uncertainty_beyond_the_limit_never_passes(joint_ohm: float, u_ohm: float) -> None:
    """With U above the limit no value is within it for sure, however far below nothing it lies."""
    found = Estimate("line", Measured(3.3, 0.01), parts(joint_ohm, u_ohm))
    for others in ([], [parts(0.01, u_ohm)] * 3):
        findings = slope_and_joint(found, others, Limits("valve", joint_max_ohm=0.1))
        assert findings[1].criterion.outcome != "pass"


def test_few_points_do_not_excuse_a_joint_far_below_nothing() -> None:
    """Three points whose k is 14 say by the normal k too that this is not copper; a little below is noise."""
    assert less_than_none(parts(-1.0, 0.2, 1.0), [])
    assert not less_than_none(parts(-0.1, 0.2, 1.0), [])
