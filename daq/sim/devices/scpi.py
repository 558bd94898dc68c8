"""A small SCPI-1999 instrument: parses program messages, keeps the error queue, answers.

Written apart from the program's own SCPI text module on purpose: two parsers cannot share a mistake.
"""

from __future__ import annotations

import re
import threading
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable
from enum import IntEnum
from functools import cache
from itertools import product
from typing import Any


class ErrorCode(IntEnum):
    """Error numbers of SCPI-1999 volume 2, 21.8, as far as these instruments raise them."""

    INVALID_CHARACTER = -101
    SYNTAX = -102
    DATA_TYPE = -104
    PARAMETER_NOT_ALLOWED = -108
    MISSING_PARAMETER = -109
    UNDEFINED_HEADER = -113
    INVALID_SUFFIX = -131
    SETTINGS_CONFLICT = -221
    DATA_OUT_OF_RANGE = -222
    ILLEGAL_PARAMETER = -224
    QUEUE_OVERFLOW = -350
    INPUT_BUFFER_OVERRUN = -363


_TEXTS = {
    ErrorCode.INVALID_CHARACTER: "Invalid character",
    ErrorCode.SYNTAX: "Syntax error",
    ErrorCode.DATA_TYPE: "Data type error",
    ErrorCode.PARAMETER_NOT_ALLOWED: "Parameter not allowed",
    ErrorCode.MISSING_PARAMETER: "Missing parameter",
    ErrorCode.UNDEFINED_HEADER: "Undefined header",
    ErrorCode.INVALID_SUFFIX: "Invalid suffix",
    ErrorCode.SETTINGS_CONFLICT: "Settings conflict",
    ErrorCode.DATA_OUT_OF_RANGE: "Data out of range",
    ErrorCode.ILLEGAL_PARAMETER: "Illegal parameter value",
    ErrorCode.QUEUE_OVERFLOW: "Queue overflow",
    ErrorCode.INPUT_BUFFER_OVERRUN: "Input buffer overrun",
}

#: What a handler gives back: a reply, nothing, or the error it refuses with.
Reply = str | ErrorCode | None
#: Turns one parameter's text into a value, or says what is wrong with it.
Parameter = Callable[[str], Any]

LINE_LIMIT = 2048
_QUEUE_LENGTH = 20
_CHANNEL_SPAN_LIMIT = 1000

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,5})?)\s*([A-Za-z]*)")
_NODE = re.compile(r"(\[?):?([*A-Za-z0-9]+):?\]?")
_CHANNELS = re.compile(r"\(@\s*(\d{1,9}(?::\d{1,9})?(?:\s*,\s*\d{1,9}(?::\d{1,9})?)*)\s*\)")
_MULTIPLIERS = {"": 1.0, "M": 1e-3, "U": 1e-6, "K": 1e3}
_SPLIT = re.compile(r""";(?=(?:[^"']|"[^"]*"|'[^']*')*$)""")
_COMMA = re.compile(r""",(?=(?:[^"'()]|"[^"]*"|'[^']*'|\([^)]*\))*$)""")


def number(*units: str) -> Parameter:
    """Make a parameter that is a number in any SCPI form, with one of *units* behind it or none."""
    factors = {"": 1.0}
    for unit in units:
        factors |= {prefix + unit.upper(): factor for prefix, factor in _MULTIPLIERS.items()}

    def parse(text: str) -> float | ErrorCode:
        found = _NUMBER.fullmatch(text)
        if found is None:
            return ErrorCode.DATA_TYPE
        factor = factors.get(found[2].upper())
        return ErrorCode.INVALID_SUFFIX if factor is None else float(found[1]) * factor

    return parse


def _boolean(text: str) -> bool | ErrorCode:
    word = text.upper()
    if word in {"ON", "OFF"}:
        return word == "ON"
    if _NUMBER.fullmatch(text) is None or text[-1].isalpha():
        return ErrorCode.DATA_TYPE
    return abs(float(text)) >= 0.5


def _string(text: str) -> str | ErrorCode:
    if len(text) >= 2 and text[0] == text[-1] and text[0] in "\"'":
        return text[1:-1]
    return ErrorCode.DATA_TYPE


def _channels(text: str) -> tuple[int, ...] | ErrorCode:
    found = _CHANNELS.fullmatch(text)
    if found is None:
        return ErrorCode.DATA_TYPE
    channels: list[int] = []
    for item in found[1].split(","):
        first, _, last = item.strip().partition(":")
        low, high = int(first), int(last or first)
        if not low <= high < low + _CHANNEL_SPAN_LIMIT:
            return ErrorCode.DATA_OUT_OF_RANGE
        channels.extend(range(low, high + 1))
    return tuple(channels)


BOOLEAN: Parameter = _boolean
STRING: Parameter = _string
CHANNELS: Parameter = _channels


@cache
def spellings(pattern: str) -> tuple[str, ...]:
    """Return every accepted spelling, in capitals, of a header such as ``[SOURce:]VOLTage[:LEVel]``.

    Each mnemonic has its long form and the short form written in capitals, nothing between;
    nodes in brackets may be left out.
    """
    choices: list[tuple[str, ...]] = []
    for optional, word in _NODE.findall(pattern):
        short = "".join(letter for letter in word if not letter.islower())
        forms = dict.fromkeys((short, word.upper()))
        choices.append((*forms, "") if optional else tuple(forms))
    return tuple(dict.fromkeys(":".join(filter(None, nodes)) for nodes in product(*choices)))


class Instrument(ABC):
    """Base of the simulated instruments; as a peer it takes bytes and gives bytes.

    One message at a time: a second client waits while a measurement goes on, as at a real one.
    """

    identity = ""

    def __init__(self) -> None:
        self._handlers: dict[str, tuple[Callable[..., Reply], tuple[Parameter, ...]]] = {}
        self._errors: deque[ErrorCode] = deque()
        self._event_status = 128  # power on
        self._pending = b""
        self._busy = threading.Lock()
        self.query("*IDN", lambda: self.identity)
        self.query("*OPC", lambda: "1")
        self.query("*ESR", self._ask_event_status)
        self.query("SYSTem:ERRor[:NEXT]", self._ask_error)
        self.query("SYSTem:VERSion", lambda: "1999.0")
        self.command("*CLS", self._clear)
        self.command("*RST", self.reset)
        self.command("*OPC", self._complete)

    def command(self, pattern: str, handler: Callable[..., Reply], *parameters: Parameter) -> None:
        """Register a header without a question mark."""
        for spelling in spellings(pattern):
            self._handlers[spelling] = (handler, parameters)

    def query(self, pattern: str, handler: Callable[..., Reply], *parameters: Parameter) -> None:
        """Register a header with a question mark."""
        for spelling in spellings(pattern):
            self._handlers[spelling + "?"] = (handler, parameters)

    @abstractmethod
    def reset(self) -> Reply:
        """Go back to the settings at power on, as ``*RST`` asks."""

    def feed(self, data: bytes) -> bytes:
        """Take bytes, act on every complete line, return what the instrument answers to them."""
        with self._busy:
            *lines, self._pending = (self._pending + data).split(b"\n")
            # A line that never ends must not grow for ever; what is kept is too long on purpose.
            self._pending = self._pending[: LINE_LIMIT + 1]
            return b"".join([self._message(line) for line in lines])

    def _message(self, line: bytes) -> bytes:
        if len(line) > LINE_LIMIT:
            self._refuse(ErrorCode.INPUT_BUFFER_OVERRUN)
            return b""
        if not line.isascii() or any(byte < 32 and byte not in b"\t\r" for byte in line):
            self._refuse(ErrorCode.INVALID_CHARACTER)
            return b""
        text = line.decode("ascii").strip()
        units = (text,) if ";" not in text else _SPLIT.split(text)
        replies: list[str] = []
        path = ""
        for unit in units:
            header, *rest = unit.split(None, 1) or ("",)
            if not header:
                continue
            header = header.upper()
            if header.startswith(":"):
                header = header[1:]
            elif not header.startswith("*"):
                header = path + header
            if not header.startswith("*"):
                path = header[: header.rfind(":") + 1]
            reply = self._unit(header, rest[0].strip() if rest else "")
            if isinstance(reply, str):
                replies.append(reply)
            elif reply is not None:
                self._refuse(reply)
                if reply > -200:
                    # A command error spoils the rest of its message (IEEE 488.2).
                    break
        return f"{';'.join(replies)}\n".encode("ascii") if replies else b""

    def _unit(self, header: str, rest: str) -> Reply:
        known = self._handlers.get(header)
        if known is None:
            return ErrorCode.UNDEFINED_HEADER
        handler, parameters = known
        if not rest:
            return ErrorCode.MISSING_PARAMETER if parameters else handler()
        texts = (rest,) if "," not in rest else _COMMA.split(rest)
        if len(texts) > len(parameters):
            return ErrorCode.PARAMETER_NOT_ALLOWED
        if len(texts) < len(parameters):
            return ErrorCode.MISSING_PARAMETER
        values = [parse(text.strip()) for parse, text in zip(parameters, texts, strict=True)]
        for value in values:
            if isinstance(value, ErrorCode):
                return value
        return handler(*values)

    def _refuse(self, code: ErrorCode) -> None:
        if len(self._errors) < _QUEUE_LENGTH:
            self._errors.append(code)
        else:
            self._errors[-1] = ErrorCode.QUEUE_OVERFLOW
        self._event_status |= 32 if code > -200 else 16 if code > -300 else 8

    def _ask_error(self) -> Reply:
        if not self._errors:
            return '+0,"No error"'
        code = self._errors.popleft()
        return f'{int(code)},"{_TEXTS[code]}"'

    def _ask_event_status(self) -> Reply:
        status, self._event_status = self._event_status, 0
        return str(status)

    def _clear(self) -> None:
        self._errors.clear()
        self._event_status = 0

    def _complete(self) -> None:
        self._event_status |= 1
