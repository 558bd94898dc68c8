"""Where a run shows from outside that it is alive and in control: each wait, each exchange, each row.

No thread of its own tells it: a thread would go on breathing beside a program that hangs.
"""

from __future__ import annotations

from datetime import datetime
from typing import Protocol

from daq.bench.operator import Operator
from daq.clock import Clock
from daq.instruments.number import Number
from daq.links.base import Link
from daq.record.format import RowSink
from daq.record.writer import Reading

#: Wall seconds without a sign of life after which a run that drives a coil counts as hung.
BREATH_S = 2.0
#: A wait is cut into pieces of this length, wall time.
PIECE_S = 0.5
#: A disk may have to wake up first.
DISK_S = 10.0
#: While an operator is asked, a person stands at the bench.
ASKED_S = 24 * 3600.0


class Breath(Protocol):
    """Whoever watches the run."""

    def beat(self, allow_s: float = BREATH_S) -> None:
        """Say 'in control', and that the next sign comes within *allow_s* of wall time; never raises."""
        ...


class BreathingClock:
    """A clock whose waits show that the run is alive; *scale* is that of the clock behind it."""

    def __init__(self, clock: Clock, breath: Breath, scale: float = 1.0) -> None:
        self._clock = clock
        self._breath = breath
        self._piece_s = PIECE_S * scale

    def monotonic(self) -> float:
        """Return the clock's seconds."""
        return self._clock.monotonic()

    def utc(self) -> datetime:
        """Return the present in UTC."""
        return self._clock.utc()

    def sleep(self, seconds: float) -> None:
        """Wait, piece by piece."""
        until_s = self._clock.monotonic() + seconds
        while (left_s := until_s - self._clock.monotonic()) > 0:
            self._breath.beat()
            self._clock.sleep(min(left_s, self._piece_s))
        self._breath.beat()


class BreathingLink:
    """A link whose exchanges show that the run is alive; each may take its own time-out and no longer."""

    def __init__(self, link: Link, breath: Breath, timeout_s: float) -> None:
        self._link = link
        self._breath = breath
        self._allow_s = timeout_s + BREATH_S

    @property
    def timeout_s(self) -> float:
        """How long a reply is waited for, unless a read says otherwise."""
        return self._link.timeout_s

    @property
    def resource(self) -> str:
        """The address, as the rig file writes it."""
        return self._link.resource

    def monotonic(self) -> float:
        """Return seconds of the clock by which the link waits."""
        return self._link.monotonic()

    def write(self, text: str, timeout_s: float | None = None) -> None:
        """Send *text*."""
        self._breath.beat(self._allow_s if timeout_s is None else timeout_s + BREATH_S)
        self._link.write(text, timeout_s)
        self._breath.beat()

    def read(self, timeout_s: float | None = None) -> str:
        """Return the next complete reply."""
        self._breath.beat(self._allow_s if timeout_s is None else timeout_s + BREATH_S)
        reply = self._link.read(timeout_s)
        self._breath.beat()
        return reply

    def waiting(self) -> str:
        """Return what has arrived behind the last reply."""
        return self._link.waiting()

    def reopen(self) -> None:
        """Close and open the channel again."""
        self._breath.beat(self._allow_s)
        self._link.reopen()
        self._breath.beat()

    def drain(self) -> int:
        """Throw away what has arrived."""
        self._breath.beat(self._allow_s)
        return self._link.drain()

    def close(self) -> None:
        """Give the channel back."""
        self._link.close()


class BreathingOperator:
    """An operator whose answers may take long."""

    def __init__(self, operator: Operator, breath: Breath) -> None:
        self._operator = operator
        self._breath = breath

    def confirm(self, text: str) -> None:
        """Show *text* and wait until it is done."""
        self._breath.beat(ASKED_S)
        self._operator.confirm(text)
        self._breath.beat()

    def ask_number(self, what: str, unit: str) -> Number:
        """Ask for a reading."""
        self._breath.beat(ASKED_S)
        number = self._operator.ask_number(what, unit)
        self._breath.beat()
        return number

    def ask(self, prompt: str) -> str:
        """Ask for a line."""
        self._breath.beat(ASKED_S)
        typed = self._operator.ask(prompt)
        self._breath.beat()
        return typed

    def tell(self, text: str) -> None:
        """Show *text*."""
        self._operator.tell(text)


class BreathingRecord:
    """A record on a disk that may be slow."""

    def __init__(self, record: RowSink, breath: Breath) -> None:
        self._record = record
        self._breath = breath

    def row(self, reading: Reading) -> None:
        """Append one reading."""
        self._breath.beat(DISK_S)
        self._record.row(reading)
        self._breath.beat()

    def event(self, kind: str, text: str, coil: str = "") -> None:
        """Append one event."""
        self._breath.beat(DISK_S)
        self._record.event(kind, text, coil)
        self._breath.beat()
