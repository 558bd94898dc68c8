"""How far points scatter about a line, told by all coils of a set together."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.model import Accuracy
from analysis.trace.estimate import Estimate, estimate
from analysis.trace.pooled_scatter import with_common_scatter
from analysis.trace.rows import sort_rows
from tests.analysis.conftest import Bench

DEGC = np.array([22.0, 50.0, 70.0, 90.0])


def found(seed: int, scatter_ohm: float, count: int = 6) -> dict[str, Estimate]:
    """Return estimates of coils of which each was read once at each of four temperatures."""
    rng = np.random.default_rng(seed)
    by_label = {}
    for n in range(count):
        ohm = 5.0 * (1.0 + 0.00393 * (DEGC - 20.0)) + rng.normal(0.0, scatter_ohm, DEGC.size)
        by_label[f"Y{n}"] = estimate(
            sort_rows(Bench().points(f"Y{n}", DEGC.tolist(), ohm.tolist())), Accuracy()
        )
    return by_label


def test_a_scatter_that_all_share_is_known_by_the_points_of_all() -> None:
    """Six coils of four points each: twelve degrees of freedom in place of two."""
    pooled = with_common_scatter(found(1, 0.008))
    assert all(
        each.parts is not None and (each.parts.joint.own_dof or 99.0) >= 12.0 for each in pooled.values()
    )


def test_a_coil_that_scatters_more_keeps_its_own_and_touches_no_other() -> None:
    """One whose points lie a tenth of an ohm off."""
    before = found(2, 0.004)
    off = found(3, 0.1)["Y5"]
    after = with_common_scatter({**before, "Y5": off})
    assert after["Y5"] == off
    calm = with_common_scatter({label: each for label, each in before.items() if label != "Y5"})
    for label in ("Y0", "Y1", "Y2", "Y3", "Y4"):
        own, alone = after[label].parts, calm[label].parts
        assert own is not None
        assert alone is not None
        assert own.joint.u == pytest.approx(alone.joint.u)


def test_two_coils_tell_no_usual_scatter() -> None:
    """They keep what each of them says."""
    two = found(4, 0.008, count=2)
    assert with_common_scatter(two) == two


@pytest.mark.slow
def test_the_joint_is_within_its_expanded_uncertainty_as_often_as_stated() -> None:
    """Of 240 coils without a joint, whose noise is twice the stated, about 95 % are within U."""
    within = [
        abs(each.parts.joint.value) <= each.parts.joint.expanded_u
        for seed in range(40)
        for each in with_common_scatter(found(100 + seed, 0.02)).values()
        if each.parts is not None
    ]
    assert 0.91 <= float(np.mean(within)) <= 0.99
