"""Garbage in, reasons out."""

from __future__ import annotations

from dataclasses import fields
from math import inf, isfinite, nan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.judge.set import judge_set
from analysis.model import OK, OVER_RANGE, PHASES, Accuracy, Trace

_ODD = st.sampled_from([nan, 0.0, -1.0, 3.3, 22.0, 90.0, 1e-300, 1e300, 9.9e37, inf, -inf])
_ANY = st.one_of(_ODD, st.floats(-10.0, 100.0), st.floats())


@st.composite
def garbage(draw: st.DrawFn) -> list[Trace]:
    """Up to three traces of up to a dozen rows of anything."""
    traces = []
    for label in ("Y1", "Y2", "Y3")[: draw(st.integers(1, 3))]:
        n = draw(st.integers(0, 12))

        def numbers(n: int = n) -> np.ndarray:
            return np.array(draw(st.lists(_ANY, min_size=n, max_size=n)), dtype=np.float64)

        def words(of: tuple[str, ...], n: int = n) -> np.ndarray:
            return np.array(draw(st.lists(st.sampled_from(of), min_size=n, max_size=n)), dtype=np.str_)

        time_s = np.sort(numbers()) if draw(st.booleans()) else np.full(n, nan)
        phase = words((*PHASES, "")) if draw(st.booleans()) else np.full(n, "")
        traces.append(
            Trace(
                label,
                time_s,
                numbers(),
                numbers(),
                numbers(),
                numbers(),
                phase,
                words(("ohms", "V/I", "typed", "switching")),
                words((OK, OVER_RANGE, "missing: no reading")),
                leakage_ohm=numbers(),
                energy_J=numbers() if draw(st.booleans()) else np.empty(0),
            )
        )
    return traces


@pytest.mark.slow
@settings(max_examples=150)
@given(garbage())
def test_garbage_never_raises_and_never_gives_nan(traces: list[Trace]) -> None:
    """Whatever the arrays hold, each coil gets a verdict with reasons, and no number is NaN or infinite."""
    result = judge_set(traces, None, None, Accuracy())
    assert [coil.coil for coil in result.coils] == [trace.coil for trace in traces]
    for coil in result.coils:
        assert coil.reasons
        for holder in (coil, *coil.criteria):
            numbers = [getattr(holder, field.name) for field in fields(holder)]
            assert all(isfinite(number) for number in numbers if isinstance(number, float))
