"""Rows that a table lacks of one coil only, where each coil has times of its own."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.judge.checks.absent_rows import Line, lacking_of_own_times

EVERY_s = 10.0


def read_in_turn(count: int = 4) -> list[Line]:
    """Return rows of coils that are read one after another, on the way from 20 to 90 degC."""
    clocks = [np.arange(0.7 * n, 3600.0, EVERY_s) for n in range(count)]
    return [(time_s, np.interp(time_s, [0.0, 1800.0], [20.0, 90.0])) for time_s in clocks]


def without(line: Line, first_s: float, last_s: float) -> Line:
    """Return the rows but those from *first_s* to *last_s*."""
    kept = (line[0] < first_s) | (line[0] > last_s)
    return line[0][kept], line[1][kept]


@pytest.mark.parametrize("last_s", [2300.0, 4000.0])
def test_a_gap_that_only_one_coil_has_is_found_with_its_warmth(last_s: float) -> None:
    """Five minutes at the top, or all from then on."""
    own, *others = read_in_turn()
    when_s, degC = lacking_of_own_times(without(own, 2000.0, last_s), others)
    assert when_s.size == pytest.approx((min(last_s, 3600.0) - 2000.0) / EVERY_s, abs=2.0)
    assert degC == pytest.approx(90.0)


def test_gaps_as_others_have_them_are_the_recorders_habit() -> None:
    """Each coil is left out for some minutes, at times of its own."""
    lines = [without(line, 2000.0 + 300.0 * n, 2200.0 + 300.0 * n) for n, line in enumerate(read_in_turn())]
    assert not lacking_of_own_times(lines[0], lines[1:])[0].size


def test_coils_that_are_read_one_after_the_other_lack_nothing() -> None:
    """The first is done before the next begins."""
    lines = [(time_s + 4000.0 * n, degC) for n, (time_s, degC) in enumerate(read_in_turn())]
    assert not lacking_of_own_times(lines[0], lines[1:])[0].size


def test_a_scan_that_came_late_lacks_nothing() -> None:
    """A minute and a half without a row, where the recorder reads once in ten seconds."""
    own, *others = read_in_turn()
    assert not lacking_of_own_times(without(own, 2000.0, 2070.0), others)[0].size
