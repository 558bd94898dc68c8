"""A switch unit that speaks some dialect."""

from __future__ import annotations

from daq.errors import LinkError, ReadbackError
from daq.instruments.talk.conversation import Conversation


class DialectSwitch:
    """The switch role; remembers what it closed so that only real changes move contacts."""

    def __init__(self, talk: Conversation) -> None:
        self._talk = talk
        self._closed: tuple[int, ...] | None = None
        self._connections = talk.connections
        #: Channels that have been moved and read back.
        self._moved: set[int] = set()

    def close_only(self, channels: tuple[int, ...]) -> None:
        """Open whatever else is closed, then close *channels*.

        After a new connection the unit may have started afresh: then from all open.
        """
        for _ in range(2):
            if self._connections != self._talk.connections:
                self._connections = self._talk.connections
                self._closed = None
                self._moved.clear()
            self._change_to(channels)
            if self._connections == self._talk.connections:
                return
        raise LinkError("switch: the connection is lost again and again; look at its cable")

    def _change_to(self, channels: tuple[int, ...]) -> None:
        if self._closed == channels:
            return
        if self._closed is None:
            self.open_all()
        stale = [c for c in self._closed or () if c not in channels]
        wanted = [c for c in channels if c not in (self._closed or ())]
        # Unknown until both commands have succeeded: the next call then starts from all open.
        self._closed = None
        if stale:
            self._move("open", stale, closed=False)
        if wanted:
            self._move("close", wanted, closed=True)
        self._closed = channels

    def _move(self, op: str, channels: list[int], *, closed: bool) -> None:
        """Move contacts and ask where they stand, where the dialect can.

        A contact that did not move would convict the coil behind it. One that stands where it was told to
        says more than an empty error queue, so the queue is read for channels that the unit may not know,
        and for the reason of a contact that stands elsewhere.
        """
        known = self._moved.issuperset(channels)
        (self._talk.send if known else self._talk.tell)(op, channels=_listed(channels))
        if not self._talk.has("is_closed"):
            return
        if self._elsewhere(channels, closed=closed) is not None:
            refusals = self._talk.refusals()
            # Asked once more: a slow relay may still have been on its way.
            channel = self._elsewhere(channels, closed=closed)
            if channel is not None:
                why = f" ({'; '.join(refusals)})" if refusals else ""
                raise ReadbackError(
                    f"switch: channel {channel} reads back {'open' if closed else 'closed'} after it was "
                    f"told to {op}{why}; look at the switch unit and its card"
                )
        self._talk.tried.add(op)
        self._moved.update(channels)

    def _elsewhere(self, channels: list[int], *, closed: bool) -> int | None:
        """Return the first of *channels* that does not stand where it should."""
        return next((c for c in channels if self._talk.ask_state("is_closed", channel=c) != closed), None)

    def open_all(self) -> None:
        """Open every channel."""
        self._closed = None
        self._talk.tell("open_all")
        self._closed = ()

    def open_now(self, channels: tuple[int, ...]) -> None:
        """Open *channels* whatever is known of them, move no other, and read them back where it can."""
        self._closed = None  # the next move begins from all open
        self._move("open", list(channels), closed=False)


def _listed(channels: list[int]) -> str:
    return ",".join(str(channel) for channel in channels)
