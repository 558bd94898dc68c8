"""The digit that readings are written to, and what a table of few readings may not hide by it."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.arrays import FloatArray
from analysis.judge.set import judge_set
from analysis.model import Accuracy, Limits, MeterUse, Subject, Trace
from analysis.trace.rows import digit_ohm, digits_ohm, unordered_digits_ohm, whole_ohm

LIMITS = {"valve": Limits("valve", r20_ohm=3.3)}
PROBE_DEGC = np.array([22.0, 30.0, 50.0, 65.0, 80.0])


def by_hand(coil: str, ohm: FloatArray) -> Trace:
    """Return a table without times: one reading, shape (n,), at each of PROBE_DEGC."""
    none, words = np.full(ohm.size, np.nan), np.full(ohm.size, "")
    return Trace(
        coil, none, PROBE_DEGC, ohm, none, none, words, np.full(ohm.size, "typed"), np.full(ohm.size, "ok")
    )


@pytest.mark.parametrize(
    ("ohm", "digit"),
    [
        ([3.3, 3.4, 3.7], 0.1),
        ([3.31, 3.42, 3.9], 0.01),
        ([3.3248, 3.4288, 3.6881], 1e-4),
        ([3.30, 3.35, 3.40, 3.55, 3.60, 3.75], 0.05),
        ([0.002 * n for n in range(1650, 1662)], 0.002),
        ([3.3, 3.3, 3.3], 0.0),
        ([1.0 / 3.0, 2.0 / 7.0, 3.0 / 11.0], 0.0),
        ([120.0, 121.0, np.nan, 133.0], 1.0),
    ],
)
def test_the_digit_is_that_of_the_readings_and_no_step_of_temperature(ohm: list[float], digit: float) -> None:
    """All readings are whole multiples of it, however far they lie apart."""
    assert digit_ohm(np.array(ohm)) == pytest.approx(digit)


@pytest.mark.parametrize(
    ("ohm", "digits"),
    [
        # A range that gets coarse midway, in a table of a few readings, with the hot ones in its middle.
        ([6.512, 6.511, 7.284, 7.285, 7.8, 7.8, 8.3, 8.3, 6.5, 6.5], [1e-3] * 4 + [0.1] * 6),
        # and one that does so in the middle of a trace whose end stands still.
        (
            [6.512 + 0.013 * n for n in range(20)] + [7.1, 7.2, 7.3, 7.2] + [7.2] * 30,
            [1e-3] * 20 + [0.1] * 34,
        ),
        ([6.5, 6.512, 6.5, 6.513, 6.52, 6.511], [1e-3] * 6),
        ([6.5] * 8, [0.0] * 8),
        ([6.5, 6.6], [0.0] * 2),
        ([], []),
    ],
)
def test_a_digit_that_changes_midway_is_told_for_each_reading(ohm: list[float], digits: list[float]) -> None:
    """What those before and after it are whole multiples of, as soon as enough of them differ."""
    assert digits_ohm(np.array(ohm)) == pytest.approx(digits)


def test_where_order_says_nothing_too_many_coarse_ones_are_no_chance() -> None:
    """Three of 0.1 ohm among four of a thousandth are a range; one that ends in nought is none."""
    coarse, fine = [7.8, 8.3, 6.5], [6.512, 6.511, 7.284, 7.285]
    assert unordered_digits_ohm(np.array([8.3, *fine, *coarse])) == pytest.approx(
        [0.1, *[1e-3] * 4, *[0.1] * 3]
    )
    assert unordered_digits_ohm(np.array([7.8, *fine])) == pytest.approx([1e-3] * 5)
    assert unordered_digits_ohm(np.array([7.8, 7.8])) == pytest.approx([0.0] * 2)


def test_one_reading_is_a_multiple_of_its_last_figure() -> None:
    """Where there is nothing beside it, that is the coarsest that can be said."""
    assert whole_ohm(np.array([0.008])) == pytest.approx(1e-3)
    assert whole_ohm(np.array([7.25, np.nan])) == pytest.approx(0.01)
    assert whole_ohm(np.array([1.0 / 3.0])) == 0.0


def test_sound_coils_do_not_fail_for_a_range_that_gets_coarse() -> None:
    """Half a digit of 0.1 ohm is 1.5 % of these coils: that is not known, and nothing that they did."""
    copper = 3.3 * (1.0 + 0.00393 * (PROBE_DEGC - 20.0))
    traces = [
        by_hand(f"S{n}", np.where(PROBE_DEGC > 40.0, np.round(copper + 0.004 * n, 1), np.round(copper, 3)))
        for n in range(6)
    ]
    subjects = [Subject(trace.coil, "valve") for trace in traces]
    found = judge_set(traces, subjects, LIMITS, Accuracy(), meter=MeterUse(wires=4)).coils
    assert {coil.verdict for coil in found} == {"retest"}


def test_a_rise_in_a_table_of_one_reading_a_temperature_is_no_pass() -> None:
    """Eight per cent more copper above 60 degC, one reading each, beside three sound coils."""
    copper = 3.3 * (1.0 + 0.00393 * (PROBE_DEGC - 20.0))
    bad = np.round(copper * np.where(PROBE_DEGC > 60.0, 1.08, 1.0) + 0.01, 4)
    traces = [by_hand("A", bad), *(by_hand(f"S{n}", np.round(copper + 0.01 * n, 4)) for n in range(3))]
    subjects = [Subject(trace.coil, "valve") for trace in traces]
    found = judge_set(traces, subjects, LIMITS, Accuracy(), meter=MeterUse(wires=4)).coils
    assert found[0].verdict != "pass"
    assert [coil.verdict for coil in found[1:]] == ["pass"] * 3
