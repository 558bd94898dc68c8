"""Talking with one instrument in its dialect: settings are confirmed, replies parse or stop the run.

After each setting the error queue is read, and what matters is read back. A reply is matched from
end to end. After a reply that came late or not at all, the conversation is brought in step again before
the question is put once more; a setting is never repeated.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from math import inf
from typing import TypeVar

from analysis.words import say
from daq.clock import Clock
from daq.errors import (
    BenchError,
    IdentityError,
    InputError,
    LinkError,
    LinkTimeoutError,
    ReadbackError,
    RefusedError,
    ReplyError,
)
from daq.instruments.dialects.load import Op, RoleDialect
from daq.instruments.dialects.roles import ROLES, OpKind
from daq.instruments.dialects.template import (
    ReplyPattern,
    format_command,
    parse_error_entry,
    placeholders,
    spell_words,
)
from daq.instruments.haste import UNDER_CURRENT_S, Haste
from daq.instruments.number import NO_READING, Number
from daq.instruments.talk.exchange import LINK, Notice, Wire, shown, unheard
from daq.instruments.talk.reply import Answer, reply_error
from daq.instruments.talk.setting import Sent, for_instrument, one_by_one, tried
from daq.links.base import Link

#: A supply answers at once, and while it drives a coil nobody may wait long for it. The dialect's
#: timeout_s for an op, or the rig file's for the instrument, stands before this.
QUICK_S = 2.0
#: A question whose reply is damaged is put so often: two in a row are bad luck once in ten thousand where one
#: in a hundred is damaged, three are a meter that fails.
TRIES = 3
#: Of so many replies of an instrument so many may be damaged, a quarter; more is an instrument or a wire that
#: fails, even if each question is answered in the end.
LATEST, MOST_DAMAGED = 40, 10
#: More entries than any instrument's queue holds; one that never empties is broken.
_QUEUE_LIMIT = 50
#: Entries, and characters of what an instrument said, that a message repeats.
_TOLD, _SHOWN = 5, 200


_Read = TypeVar("_Read")


class _Exchange:
    """Holds off other threads; after a reply that does not parse, the next exchange gets in step first."""

    def __init__(self, wire: Wire) -> None:
        self._wire = wire
        self._lock = threading.RLock()

    def __enter__(self) -> None:
        self._lock.acquire()

    def __exit__(self, kind: object, exc: BaseException | None, trace: object) -> None:
        if isinstance(exc, ReplyError):
            self._wire.in_step = False
        self._lock.release()


class Conversation:
    """One instrument in one role. Any thread may call; one exchange goes on at a time.

    *name* is what messages call the instrument, such as ``supply``; *params* are words of the rig
    file for the dialect's templates, such as the channel.

    Every method that talks raises LinkError (after one retry of a question whose reply did not
    come), and ReplyError when a reply is not what the dialect declares: after asking again, in step, and
    telling *notice* of each that was not.

    *beside* is the conversation with the same instrument in another role, over the same *link*.

    While *haste* is on no question takes longer than UNDER_CURRENT_S in all, or than its op's own timeout_s.
    """

    def __init__(
        self,
        link: Link,
        role: RoleDialect,
        *,
        name: str,
        clock: Clock,
        params: Mapping[str, object] | None = None,
        haste: Haste | None = None,
        notice: Notice = unheard,
        beside: Conversation | None = None,
    ) -> None:
        # An instrument that has no channels has channel 1.
        given = {k: v for k, v in (params or {}).items() if k in role.params or (k, v) != ("channel", 1)}
        if unknown := sorted(set(given) - set(role.params)):
            known = spell_words(role.params)
            raise InputError(f"{name}: dialect '{role.dialect}' takes no {unknown[0]!r}, expected {known}")
        self.name = name
        self._role = role
        self._constants: dict[str, object] = {**role.params, **given}
        greeting = tuple(self._filled(template, {}) for template in role.start)
        if beside is None:
            self._wire = Wire(link, role.link, clock=clock, name=name, greeting=greeting, notice=notice)
            self._exchange = _Exchange(self._wire)
        else:
            # One instrument in two roles has one wire: what one of them left on it the other has to know.
            self._wire, self._exchange = beside.line()
            self._wire.share(name, greeting)
        self._haste = haste or Haste()
        self._notice = notice
        #: Whether the last question was put more than once.
        self._again = False
        #: What an empty error queue says behind its number.
        self._none_text: str | None = None
        #: Whether each of the latest replies was damaged.
        self._damaged: deque[bool] = deque(maxlen=LATEST)
        usual_s = role.link.timeout_s
        self._quick_s = min(usual_s, QUICK_S) if link.timeout_s == usual_s else link.timeout_s
        self._patterns: dict[tuple[object, ...], ReplyPattern] = {}
        self._finished = False
        #: Ops that were set or answered as the dialect has it; a state that was set stands behind its op.
        self.tried: set[str] = set()
        #: Whether anything it said was understood.
        self.answered = False

    def start(self, expected_identity: str | None) -> str:
        """Send what the dialect starts with, empty the error queue, and return the identity.

        An instrument whose dialect has no identity question gives an empty text.

        Raises:
            IdentityError: *expected_identity* is not part of the answer (capitals do not matter).
        """
        with self._exchange:
            self._wire.drain()
            known, self._wire.known = self._wire.known, None
            for template in self._role.start:
                self._wire.command(self._filled(template, {}))
            op = self._role.identity
            try:
                self._read_error_queue()
            except LinkTimeoutError as exc:
                raise self._without_queue(op) or exc from exc
            if op is None:
                if expected_identity:
                    raise IdentityError(
                        f"{self.name}: dialect '{self._role.dialect}' has no identity question, so "
                        f"{expected_identity!r} cannot be checked; leave the identity out of the rig file"
                    )
                self._wire.known = known  # what it says of itself in another role brings it in step too
                return ""
            answer, identity = self._ask("identity", op, {}, _identity)
            assert answer is not None
            if expected_identity and expected_identity.casefold() not in identity.casefold():
                raise IdentityError(
                    f"{self.name}: {self._wire.resource} answers {shown(identity)}, expected "
                    f"{expected_identity!r} in it; check the address and the cables"
                )
            self._wire.known = (answer.command, answer.reply)
            return identity

    def _without_queue(self, op: Op | None) -> ReplyError | None:
        """Return the error of one that answers to its name and not to its error queue; None if to neither."""
        errors = self._role.errors
        if op is None or errors is None:
            return None
        try:
            self._ask("identity", op, {}, _identity)
        except BenchError:
            return None
        return ReplyError(
            f"{self.name}: {self._wire.resource} answers {op.ask!r} and not {errors.ask!r}: it has no such "
            "error queue; leave [errors] out of its dialect, or choose another dialect"
        )

    def line(self) -> tuple[Wire, _Exchange]:
        """Return what a conversation with the same instrument in another role goes through."""
        return self._wire, self._exchange

    @property
    def connections(self) -> int:
        """How often the link was opened: after a new connection the instrument may have forgotten all."""
        return self._wire.connections

    def has(self, op: str) -> bool:
        """Tell whether the dialect has this op of the role."""
        return op in self._role.ops

    @property
    def ops(self) -> Iterable[str]:
        """The ops of the role that the dialect has."""
        return self._role.ops

    def only_asked(self, op: str) -> bool:
        """Tell whether this op is a question alone in this dialect."""
        return self._role.ops[op].set is None

    def reads_back(self, op: str) -> bool:
        """Tell whether this op is read back after it was set."""
        return self._role.ops[op].verify

    def tell(self, op: str, **params: object) -> None:
        """Send a setting once, read the error queue until empty, and read back what the dialect verifies.

        Raises:
            RefusedError: the error queue names an error.
            ReadbackError: the setting read back is another.
        """
        self.tell_all([(op, params)])

    def tell_all(self, settings: Sequence[tuple[str, Mapping[str, object]]]) -> None:
        """Do as :meth:`tell` with several settings, ops with their parameters; the queue is read once."""
        with self._exchange:
            sent = [each for op, params in settings for each in self._sent(op, params)]
            refusals, lost = self._read_error_queue()
            if refusals:
                commands = ", ".join(repr(each.command) for each in sent)
                told = "; ".join(refusals[:_TOLD])
                raise RefusedError(f"{self.name}: {commands} was refused: {told}; expected no error")
            for each in sent:
                # Asked again, the queue says no more of what was in the reply that got lost.
                if each.entry.verify or (lost and each.entry.ask is not None):
                    self._verify(each)
                elif lost and each.kind.takes != "channels":
                    raise LinkTimeoutError(
                        f"{self.name}: the error queue's reply to {each.command!r} was lost, so whether it "
                        "was taken is not known; look at the link"
                    )
                self.tried.add(tried(each.op, each.params))

    def send(self, op: str, **params: object) -> None:
        """Send a setting once whose effect the caller reads back; if that fails, see :meth:`refusals`."""
        with self._exchange:
            self._sent(op, params)

    def ask_number(self, op: str, *, integrates_s: float | None = None, **params: object) -> Number:
        """Ask for a number in the op's unit; one that takes *integrates_s* is due as soon as a supply's."""
        entry, _ = self._op(op, params)
        nothing = (None, Number(None, NO_READING)) if entry.silent else None
        with self._exchange:
            answer, number = self._ask(op, entry, params, Answer.number, integrates_s, nothing)
            if answer is not None:
                self.tried.add(op)
            return number

    def ask_state(self, op: str, **params: object) -> bool:
        """Ask for a state."""
        entry, _ = self._op(op, params)
        channel = params.get("channel")
        with self._exchange:
            state = self._ask(op, entry, params, lambda said: said.state(self._role.words, channel))[1]
            self.tried.add(op)
            return state

    def ask_text(self, op: str, **params: object) -> str:
        """Ask for a word, such as the mode."""
        entry, _ = self._op(op, params)
        with self._exchange:
            text = self._ask(op, entry, params, Answer.text)[1]
            self.tried.add(op)
            return text

    def finish(self) -> None:
        """Send what the dialect ends with (back to local); a second call does nothing.

        On a link that had failed before, another failure is no news and is not raised.
        """
        with self._exchange:
            if self._finished:
                return
            self._finished = True
            had_failed = self._wire.failed
            try:
                for template in self._role.stop:
                    self._wire.command(self._filled(template, {}))
            except LinkError:
                if not had_failed:
                    raise

    def refusals(self) -> list[str]:
        """Read the error queue until empty; return what it held."""
        with self._exchange:
            return self._read_error_queue()[0]

    def _op(self, op: str, params: Mapping[str, object]) -> tuple[Op, OpKind]:
        entry, kind = self._role.ops.get(op), ROLES[self._role.role].get(op)
        if entry is None or kind is None:
            raise InputError(
                f"{self.name}: dialect '{self._role.dialect}' has no {op} for a {self._role.role}"
            )
        if unknown := sorted(set(params) - set(kind.params)):
            raise InputError(
                f"{self.name}: {op} takes no {unknown[0]!r}, expected {spell_words(kind.params)}"
            )
        return entry, kind

    def _filled(self, template: str, params: Mapping[str, object]) -> str:
        if "{" not in template:
            return template  # nearly all that is sent in a soak
        given = {**self._constants, **params}
        names = {name for name, _ in placeholders(template)}
        return format_command(template, {k: v for k, v in given.items() if k in names}, self._role.words)

    def _ask(
        self,
        op: str,
        entry: Op,
        params: Mapping[str, object],
        meaning: Callable[[Answer], _Read],
        integrates_s: float | None = None,
        nothing: tuple[Answer | None, _Read] | None = None,
    ) -> tuple[Answer | None, _Read]:
        """Put a question; return the answer and what it means, or *nothing* if that is what silence means."""
        if entry.ask is None:
            raise InputError(f"{self.name}: {op} cannot be asked in dialect '{self._role.dialect}'")
        command = self._filled(entry.ask, params)

        def read(reply: str) -> tuple[Answer | None, _Read]:
            answer = self._matched(entry, command, reply, params)
            return answer, meaning(answer)

        return self._undamaged(command, read, entry, integrates_s, nothing)

    def _undamaged(
        self,
        command: str,
        read: Callable[[str], _Read],
        entry: Op | None = None,
        integrates_s: float | None = None,
        nothing: _Read | None = None,
    ) -> _Read:
        """Put a question until *read* makes sense of its reply; what makes none is told, and asked again.

        Where silence is an answer it means *nothing*.

        Raises:
            ReplyError: Damaged again and again, or too many of the latest replies were.
        """
        within_s, until_s = self._within_s(entry, integrates_s), self._until_s(entry, integrates_s)
        for left in reversed(range(TRIES)):
            if nothing is None:
                reply = self._wire.ask(command, within_s, until_s, 1 if entry is None else entry.lines)
            elif (said := self._wire.ask_or_silence(command, within_s, until_s)) is not None:
                reply = said
            else:
                return nothing
            self._again = left < TRIES - 1 or self._wire.repeated
            try:
                value = read(reply)
            except ReplyError as exc:
                self._wire.in_step = False
                self._damaged.append(True)
                self._require_health(exc)
                if not left or self._wire.over(until_s):
                    raise
                self._notice(LINK, say("event.asked-again", why=str(exc)))
            else:
                self._damaged.append(False)
                self.answered = True
                return value
        raise AssertionError("the last try returns or raises")

    def _require_health(self, latest: ReplyError) -> None:
        """Bear a damaged reply now and then, but no instrument of which many are."""
        if sum(self._damaged) > MOST_DAMAGED:
            raise ReplyError(
                f"{self.name}: {sum(self._damaged)} of its latest {len(self._damaged)} replies were damaged; "
                f"look at the instrument and its cable. The last: {latest}"
            ) from latest

    def _until_s(self, entry: Op | None, integrates_s: float | None) -> float:
        """Return by when an exchange must be over, by the link's clock: soon while current flows."""
        if not self._haste.on:
            return inf
        own_s = 0.0 if entry is None or entry.timeout_s is None else entry.timeout_s
        return self._wire.deadline_s(max(UNDER_CURRENT_S + (integrates_s or 0.0), own_s))

    def _within_s(self, entry: Op | None = None, integrates_s: float | None = None) -> float | None:
        """Return how long a reply is waited for; None: as long as the link waits."""
        if entry is not None and entry.timeout_s is not None:
            return entry.timeout_s
        if self._role.role == "supply":
            return self._quick_s
        return None if integrates_s is None else QUICK_S + integrates_s

    def _matched(self, entry: Op, command: str, reply: str, params: Mapping[str, object]) -> Answer:
        if entry.length is not None and len(reply.strip()) != entry.length:
            raise reply_error(self.name, command, reply, f"{entry.length} characters")
        for template in entry.replies:
            pattern = self._pattern(template, params, scaled=entry.scaled)
            fields = pattern.match(reply)
            if fields is not None:
                return Answer(self.name, entry, command, reply, pattern, fields)
        raise reply_error(self.name, command, reply, spell_words(entry.replies))

    def _pattern(self, template: str, params: Mapping[str, object], *, scaled: bool = False) -> ReplyPattern:
        key = (template, scaled, *sorted(params.items()))
        if key not in self._patterns:
            given = {**self._constants, **params}
            self._patterns[key] = ReplyPattern(
                template, given, words=self._role.words, special=self._role.special, scaled=scaled
            )
        return self._patterns[key]

    def _sent(self, op: str, params: Mapping[str, object]) -> list[Sent]:
        """Send a setting, and return the commands it took."""
        entry, kind = self._op(op, params)
        if entry.set is None:
            raise InputError(f"{self.name}: {op} is only a question in dialect '{self._role.dialect}'")
        sent = []
        for each in one_by_one(entry.set, params):
            command = self._filled(entry.set, for_instrument(entry, each))
            self._wire.command(command, self._within_s(entry), self._until_s(entry, None), entry.ack)
            sent.append(Sent(op, entry, kind, command, each))
        return sent

    def _verify(self, sent: Sent) -> None:
        """Read a setting back; once more if it reads otherwise, for a reply may be wrong by a digit.

        That an output is off has to be said the first time: whoever switches it off does all of it again.
        """
        same, found = self._read_back(sent)
        if not same and sent.params.get("state") is not False:
            self._notice(LINK, say("event.asked-again", why=self._otherwise(sent, found)))
            same, found = self._read_back(sent)
        if not same:
            raise ReadbackError(self._otherwise(sent, found))

    def _otherwise(self, sent: Sent, found: object) -> str:
        """Say that a setting reads back as *found*."""
        kind, entry = sent.kind, sent.entry
        wanted = sent.params[kind.takes] if kind.takes in {"state", "value"} else spell_words(entry.replies)
        return f"{self.name}: after {sent.command!r} {sent.op} reads back {found!r}, expected {wanted!r}" + (
            f" within {entry.tolerance:g}" if entry.tolerance else ""
        )

    def _read_back(self, sent: Sent) -> tuple[bool, object]:
        """Return whether a setting reads back as it was sent, and as what."""
        op, entry, kind, params = sent.op, sent.entry, sent.kind, sent.params
        if kind.takes == "state":
            state = self.ask_state(op)
            return state == params["state"], state
        if kind.takes == "value":
            number = self.ask_number(op)
            # The last binary digit of a difference of decimals is not the instrument's doing.
            margin = (entry.tolerance or 0.0) * (1 + 1e-9)
            same = number.value is not None and abs(number.value - float(str(params["value"]))) <= margin
            return same, number.status if number.value is None else number.value
        question = self._filled(entry.ask or "", {})
        reply = self._wire.ask(question, self._within_s(entry), self._until_s(entry, None))
        return any(self._pattern(each, {}).match(reply) is not None for each in entry.replies), reply[:_SHOWN]

    def _read_error_queue(self) -> tuple[list[str], bool]:
        """Return what the error queue holds, and whether a reply of it was lost."""
        errors = self._role.errors
        found: list[str] = []
        lost = False
        while errors is not None:
            code, text = self._undamaged(self._filled(errors.ask, {}), self._error_entry)
            lost = lost or self._again
            if code in errors.none:
                self._none_text = text
                break
            found.append(f"{code} {text[:_SHOWN]}".strip())
            if len(found) >= _QUEUE_LIMIT:
                raise RefusedError(f"{self.name}: the error queue does not empty, last entry {found[-1]!r}")
        return found, lost

    def _error_entry(self, reply: str) -> tuple[int, str]:
        """Return number and text of an entry; ReplyError if it is none, or its number is not its text's."""
        errors = self._role.errors
        assert errors is not None
        fields = self._pattern(errors.reply or "{text}", {}).match(reply) or {}
        entry = parse_error_entry(fields.get("text", "") if errors.reply is None else _joined(fields))
        misread = entry is not None and entry[0] not in errors.none and entry[1] == (self._none_text or None)
        if entry is None or misread:
            raise reply_error(self.name, self._filled(errors.ask, {}), reply, "an error number and its text")
        return entry


def _identity(answer: Answer) -> str:
    if not (identity := answer.text()):
        raise answer.error("an identity")
    return identity


def _joined(fields: Mapping[str, str]) -> str:
    """Put the fields of a declared error entry in the common order: number, text."""
    return f"{fields.get('code', '')},{fields.get('text') or fields.get('quoted') or ''}"
