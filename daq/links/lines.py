"""A link over any port that moves bytes: lines in time, and nothing stale handed out as a reply."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Protocol

from daq.clock import RealClock
from daq.errors import InputError, LinkClosedError, LinkError, LinkTimeoutError
from daq.links.portlock import PortLock
from daq.links.settings import LinkTable

#: An instrument that sends more than this without a line end is not answering.
REPLY_LIMIT = 65_536


class Port(Protocol):
    """Moves bytes; every failure is a LinkError."""

    #: Each receive gives one message as the bus delimits it, line end or not.
    whole_messages: bool

    def send(self, data: bytes, timeout_s: float) -> None:
        """Hand all of *data* over; LinkTimeoutError when that takes longer."""
        ...

    def receive(self, timeout_s: float) -> bytes:
        """Return what has arrived, at the latest after *timeout_s*, then possibly nothing."""
        ...

    def discard(self) -> int:
        """Throw away what has arrived; return how many bytes, as far as known."""
        ...

    def close(self) -> None:
        """Give the port back."""
        ...


class LineLink:
    """The link to an instrument at *port*; see :class:`daq.links.base.Link`.

    A lock keeps threads from mixing the bytes of a write or the parts of a reply; who writes and then reads
    holds his own lock around both. *again* opens the port once more after the connection was lost.
    """

    def __init__(
        self,
        port: Port,
        resource: str,
        table: LinkTable,
        *,
        timeout_s: float,
        owned: PortLock | None,
        again: Callable[[], Port],
    ) -> None:
        self._port: Port | None = port
        self._again = again
        self._closed = False
        self._resource = resource
        self._send_end = table.send_end.encode("latin-1")
        self._reply_end = table.reply_end.encode("latin-1")
        self._idle_s = table.idle_s
        self._timeout_s = timeout_s
        self._owned = owned
        self._clock = RealClock()
        self._pending = b""
        self._late = False
        self._torn = False
        self._lock = threading.RLock()

    @property
    def resource(self) -> str:
        """The address, as the rig file writes it."""
        return self._resource

    @property
    def timeout_s(self) -> float:
        """How long a reply is waited for, unless a read says otherwise."""
        return self._timeout_s

    def monotonic(self) -> float:
        """Return seconds of the wall clock."""
        return self._clock.monotonic()

    def write(self, text: str, timeout_s: float | None = None) -> None:
        """Send *text* and its line end; after a reply that came late, throw that away first."""
        if not text.isascii():
            raise InputError(f"{self._resource}: {text!r} cannot be sent, expected ASCII")
        data = text.encode("ascii") + self._send_end
        with self._lock:
            port = self._open_port()
            if self._late:
                self.drain()
            if self._torn:
                # Half a command may be at the other end: close it, or the next one is glued to it.
                data = self._send_end + data
            self._torn = True
            port.send(data, self._timeout_s if timeout_s is None else timeout_s)
            self._torn = False

    def read(self, timeout_s: float | None = None) -> str:
        """Return the next complete reply without its line end."""
        timeout_s = self._timeout_s if timeout_s is None else timeout_s
        with self._lock:
            line = self._line(timeout_s) if self._reply_end else self._burst(timeout_s)
            return line.decode("latin-1")

    def waiting(self) -> str:
        """Return what has arrived behind the last reply, and leave it there.

        A bus that delimits messages is not asked: there a reply nobody asked for is an error of its own.
        """
        with self._lock:
            port = self._open_port()
            if not port.whole_messages:
                self._take(port.receive(0.0))
            return self._pending.decode("latin-1")

    def drain(self) -> int:
        """Throw away whatever has arrived; return how many bytes that was."""
        with self._lock:
            count = len(self._pending)
            self._pending, self._late = b"", False
            return count + self._open_port().discard()

    def reopen(self) -> None:
        """Open the port again; the lock on it is kept meanwhile."""
        with self._lock:
            if self._closed:
                raise LinkClosedError(f"{self._resource}: the link is closed")
            self._let_go()
            self._pending, self._late, self._torn = b"", False, False
            self._port = self._again()

    def close(self) -> None:
        """Give port and lock back; a second call does nothing."""
        with self._lock:
            self._let_go()
            if not self._closed:
                self._closed = True
                if self._owned is not None:
                    self._owned.release()

    def _let_go(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            # What fails while closing leaves nothing to do about it.
            with suppress(LinkError):
                port.close()

    def _open_port(self) -> Port:
        if self._port is None:
            raise LinkClosedError(f"{self._resource}: the link is closed")
        return self._port

    def _line(self, timeout_s: float) -> bytes:
        """Read up to the line end, or one whole message of the bus."""
        port = self._open_port()
        until_s = self._clock.monotonic() + timeout_s
        while self._reply_end not in self._pending:
            data = port.receive(max(0.0, until_s - self._clock.monotonic()))
            self._take(data)
            if data and port.whole_messages:
                break
            if not data and self._clock.monotonic() >= until_s:
                self._give_up(timeout_s)
        line, _, self._pending = self._pending.partition(self._reply_end)
        return line

    def _burst(self, timeout_s: float) -> bytes:
        """Read until nothing follows."""
        port = self._open_port()
        if not self._pending:
            self._take(port.receive(timeout_s))
        if not self._pending:
            self._give_up(timeout_s)
        while not port.whole_messages and (data := port.receive(self._idle_s)):
            self._take(data)
        line, self._pending = self._pending, b""
        return line

    def _take(self, data: bytes) -> None:
        self._pending += data
        if len(self._pending) > REPLY_LIMIT:
            self._pending, self._late = b"", True
            raise LinkError(f"{self._resource}: more than {REPLY_LIMIT} bytes came without a line end")

    def _give_up(self, timeout_s: float) -> None:
        part, self._pending, self._late = self._pending, b"", True
        shown = f", only {part[:60]!r}" if part else ""
        raise LinkTimeoutError(f"{self._resource}: no complete reply within {timeout_s:g} s{shown}")
