"""Parts not at rest: how fast a winding warms or cools is told from its own resistance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.model import Trace
from analysis.rest import MOST_K_PER_min, at_rest
from analysis.rows import sort_rows


def swept(rate_K_per_min: float, *, noise_ohm: float = 1e-4, seed: int = 0, degC: float = 22.0) -> Trace:
    """Three readings and two more twenty seconds later of a winding that moves by *rate_K_per_min*."""
    time_s = np.array([0.0, 0.4, 0.8, 20.0, 20.4])
    winding_degC = degC + rate_K_per_min * time_s / 60.0
    noise = noise_ohm * np.random.default_rng(seed).standard_normal(5)
    # NBS Handbook 100: R is in proportion to 234.5 + T.
    ohm = 3.3 * (234.5 + winding_degC) / 254.5 + noise
    nothing, words = np.full(5, np.nan), np.array(["ok"] * 5)
    phase, source = np.array(["sweep"] * 5), np.array(["ohms"] * 5)
    return Trace("Y1", time_s, np.full(5, degC), ohm, nothing, nothing, phase, source, words)


@pytest.mark.parametrize("rate", [-5.0, -0.5, 0.0, 0.5, 5.0])
@pytest.mark.parametrize("degC", [8.0, 28.0])
def test_rate_is_that_of_the_copper_law(rate: float, degC: float) -> None:
    """Without noise the rate comes out as put in, whatever the workshop's temperature."""
    finding = at_rest(sort_rows(swept(rate, noise_ohm=0.0, degC=degC)))
    assert finding is not None
    assert finding.criterion.value == pytest.approx(rate, rel=5e-3, abs=1e-9)
    assert finding.criterion.outcome == ("retest" if abs(rate) > MOST_K_PER_min else "pass")


def test_noise_alone_asks_nobody_to_wait() -> None:
    """Of 400 coils at rest under a noisy meter at most 1 in 100 is told to lie down."""
    outcomes = [
        finding.criterion.outcome
        for seed in range(400)
        if (finding := at_rest(sort_rows(swept(0.0, noise_ohm=2e-3, seed=seed)))) is not None
    ]
    assert len(outcomes) == 400
    assert outcomes.count("retest") <= 0.01 * 400


def test_readings_at_one_instant_say_nothing() -> None:
    """Typed readings and quick ones in a row have no lever."""
    trace = swept(3.0)
    for field in (trace.time_s, np.full(5, np.nan)):
        changed = replace(trace, time_s=0.01 * field)
        assert at_rest(sort_rows(changed)) is None


def test_a_display_that_steps_is_no_movement() -> None:
    """A meter that shows tenths of an ohm and changes its mind between the passes tells of no heat."""
    trace = swept(0.0)
    stepped = np.array([3.3, 3.3, 3.3, 3.4, 3.4])
    changed = replace(trace, resistance_ohm=stepped)
    finding = at_rest(sort_rows(changed))
    assert finding is not None
    assert finding.criterion.outcome == "pass"
