"""The exchange on a link: pace, echo, acknowledgement, getting in step and connected again after a loss."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from math import inf

from analysis.words import say
from daq.clock import Clock
from daq.errors import (
    IdentityError,
    LinkClosedError,
    LinkError,
    LinkTimeoutError,
    ReplyError,
    StrayReplyError,
)
from daq.instruments.talk.hints import SILENT_NOW, about_ack, about_silence
from daq.links.base import Link
from daq.links.settings import AckLine, LinkTable

#: No reply of a role is longer; matching stays quick.
REPLY_LIMIT = 4096
#: Late replies that may lie before the answer which brings both sides in step.
_LATE_LIMIT = 10
#: How long a line is waited for that may come or not.
PERHAPS_S = 0.3
#: How long an instrument without an identity has to be silent to count as in step.
_QUIET_S = 0.2
#: A lost connection is tried again for so long, this far apart; after that once for each exchange.
RECONNECT_S = 3.0
_PAUSE_S = 0.25
#: Kind of the events that tell of a connection lost or found, of a reply that did not come or was damaged.
LINK = "link"

Notice = Callable[[str, str], None]


def unheard(kind: str, text: str) -> None:
    """Take a notice that nobody keeps."""


class Wire:
    """One exchange after the other over *link*, as the dialect's *table* declares it.

    *greeting* are the commands that an instrument starts with, sent again after a new connection. *notice* is
    told of connections lost and found.

    An exchange may have a time by which it must be over, *until_s* of the link's clock: while current flows.
    Whatever does not fit into it is left for later, a new connection in any case.
    """

    def __init__(
        self,
        link: Link,
        table: LinkTable,
        *,
        clock: Clock,
        name: str,
        greeting: tuple[str, ...] = (),
        notice: Notice = unheard,
    ) -> None:
        self._link = link
        self._table = table
        self._clock = clock
        self._name = name
        self._greeting = greeting
        self._notice = notice
        self._until_s = inf
        self._lost_s = 0.0
        self._ignore = str.maketrans("", "", table.ignore)
        self._last_s: float | None = None
        self._last_reply = ""
        self._lost = self._hopeless = False
        #: What was asked and answered, in whatever words.
        self._answered: set[str] = set()
        #: A question and its known answer, once there is one.
        self.known: tuple[str, str] | None = None
        #: False after anything that may have left a reply on its way.
        self.in_step = True
        #: Whether the link has ever failed.
        self.failed = False
        #: How often the link was opened: after a new connection the instrument may have forgotten all.
        self.connections = 1
        #: Whether the last question had to be put twice.
        self.repeated = False

    def share(self, name: str, greeting: tuple[str, ...]) -> None:
        """Let the same instrument speak in another role too, called *name* in messages."""
        self._name = f"{self._name} and {name}"
        self._greeting += tuple(each for each in greeting if each not in self._greeting)

    @property
    def resource(self) -> str:
        """The address, as the rig file writes it."""
        return self._link.resource

    def drain(self) -> None:
        """Throw away what has arrived unasked."""
        with self._named("drain"):
            self._link.drain()

    def deadline_s(self, allow_s: float | None) -> float:
        """Return by when an exchange that may take *allow_s* must be over; infinite where it may last."""
        return inf if allow_s is None else self._link.monotonic() + allow_s

    def over(self, until_s: float) -> bool:
        """Whether the link's clock has come to *until_s*."""
        return self._link.monotonic() >= until_s

    def command(
        self,
        command: str,
        within_s: float | None = None,
        until_s: float = inf,
        ack: tuple[AckLine, ...] | None = None,
    ) -> None:
        """Send a setting, once and at once, and take in what the dialect says follows it *within_s*.

        Out of step, the setting still goes first: it may be the one that makes the bench safe.
        Getting in step then takes its acknowledgement too. Where the connection is gone before anything
        was sent, a new one is made; a setting that may have been sent is not sent again.
        """
        self._until_s = until_s
        with self._named(command):
            self._pace()
            stray = self._stray(command)
            if self._lost:
                self._get_in_step(within_s)
            out_of_step = not self.in_step or bool(stray)
            if out_of_step:
                self._link.drain()
            self._link.write(command, self._patience_s(None))
            if out_of_step:
                self._get_in_step(within_s)
            else:
                self._take_echo(command, within_s)
                self._take_ack(command, self._table.ack if ack is None else ack, within_s)
            self._refuse_stray(stray, command)

    def ask(self, command: str, within_s: float | None = None, until_s: float = inf, lines: int = 1) -> str:
        """Put a question and return its reply, waiting *within_s* if given; *lines* of it.

        Once more, in step, if no reply came, more than one came, or the connection was lost.
        """
        self._until_s = until_s
        self.repeated = not self.in_step
        if self.in_step:
            try:
                return self._ask_once(command, within_s, lines)
            except (LinkTimeoutError, LinkClosedError, StrayReplyError) as exc:
                # Once more, in step; if that is not to be had, its own error says so.
                self.repeated = True
                if self._no_time_left():
                    raise
                if not isinstance(exc, LinkClosedError):  # a lost connection is told where it is noticed
                    self._notice(LINK, say("event.asked-again", why=str(exc)))
        with self._named(command):
            self._get_in_step(within_s)
        return self._ask_once(command, within_s, lines)

    def ask_or_silence(self, command: str, within_s: float | None = None, until_s: float = inf) -> str | None:
        """Put a question once; None if no reply comes but the instrument then answers to its name.

        One that has no name is taken at its silence.
        """
        self._until_s = until_s
        if not self.in_step:
            with self._named(command):
                self._get_in_step(within_s)
        try:
            return self._ask_once(command, within_s)
        except LinkTimeoutError:
            with self._named(command):
                self._get_in_step(within_s)
            return None

    def _ask_once(self, command: str, within_s: float | None, lines: int = 1) -> str:
        with self._named(command):
            self._pace()
            stray = self._stray(command)
            if stray or self._lost:
                self._get_in_step(within_s)
            self._refuse_stray(stray, command)
            self._link.write(command, self._patience_s(None))
            self._take_echo(command, within_s)
            reply = self._answer(command, within_s)
            for _ in range(lines - 1):
                reply = reply.rstrip("\r") + "\n" + self._read(within_s)
            self._take_ack(command, self._table.ack_ask, within_s)
            self._last_reply = reply
            if more := self._link.waiting().translate(self._ignore).strip():
                raise StrayReplyError(
                    f"{self._name}: {command!r} answered {shown(reply)} and {shown(more)}, expected one reply"
                    f"{about_ack(more) or about_ack(reply)}"
                )
        return reply

    def _stray(self, command: str) -> str:
        """Return what has come since the last exchange; notice a connection that is gone."""
        if not self.in_step:
            return ""  # what is on its way then is thrown away in any case
        try:
            stray = self._link.waiting().translate(self._ignore)
        except LinkClosedError as exc:
            self._lose(command, str(exc))
            return ""
        return stray if stray.strip() else ""

    def _lose(self, doing: str, why: str) -> None:
        """Note that the connection is gone, and tell it once."""
        if not self._lost:
            self._lost, self._lost_s = True, self._clock.monotonic()
            self._notice(LINK, say("event.link-lost", who=self._name, doing=doing, why=why))

    def _refuse_stray(self, stray: str, command: str) -> None:
        """Refuse a whole reply that nobody asked for: the one before it may have been another's.

        The last reply once more is a repetition and harmless; what has no end is noise.
        """
        if stray and self._table.reply_end in stray and stray.strip() != self._last_reply.strip():
            raise ReplyError(
                f"{self._name}: before {command!r} came {shown(stray)} unasked, expected silence: the last "
                "reply may belong to another question"
                f"{about_ack(stray) or '. Is anybody else talking to this instrument?'}"
            )

    def _answer(self, command: str, within_s: float | None) -> str:
        """Return the reply to a question; a LinkTimeoutError says what its silence may mean."""
        try:
            reply = self._read(within_s)
        except LinkTimeoutError as exc:
            raise LinkTimeoutError(f"{exc}{about_silence(command, self._answered)}") from exc
        self._answered.add(command)
        return reply

    def _read(self, within_s: float | None) -> str:
        reply = self._link.read(self._patience_s(within_s)).translate(self._ignore)
        if self._table.gap_s:
            self._last_s = self._clock.monotonic()
        if len(reply) > REPLY_LIMIT:
            raise ReplyError(
                f"{self._name}: a reply of {len(reply)} characters, expected at most {REPLY_LIMIT}"
            )
        return reply

    def _patience_s(self, within_s: float | None) -> float | None:
        """Return how long a reply is waited for: *within_s*, and no longer than the exchange may take."""
        if self._until_s == inf:
            return within_s
        left_s = max(self._until_s - self._link.monotonic(), 0.0)
        return min(left_s, self._link.timeout_s if within_s is None else within_s)

    def _no_time_left(self) -> bool:
        return self.over(self._until_s)

    def _pace(self) -> None:
        if not self._table.gap_s:
            return
        if self._last_s is not None:
            self._clock.sleep(self._table.gap_s - (self._clock.monotonic() - self._last_s))
        self._last_s = self._clock.monotonic()

    def _take_echo(self, command: str, within_s: float | None) -> None:
        if self._table.echo:
            self._expect(command, command, within_s)

    def _take_ack(self, command: str, lines: tuple[AckLine, ...], within_s: float | None) -> None:
        for line in lines:
            self._expect(command, line, within_s)

    def _expect(self, command: str, line: AckLine, within_s: float | None) -> None:
        spellings = (line,) if isinstance(line, str) else line
        expected = " or ".join(map(repr, spellings))
        perhaps = not isinstance(line, str) and "" in line
        try:
            reply = self._read(PERHAPS_S if perhaps else within_s)
        except LinkTimeoutError as exc:
            if perhaps:
                return
            told = "; the dialect says that it follows (ack or echo in [link])"
            raise LinkTimeoutError(f"{exc}, expected {expected}{told}") from exc
        if reply.strip() not in {each.strip() for each in spellings}:
            told = f"{self._name}: {command!r} was followed by {shown(reply)}, expected {expected}"
            raise ReplyError(f"{told}{about_ack(reply)}")

    def _get_in_step(self, within_s: float | None) -> None:
        if self._lost:
            if self._until_s < inf:
                raise LinkClosedError("the connection is lost, and not made anew while current flows")
            self._reconnect(within_s)
        else:
            self._link.drain()
            self._synchronise(within_s)
        self.in_step = True

    def _synchronise(self, within_s: float | None) -> None:
        if self.known is None:
            for _ in range(_LATE_LIMIT):
                self._clock.sleep(_QUIET_S)
                if not self._link.drain():
                    break
                if self._no_time_left():
                    raise LinkTimeoutError("does not stop sending, and current flows")
            else:
                raise LinkError("does not stop sending after a lost reply, expected silence")
        else:
            self._answer_known(*self.known, within_s)

    def _answer_known(self, command: str, answer: str, within_s: float | None) -> None:
        self._pace()
        self._link.write(command, self._patience_s(None))
        for _ in range(_LATE_LIMIT):
            try:
                reply = self._read(within_s)
            except LinkTimeoutError as exc:
                raise LinkTimeoutError(f"{exc}{SILENT_NOW}") from exc
            if reply.strip() == answer.strip():
                for _line in self._table.ack_ask:
                    self._read(within_s)
                self._link.drain()
                return
        raise LinkTimeoutError(f"no {answer!r} to {command!r} among {_LATE_LIMIT} replies after a lost one")

    def _reconnect(self, within_s: float | None) -> None:
        """Make a new connection within RECONNECT_S, and make sure that the same instrument is behind it."""
        until_s = self._clock.monotonic() + (0.0 if self._hopeless else RECONNECT_S)
        while True:
            try:
                self._link.reopen()
                self._recognise(within_s)
                for command in self._greeting:
                    self._link.write(command, self._patience_s(None))
                    self._take_echo(command, within_s)
                    self._take_ack(command, self._table.ack, within_s)
            except LinkError as exc:
                if self._clock.monotonic() >= until_s:
                    self._hopeless = True
                    since_s = self._clock.monotonic() - self._lost_s
                    raise type(exc)(
                        f"{self._name} at {self.resource}: the connection was lost {since_s:.0f} s ago and "
                        f"is not to be had again ({exc}); see that it is on and its cable is in"
                    ) from exc
            else:
                break
            self._clock.sleep(_PAUSE_S)
        self._lost = self._hopeless = False
        self.connections += 1
        key = "event.link-found" if self.known is not None else "event.link-found-nameless"
        self._notice(LINK, say(key, who=self._name, after=self._clock.monotonic() - self._lost_s))

    def _recognise(self, within_s: float | None) -> None:
        if self.known is None:
            self._synchronise(within_s)
            return
        command, answer = self.known
        self._link.write(command, self._patience_s(None))
        self._take_echo(command, within_s)
        reply = self._read(within_s)
        self._take_ack(command, self._table.ack_ask, within_s)
        if reply.strip() != answer.strip():
            raise IdentityError(
                f"{self._name}: after the connection was lost {self.resource} answers {shown(reply)}, "
                f"expected {answer!r}: another instrument? Nothing else was sent to it"
            )

    @contextmanager
    def _named(self, command: str) -> Iterator[None]:
        """Say in a link's error who was asked what, and remember that a reply may be on its way."""
        try:
            yield
        except LinkError as exc:
            self.in_step, self.failed = False, True
            if isinstance(exc, LinkClosedError):
                self._lose(command, str(exc))
            raise type(exc)(f"{self._name}: {command!r}: {exc}") from exc
        except BaseException:
            # Ctrl-C too: what switches off next must not trip over an answer that is still on its way.
            self.in_step = False
            raise


def shown(text: str) -> str:
    """Return what an instrument said as a message shows it: quoted, and no longer than anybody reads."""
    return repr(text) if len(text) <= 60 else f"{text[:60]!r}..."
