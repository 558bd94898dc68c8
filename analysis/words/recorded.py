"""Sentences of a record: kept by key and figures, so that each can be said in another language.

A record is text in one language, to be read without this program; beside each sentence that the catalogue
said stand its key and its figures. Records of the first layout have the sentence alone, and by its words it
is known again.
"""

from __future__ import annotations

import json
import math
import re
import string
from functools import lru_cache

from analysis.words import RECORD_LANGUAGE, Figure, Message, catalogue, say

#: Groups of the catalogue whose texts stand in records as sentences of their own, or within one.
_GROUPS = ("event.", "state.")
_NUMBER = r"-?\d[\d.]*(?:e[-+]\d+)?"


def kept(text: str) -> tuple[str, str]:
    """Return key and figures (JSON) of a sentence that the catalogue said; empty texts of any other."""
    if not isinstance(text, Message):
        return "", ""
    figures = _plain(text)["figures"]
    return text.key, json.dumps(figures, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def said_again(text: str, key: str, figures: str) -> str:
    """Return the message of *key* and *figures* as :func:`kept` gave them; *text* if they do not make it.

    What a record says must be what it said: figures that do not give its sentence are damaged or forged.
    """
    if not key:
        return text
    try:
        message = _message({"key": key, "figures": json.loads(figures)})
    except (ValueError, TypeError, LookupError, AttributeError, RecursionError):
        return text
    return message if message == text else text


def _plain(message: Message) -> dict[str, object]:
    template = catalogue(RECORD_LANGUAGE).texts[message.key]
    specs = {name: spec for _, name, spec, _ in string.Formatter().parse(template) if name}
    figures = {name: _plain_figure(value, specs.get(name) or "") for name, value in message.figures.items()}
    return {"key": message.key, "figures": figures}


def _plain_figure(value: object, spec: str) -> object:
    """Return a figure as JSON takes it; what shows as a number and is none, as it shows."""
    if isinstance(value, Message):
        return _plain(value)
    if isinstance(value, Figure):
        return {"figure": str(value)}
    if isinstance(value, tuple):
        return [_plain_figure(each, spec) for each in value]
    if isinstance(value, str | int) or (isinstance(value, float) and math.isfinite(value)):
        return value
    return {"figure": format(value, spec)}


def _message(plain: dict[str, object]) -> Message:
    figures = plain["figures"]
    if not isinstance(figures, dict):
        raise TypeError("figures are no table")
    return say(str(plain["key"]), **{name: _given_figure(value) for name, value in figures.items()})


def _given_figure(plain: object) -> object:
    if isinstance(plain, list):
        return tuple(_given_figure(each) for each in plain)
    if isinstance(plain, dict):
        return Figure(plain["figure"]) if "figure" in plain else _message(plain)
    return plain


def recalled(text: str) -> Message | None:
    """Return the message that *text* of a record without keys was; None if it is none.

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
