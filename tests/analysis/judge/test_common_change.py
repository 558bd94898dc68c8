"""What all coils of a set do alike is the meter's, and convicts none of them."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.judge.set import judge_set
from analysis.model import Accuracy, CoilResult
from tests.analysis.kits.evidence import Part, oven_set


def judged(parts: list[Part]) -> list[CoilResult]:
    """Judge a bare table."""
    return list(judge_set([part.trace() for part in parts], None, None, Accuracy()).coils)


@pytest.mark.parametrize("share", [0.03, 0.08])
def test_a_meter_that_creeps_fails_no_coil(share: float) -> None:
    """All rise by the same per cent from the first row to the last, as with a battery that runs down."""
    parts = oven_set(np.random.default_rng(1), 4, every_s=30.0)
    for part in parts:
        part.ohm *= 1.0 + share * part.time_s / part.time_s[-1]
    for coil in judged(parts):
        assert coil.verdict == "retest"
        assert "drift-alike" in [reason.code for reason in coil.reasons]


def test_coils_that_change_each_by_itself_fail() -> None:
    """Heat did that to each of them, by another share."""
    parts = oven_set(np.random.default_rng(2), 4, every_s=30.0)
    for part, share in zip(parts, (0.02, 0.03, 0.045, 0.06), strict=True):
        part.ohm *= 1.0 + share * (np.arange(part.ohm.size) > part.ends[-1])
    assert {coil.verdict for coil in judged(parts)} == {"fail"}
