"""What a wire is set to: line ends, pace and a serial port's settings, as a dialect file has them."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

Pause = Annotated[float, msgspec.Meta(ge=0, le=10)]
#: One line, or several spellings of it.
AckLine = str | tuple[str, ...]


class Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Base of all tables: immutable, and a misspelt key is an error."""


class LinkTable(Table, frozen=True, kw_only=True):
    """The wire: line ends, pace, what comes back unasked, and a serial port's settings."""

    send_end: str = "\n"
    #: Empty: replies have no end; one is over when nothing follows for *idle_s*.
    reply_end: str = "\n"
    idle_s: Annotated[float, msgspec.Meta(ge=1e-3, le=10)] = 0.05
    #: Least time between one command or reply and the next command.
    gap_s: Pause = 0.0
    timeout_s: Annotated[float, msgspec.Meta(ge=1e-3, le=3600)] = 5.0
    #: The instrument repeats each command before it answers.
    echo: bool = False
    #: Lines that follow each setting, and each answer; of several spellings of one line any may come.
    ack: tuple[AckLine, ...] = ()
    ack_ask: tuple[AckLine, ...] = ()
    #: Characters that may stand anywhere in a reply and mean nothing, such as NUL.
    ignore: str = ""
    baud: Annotated[int, msgspec.Meta(gt=0, le=10_000_000)] = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow: Literal["none", "rts_cts", "xon_xoff"] = "none"
