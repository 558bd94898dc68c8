"""How long until the coils have settled, and what the screen says of it."""

from __future__ import annotations

from math import exp, log
from unittest.mock import Mock

import numpy as np
import pytest

from daq.procedures.procedure import Progress, Stage
from daq.procedures.soak.forecast import EVERY_S, Forecast
from daq.record.writer import Reading

TAU_S = {"Y1": 240.0, "Y2": 300.0}
#: |a| exp(-t/tau) (exp(W/tau) - 1) = tolerance, for the slower of the two.
SETTLED_S = 300.0 * log(40.0 * (exp(120.0 / 300.0) - 1.0) / 0.15)


def reading(time_s: float, coil: str, *, probe_degC: float | None = None) -> Reading:
    """A row on the way to 90 degC."""
    return Reading(time_s=time_s, coil=coil, phase="rise", step_degC=90.0, probe_degC=probe_degC)


class Approaching:
    """Two bodies approaching 90 degC from 50, read every 15 s with 0.02 K of noise."""

    def __init__(self) -> None:
        self.forecast = Forecast(window_s=120.0, tolerance_K=0.15)
        self.now_s = 0.0
        self._rng = np.random.default_rng(9)

    def go_on(self, until_s: float) -> None:
        """Read until then."""
        while self.now_s < until_s:
            self.now_s += 15.0
            for coil, tau_s in TAU_S.items():
                body = 90.0 - 40.0 * exp(-self.now_s / tau_s) + self._rng.normal(0.0, 0.02)
                self.forecast.add(reading(self.now_s, coil, probe_degC=body))

    def left_s(self, *, target_degC: float = 90.0) -> float | None:
        """What is told now."""
        return self.forecast.left_s(list(TAU_S), self.now_s, target_degC, 5.0)


@pytest.mark.parametrize("at_s", [600.0, 900.0, 1200.0])
def test_the_slowest_coil_decides(at_s: float) -> None:
    """From one time constant on the moment when the slower of two has settled is told to a minute."""
    coils = Approaching()
    coils.go_on(at_s)
    left_s = coils.left_s()
    assert left_s is not None
    assert left_s == pytest.approx(SETTLED_S - at_s, abs=60.0)


def test_nothing_is_told_too_early_or_of_a_wrong_end() -> None:
    """A minute of readings tells no end, and an end beyond reach of the setpoint is not the end."""
    coils = Approaching()
    coils.go_on(60.0)
    assert coils.left_s() is None
    coils.go_on(900.0)
    assert coils.left_s(target_degC=100.0) is None


def test_between_fits_time_passes() -> None:
    """Within two minutes of a fit the forecast only counts down, and never below nothing."""
    coils = Approaching()
    coils.go_on(900.0)
    first_s = coils.left_s()
    assert first_s is not None
    coils.go_on(900.0 + EVERY_S - 15.0)
    assert coils.left_s() == pytest.approx(first_s - (EVERY_S - 15.0))
    assert coils.forecast.left_s(["Y1"], coils.now_s + 14.0, 90.0, 5.0) is not None
    late = Approaching()
    late.go_on(SETTLED_S + 600.0)
    assert late.left_s() == 0.0


def test_nobody_waits() -> None:
    """With all coils settled there is nothing left, forecast or not; without a probe nothing is known."""
    forecast = Forecast(window_s=120.0, tolerance_K=0.15)
    assert forecast.left_s([], 10.0, 90.0, 5.0) == 0.0
    forecast.add(reading(5.0, "Y1"))
    assert forecast.left_s(["Y1"], 10.0, 90.0, 5.0) is None


def test_the_screen_says_when_it_settles() -> None:
    """The stage shows the minutes, what follows is in the time left, the share done does not go back."""
    screen = Mock()
    progress = Progress(screen, [Stage("step 90 degC", 1800.0), Stage("back to cold", 3000.0)])
    progress.enter(0.0)
    progress.settling(600.0, 310.0, 600.0)
    stage, done, left_s, *_ = screen.progress.call_args.args
    assert (stage, left_s) == ("step 90 degC, settles in about 5 min", 310.0 + 600.0 + 3000.0)
    progress.settling(660.0, None, 600.0)
    stage, later, left_s, *_ = screen.progress.call_args.args
    assert (stage, left_s) == ("step 90 degC", 1800.0 - 660.0 + 3000.0)
    assert later >= done
    progress.settling(700.0, 0.0, 600.0)
    assert screen.progress.call_args.args[0] == "step 90 degC"


def test_a_stage_beyond_its_plan_promises_no_end() -> None:
    """Nobody waits through '0 s left': once its time has passed, it is said that it takes longer."""
    screen = Mock()
    progress = Progress(screen, [Stage("step 90 degC", 300.0, "Y1"), Stage("back to cold", 600.0, "Y1")])
    progress.enter(0.0)
    progress.at(299.0)
    assert screen.progress.call_args.args[2:] == (601.0, "Y1", 601.0)
    progress.at(300.0)
    stage, _, left_s, *_ = screen.progress.call_args.args
    assert (stage, left_s) == ("step 90 degC, longer than planned", 600.0)
    assert len(screen.progress.call_args.args) == 4
    progress.enter(400.0)
    progress.at(1000.0)
    assert screen.progress.call_args.args[2] is None
