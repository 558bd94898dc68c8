"""Who answers at an address: `*IDN?` at the usual ports, speeds and line ends.

On a serial line a command is sent in three steps, each of which completes it for another kind of instrument:
bare, then CR, then LF. So no half command stays behind in any of them, and one pass tells the line end.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from typing import Literal

import msgspec

from daq.config.address import complete, host_alone
from daq.errors import LinkClosedError, LinkError
from daq.links.base import Link
from daq.links.settings import LinkTable
from daq.setup.meet.wire import IDLE_S, QuietWire

IDENTITY = "*IDN?"
#: Ports of SCPI over a plain socket that makers use; common practice, no source but for the first.
PORTS = (5025, 5555, 9221, 3490, 10001)
#: Usual speeds of serial instruments, the most usual first (common practice, no source).
SPEEDS = (9600, 115200, 19200, 57600, 38400, 4800, 2400)
#: How long each of the three steps waits for the beginning of a reply.
STEPS_S = (("", 0.15), ("\r", 0.2), ("\n", 0.5))
_NAMING_S = sum(patience_s for _, patience_s in STEPS_S)
SOCKET_S = 1.0
_UNNAMED_S = 0.35
_OPEN_S = 1.5
_CLOSE_S = 0.1


@dataclass(frozen=True)
class Nameless:
    """A question of a dialect that has no identity, with its line end: the only way to find such a one."""

    question: str
    send_end: str
    #: Whether the answer is a name after all.
    names: bool = False
    #: How the characters of its serial line are made.
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"


@dataclass(frozen=True)
class Met:
    """Who answers: *resource* and *table* reach it, *reply* is what it said and *identity* the name in that.

    *identity* empty: it answers a question of a nameless dialect, and nobody knows who it is.
    """

    resource: str
    table: LinkTable
    identity: str
    reply: str
    #: How long that took, with the pause that ends it.
    took_s: float
    #: The question to which it was the reply.
    asked: str = IDENTITY

    @property
    def is_serial(self) -> bool:
        """Whether a serial line leads to it."""
        return self.resource.upper().startswith("ASRL")


Opener = Callable[[str, LinkTable], Link]


def open_real(resource: str, table: LinkTable) -> Link:
    """Open a wire of this machine, and nobody else's."""
    from daq.links.visa import open_link  # pyvisa is loaded when a wire is wanted

    return open_link(resource, table, timeout_s=_OPEN_S)


@contextmanager
def quiet(resource: str, table: LinkTable, opener: Opener = open_real) -> Iterator[QuietWire]:
    """Open *resource* for questions alone."""
    raw = msgspec.structs.replace(table, send_end="", reply_end="", idle_s=IDLE_S)
    with closing(opener(resource, raw)) as link:
        yield QuietWire(link)


def steps(address: str, nameless: Sequence[Nameless]) -> tuple[int, float]:
    """Return how many tries :func:`greet` makes at *address* at the most, and how long each takes."""
    if complete(address).upper().startswith("ASRL"):
        return len(_rounds(nameless)) * len(SPEEDS), _CLOSE_S + max(
            _NAMING_S, len(nameless) * (STEPS_S[2][1] + _CLOSE_S)
        )
    return (len(PORTS) + 1 if host_alone(address) else 1), SOCKET_S * (1 + 0.4 * len(nameless))


def greet(
    address: str,
    nameless: Sequence[Nameless] = (),
    tried: Callable[[], None] = lambda: None,
    opener: Opener = open_real,
) -> Met | None:
    """Return who answers at *address*, or None if nobody does although it can be opened.

    Args:
        address: As people write it, or a VISA address. A host without a port is tried at the usual ones.
        nameless: Questions for those that know no `*IDN?`.
        tried: Called after each try, for progress.
        opener: Opens a wire.

    Raises:
        LinkError: It cannot be opened: nobody listens, no such port, no permission, in use.
        InputError: No address, or a library for its kind is missing.
    """
    resource = complete(address)
    if resource.upper().startswith("ASRL"):
        return _greet_serial(resource, nameless, tried, opener)
    if not host_alone(address):
        met = _greet_once(resource, LinkTable(), nameless, opener)
        tried()
        return met
    return _greet_host(host_alone(address), nameless, tried, opener)


def _greet_host(
    host: str, nameless: Sequence[Nameless], tried: Callable[[], None], opener: Opener
) -> Met | None:
    """Try the usual ports and VXI-11; an open port where nobody answers counts as one that was found."""
    failures: list[LinkError] = []
    candidates = [f"TCPIP::{host}::{port}::SOCKET" for port in PORTS] + [f"TCPIP::{host}::INSTR"]
    for resource in candidates:
        try:
            met = _greet_once(resource, LinkTable(), nameless, opener)
        except LinkError as exc:
            failures.append(exc)
        else:
            if met is not None:
                return met
        tried()
    if len(failures) == len(candidates):
        listed = ", ".join(map(str, PORTS))
        raise LinkClosedError(
            f"{host}: nobody answers at port {listed} or by VXI-11; check power, cable and address"
        )
    return None


def _greet_serial(
    resource: str, nameless: Sequence[Nameless], tried: Callable[[], None], opener: Opener
) -> Met | None:
    """Ask for a name at all speeds before anything else: nearly everybody has one."""
    for data_bits, parity, questions in _rounds(nameless):
        for baud in SPEEDS:
            table = LinkTable(baud=baud, data_bits=data_bits, parity=parity)
            met = _greet_once(resource, table, questions, opener, named=not questions)
            tried()
            if met is not None:
                return met
    return None


def _rounds(
    nameless: Sequence[Nameless],
) -> list[tuple[Literal[7, 8], Literal["none", "even", "odd"], list[Nameless]]]:
    """Return what is asked at each speed, and how characters are made meanwhile; the name first."""
    frames = list(dict.fromkeys((each.data_bits, each.parity) for each in nameless))
    return [
        (8, "none", []),
        *(
            (bits, parity, [each for each in nameless if (each.data_bits, each.parity) == (bits, parity)])
            for bits, parity in frames
        ),
    ]


def _greet_once(
    resource: str, table: LinkTable, nameless: Sequence[Nameless], opener: Opener, *, named: bool = True
) -> Met | None:
    """Ask for a name if *named*, and what *nameless* ask."""
    is_serial = resource.upper().startswith("ASRL")
    with quiet(resource, table, opener) as wire:
        if is_serial:
            wire.ask("\r\n", _CLOSE_S)  # closes what an earlier try may have left there
        met = None
        if named:
            met = (_in_steps if is_serial else _at_once)(wire, resource, table)
        return _without_a_name(wire, resource, table, nameless) if met is None else met


def _without_a_name(
    wire: QuietWire, resource: str, table: LinkTable, nameless: Sequence[Nameless]
) -> Met | None:
    for each in nameless:
        reply = wire.ask(each.question + each.send_end, _UNNAMED_S)
        if _is_text(reply) and reply.strip() != each.question:
            identity = _printable(reply) if each.names else ""
            ends = _with_ends(table, each.send_end, reply)
            return Met(resource, ends, identity, reply, wire.took_s, each.question)
        if not each.send_end.endswith("\n"):
            wire.ask("\n", _CLOSE_S)  # half a command to whoever ends them with LF
    return None


def _at_once(wire: QuietWire, resource: str, table: LinkTable) -> Met | None:
    """Ask where a message has an end of its own: LF first, which nearly all take."""
    for ending in ("\n", "\r\n"):
        reply = wire.ask(IDENTITY + ending, SOCKET_S if ending == "\n" else SOCKET_S / 2)
        if _is_text(reply):
            return Met(resource, _with_ends(table, ending, reply), _identity_in(reply), reply, wire.took_s)
    return None


def _in_steps(wire: QuietWire, resource: str, table: LinkTable) -> Met | None:
    ending = ""
    for step, (more, patience_s) in enumerate(STEPS_S):
        ending += more
        reply = wire.ask(more or IDENTITY, patience_s)
        if reply.strip().startswith(IDENTITY) and not _identity_in(reply):
            continue  # an echo of what has come so far
        if not _is_text(reply):
            continue
        if step == len(STEPS_S) - 1 and _is_text(again := wire.ask(IDENTITY + "\n", patience_s)):
            ending, reply = "\n", again
        return Met(resource, _with_ends(table, ending, reply), _identity_in(reply), reply, wire.took_s)
    return None


def _identity_in(reply: str) -> str:
    """Return the identity in *reply*: its first line that is no echo and says more than that all is well."""
    lines = [line.strip(" \t\0") for line in reply.replace("\r", "\n").split("\n")]
    return next((line for line in lines if line and line != IDENTITY and line.upper() != "OK"), "")


def _printable(reply: str) -> str:
    return "".join(sign for sign in reply if sign.isprintable()).strip()


def _is_text(reply: str) -> bool:
    """Whether *reply* is text: at another speed a line gives signs that are none."""
    told = reply.strip(" \t\r\n\0\x02\x03\x06")
    return len(told) >= 2 and all(" " <= sign <= "~" or sign in "\r\n\t\0\x02\x03" for sign in told)


def _with_ends(table: LinkTable, send_end: str, reply: str) -> LinkTable:
    """Return *table* with the line ends that were found."""
    ends = next((end for end in ("\r\n", "\n", "\r") if reply.endswith(end)), "")
    return msgspec.structs.replace(table, send_end=send_end, reply_end=ends)
