"""A switch unit that speaks some dialect."""

from __future__ import annotations

from daq.conversation import Conversation
from daq.errors import LinkError, ReadbackError


class DialectSwitch:
    """The switch role; remembers what it closed so that only real changes move contacts."""

    def __init__(self, talk: Conversation) -> None:
        self._talk = talk
        self._closed: tuple[int, ...] | None = None
        self._connections = talk.connections

    def close_only(self, channels: tuple[int, ...]) -> None:
        """Open whatever else is closed, then close *channels*.

        After a new connection the unit may have started afresh: then from all open.
        """
        for _ in range(2):
            if self._connections != self._talk.connections:
                self._connections = self._talk.connections
                self._closed = None
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
            self._talk.tell("open", channels=_listed(stale))
            self._verify(stale, closed=False)
        if wanted:
            self._talk.tell("close", channels=_listed(wanted))
            self._verify(wanted, closed=True)
        self._closed = channels

    def _verify(self, channels: list[int], *, closed: bool) -> None:
        """Ask where the dialect can: a contact that did not move would convict the coil behind it."""
        if not self._talk.has("is_closed"):
            return
        for channel in channels:
            if self._talk.ask_state("is_closed", channel=channel) != closed:
                raise ReadbackError(
                    f"switch: channel {channel} reads back {'open' if closed else 'closed'} after it was "
                    f"told to {'close' if closed else 'open'}; look at the switch unit and its card"
                )

    def open_all(self) -> None:
        """Open every channel."""
        self._closed = None
        self._talk.tell("open_all")
        self._closed = ()


def _listed(channels: list[int]) -> str:
    return ",".join(str(channel) for channel in channels)
