"""From a self-heated trace to the fit: energy nobody can have put into an open coil."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.model import OK, OVER_RANGE, Accuracy, Trace
from analysis.trace.rows import sort_rows
from analysis.trace.self_heated import fit_self_heated
from tests.benchmarks.invented_coils import lumped, simulate

OPEN_ROWS = 7


def opened_while_driven(seed: int) -> Trace:
    """A coil of 3.2 and 0.05 ohm that opens under current, counted on to the next row as a bench would."""
    rows = simulate(
        lumped(), np.random.default_rng(seed), heat_W=30.0, heat_s=80.0, every_s=2.0, cool_s=1200.0
    )
    driven = rows.current_A > 0
    last = int(np.flatnonzero(driven)[-1])
    opened = np.zeros(driven.size, dtype=np.bool_)
    opened[last + 1 : last + 1 + OPEN_ROWS] = True
    energy = rows.energy_J.copy()
    energy[last + 1 :] = energy[last] + rows.voltage_V[last] * rows.current_A[last] * (
        rows.time_s[last + 1] - rows.time_s[last]
    )
    assert energy[-1] > rows.energy_J[-1] + 5.0
    none = np.where(driven | opened, 0.0, np.nan)
    return Trace(
        "Y2",
        rows.time_s,
        rows.probe_degC,
        np.where(opened, np.nan, rows.resistance_ohm),
        none + np.where(opened, 11.0, rows.voltage_V),
        none + np.where(opened, 0.0, rows.current_A),
        np.full(driven.size, ""),
        np.where(driven | opened, "V/I", "ohms"),
        np.where(opened, OVER_RANGE, OK),
        energy_J=energy,
    )


@pytest.mark.slow
def test_energy_counted_into_an_open_coil_makes_no_joint() -> None:
    """A coil that opened between two rows took less than was counted; its joint comes out all the same."""
    for seed in (1, 2, 3):
        fit = fit_self_heated(sort_rows(opened_while_driven(seed)), Accuracy())
        assert fit.credible
        assert fit.joint_ohm == pytest.approx(0.05, abs=2.0 * fit.joint_u_ohm)
        assert fit.joint_u_ohm < 0.05
