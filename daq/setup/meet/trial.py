"""Which dialect an instrument speaks, by questions of each that set nothing.

Each question goes out once, however many dialects have it. They all read the very same bytes, through the
conversation that runs use: a dialect that fits here reads what a run will read.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import msgspec

from daq.clock import VirtualClock
from daq.errors import CoilsoakError, InputError, LinkError
from daq.instruments.dialects.load import Dialect, Op, RoleDialect, load_dialect, shipped
from daq.instruments.dialects.roles import ROLES
from daq.instruments.dialects.template import ReplyPattern, placeholders
from daq.instruments.talk.conversation import Conversation
from daq.links.inprocess import InProcessLink
from daq.setup.meet.greet import IDENTITY, Met, Nameless, Opener, open_real, quiet
from daq.setup.meet.wire import QuietWire, harmless

#: How long a reply to a setting's question is waited for: some times as long as the name took, within bounds.
#: And to a question that measures first.
TIMES, LEAST_S, ANSWER_S, MEASURE_S = 4.0, 0.2, 0.5, 2.0
#: Ops that measure, which an instrument of another kind may change its function for: asked only where all
#: else of the role fits.
_LATE = frozenset(["measured_voltage", "measured_current", "read", "temperature"])
#: Channels that a switch unit or a thermometer may have; the first that answers counts.
_CHANNELS = (101, 1, "A")
_MOST_ERRORS = 30
#: The ops without which a role is none.
NEEDED = {
    "supply": frozenset(["voltage", "current_limit", "output", "measured_voltage", "measured_current"]),
    "meter": frozenset(["read"]),
    "probe": frozenset(["read"]),
    "switch": frozenset(["is_closed"]),
    "oven": frozenset(["setpoint", "temperature", "output"]),
}


@dataclass(frozen=True)
class Fit:
    """A dialect that fits in one role: its ops that were answered as it says, those not, and those not asked.

    *channel* is the one that was asked about, where the role needs one. *selects*: it names a channel with
    every command, so no key pressed meanwhile turns a setting to another.
    """

    dialect: str
    role: str
    answered: tuple[str, ...]
    unanswered: tuple[str, ...]
    untried: tuple[str, ...]
    channel: int | str | None = None
    selects: bool = False

    @property
    def whole(self) -> bool:
        """Whether all that was asked was answered."""
        return not self.unanswered

    @property
    def summary(self) -> str:
        """How sure this is, in words."""
        asked = len(self.answered) + len(self.unanswered)
        said = f"{len(self.answered)} of {asked} questions answered as it says"
        return said if self.whole else f"{said}; not: {', '.join(self.unanswered)}"


class Listener:
    """The instrument as conversations see it in a trial: its answers, each asked for once.

    A :class:`daq.links.base.Peer` whose answers come from a real wire.
    """

    def __init__(self, wire: QuietWire, took_s: float) -> None:
        self._wire = wire
        self._known: dict[bytes, bytes] = {}
        self.answer_s = min(max(TIMES * took_s, LEAST_S), ANSWER_S)
        self.patience_s = self.answer_s
        self.gone: LinkError | None = None

    def feed(self, data: bytes) -> bytes:
        """Return what the instrument answers to *data*; nothing once it is gone."""
        if data not in self._known and self.gone is None:
            try:
                said = self._wire.ask(data.decode("latin-1"), self.patience_s)
            except LinkError as exc:
                self.gone = exc
                return b""
            self._known[data] = said.encode("latin-1")
        return self._known.get(data, b"")


def known_dialects(folder: Path | None = None) -> list[Dialect]:
    """Return the dialects that come with the program, and those in *folder* that can be read."""
    dialects = [load_dialect(name) for name in shipped()]
    for path in sorted((folder or Path()).glob("*.toml")) if folder else ():
        try:
            dialects.append(load_dialect(path.name, beside=folder))
        except InputError:
            continue  # a rig file, a coil set, or a dialect that is not finished
    return dialects


def dialects_for(name: str | None) -> list[Dialect]:
    """Return the dialects that come with the program, and the file *name* if it is one.

    Raises:
        InputError: The file cannot be read, or is no dialect.
    """
    dialects = known_dialects()
    return [load_dialect(name), *dialects] if name and name.endswith(".toml") else dialects


def nameless(dialects: Sequence[Dialect]) -> list[Nameless]:
    """Return a question for each dialect that knows no `*IDN?`, each once; those that end with LF first."""
    found: dict[tuple[str, str], Nameless] = {}
    for dialect in dialects:
        for role in dialect.roles.values():
            question = None if _asks_idn(role) else next(_questions(role), None)
            if question is not None:
                end = role.link.send_end
                link, named = role.link, role.identity is not None
                found[question, end] = Nameless(question, end, named, link.data_bits, link.parity)
    return sorted(found.values(), key=lambda each: not each.send_end.endswith("\n"))


def _asks_idn(role: RoleDialect) -> bool:
    return role.identity is not None and role.identity.ask == IDENTITY


def _questions(role: RoleDialect) -> Iterator[str]:
    """Yield what may be asked of anybody, filled with a channel where it needs one."""
    for op in ([] if role.identity is None else [role.identity]) + list(role.ops.values()):
        if op.ask is not None and harmless(op.ask):
            given = {**role.params, "channel": role.params.get("channel", 1)}
            if _names(op.ask) <= set(given):
                yield _filled(op.ask, given)


def _filled(template: str, given: Mapping[str, object]) -> str:
    for name, _ in placeholders(template):
        template = template.replace(f"{{{name}}}", str(given[name]))
    return template


def fitting(met: Met, dialects: Sequence[Dialect], opener: Opener = open_real) -> list[Fit]:
    """Return the dialects and roles that fit who was *met*, the best first.

    Raises:
        LinkError: The wire cannot be opened again, or the other end goes away.
    """
    with quiet(met.resource, met.table, opener) as wire:
        listener = Listener(wire, met.took_s)
        fits = [
            fit
            for dialect in dialects
            if _may_speak(dialect, met)
            for role in dialect.roles.values()
            if role.role != "probe" and (fit := _tried(listener, role, met)) is not None
        ]
        if not fits:
            # A thermometer is asked last: its one question makes some meters change their function.
            fits = [
                fit
                for dialect in dialects
                if _may_speak(dialect, met) and "probe" in dialect.roles
                if (fit := _tried(listener, dialect.roles["probe"], met)) is not None
            ]
        _empty_errors(wire, met)
        if listener.gone is not None:
            raise listener.gone
    return sorted(fits, key=_worth, reverse=True)


def _worth(fit: Fit) -> tuple[bool, bool, float, int]:
    asked = len(fit.answered) + len(fit.unanswered)
    return fit.whole, fit.selects, len(fit.answered) / asked, len(fit.answered)


def _may_speak(dialect: Dialect, met: Met) -> bool:
    """Whether the line ends that were found are the dialect's; one command to a wrong end would stick."""
    link = next(iter(dialect.roles.values())).link
    if link.reply_end and not met.reply.endswith(link.reply_end):
        return False
    if (not link.reply_end) and met.table.reply_end:
        return False
    sent = met.table.send_end
    return link.send_end == sent or (link.send_end == "\r\n" and sent in {"\r", "\n"})


def _tried(listener: Listener, role: RoleDialect, met: Met) -> Fit | None:
    """Ask what *role* asks; None as soon as something that it cannot do without is answered otherwise."""
    if not met.identity and _asks_idn(role):
        return None
    selects = _selecting(role)
    if selects and not _is_a_number(listener, selects + role.link.send_end):
        return None
    asking = _for_asking(role)
    outcome = _Outcome(listener, asking, role)
    functions = [op for op in role.ops if op.startswith("function_") and role.ops[op].ask is not None]
    outcome.ask_all(functions)
    if functions and not outcome.answered:
        return None  # a meter is in one of its functions
    early = [op for op in asking.ops if op not in {*functions, *_LATE}]
    late = [op for op in asking.ops if op in _LATE]
    if not (outcome.ask_all(early) and outcome.ask_all(late) and outcome.answered):
        return None
    unanswered = tuple(op for op in outcome.unanswered if op not in functions)
    found = (tuple(outcome.answered), unanswered, tuple(outcome.untried))
    return Fit(role.dialect, role.role, *found, channel=outcome.channel, selects=bool(selects))


class _Outcome:
    """What came of the questions of one dialect in one role."""

    def __init__(self, listener: Listener, asking: RoleDialect, role: RoleDialect) -> None:
        self._listener = listener
        self._asking = asking
        self._role = role
        self.answered: list[str] = []
        self.unanswered: list[str] = []
        self.untried: list[str] = []
        self.channel: int | str | None = None

    def ask_all(self, ops: Sequence[str]) -> bool:
        """Ask for each of *ops*; False once one is not answered that the role cannot do without."""
        for op in ops:
            entry = self._asking.ops[op]
            if entry.ask is None:
                continue
            if not harmless(entry.ask) or "range" in _names(entry.ask):
                self.untried.append(op)  # it would change a range or a function
            elif self._answers(op):
                self.answered.append(op)
            elif entry.silent:
                self.untried.append(op)  # silence is an answer of this one
            else:
                self.unanswered.append(op)
                if op in NEEDED[self._role.role]:
                    return False
        return True

    def _answers(self, op: str) -> bool:
        of_channel = "channel" in ROLES[self._role.role][op].params
        if not of_channel or "channel" in self._asking.params:
            return self._one(op)
        if "channel" not in _names(self._asking.ops[op].ask or ""):
            return self._one(op, channel=1)  # whoever lists all that are closed
        for channel in _CHANNELS:
            if self._one(op, channel=channel):
                self.channel = channel
                return True
        return False

    def _one(self, op: str, **params: Any) -> bool:
        asking, role = self._asking, self._role
        self._listener.patience_s = MEASURE_S if op in _LATE else self._listener.answer_s
        clock = VirtualClock()  # waiting in vain costs nothing here: the listener has waited already
        link = InProcessLink(
            self._listener, "trial", asking.link.send_end, asking.link.reply_end, timeout_s=1.0, clock=clock
        )
        talk = Conversation(link, asking, name=asking.role, clock=clock)
        answers = ROLES[asking.role][op].answers
        try:
            if answers == "number":
                number = talk.ask_number(op, integrates_s=None, **params)
                return number.value is not None or not asking.ops[op].silent
            if answers == "state":
                talk.ask_state(op, **params)
                return True
            text = talk.ask_text(op, **params)
        except CoilsoakError:
            return False
        if answers != "itself":
            return True
        return any(
            ReplyPattern(each, role.params, words=role.words, special=role.special).match(text) is not None
            for each in role.ops[op].replies
        )


def _names(template: str) -> set[str]:
    return {name for name, _ in placeholders(template)}


def _selecting(role: RoleDialect) -> str:
    """Return the question for the channel that *role* selects in front of its questions; else empty.

    ``INST:NSEL 1;:VOLT?`` sets something, ``INST:NSEL?`` does not.
    """
    for op in role.ops.values():
        for part in (op.ask or "").split(";"):
            if op.ask and "?" in op.ask and "?" not in part:
                return f"{part.split()[0]}?"
    return ""


def _is_a_number(listener: Listener, question: str) -> bool:
    listener.patience_s = listener.answer_s
    return listener.feed(question.encode("latin-1")).strip().lstrip(b"+").isdigit()


def _for_asking(role: RoleDialect) -> RoleDialect:
    """Return *role* with ops that only ask: what selects a channel in front of a question is left out."""
    ops: dict[str, Op] = {}
    for name, op in role.ops.items():
        ask = op.ask
        if ask is not None and not harmless(ask) and "?" in ask:
            ask = ";".join(part for part in ask.split(";") if "?" in part)
        replies = "{text}" if ROLES[role.role][name].answers == "itself" else op.reply
        ops[name] = msgspec.structs.replace(op, ask=ask, reply=replies)
    return replace(role, ops=ops, errors=None)


def _empty_errors(wire: QuietWire, met: Met) -> None:
    """Leave no error of ours in the queue: whoever asks next would take it for his own."""
    if "," not in met.identity:
        return
    for _ in range(_MOST_ERRORS):
        said = wire.ask(f"SYST:ERR?{met.table.send_end}", ANSWER_S).strip()
        if not said or said.lstrip("+").startswith("0"):
            return


def most(met: Met, fit: Fit, opener: Opener = open_real) -> tuple[float | None, float | None]:
    """Return the most volts and amperes that a supply says it can be set to; None where it does not say.

    SCPI-1999 volume 1, 7.2.1.1: a setting's question with MAXimum asks what it could be set to at the most.
    """
    role = load_dialect(fit.dialect).role("supply") if not fit.dialect.endswith(".toml") else None
    if role is None or role.errors is None:
        return None, None
    found: list[float | None] = []
    with quiet(met.resource, met.table, opener) as wire:
        for op in ("voltage", "current_limit"):
            ask = (_for_asking(role).ops[op].ask or "").strip()
            plain = ask.endswith("?") and "{" not in ask
            said = wire.ask(f"{ask} MAX{met.table.send_end}", ANSWER_S) if plain else ""
            try:
                value = float(said.strip().rstrip("VA"))
            except ValueError:
                value = 0.0
            found.append(value if 0.0 < value < 1e6 else None)
        _empty_errors(wire, met)
    return found[0], found[1]
