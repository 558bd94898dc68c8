"""Sentences of a record read back: by its words a sentence is known again, with the figures in it.

A record is text in one language, to be read without this program. What an event says was said by the
catalogue, so the catalogue can tell which of its sentences it is, and say it in another language.
"""

from __future__ import annotations

import re
import string
from functools import lru_cache

from analysis.words import RECORD_LANGUAGE, Figure, Message, catalogue

#: Groups of the catalogue whose texts stand in records as sentences of their own, or within one.
_GROUPS = ("event.", "state.")
_NUMBER = r"-?\d[\d.]*(?:e[-+]\d+)?"


def recalled(text: str) -> Message | None:
    """Return the message that *text* of a record was, to be said in another language; None if it is none.

    Figures are as they stand in *text*, rounded as they are. Of two sentences that begin alike the one that
    stands first in the catalogue is taken.
    """
    for key, pattern in _patterns():
        if found := pattern.fullmatch(text):
            message = Message(text)
            message.key = key
            message.figures = {name: _figure(value) for name, value in found.groupdict().items()}
            return message
    return None


def _figure(text: str) -> str:
    return Figure(text) if re.fullmatch(_NUMBER, text) else recalled(text) or text


@lru_cache(maxsize=1)
def _patterns() -> list[tuple[str, re.Pattern[str]]]:
    texts = catalogue(RECORD_LANGUAGE).texts
    return [(key, _pattern(template)) for key, template in texts.items() if key.startswith(_GROUPS)]


def _pattern(template: str) -> re.Pattern[str]:
    parts = []
    for literal, name, rounding, _ in string.Formatter().parse(template):
        parts.append(re.escape(literal))
        if name is not None:
            parts.append(f"(?P<{name}>{_NUMBER if rounding else '.+'})")
    return re.compile("".join(parts))
