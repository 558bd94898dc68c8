"""From an instrument of the rig file to a conversation over a real wire."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress

import msgspec

from daq.clock import Clock, RealClock, ScaledClock
from daq.config.rig import SIMULATED, Instrument, Rig
from daq.config.toml import Loaded
from daq.errors import BenchError
from daq.instruments.dialects.load import RoleDialect, load_dialect
from daq.instruments.haste import Haste
from daq.instruments.talk.conversation import Conversation
from daq.instruments.talk.exchange import Notice, unheard
from daq.links.base import Link
from daq.links.settings import LinkTable


def wall_clock(rig: Rig) -> Clock:
    """Return the clock that a bench outside this program lives by."""
    return RealClock() if rig.time_scale == 1.0 else ScaledClock(rig.time_scale)


def role_dialect(rig: Loaded[Rig], role: str, instrument: Instrument) -> RoleDialect:
    """Return how *instrument* is spoken to in *role*; a dialect file is looked for beside the rig file."""
    return load_dialect(instrument.dialect, beside=rig.path.parent).role(role)


def open_wire(instrument: Instrument, table: LinkTable, *, alone: bool = True) -> Link:
    """Open the instrument's address.

    Args:
        instrument: With address, serial settings and time-out.
        table: What its dialect says of the link.
        alone: Nobody else of this machine may have the address; False for a second connection beside one.
    """
    from daq.links.visa import open_link  # pyvisa is not needed on the simulated bench

    return open_link(
        instrument.resource,
        _serial_settings(instrument, table),
        timeout_s=wire_timeout_s(instrument, table),
        alone=alone,
    )


def port_of(resource: str) -> str:
    """Return one name for the port at *resource*: roles at one port are one instrument's."""
    if resource.startswith(SIMULATED):
        return resource
    from daq.links.visa import port_of as real_port

    return real_port(resource)


def same_wire(one: Instrument, its: LinkTable, other: Instrument, others: LinkTable) -> bool:
    """Whether two roles at one port talk over it in the same way."""
    return (_serial_settings(one, its), wire_timeout_s(one, its)) == (
        _serial_settings(other, others),
        wire_timeout_s(other, others),
    )


def wire_timeout_s(instrument: Instrument, table: LinkTable) -> float:
    """Return how long one write or read may take: the rig file's word before the dialect's."""
    return instrument.timeout_s or table.timeout_s


@contextmanager
def talking(
    link: Link,
    dialect: RoleDialect,
    instrument: Instrument,
    *,
    name: str,
    clock: Clock,
    haste: Haste | None = None,
    notice: Notice = unheard,
    beside: Conversation | None = None,
) -> Iterator[Conversation]:
    """Hold a conversation over *link*, and end it as the dialect does; the link stays open.

    Args:
        link: Open.
        dialect: How the instrument is spoken to in its role.
        instrument: Its part of the rig file.
        name: Its role, for messages.
        clock: The bench's time.
        haste: Whether current flows.
        notice: Told of what happens on the wire.
        beside: The conversation with the same instrument in another role.
    """
    channel = getattr(instrument, "channel", None)
    params = {} if channel is None else {"channel": channel}
    talk = Conversation(
        link, dialect, name=name, clock=clock, params=params, haste=haste, notice=notice, beside=beside
    )
    try:
        yield talk
    finally:
        with suppress(BenchError):
            talk.finish()


def _serial_settings(instrument: Instrument, table: LinkTable) -> LinkTable:
    """Let the rig file's serial settings stand before the dialect's."""
    given = {
        "baud": instrument.baud,
        "data_bits": instrument.data_bits,
        "parity": instrument.parity,
        "stop_bits": instrument.stop_bits,
        "flow": instrument.flow_control and instrument.flow_control.replace("/", "_"),
    }
    return msgspec.structs.replace(table, **{key: value for key, value in given.items() if value is not None})
