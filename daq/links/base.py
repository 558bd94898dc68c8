"""What a link is: a few calls, text in, text out."""

from __future__ import annotations

from typing import Protocol


class Link(Protocol):
    """A conversation channel to one instrument, with one owner.

    Terminations are the link's business: texts come and go without them.
    """

    @property
    def resource(self) -> str:
        """The address, as the rig file writes it."""
        ...

    @property
    def timeout_s(self) -> float:
        """How long a reply is waited for, unless a read says otherwise."""
        ...

    def monotonic(self) -> float:
        """Return seconds of the clock by which this link waits: the wall's, or a simulation's."""
        ...

    def write(self, text: str, timeout_s: float | None = None) -> None:
        """Send *text* and return once it is handed to the wire, which may take *timeout_s* if given.

        Raises LinkTimeoutError when the other end stops taking data, LinkClosedError when it is gone.
        """
        ...

    def read(self, timeout_s: float | None = None) -> str:
        """Return the next complete reply without its line end, waiting *timeout_s* if given.

        Raises LinkTimeoutError when none is complete in time (the link then drains what comes
        late before it is used again), LinkClosedError when the other end is gone.
        """
        ...

    def waiting(self) -> str:
        """Return what has arrived behind the last reply, and leave it there."""
        ...

    def drain(self) -> int:
        """Throw away whatever has arrived unasked; return how many bytes that was."""
        ...

    def reopen(self) -> None:
        """Close and open the channel again; what was on its way is lost.

        Raises LinkError when it cannot be opened.
        """
        ...

    def close(self) -> None:
        """Give the channel back; a second call does nothing."""
        ...


class Peer(Protocol):
    """An instrument reached inside this process: bytes in, the bytes it answers out."""

    def feed(self, data: bytes) -> bytes:
        """Take what was sent and return what comes back, possibly nothing."""
        ...
