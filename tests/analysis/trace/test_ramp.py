"""Resistance against temperature while both move: the winding's lag fitted with the line."""

from __future__ import annotations

from dataclasses import replace
from math import inf

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.judge.set import judge_set
from analysis.model import OVER_RANGE, Accuracy, CoilResult, Limits, Subject, Trace
from analysis.trace.known_so_far import known_of
from analysis.trace.ramp import fit_ramp
from analysis.trace.rows import Story, sort_rows
from tests.benchmarks.invented_coils import ALPHA20
from tests.benchmarks.oven_truth import fitted, off_and_u

LIMITS = {"invented": Limits("invented", r20_ohm=5.0, r20_tolerance_rel=0.6)}


def judged(trace: Trace) -> CoilResult:
    """Judge one trace by itself, as of a soak to 90 degC."""
    return judge_set([trace], [Subject("Y1", "invented")], LIMITS, Accuracy(), soak_degC=90.0).coils[0]


def back_cold(trace: Trace) -> Trace:
    """The trace with its last readings taken as those after the heat."""
    phase = trace.phase.copy()
    phase[-3:] = "return"
    return replace(trace, phase=phase)


def changed(trace: Trace, ohm: NDArray[np.float64]) -> Trace:
    """The trace with other resistances."""
    return replace(trace, resistance_ohm=ohm)


@pytest.mark.slow
def test_intervals_hold_the_truth_of_coils_built_otherwise() -> None:
    """Of 60 random coils 95 % intervals of R20 and joint hold the truth in 52 or more.

    The chance of fewer is 0.3 %. How often over hundreds is measured by the benchmark.
    """
    held = np.zeros(2)
    for seed in range(700, 760):
        coil, fit, _ = fitted(seed)
        assert fit is not None
        assert fit.credible
        off, u = off_and_u(coil, fit)
        held += np.abs(off) < 1.96 * u
    assert held.min() >= 52


def test_the_lag_is_the_one_that_the_coil_has() -> None:
    """A winding that is the probe 40 s ago, exactly, has a lag of 40 s, and R20 and slope are its own."""
    time_s = np.arange(0.0, 1800.0, 12.0)
    probe = 22.0 + 60.0 * np.clip(time_s - 200.0, 0.0, 800.0) / 800.0
    probe -= 40.0 * np.clip(time_s - 1200.0, 0.0, 500.0) / 500.0
    winding, behind = probe.copy(), 0.0
    for at in range(1, time_s.size):
        # First order between straight lines: what is behind, and what the step adds.
        left = np.exp(-12.0 / 40.0)
        behind = behind * left - (probe[at] - probe[at - 1]) * 40.0 / 12.0 * (1.0 - left)
        winding[at] += behind
    rng = np.random.default_rng(1)
    ohm = 3.3 * (1.0 + ALPHA20 * (winding - 20.0)) + 0.1 + rng.normal(0.0, 1e-4, time_s.size)
    words = np.full(time_s.size, "ramp")
    nothing = np.full(time_s.size, np.nan)
    trace = Trace("Y1", time_s, probe, ohm, nothing, nothing, words, words, np.full(time_s.size, "ok"))
    fit = fit_ramp(sort_rows(trace))
    assert fit is not None
    assert fit.lag_s == pytest.approx(40.0, abs=0.5)
    assert fit.r20_ohm == pytest.approx(3.4, abs=4e-4)
    assert fit.slope == pytest.approx(3.3 * ALPHA20, rel=4e-4)
    assert fit.misfit == pytest.approx(1.0, abs=0.5)


@pytest.mark.parametrize("closes_degC", [64.0, 70.0])
def test_an_open_with_a_loop_of_its_own_is_no_lag(closes_degC: float) -> None:
    """A winding that opens above 72 degC and closes lower fails for that, and its joint stays what it is."""
    coil, _, trace = fitted(12)
    winding = ((trace.resistance_ohm - coil.joint_ohm) / coil.copper_ohm - 1.0) / ALPHA20 + 20.0
    top = int(np.nanargmax(trace.probe_degC))
    is_open = np.where(np.arange(winding.size) <= top, winding > 72.0, winding > closes_degC)
    is_open &= trace.source == "ohms"
    opened = replace(
        trace,
        resistance_ohm=np.where(is_open, np.nan, trace.resistance_ohm),
        status=np.where(is_open, OVER_RANGE, trace.status),
    )
    result = judged(opened)
    assert [reason.code for reason in result.reasons] == ["opens-hot"]
    fit = fit_ramp(sort_rows(opened))
    assert fit is not None
    off, u = off_and_u(coil, fit)
    assert (np.abs(off) < 2.6 * u).all()


def test_contacts_that_jump_are_left_out() -> None:
    """Every tenth reading 0.5 ohm too high changes nothing but the count of rows that are gone by."""
    coil, _, trace = fitted(12)
    jumped = trace.resistance_ohm.copy()
    jumped[5::10] += 0.5
    fit = fit_ramp(sort_rows(changed(trace, jumped)))
    assert fit is not None
    off, u = off_and_u(coil, fit)
    assert (np.abs(off) < 2.6 * u).all()
    assert fit.above[5::10].sum() >= fit.above.sum() > 10


def test_a_coil_that_creeps_is_not_given_a_joint() -> None:
    """Per cents more after the heat than before are no lag: no slope is told, and the coil does not pass."""
    _, _, trace = fitted(12)
    hot = np.clip((trace.time_s - 600.0) / 1200.0, 0.0, 1.0)
    for change_rel, verdict in ((0.003, "retest"), (0.03, "fail")):
        crept = changed(back_cold(trace), trace.resistance_ohm * (1.0 + change_rel * hot))
        result = judged(crept)
        assert result.verdict == verdict
        assert result.joint_ohm is None


@pytest.mark.parametrize("change_rel", [0.0, 0.001])
def test_a_small_change_is_no_lag_either(change_rel: float) -> None:
    """A coil that steps by a thousandth at the top has the joint that it has, and the change is told."""
    coil, _, trace = fitted(12)
    later = np.arange(trace.time_s.size) > int(np.nanargmax(trace.probe_degC))
    fit = fit_ramp(sort_rows(changed(trace, trace.resistance_ohm * (1.0 + change_rel * later))))
    assert fit is not None
    off, u = off_and_u(coil, fit)
    assert (np.abs(off) < 2.6 * u).all()
    found_rel, u_rel = fit.changed
    assert abs(found_rel - change_rel) < 2.6 * u_rel
    assert u_rel < 0.001


def test_only_a_ramp_that_spans_temperatures_tells() -> None:
    """A few rows, or all at one temperature, give no fit and no certainty."""
    _, _, trace = fitted(12)

    def first(rows: int) -> Trace:
        whole = {name: getattr(trace, name)[:rows] for name in _ARRAYS}
        return replace(trace, **whole)

    assert sort_rows(trace).story is Story.RAMP
    assert sort_rows(first(7)).story is not Story.RAMP
    early, late = known_of(first(20), Accuracy()), known_of(trace, Accuracy())
    assert early.joint_u_ohm == inf
    assert late.joint_u_ohm < 0.02
    assert late.r20_u_rel < 1e-3
    assert fit_ramp(sort_rows(changed(trace, np.full(trace.time_s.size, 0.01)))) is None


_ARRAYS = (
    "time_s",
    "probe_degC",
    "resistance_ohm",
    "voltage_V",
    "current_A",
    "phase",
    "source",
    "status",
)


def test_a_sound_coil_passes_and_is_said_to_be_judged_on_the_move() -> None:
    """Method, joint within U, and the budget names the lag."""
    coil, _, trace = fitted(12)
    result = judged(back_cold(trace))
    assert result.method == "ramp"
    assert result.joint_ohm is not None
    assert result.joint_u_ohm is not None
    assert abs(result.joint_ohm - coil.joint_ohm) < 2.0 * result.joint_u_ohm
    assert any(part.name == "noise and lag of the ramp" for part in result.budgets[1].components)


def test_rows_close_together_make_nothing_look_surer() -> None:
    """Read every 3 s instead of every 15 s, a coil is known no better than by rows 12 s apart."""
    coil, close, _ = fitted(14, scan_s=3.0)
    _, apart, _ = fitted(14, scan_s=12.0)
    assert close is not None
    assert apart is not None
    off, u = off_and_u(coil, close)
    assert (np.abs(off) < 2.6 * u).all()
    assert u == pytest.approx(off_and_u(coil, apart)[1], rel=0.5)
