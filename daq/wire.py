"""The exchange on a link: pace, echo, acknowledgement, and getting in step again after a lost reply."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from daq.clock import Clock
from daq.dialectfile import LinkTable
from daq.errors import LinkError, LinkTimeoutError, ReplyError
from daq.links.base import Link

#: No reply of a role is longer; matching stays quick.
REPLY_LIMIT = 4096
#: Late replies that may lie before the answer which brings both sides in step.
_LATE_LIMIT = 10
#: How long an instrument without an identity has to be silent to count as in step.
_QUIET_S = 0.2


class Wire:
    """One exchange after the other over *link*, as the dialect's *table* declares it."""

    def __init__(self, link: Link, table: LinkTable, *, clock: Clock, name: str) -> None:
        self._link = link
        self._table = table
        self._clock = clock
        self._name = name
        self._ignore = str.maketrans("", "", table.ignore)
        self._last_s: float | None = None
        #: A question and its known answer, once there is one.
        self.known: tuple[str, str] | None = None
        #: False after anything that may have left a reply on its way.
        self.in_step = True
        #: Whether the link has ever failed.
        self.failed = False

    @property
    def resource(self) -> str:
        """The address, as the rig file writes it."""
        return self._link.resource

    def drain(self) -> None:
        """Throw away what has arrived unasked."""
        with self._named("drain"):
            self._link.drain()

    def command(self, command: str) -> None:
        """Send a setting, once and at once, and take in what the dialect says follows it.

        Out of step, the setting still goes first: it may be the one that makes the bench safe.
        Getting in step then takes its acknowledgement too.
        """
        with self._named(command):
            self._pace()
            out_of_step = not self.in_step
            if out_of_step:
                self._link.drain()
            self._link.write(command)
            if out_of_step:
                self._get_in_step()
            else:
                self._take_echo(command)
                self._take_ack(command, self._table.ack)

    def ask(self, command: str) -> str:
        """Put a question and return its reply; a second time if the first reply does not come."""
        if self.in_step:
            try:
                return self._ask_once(command)
            except LinkTimeoutError:
                # Once more, in step; if that is not to be had, its own error says so.
                pass
        with self._named(command):
            self._get_in_step()
        return self._ask_once(command)

    def ask_or_silence(self, command: str) -> str | None:
        """Put a question once; None if no reply comes but the instrument then answers to its name.

        One that has no name is taken at its silence.
        """
        if not self.in_step:
            with self._named(command):
                self._get_in_step()
        try:
            return self._ask_once(command)
        except LinkTimeoutError:
            with self._named(command):
                self._get_in_step()
            return None

    def _ask_once(self, command: str) -> str:
        with self._named(command):
            self._pace()
            self._link.write(command)
            self._take_echo(command)
            reply = self._read()
            self._take_ack(command, self._table.ack_ask)
        return reply

    def _read(self) -> str:
        reply = self._link.read().translate(self._ignore)
        self._last_s = self._clock.monotonic()
        if len(reply) > REPLY_LIMIT:
            raise ReplyError(
                f"{self._name}: a reply of {len(reply)} characters, expected at most {REPLY_LIMIT}"
            )
        return reply

    def _pace(self) -> None:
        if self._last_s is not None:
            self._clock.sleep(self._table.gap_s - (self._clock.monotonic() - self._last_s))
        self._last_s = self._clock.monotonic()

    def _take_echo(self, command: str) -> None:
        if self._table.echo:
            self._expect(command, command)

    def _take_ack(self, command: str, lines: tuple[str, ...]) -> None:
        for line in lines:
            self._expect(command, line)

    def _expect(self, command: str, line: str) -> None:
        reply = self._read()
        if reply.strip() != line.strip():
            raise ReplyError(f"{self._name}: {command!r} was followed by {reply!r}, expected {line!r}")

    def _get_in_step(self) -> None:
        self._link.drain()
        if self.known is None:
            for _ in range(_LATE_LIMIT):
                self._clock.sleep(_QUIET_S)
                if not self._link.drain():
                    break
            else:
                raise LinkError("does not stop sending after a lost reply, expected silence")
        else:
            self._answer_known(*self.known)
        self.in_step = True

    def _answer_known(self, command: str, answer: str) -> None:
        self._pace()
        self._link.write(command)
        for _ in range(_LATE_LIMIT):
            if self._read().strip() == answer.strip():
                for _line in self._table.ack_ask:
                    self._read()
                self._link.drain()
                return
        raise LinkTimeoutError(f"no {answer!r} to {command!r} among {_LATE_LIMIT} replies after a lost one")

    @contextmanager
    def _named(self, command: str) -> Iterator[None]:
        """Say in a link's error who was asked what, and remember that a reply may be on its way."""
        try:
            yield
        except LinkError as exc:
            self.in_step, self.failed = False, True
            raise type(exc)(f"{self._name}: {command!r}: {exc}") from exc
        except ReplyError:
            self.in_step = False
            raise
