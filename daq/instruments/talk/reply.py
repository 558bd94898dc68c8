"""What a reply says: the number, state or word in it, or a ReplyError that shows command and reply."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from daq.errors import ReplyError
from daq.instruments.dialects.schema import Op
from daq.instruments.dialects.template import ReplyPattern, Spellings, spell_words, unquoted
from daq.instruments.number import Number
from daq.instruments.talk.hints import about_ack

_WORDS = re.compile(r"[\s,;|+]+")


@dataclass(frozen=True)
class Answer:
    """A reply that matched: *fields* are its parts by name. *who* is the instrument, for messages."""

    who: str
    op: Op
    command: str
    reply: str
    pattern: ReplyPattern
    fields: Mapping[str, str]

    def number(self) -> Number:
        """Return the number in the op's unit; ReplyError if it cannot be held or is not plausible."""
        number = self.pattern.number(self.fields)
        if number is not None and number.value is not None:
            number = Number(self.op.from_instrument(number.value), number.status)
        return self._checked(number)

    def state(self, words: Spellings, channel: object) -> bool:
        """Return whether the state is on, or *channel* among the channels listed."""
        if "state" in self.fields:
            return self.fields["state"] in words.on
        if "channels" in self.fields:
            closed = [int(each) for each in self.fields["channels"].split(",") if each.strip()]
            return int(str(channel)) in closed
        return "on" in self._bits()

    def text(self) -> str:
        """Return the word: the text itself, the one it is declared to mean, or the name of the bit set."""
        if self.op.bits:
            names = self._bits()
            if len(names) > 1:
                raise self.error(f"at most one of {spell_words(self.op.bits)}")
            return names[0] if names else self.op.otherwise
        quoted = self.fields.get("quoted")
        text = self.fields["text"].strip() if quoted is None else unquoted(quoted)
        if not self.op.choices:
            return text
        for name, spellings in self.op.choices.items():
            if text in spellings:
                return name
        raise self.error(spell_words([each for many in self.op.choices.values() for each in many]))

    def error(self, expected: str) -> ReplyError:
        """Return the error that this reply is not *expected*."""
        return reply_error(self.who, self.command, self.reply, expected)

    def _checked(self, number: Number | None) -> Number:
        if number is None:
            raise self.error("a number that can be held")
        if number.value is not None and self.op.plausible is not None:
            least, most = self.op.plausible
            if not least <= number.value <= most:
                raise self.error(f"a number from {least:g} to {most:g}")
        return number

    def _bits(self) -> list[str]:
        if "words" in self.fields:
            said = {word.casefold() for word in _WORDS.split(self.fields["words"]) if word}
            return [name for name, word in self.op.bits.items() if str(word).casefold() in said]
        number = self.pattern.number(self.fields)
        value = None if number is None else number.value
        if value is None or not value.is_integer() or not 0 <= value < 2**32:
            raise self.error("a status word, 0 or a whole number above")
        return [name for name, bit in self.op.bits.items() if int(value) >> int(bit) & 1]


def reply_error(who: str, command: str, reply: str, expected: str) -> ReplyError:
    """Return the error that *command* drew *reply* instead of *expected*."""
    shown = reply if len(reply) <= 200 else f"{reply[:200]}..."
    return ReplyError(f"{who}: {command!r} answered {shown!r}, expected {expected}{about_ack(reply)}")
