"""What is known of a coil while it still cools."""

from __future__ import annotations

from math import inf, isnan, log

import numpy as np
import pytest

from analysis.model import Accuracy, Trace
from analysis.trace.known_so_far import cools_in_s, known_of
from analysis.trace.rows import sort_rows
from analysis.trace.self_heated import fit_self_heated
from tests.benchmarks.invented_coils import Rows, ladder, simulate

ACCURACY = Accuracy(noise_ohm=0.001, probe_noise_K=0.1)
OFF_S = 320.25


def pulse(seed: int) -> Rows:
    """Five minutes of heat and fifteen of cooling of one invented coil, with fresh noise."""
    return simulate(ladder(), np.random.default_rng(seed))


def until(rows: Rows, cooled_s: float) -> Trace:
    """What a run would have had of it *cooled_s* after switching off."""
    kept = rows.time_s <= OFF_S + cooled_s
    time_s, amperes = rows.time_s[kept], rows.current_A[kept]
    phase = np.where(time_s < 20.0, "ambient", np.where(time_s < OFF_S, "heat", "cool"))
    return Trace(
        coil="Y1",
        time_s=time_s,
        probe_degC=rows.probe_degC[kept],
        resistance_ohm=rows.resistance_ohm[kept],
        voltage_V=np.where(amperes > 0.0, rows.voltage_V[kept], np.nan),
        current_A=np.where(amperes > 0.0, amperes, np.nan),
        phase=phase,
        source=np.where(amperes > 0.0, "V/I", "ohms"),
        status=np.full(time_s.size, "ok"),
        energy_J=rows.energy_J[kept],
    )


@pytest.mark.slow
def test_more_cooling_makes_more_known() -> None:
    """Joint and R20 are better known later on; cold against cold too, since the body moves ever less."""
    rows = pulse(1)
    early, late = (known_of(until(rows, cooled_s), ACCURACY) for cooled_s in (200.0, 800.0))
    assert late.joint_u_ohm < early.joint_u_ohm < 0.05
    assert late.r20_u_rel < early.r20_u_rel < 0.01
    assert late.drift_u_rel < early.drift_u_rel
    assert 300.0 < late.slowest_s < 900.0


@pytest.mark.slow
def test_what_is_called_known_holds_the_truth() -> None:
    """Left as soon as the joint is known to 30 mohm, it is never three times as far from the truth.

    One pulse into a body whose loss is not known does not tell a small core in the winding from none, and
    with one the joint would be 20 to 40 mohm more: so long as both are likely, that is in the uncertainty.
    """
    for seed in range(5):
        rows, cooled_s = pulse(seed), 180.0
        while (known := known_of(until(rows, cooled_s), ACCURACY)).joint_u_ohm > 0.03 and cooled_s < 900.0:
            cooled_s *= 1.15
        assert known.joint_u_ohm <= 0.03
        fit = fit_self_heated(sort_rows(until(rows, cooled_s)), ACCURACY)
        assert abs(fit.joint_ohm - 0.1) < 3.0 * known.joint_u_ohm


def test_a_trace_that_no_fit_explains_makes_nothing_known() -> None:
    """With a probe that hangs in the air nothing of joint and R20 is known."""
    trace = until(pulse(2), 300.0)
    trace.probe_degC[:] = 22.0
    known = known_of(trace, ACCURACY)
    assert (known.joint_u_ohm, known.r20_u_rel) == (inf, inf)
    assert isnan(known.slowest_s)


def test_how_long_a_body_takes_to_be_cold() -> None:
    """By the definition of a time constant; none where it is cold already."""
    assert cools_in_s(40.0, 1.0, 600.0) == pytest.approx(600.0 * log(40.0))
    assert cools_in_s(1.0, 1.5, 600.0) == 0.0
