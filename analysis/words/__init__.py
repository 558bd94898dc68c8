"""The catalogue: every word that figures, report and claim show, one TOML file a language.

A text is found by its key, the names of its tables and its own joined by dots. Figures go in at ``{name}``
as in :meth:`str.format`; the language's decimal sign is put in here. A further language is one more file
with the same keys and the same figures in each text, and no code.
"""

from __future__ import annotations

import string
import tomllib
from collections.abc import Iterator, Mapping
from functools import lru_cache
from importlib import resources
from typing import Any

#: Language of records, of the terminal, and of whatever is not asked for in another.
RECORD_LANGUAGE = "en"


class Figure(str):
    """A number that is text already, as ``3.2047(31)`` or ``14.8 s``: its decimal sign is the language's."""

    __slots__ = ()


class Words:
    """The texts of one language."""

    def __init__(self, language: str, texts: Mapping[str, Any]) -> None:
        self.language = language
        self._texts = texts
        self._decimal = texts["decimal"]
        self._fill = _Filler(self)

    def __call__(self, key: str, /, **figures: object) -> str:
        """Return the text of *key* with *figures* put in.

        Raises:
            KeyError: The catalogue has no such text, or the text asks for a figure that is not given.
        """
        return self._fill.vformat(self._texts[key], (), figures)

    def row(self, key: str) -> tuple[str, ...]:
        """Return the texts of a list, as the headings of a table."""
        return tuple(self._texts[key])

    def rows(self, key: str) -> tuple[tuple[str, ...], ...]:
        """Return the texts of a list of lists."""
        return tuple(map(tuple, self._texts[key]))

    def group(self, key: str) -> dict[str, str]:
        """Return the texts below *key* by the rest of their keys, in the order of the file."""
        return {
            name.removeprefix(f"{key}."): text
            for name, text in self._texts.items()
            if name.startswith(f"{key}.")
        }

    def count(self, key: str, number: int, **figures: object) -> str:
        """Return the text for one, ``key.one``, or several, ``key.other``; *number* is its ``{count}``."""
        return self(f"{key}.one" if number == 1 else f"{key}.other", count=number, **figures)

    def number(self, text: str) -> str:
        """Return a number that is text already with this language's decimal sign."""
        return text.replace(".", self._decimal)

    def said(self, text: str) -> str:
        """Return a :class:`Message` in this language, and any other text, which others wrote, as it is."""
        return self(text.key, **text.figures) if isinstance(text, Message) else text


class Message(str):
    """A sentence in the language of the record that can be said in another: it knows its key and figures."""

    key: str
    figures: Mapping[str, object]


def say(key: str, /, **figures: object) -> Message:
    """Return the text of *key* in the language of the record, to be said again in another.

    Args:
        key: Key in the catalogue.
        figures: Numbers, and whatever shows as one; texts, which stay as they are; or further messages.
    """
    message = Message(catalogue(RECORD_LANGUAGE)(key, **figures))
    message.key, message.figures = key, figures
    return message


def say_count(key: str, count: int, /) -> Message:
    """Return what :func:`say` does, of ``key.one`` or ``key.other``, with *count* as its figure."""
    return say(f"{key}.one" if count == 1 else f"{key}.other", count=count)


class _Filler(string.Formatter):
    """Puts figures into a text: numbers with the language's decimal sign, messages in the language."""

    def __init__(self, words: Words) -> None:
        self._words = words

    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, Message):
            return self._words.said(value)
        if isinstance(value, str) and not isinstance(value, Figure):
            return value
        if isinstance(value, tuple):
            return ", ".join(self.format_field(each, format_spec) for each in value)
        return self._words.number(format(value, format_spec))


@lru_cache(maxsize=4)
def catalogue(language: str) -> Words:
    """Return the texts of *language*.

    Raises:
        LookupError: There is no such catalogue.
    """
    if language not in languages():
        raise LookupError(f"no catalogue {language!r}, expected one of {', '.join(languages())}")
    text = (resources.files(__name__) / f"{language}.toml").read_text(encoding="utf-8")
    return Words(language, dict(_flat(tomllib.loads(text))))


def languages() -> tuple[str, ...]:
    """Return the languages there are."""
    files = (file.name for file in resources.files(__name__).iterdir())
    return tuple(sorted(name.removesuffix(".toml") for name in files if name.endswith(".toml")))


def _flat(table: Mapping[str, Any], before: str = "") -> Iterator[tuple[str, Any]]:
    for name, value in table.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{before}{name}.")
        else:
            yield f"{before}{name}", value
