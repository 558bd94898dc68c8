"""One instrument at a prompt: its answers, in bytes and through a dialect; it is left as it was, or off."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass

import msgspec
from rich.console import Console
from rich.text import Text

from daq.clock import RealClock
from daq.config.address import complete
from daq.errors import (
    BenchError,
    CoilsoakError,
    InputError,
    LinkClosedError,
    LinkTimeoutError,
    OutputUnknownError,
)
from daq.instruments.dialects.load import Dialect, RoleDialect
from daq.instruments.dialects.roles import ROLES
from daq.instruments.dialects.template import placeholders
from daq.instruments.talk.conversation import Conversation
from daq.links.base import Link
from daq.links.discover import Place
from daq.links.settings import LinkTable
from daq.setup.meet.find import Found, look
from daq.setup.meet.greet import open_real
from daq.setup.meet.listing import found_table
from daq.setup.meet.wire import harmless
from daq.signals import shielded
from daq.streams import one_line
from daq.tables import CheckLine, findings_table

HELP = """\
*IDN?            send this, or whatever else you type, and see what comes back
/ops             ask all that the dialect asks, and see what comes of each
/read OP         read one value through the dialect, as /read measured_voltage
/dialect NAME    speak another dialect, as /dialect scpi-1999 meter
/end             leave (or Ctrl-D); an output that may have been switched is switched off"""
_QUIET_S = 1.0


@dataclass
class Spoken:
    """The instrument as it is spoken to now: its wire, and the conversation in a dialect if one is chosen."""

    link: Link
    role: RoleDialect | None = None
    talk: Conversation | None = None
    #: Whether anything was sent that is no question.
    changed: bool = False


def chosen(
    found: Found, dialects: Sequence[Dialect], name: str | None, role: str | None
) -> RoleDialect | None:
    """Return the dialect *name* in *role*, or what fits best where they are not given.

    Raises:
        InputError: No such dialect, or it does not know the role; the message lists those there are.
    """
    if name is None:
        best = next((fit for fit in found.fits if role in {None, fit.role}), None)
        if best is None:
            return None
        name, role = best.dialect, best.role
    known = {dialect.name: dialect for dialect in dialects}
    if name not in known:
        raise _unknown(name, dialects)
    if role is None:
        fitting = [fit.role for fit in found.fits if fit.dialect == name]
        role = next(iter(fitting or known[name].roles))
    return known[name].role(role)


def _unknown(name: str, dialects: Sequence[Dialect]) -> InputError:
    known = ", ".join(dialect.name for dialect in dialects)
    return InputError(f"dialect {name!r} is unknown, expected one of {known}")


def try_instrument(
    address: str,
    dialects: Sequence[Dialect],
    name: str | None,
    role: str | None,
    console: Console,
    *,
    ask: bool,
) -> list[CheckLine]:
    """Look at one instrument, show what its dialect makes of it, and take commands if *ask*.

    Returns:
        What came of each op of the dialect; nothing where no dialect is chosen.

    Raises:
        CoilsoakError: It cannot be reached, no such dialect, or its output could not be confirmed off.
    """
    if name is not None and name not in {dialect.name for dialect in dialects}:
        raise _unknown(name, dialects)
    wanted = [each for each in dialects if each.name == name] if name else dialects
    found = look(Place(address, "given"), wanted)
    if found.trouble:
        raise LinkClosedError(found.trouble)
    console.print(found_table([found]))
    speaking = chosen(found, dialects, name, role)
    resource = found.met.resource if found.met else complete(address)
    findings: list[CheckLine] = []
    with _open(resource, found, speaking, console) as spoken:
        if speaking is not None:
            findings = _choose(spoken, speaking, console)
        elif not ask:
            console.print("no dialect fits; with a terminal you can ask it here", highlight=False)
        if ask:
            _commands(spoken, found, dialects, console)
    return findings


@contextmanager
def _open(resource: str, found: Found, speaking: RoleDialect | None, console: Console) -> Iterator[Spoken]:
    """Open the wire, and leave what is behind it as it was, or off where anything was set."""
    table = _table(found, speaking)
    with closing(open_real(resource, table)) as link:
        spoken = Spoken(link)
        try:
            yield spoken
        finally:
            with shielded():
                _leave(spoken, console)


def _table(found: Found, speaking: RoleDialect | None) -> LinkTable:
    """Return the wire's settings: the dialect's, at the speed that was found; else what was found."""
    met = LinkTable() if found.met is None else found.met.table
    return met if speaking is None else msgspec.structs.replace(speaking.link, baud=met.baud)


def _choose(spoken: Spoken, role: RoleDialect, console: Console) -> list[CheckLine]:
    """Speak *role* from now on, and show what comes of each of its ops."""
    if spoken.talk is not None:
        _leave(spoken, console)  # by the dialect in which it may have been switched on
    spoken.role = role
    spoken.talk = Conversation(spoken.link, role, name=role.role, clock=RealClock())
    try:
        spoken.talk.start(None)
    except CoilsoakError as exc:
        findings = [CheckLine("start", False, str(exc))]
        console.print(findings_table(findings))
        return findings
    return _show_ops(spoken.talk, role, console)


def _show_ops(talk: Conversation, role: RoleDialect, console: Console) -> list[CheckLine]:
    findings = [_tried(talk, role, op) for op in role.ops]
    console.print(f"as {role.role} in dialect {role.dialect}:", highlight=False, markup=False)
    console.print(findings_table(findings))
    return findings


def _tried(talk: Conversation, role: RoleDialect, op: str) -> CheckLine:
    """Ask what *op* asks and say what came of it; what would set something is not tried."""
    entry, kind = role.ops[op], ROLES[role.role][op]
    if entry.ask is None:
        return CheckLine(op, None, f"only sets ({entry.set}), so it is not tried")
    names = {name for name, _ in placeholders(entry.ask)}
    if "range" in names:
        return CheckLine(op, None, f"{entry.ask} sets a range, so it is not tried; /read {op} does it")
    clock = RealClock()
    began_s = clock.monotonic()
    try:
        said = _value(talk, role, op)
    except CoilsoakError as exc:
        return CheckLine(op, False, str(exc))
    took_ms = 1000.0 * (clock.monotonic() - began_s)
    if kind.answers == "itself":
        return CheckLine(op, None, "a function: asked when it is set, so it is not tried")
    return CheckLine(op, True, f"{said}, {took_ms:.0f} ms")


def _value(talk: Conversation, role: RoleDialect, op: str) -> str:
    """Ask *op* and return its value in words."""
    if op not in role.ops:
        raise InputError(f"dialect {role.dialect!r} has no {op!r} for a {role.role}: {', '.join(role.ops)}")
    entry, answers = role.ops[op], ROLES[role.role][op].answers
    names = {name for name, _ in placeholders(entry.ask or "")} - set(role.params)
    params: dict[str, float] = {"channel": 1} if "channel" in names else {}
    if "range" in names:
        params["range"] = 100.0
    if answers == "number":
        number = talk.ask_number(op, integrates_s=None, **params)
        return number.status if number.value is None else f"{number.value:g}"
    if answers == "state":
        return "on" if talk.ask_state(op, **params) else "off"
    return talk.ask_text(op) if answers == "text" else ""


def _commands(spoken: Spoken, found: Found, dialects: Sequence[Dialect], console: Console) -> None:
    """Take what is typed until it ends."""
    console.print(HELP, highlight=False, markup=False)
    while True:
        try:
            typed = console.input(Text("> ")).strip()
        except EOFError:
            return
        word, _, rest = typed.partition(" ")
        if typed in {"/end", "/quit", "/q"}:
            return
        try:
            if word == "/ops" and spoken.role is not None and spoken.talk is not None:
                _show_ops(spoken.talk, spoken.role, console)
            elif word == "/read" and spoken.role is not None and spoken.talk is not None:
                _say(console, _value(spoken.talk, spoken.role, rest.strip()))
            elif word == "/dialect" and rest:
                name, _, role = rest.partition(" ")
                other = chosen(found, dialects, name, role.strip() or None)
                if other is not None:
                    _choose(spoken, other, console)
            elif word in {"/ops", "/read"}:
                _say(console, "choose a dialect first, as /dialect scpi-1999 meter")
            elif typed.startswith("/"):
                _say(console, HELP)
            elif typed:
                _send(spoken, typed, console)
        except CoilsoakError as exc:
            _say(console, str(exc))


def _send(spoken: Spoken, command: str, console: Console) -> None:
    """Send *command* as it is and show what comes back; ask first where it may set something."""
    if not harmless(command):
        if console.input(Text("this is no question and may set something; send it? [y/N] ")).strip() != "y":
            return
        spoken.changed = True
    clock = RealClock()
    spoken.link.drain()
    began_s = clock.monotonic()
    spoken.link.write(command)
    try:
        reply = spoken.link.read(None if harmless(command) else _QUIET_S)
    except LinkTimeoutError:
        _say(console, f"sent {command!r}; silence for {clock.monotonic() - began_s:.1f} s")
        return
    took_ms = 1000.0 * (clock.monotonic() - began_s)
    more = spoken.link.waiting()
    _say(console, f"{took_ms:.0f} ms  {reply!r}" + (f", then {more!r}" if more else ""))
    spoken.link.drain()


def _say(console: Console, text: str) -> None:
    for line in text.split("\n"):
        console.print(one_line(line), highlight=False, markup=False)


def _leave(spoken: Spoken, console: Console) -> None:
    """Switch an output off, or open all contacts, where anything may have been set; it is read back.

    Raises:
        OutputUnknownError: It could not be confirmed off, or nobody knows how it is.
    """
    changed, spoken.changed = spoken.changed, False
    if spoken.talk is None or spoken.role is None:
        if changed:
            raise OutputUnknownError(
                "something was set, and no dialect says how this instrument is switched off: look at it"
            )
        return
    try:
        if changed and "output" in spoken.role.ops:
            spoken.talk.tell("output", state=False)
            _say(console, "its output is off, read back")
        elif changed and "open_all" in spoken.role.ops:
            spoken.talk.tell("open_all")
        elif changed:
            _say(console, "what was set stays set: look at the instrument")
        spoken.talk.finish()
    except BenchError as exc:
        if changed:
            raise OutputUnknownError(f"its output may be on, switch it off by hand: {exc}") from exc
