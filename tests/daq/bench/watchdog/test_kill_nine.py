"""kill -9 in the middle of a soak over real wires; two hundred of them are a benchmark's business."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.kill_nine import Instant, kill_once

#: Faster than the benchmark, which has to bear a loaded machine.
SCALE = 800.0


@pytest.mark.slow
@pytest.mark.parametrize(
    "instant",
    [Instant(0, 3.0), Instant(1, 0.02), Instant(3, 0.03)],
    ids=["heating", "first coil", "last coil"],
)
def test_a_killed_soak_is_switched_off_keeps_its_rows_and_ends_as_if_it_had_not_been(
    tmp_path: Path, instant: Instant
) -> None:
    """Supply and oven off in time, rows on the disk still there, the same verdicts after resuming."""
    kill = kill_once(tmp_path, instant, SCALE)
    assert kill is not None
    assert kill.resumed
    assert kill.failed() == []
