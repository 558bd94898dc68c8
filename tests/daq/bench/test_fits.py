"""Fits beside the measuring loop: asked for without waiting, the same answer, or nothing known."""

from __future__ import annotations

import time
from math import isinf

import numpy as np
import pytest

from analysis.model import Accuracy, Trace
from analysis.trace.known_so_far import NOTHING, known_of
from daq.bench.fits import TAKES_S, FitRequest, FitsBeside, VirtualFits
from daq.clock import VirtualClock
from tests.daq.kits.wire import wait_until


def trace() -> Trace:
    """Return a coil that cools: invented, by two exponentials."""
    time_s = np.arange(0.0, 400.0, 2.0)
    body = 22.0 + 20.0 * np.exp(-time_s / 300.0)
    winding = body + 15.0 * np.exp(-time_s / 15.0)
    nothing = np.full(time_s.size, np.nan)

    def words(word: str) -> np.ndarray:
        return np.full(time_s.size, word)

    return Trace(
        coil="Y1",
        time_s=time_s,
        probe_degC=body,
        resistance_ohm=3.3 * (1.0 + 0.00393 * (winding - 20.0)),
        voltage_V=nothing,
        current_A=nothing,
        phase=words("cool"),
        source=words("ohms"),
        status=words("ok"),
        energy_J=np.full(time_s.size, 1500.0),
    )


def answered(asked: FitRequest) -> object:
    """Wait for an answer."""
    wait_until(lambda: asked.answer() is not None, "a fit")
    return asked.answer()


def test_in_virtual_time_an_answer_comes_after_a_fixed_time() -> None:
    """However long it takes in life, a run is the same bit for bit."""
    clock = VirtualClock()
    asked = VirtualFits(clock).ask(trace(), Accuracy())
    assert asked.answer() is None
    clock.sleep(TAKES_S)
    assert repr(asked.answer()) == repr(known_of(trace(), Accuracy()))


@pytest.mark.slow
def test_a_fit_beside_is_asked_for_at_once_and_says_the_same() -> None:
    """Asking takes a few milliseconds, starting the process included; several wait for their turn."""
    fits = FitsBeside()
    try:
        began_s = time.monotonic()
        asked = [fits.ask(trace(), Accuracy()) for _ in range(3)]
        assert time.monotonic() - began_s < 0.2
        expected = repr(known_of(trace(), Accuracy()))
        assert [repr(answered(each)) for each in asked] == [expected] * 3
    finally:
        fits.close()


@pytest.mark.slow
def test_a_process_that_dies_leaves_nothing_known_and_is_started_anew() -> None:
    """A killed fit ends no soak: it has an answer, by which nothing is known, and the next one is done."""
    fits = FitsBeside()
    try:
        answered(fits.ask(trace(), Accuracy()))
        assert fits._process is not None
        fits._process.kill()
        fits._process.wait()
        lost = answered(fits.ask(trace(), Accuracy()))
        assert repr(lost) == repr(NOTHING)
        assert isinf(NOTHING.joint_u_ohm)
        assert repr(answered(fits.ask(trace(), Accuracy()))) == repr(known_of(trace(), Accuracy()))
    finally:
        fits.close()
        fits.close()
