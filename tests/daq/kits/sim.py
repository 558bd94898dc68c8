"""Small benches for the tests of the simulation, and how to talk to them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import msgspec

from daq.clock import VirtualClock
from daq.sim.bench import SimBench, assemble
from daq.sim.faults import FaultScript

SCRIPTS = Path(__file__).parents[3] / "fixtures" / "fault_scripts"
NO_ERROR = '+0,"No error"'
OVERLOAD = 9.9e37

#: Two coils on a switch, every instrument ideal: what is measured is what is.
IDEAL: dict[str, object] = {
    "about": "Invented: two coils, ideal instruments.",
    "seed": 1,
    "supply": {
        "setting_error_rel": 0.0,
        "readback_error_rel": 0.0,
        "readback_noise_V": 0.0,
        "readback_noise_A": 0.0,
    },
    "meter": {"gain_error_rel": 0.0, "offset_error_of_range": 0.0, "noise_of_range": 0.0},
    "thermometer": {"offset_limit_K": 0.0, "noise_K": 0.0},
    "wiring": {
        "power": [101, 102],
        "sense": [201, 202],
        "probe": [301, 302],
        "leak": [401, 402],
        "short": 209,
        "contact_ohm": 0.05,
        "contact_spread_ohm": 0.0,
        "contact_emf_V": 0.0,
    },
    "kinds": {"plain": {"copper_ohm": 3.3, "spread_rel": 0.0, "joint_ohm": 0.0}},
    "coils": [{"label": "Y1", "kind": "plain"}, {"label": "Y2", "kind": "plain"}],
}


def script(**tables: object) -> FaultScript:
    """Return the ideal script with *tables* put over its own, one level deep."""
    raw = dict(IDEAL)
    for name, table in tables.items():
        own = raw.get(name)
        raw[name] = {**own, **table} if isinstance(own, dict) and isinstance(table, Mapping) else table
    return msgspec.convert(raw, FaultScript)


def bench(**tables: object) -> tuple[SimBench, VirtualClock]:
    """Build an ideal bench changed by *tables*, in virtual time."""
    clock = VirtualClock()
    return assemble(script(**tables), clock=clock), clock


def ask(built: SimBench, instrument: str, text: str) -> str:
    """Send one line; return the one line that comes back."""
    reply = built.peers[instrument].feed(text.encode() + b"\n").decode()
    assert reply.endswith("\n"), (text, reply)
    assert reply.count("\n") == 1, (text, reply)
    return reply[:-1]


def tell(built: SimBench, instrument: str, text: str) -> None:
    """Send one line that answers nothing and causes no error."""
    assert built.peers[instrument].feed(text.encode() + b"\n") == b"", text
    assert ask(built, instrument, "SYST:ERR?") == NO_ERROR, text


def refusal(built: SimBench, instrument: str, text: str) -> str:
    """Send one line that is refused; return the error it leaves, which is the only one."""
    assert built.peers[instrument].feed(text.encode() + b"\n") == b"", text
    error = ask(built, instrument, "SYST:ERR?")
    assert ask(built, instrument, "SYST:ERR?") == NO_ERROR, text
    return error
