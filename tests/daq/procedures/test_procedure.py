"""Rows under power: what says open, and what says nothing of the coil."""

from __future__ import annotations

from unittest.mock import Mock

import pytest

from daq.clock import VirtualClock
from daq.instruments.number import Number
from daq.procedures.procedure import Procedure

OVER = "open or over range"
GOOD_V, GOOD_A, NO_A = Number(8.4, "ok"), Number(2.0, "ok"), Number(0.001, "ok")


@pytest.fixture
def procedure() -> Procedure:
    """Return a procedure on a bench of which only the clock matters."""
    bench = Mock(clock=VirtualClock(), typed=False)
    return Procedure(bench, Mock(), Mock())


@pytest.mark.parametrize(
    ("volts", "amperes", "trouble", "status"),
    [
        (GOOD_V, GOOD_A, "", "ok"),
        (GOOD_V, NO_A, "", OVER),
        (Number(None, OVER), GOOD_A, "", "missing: voltage over range"),
        (Number(None, OVER), NO_A, "", "missing: voltage over range"),
        (GOOD_V, Number(None, OVER), "", "missing: current over range"),
        (GOOD_V, NO_A, "a protection has tripped", "missing: a protection has tripped"),
    ],
)
def test_only_a_current_that_does_not_flow_is_an_open(
    procedure: Procedure, volts: Number, amperes: Number, trouble: str, status: str
) -> None:
    """A meter out of range and a supply in trouble say nothing of the coil."""
    row = procedure.reading("Y1", "heat", 50.0, 1.0, volts=volts, amperes=amperes, trouble=trouble)
    assert row.status == status
    assert (row.resistance_ohm == 4.2) == (status == "ok")


def test_a_probe_over_range_does_not_open_the_coil(procedure: Procedure) -> None:
    """The resistance stands, and the status names the probe."""
    row = procedure.reading("Y1", "hold", 50.0, 1.0, probe=Number(None, OVER), ohms=Number(3.3, "ok"))
    assert (row.resistance_ohm, row.status) == (3.3, "missing: probe over range")
