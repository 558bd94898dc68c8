"""A link to an instrument inside this process: the simulated bench, or a test's."""

from __future__ import annotations

import threading

from daq.clock import Clock
from daq.errors import LinkClosedError, LinkTimeoutError
from daq.links.base import Peer


class InProcessLink:
    """Hands bytes to a peer and keeps what it answers until it is read.

    Waiting for a reply that does not come takes *timeout_s* of *clock*'s time, as on a wire.
    """

    def __init__(
        self, peer: Peer, resource: str, send_end: str, reply_end: str, *, timeout_s: float, clock: Clock
    ) -> None:
        self._peer: Peer | None = peer
        self._resource = resource
        self._send_end = send_end.encode("latin-1")
        self._reply_end = reply_end.encode("latin-1")
        self._timeout_s = timeout_s
        self._clock = clock
        self._pending = b""
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
        """Return seconds of the bench's clock."""
        return self._clock.monotonic()

    def write(self, text: str, timeout_s: float | None = None) -> None:  # noqa: ARG002 - a peer takes at once
        """Hand *text* and its line end to the peer; LinkClosedError after close."""
        with self._lock:
            self._pending += self._open_peer().feed(text.encode("latin-1") + self._send_end)

    def read(self, timeout_s: float | None = None) -> str:
        """Return the next complete reply; LinkTimeoutError if there is none, LinkClosedError after close."""
        timeout_s = self._timeout_s if timeout_s is None else timeout_s
        with self._lock:
            self._open_peer()
            line, end, rest = self._pending, b"", b""
            if self._reply_end:
                line, end, rest = self._pending.partition(self._reply_end)
            if end or (line and not self._reply_end):
                self._pending = rest
                return line.decode("latin-1")
            self._pending = b""
            self._clock.sleep(timeout_s)
            raise LinkTimeoutError(
                f"{self._resource}: no complete reply within {timeout_s:g} s (got {_shown(line)})"
            )

    def waiting(self) -> str:
        """Return what the peer has answered beyond the last reply, and leave it there."""
        with self._lock:
            return self._pending.decode("latin-1")

    def drain(self) -> int:
        """Throw away what the peer has answered; return how many bytes that was."""
        with self._lock:
            count, self._pending = len(self._pending), b""
            return count

    def reopen(self) -> None:
        """Forget what the peer has answered; LinkClosedError after close."""
        with self._lock:
            self._open_peer()
            self._pending = b""

    def close(self) -> None:
        """Let go of the peer; a second call does nothing."""
        self._peer = None

    def _open_peer(self) -> Peer:
        if self._peer is None:
            raise LinkClosedError(f"{self._resource}: the link is closed")
        return self._peer


def _shown(part: bytes) -> str:
    return repr(part) if len(part) <= 60 else f"{part[:60]!r}..."
