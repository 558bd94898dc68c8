"""Readings that do not fit the line of a coil: slips, a first one not at rest, a long hold."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.arrays import FloatArray
from analysis.judge.set import judge_set
from analysis.model import Accuracy, CoilResult, Limits, MeterUse, Subject, Trace

LIMITS = {"valve": Limits("valve", r20_ohm=3.3)}


def copper(degC: FloatArray) -> FloatArray:
    """Return the resistance, shape (n,), of a coil of 3.3 ohm with a joint of 10 mohm."""
    return np.asarray(3.3 * (1.0 + 0.00393 * (degC - 20.0)) + 0.01)


def trace(coil: str, probe_degC: FloatArray, ohm: FloatArray, time_s: FloatArray | None = None) -> Trace:
    """Return a table of ohms readings, each column of shape (n,)."""
    none, words = np.full(ohm.size, np.nan), np.full(ohm.size, "")
    times, source = (none if time_s is None else time_s), np.full(ohm.size, "ohms")
    return Trace(coil, times, probe_degC, ohm, none, none, words, source, np.full(ohm.size, "ok"))


def first(*traces: Trace) -> CoilResult:
    """Judge *traces* as like parts on four wires and return the first."""
    subjects = [Subject(each.coil, "valve") for each in traces]
    return judge_set(traces, subjects, LIMITS, Accuracy(), meter=MeterUse(wires=4)).coils[0]


def by_hand(coil: str, winding_off_K: FloatArray, rng: np.random.Generator) -> Trace:
    """Three readings at each of six temperatures, the winding off its body by *winding_off_K*, shape (6,)."""
    body = np.array([22.0, 35.0, 50.0, 60.0, 70.0, 90.0])
    degC = np.repeat(body, 3) + rng.normal(0.0, 0.05, 18)
    return trace(coil, degC, np.round(copper(np.repeat(body + winding_off_K, 3)), 4))


@pytest.mark.parametrize("off_K", [4.0, 8.0])
def test_a_first_reading_not_at_rest_convicts_no_coil(off_K: float) -> None:
    """A step with one cold visit below it may be a winding not yet at rest: it is read again."""
    rng = np.random.default_rng(1)
    warm = np.array([off_K, 0.0, 0.0, 0.0, 0.0, 0.0])
    coil = first(by_hand("A", warm, rng), *(by_hand(f"S{n}", np.zeros(6), rng) for n in range(3)))
    assert coil.verdict == "retest"
    assert coil.reasons[0].code == "first-unlike"


def soaked(hold_s: float, rng: np.random.Generator) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return time, probe and ohms, each of shape (n,), of a soak with a hot hold of *hold_s*."""
    ends_s = np.cumsum([0.0, 600.0, 600.0, hold_s, 1200.0, 600.0])
    time_s = np.arange(0.0, ends_s[-1], 20.0)
    body = np.interp(time_s, ends_s, [22.0, 22.0, 90.0, 90.0, 23.0, 23.0])
    ohm = np.round(copper(body) + rng.normal(0.0, 0.001, time_s.size), 4)
    return time_s, np.round(body + rng.normal(0.0, 0.05, time_s.size), 2), ohm


@pytest.mark.parametrize("hold_s", [3600.0, 4 * 3600.0])
def test_a_long_hot_hold_does_not_push_the_cold_readings_off(hold_s: float) -> None:
    """However many readings one visit has, it counts once for the line."""
    rng = np.random.default_rng(1)
    parts = []
    for n in range(3):
        time_s, probe, ohm = soaked(hold_s, rng)
        parts.append(trace(f"Y{n}", probe, ohm, time_s))
    assert first(*parts).verdict == "pass"


@pytest.mark.parametrize(("lows", "verdict"), [([8], "pass"), ([8, 20], "retest")])
def test_one_low_reading_of_a_long_record_is_a_slip_and_two_are_not(lows: list[int], verdict: str) -> None:
    """The readings before and after it, at the same temperature, say that the coil was in order."""
    rng = np.random.default_rng(2)
    body = np.repeat([22.0, 50.0, 70.0, 90.0], 8)
    tables = []
    for n in range(3):
        ohm = np.round(copper(body) + rng.normal(0.0, 0.001, body.size), 4)
        if n == 0:
            ohm[[low + 3 for low in lows]] *= 0.9
        tables.append(trace(f"Y{n}", body + rng.normal(0.0, 0.05, body.size), ohm))
    coil = first(*tables)
    assert coil.verdict == verdict
    assert (coil.reasons[0].code == "reads-low") == (verdict == "retest")


@pytest.mark.parametrize(("factor", "code"), [(1.05, "reads-high"), (0.95, "reads-low")])
def test_rows_off_the_line_on_the_move_are_no_pass(factor: float, code: str) -> None:
    """Above it as below it: where the temperature moves no other check would see them."""
    time_s = np.arange(0.0, 3600.0, 10.0)
    body = 22.0 + 68.0 * np.exp(-time_s / 1200.0)
    ohm = copper(body)
    ohm[[40, 120, 200]] *= factor
    coil = first(trace("Y1", body, ohm, time_s))
    assert coil.verdict == "retest"
    assert code in {reason.code for reason in coil.reasons}
