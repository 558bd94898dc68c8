"""A guard over a supply that is a fake, and its guarded block."""

from __future__ import annotations

from daq.bench.guard.guard import Guard
from daq.bench.guard.watcher import Watcher
from daq.clock import VirtualClock
from tests.daq.kits.fake_bench import FakeOven, FakeSupply


def make_guard(
    supply: FakeSupply,
    alarms: list[str] | None = None,
    oven: FakeOven | None = None,
    watcher: Watcher | None = None,
) -> Guard:
    """Return a guard of a rig limited to 12 V, 4 A and 120 degC."""
    return Guard(
        supply,
        oven,
        VirtualClock(),
        voltage_V=12.0,
        current_A=4.0,
        body_degC=120.0,
        alarm=([] if alarms is None else alarms).append,
        watcher=watcher,
    )


def drive(guard: Guard, voltage_V: float = 8.4, coil_voltage_V: float = 9.0, coil_current_A: float = 3.0):
    """Enter the guarded block for coil Y1."""
    return guard.energised(
        "Y1", voltage_V=voltage_V, coil_voltage_V=coil_voltage_V, coil_current_A=coil_current_A
    )
