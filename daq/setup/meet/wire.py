"""Bytes to and from an instrument that nobody knows yet: only what cannot set anything goes out."""

from __future__ import annotations

from daq.clock import RealClock
from daq.errors import InputError, LinkTimeoutError
from daq.links.base import Link

#: A reply is over when nothing follows for so long; a letter at 1200 baud takes 8 ms.
IDLE_S = 0.06
#: Between one question and the next: small instruments need that (common practice, no source).
PAUSE_S = 0.05


#: A frame that begins with data (STX) sets, one that ends with ENQ asks (ANSI X3.28, from memory).
_STX, _ENQ = "\x02", "\x05"


def harmless(command: str) -> bool:
    """Whether *command* only asks: each part is a question, it is a frame that asks, or only a line end."""
    if _STX in command or _ENQ in command:
        return command.endswith(_ENQ) and _STX not in command
    parts = [part.strip() for part in command.strip().split(";")]
    return not command.strip() or all("?" in part for part in parts)


class QuietWire:
    """Asks over *link*, and refuses to send what is no question. Line ends are the caller's business."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self._clock = RealClock()
        self._said_s = 0.0
        #: How long the last reply took, with the pause that ends it.
        self.took_s = 0.0

    def ask(self, text: str, patience_s: float) -> str:
        """Send *text* as it is, and return all that comes back until there is a pause; possibly nothing.

        Raises:
            InputError: *text* is no question.
            LinkError: The other end is gone.
        """
        if not harmless(text):
            raise InputError(f"{text!r} is no question, and only questions are asked here")
        self._clock.sleep(PAUSE_S - (self._clock.monotonic() - self._said_s))
        began_s = self._clock.monotonic()
        self._link.write(text)
        try:
            reply = self._link.read(patience_s)
        except LinkTimeoutError:
            return ""
        else:
            self.took_s = self._clock.monotonic() - began_s
            return reply
        finally:
            self._said_s = self._clock.monotonic()
