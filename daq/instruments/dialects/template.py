"""Pure text: commands out of templates, replies taken apart, numbers read.

Both directions use one template language. In a command, ``{value:.4f}`` stands for a parameter.
In a reply these stand for what varies, everything else for itself, and the reply has to match whole:

=================  ==========================================================================
``{number}``       NR1, NR2 or NR3, normalised or not; blanks around it are allowed
``{number:V}``     a number and that unit, glued or after blanks, with an SI prefix if *scaled*
``{over_range}``   a number that means 'over range' whatever it says
``{state}``        one of the words for on and off
``{byte}``         one raw character, as a number
``{hex}`` ...      a status word in hexadecimal, ``{octal}`` or ``{binary}``, with or without ``#H``
``{words}``        words between commas, semicolons, bars or blanks
``{bcc}``          one character: the exclusive or of all since the last STX, or since the beginning
``{sum8}``         two hexadecimal digits: the sum of the same, its lowest eight bits
``{channels}``     whole numbers between commas, possibly none
``{code}``         a whole number with or without a sign
``{quoted}``       a text in double or single quotes
``{text}``         anything
``{skip}``         anything without a comma
=================  ==========================================================================

A blank in a reply template matches blanks or none: one and the same instrument answers both ways.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from decimal import Decimal

from daq.errors import InputError
from daq.instruments.number import NO_READING, NOT_A_NUMBER, OK, OVER_RANGE, Number

PLACEHOLDER = re.compile(r"\{(\w+)(?::([^{}]*))?\}", re.ASCII)
#: What a reply template can ask for; any other placeholder is a parameter of the command.
REPLY_FIELDS = frozenset(
    {"number", "over_range", "state", "byte", "hex", "octal", "binary", "words", "channels", "code"}
    | {"quoted", "text", "skip", "bcc", "sum8"}
)
#: A check over what stands between the last STX (or the beginning) and itself.
CHECKS = frozenset(["bcc", "sum8"])
_STX = "\x02"
_BASES = {"hex": 16, "octal": 8, "binary": 2}

_NUMBER = r"[+-]?(?:\d{1,30}(?:\.\d{0,30})?|\.\d{1,30})(?:[Ee][+-]?\d{1,3})?"
_WHOLE_NUMBER = re.compile(_NUMBER, re.ASCII)
_PREFIXES = {"n": -9, "u": -6, "µ": -6, "m": -3, "k": 3, "K": 3, "M": 6, "G": 9}
_PREFIX = "[" + "".join(_PREFIXES) + "]"
_SIMPLE = {
    "over_range": rf"[ \t]*+(?P<over_range>{_NUMBER})[ \t]*+",
    "byte": r"(?P<byte>[\x00-\xff])",
    "hex": r"[ \t]*+(?:#[Hh]|0[xX])?(?P<hex>[0-9A-Fa-f]{1,8})[ \t]*+",
    "octal": r"[ \t]*+(?:#[Qq]|0[oO])?(?P<octal>[0-7]{1,11})[ \t]*+",
    "binary": r"[ \t]*+(?:#[Bb]|0[bB])?(?P<binary>[01]{1,32})[ \t]*+",
    "words": r"(?P<words>[^\x00-\x08\x0a-\x1f\x7f]*)",
    "bcc": r"(?P<bcc>[\x00-\xff])",
    "sum8": r"(?P<sum8>[0-9A-Fa-f]{2})",
    "channels": r"(?P<channels>[ \t]*+(?:\d{1,9}(?:[ \t]*+,[ \t]*+\d{1,9})*)?[ \t]*+)",
    "code": r"[ \t]*+(?P<code>[+-]?\d{1,9})[ \t]*+",
    "quoted": r"""[ \t]*+(?P<quoted>"(?:[^"]|"")*"|'(?:[^']|'')*')[ \t]*+""",
    "text": r"(?P<text>.*)",
    "skip": r"[^,]*+",
}
_SPEC = re.compile(r"0?\d{0,2}(?:\.\d{1,2})?[feg]?", re.ASCII)
_PARAMETER = re.compile(r"[A-Za-z0-9_.:@+\-]+(?:,[A-Za-z0-9_.:@+\-]+)*", re.ASCII)
_ERROR_ENTRY = re.compile(r"\s*(?:ERR\s+)?([+-]?\d{1,9})\s*(?:[,\s]\s*(.*?))?\s*", re.DOTALL | re.ASCII)


@dataclass(frozen=True)
class SpecialValues:
    """How a dialect says that a number is none.

    *not_a_number* is tested before *over_range*. Values of the first are compared to four digits;
    whatever reaches the lowest of the second, with either sign, is over range. Words are whole replies
    or fields, such as ``-------``.
    """

    not_a_number: tuple[float, ...] = (9.91e37,)
    over_range: tuple[float, ...] = (9.9e37,)
    not_a_number_words: tuple[str, ...] = ()
    over_range_words: tuple[str, ...] = ()
    no_reading_words: tuple[str, ...] = ()

    @property
    def words(self) -> tuple[str, ...]:
        """All words, the longest first, so that none hides another."""
        words = {*self.not_a_number_words, *self.over_range_words, *self.no_reading_words}
        return tuple(sorted(words, key=lambda word: (-len(word), word)))


@dataclass(frozen=True)
class Spellings:
    """Spellings of on and off; the first of each is sent, all are accepted."""

    on: tuple[str, ...] = ("ON", "1")
    off: tuple[str, ...] = ("OFF", "0")


def placeholders(template: str) -> list[tuple[str, str]]:
    """Return name and format of every placeholder; InputError on a stray brace."""
    if set(PLACEHOLDER.sub("", template)) & {"{", "}"}:
        raise InputError(f"{template!r} has a brace that encloses no name, expected such as {{value:.4f}}")
    return [(found[1], found[2] or "") for found in PLACEHOLDER.finditer(template)]


def format_command(template: str, params: Mapping[str, object], words: Spellings) -> str:
    """Fill *params* into *template*; a state is spelled with *words*.

    Raises:
        InputError: a parameter is missing, unknown to the template, not finite, or would not stay one field.
    """
    wanted = placeholders(template)
    if unknown := sorted(set(params) - {name for name, _ in wanted}):
        raise InputError(f"command {template!r} takes no {', '.join(unknown)}")
    text = template
    for name, spec in wanted:
        if name in CHECKS:
            continue
        if name not in params:
            raise InputError(f"command {template!r} needs {name}, which nobody gave")
        tag = f"{{{name}:{spec}}}" if spec else f"{{{name}}}"
        text = text.replace(tag, _spelled(template, name, spec, params[name], words))
    for name in CHECKS:
        before, found, after = text.partition(f"{{{name}}}")
        if found:
            text = before + check_of(name, before) + after
    return text


def check_of(name: str, text: str) -> str:
    """Return the check *name* over *text* behind its last STX, as it stands on the wire."""
    counted = text[text.rfind(_STX) + 1 :].encode("latin-1")
    if name == "sum8":
        return f"{sum(counted) & 0xFF:02X}"
    exclusive = 0
    for byte in counted:
        exclusive ^= byte
    return chr(exclusive)


def _spelled(template: str, name: str, spec: str, value: object, words: Spellings) -> str:
    if isinstance(value, bool):
        return (words.on if value else words.off)[0]
    if isinstance(value, int | float):
        if not math.isfinite(value):
            raise InputError(f"command {template!r}: {name} is {value}, expected a finite number")
        return format_number(value, spec)
    text = str(value)
    if spec or not _PARAMETER.fullmatch(text):
        raise InputError(
            f"command {template!r}: {name} is {text!r}, expected {'a number' if spec else 'a word'}"
        )
    return text


def format_number(value: float, spec: str) -> str:
    """Write *value* in the format *spec* such as ``.4f`` or ``05.2f``; empty means as short as exact."""
    if not _SPEC.fullmatch(spec):
        raise InputError(f"number format {spec!r} is unknown, expected such as .4f, 05.2f or .6e")
    return format(value, spec)


class ReplyPattern:
    """A reply template made ready to match."""

    def __init__(
        self,
        template: str,
        params: Mapping[str, object],
        *,
        words: Spellings,
        special: SpecialValues,
        scaled: bool = False,
    ) -> None:
        self.template = template
        self._special = special
        self._words = words
        fields = [name for name, _ in placeholders(template) if name in REPLY_FIELDS - {"skip"}]
        if len(fields) != len(set(fields)):
            raise InputError(f"reply {template!r} has a field twice, expected each once (use {{skip}})")
        pattern, position = "", 0
        for found in PLACEHOLDER.finditer(template):
            pattern += _literal(template[position : found.start()])
            pattern += self._field(found[1], found[2] or "", params, scaled=scaled)
            position = found.end()
        pattern += _literal(template[position:])
        self._checks = tuple(CHECKS & {*fields})
        raw = {"byte", "bcc"} & set(fields)
        blanks = "" if raw else r"[ \t\r\n]*+"
        self._regex = re.compile(blanks + pattern + ("" if raw else r"[ \t\r\n]*"), re.DOTALL)

    def _field(self, name: str, spec: str, params: Mapping[str, object], *, scaled: bool) -> str:
        if name == "number":
            return self._number_field(spec, scaled=scaled)
        if name == "state":
            spellings = sorted({*self._words.on, *self._words.off}, key=len, reverse=True)
            return rf"[ \t]*+(?P<state>{'|'.join(map(re.escape, spellings))})[ \t]*+"
        if name in _SIMPLE:
            return _SIMPLE[name]
        if name not in params:
            raise InputError(f"reply {self.template!r} needs {name}, which nobody gave")
        return re.escape(_spelled(self.template, name, spec, params[name], self._words))

    def _number_field(self, unit: str, *, scaled: bool) -> str:
        prefix = f"(?P<prefix>{_PREFIX})?" if scaled else ""
        tail = rf"[ \t]*+{prefix}{re.escape(unit)}" if unit or scaled else ""
        number = rf"(?P<number>{_NUMBER}){tail}"
        if words := self._special.words:
            spellings = "|".join(map(re.escape, words))
            number = rf"(?:(?P<word>{spellings})(?:[ \t]*+{re.escape(unit)})?|{number})"
        return rf"[ \t]*+{number}[ \t]*+"

    def match(self, text: str) -> dict[str, str] | None:
        """Return the fields of *text* by name, or None if it is not such a reply from end to end."""
        found = self._regex.fullmatch(text)
        if found is None:
            return None
        for name in self._checks:
            if found[name].upper() != check_of(name, text[: found.start(name)]).upper():
                return None
        return {name: value for name, value in found.groupdict().items() if value is not None}

    def number(self, fields: Mapping[str, str]) -> Number | None:
        """Return the numeric field of matched *fields*; None if there is none, or none a float can hold."""
        if "over_range" in fields:
            return Number(None, OVER_RANGE)
        if "word" in fields:
            return read_number(fields["word"], self._special)
        if "byte" in fields:
            return Number(float(ord(fields["byte"])), OK)
        if "number" in fields:
            return read_number(fields["number"], self._special, _PREFIXES.get(fields.get("prefix", ""), 0))
        status = next((name for name in _BASES if name in fields), None)
        return None if status is None else Number(float(int(fields[status], _BASES[status])), OK)


def _literal(text: str) -> str:
    return re.sub(r"(?:\\[ \t])+", r"[ \\t]*+", re.escape(text))


def read_number(text: str, special: SpecialValues, power_of_ten: int = 0) -> Number | None:
    """Read one number or special word; None if *text* is neither, or too small for a float.

    9.91E37 means 'not a number' and 9.9E37 'infinity' (SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5); both in
    many spellings, which is why they are compared as values.
    """
    for words, status in (
        (special.not_a_number_words, NOT_A_NUMBER),
        (special.over_range_words, OVER_RANGE),
        (special.no_reading_words, NO_READING),
    ):
        if text in words:
            return Number(None, status)
    if not _WHOLE_NUMBER.fullmatch(text):
        return None
    raw = float(text)
    if any(math.isclose(abs(raw), each, rel_tol=1e-4) for each in special.not_a_number):
        return Number(None, NOT_A_NUMBER)
    if special.over_range and abs(raw) >= min(special.over_range) * (1 - 1e-5):
        return Number(None, OVER_RANGE)
    # Through decimal, so that 174.3112 m is the float nearest to 0.1743112.
    value = float(Decimal(text).scaleb(power_of_ten)) if power_of_ten else raw
    lost = value == 0.0 and any(digit in "123456789" for digit in re.split("[Ee]", text)[0])
    return None if lost or not math.isfinite(value) else Number(value, OK)


def parse_error_entry(text: str) -> tuple[int, str] | None:
    """Split an error-queue entry in any known spelling into code and text; None if it is none.

    Known: ``+0,"No error"``, ``0,No error``, ``+0, No Error``, ``-113, "Undefined header"``,
    ``-113 Undefined header``, ``ERR 0``.
    """
    found = _ERROR_ENTRY.fullmatch(text)
    if found is None:
        return None
    words = found[2] or ""
    if len(words) >= 2 and words[0] == words[-1] and words[0] in "\"'":
        words = words[1:-1].replace(words[0] * 2, words[0])
    return int(found[1]), words


def unquoted(text: str) -> str:
    """Return what stands in the quotes of a ``{quoted}`` field."""
    return text[1:-1].replace(text[0] * 2, text[0])


def spell_words(names: Collection[str]) -> str:
    """List *names* for an error message: ``'a', 'b' or 'c'``."""
    *first, last = [repr(name) for name in names] or ["nothing"]
    return f"{', '.join(first)} or {last}" if first else last
