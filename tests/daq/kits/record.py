"""What the tests of the run record share: a header, rows, and a way to start a record."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from daq.clock import Clock, VirtualClock
from daq.record.writer import FileUsed, Header, InstrumentUsed, Reading, RunWriter

START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
TEXTS = {"rig.toml": 'name = "invented bench"\n', "coil_set.toml": 'name = "invented set"\n'}


def header(**changes: Any) -> Header:
    """Return a header of an invented run."""
    fields: dict[str, Any] = {
        "start_utc": START,
        "program": "0.1.0",
        "command": "coilsoak soak",
        "kind": "soak",
        "simulated": True,
        "seed": 7,
        "rig": FileUsed(name="invented bench", sha256="0" * 64),
        "coil_set": FileUsed(name="invented set", sha256="1" * 64),
        "instruments": {"meter": InstrumentUsed(resource="sim:meter", identity="invented")},
        "operator": "A. Tester",
        "job": "J-1",
        "limits": {"voltage_V": 9.0},
        "settings": {"steps_degC": [50.0, 70.0]},
    }
    return Header(**(fields | changes))


def start(parent: Path, clock: Clock | None = None, **changes: Any) -> RunWriter:
    """Start a record under *parent*."""
    return RunWriter.create(parent, header(**changes), TEXTS, clock or VirtualClock(START))


def reading(number: int, coil: str = "Y1", **changes: Any) -> Reading:
    """Return row *number* of an invented run, one a second."""
    fields: dict[str, Any] = {
        "time_s": float(number),
        "coil": coil,
        "phase": "hold",
        "step_degC": 50.0,
        "probe_degC": 50.0 + number / 1000,
        "resistance_ohm": 3.2 + number / 1e6,
        "energy_J": 0.0,
    }
    return Reading(**(fields | changes))
