"""The catalogue: every word that figures, report and claim show, one TOML file a language.

A text is found by its key, the names of its tables and its own joined by dots. Figures go in at ``{name}``
as in :meth:`str.format`; the language's decimal sign is put in here. A further language is one more file
with the same keys and the same figures in each text, and no code.
"""

from __future__ import annotations

import re
import string
import tomllib
from collections.abc import Callable, Iterator, Mapping
from functools import lru_cache
from importlib import resources
from typing import Any

#: Language of records, of the terminal, and of whatever is not asked for in another.
RECORD_LANGUAGE = "en"


#: What records and terminals spell, and paper need not; names of figures stay.
_SIGNS = tuple(
    (re.compile(spelled), sign)
    for spelled, sign in ((r"(?<!{)\bdegC\b", "°C"), (r"(?<=[ m])ohm\b", "Ω"), (r"(?<!{)\balpha20\b", "α20"))
)


class Figure(str):
    """A number that is text already, as ``3.2047(31)`` or ``14.8 s``: its decimal sign is the language's."""

    __slots__ = ()


class Words:
    """The texts of one language; *texts* are all of them by key, as the file has them."""

    def __init__(self, language: str, texts: Mapping[str, Any]) -> None:
        self.language = language
        self.texts = texts
        self._decimal = texts["decimal"]
        self._fill = _Filler(self.said, self.number)

    def __call__(self, key: str, /, **figures: object) -> str:
        """Return the text of *key* with *figures* put in.

        Raises:
            KeyError: The catalogue has no such text, or the text asks for a figure that is not given.
        """
        return self._fill.vformat(self.texts[key], (), figures)

    def raw(self, key: str) -> str:
        """Return the text of *key* with its braces, for a page to fill in."""
        return str(self.texts[key])

    def row(self, key: str) -> tuple[str, ...]:
        """Return the texts of a list, as the headings of a table."""
        return tuple(self.texts[key])

    def rows(self, key: str) -> tuple[tuple[str, ...], ...]:
        """Return the texts of a list of lists."""
        return tuple(map(tuple, self.texts[key]))

    def group(self, key: str) -> dict[str, str]:
        """Return the texts below *key* by the rest of their keys, in the order of the file."""
        return {
            name.removeprefix(f"{key}."): text
            for name, text in self.texts.items()
            if name.startswith(f"{key}.")
        }

    def count(self, key: str, number: int, **figures: object) -> str:
        """Return the text for one, ``key.one``, or several, ``key.other``; *number* is its ``{count}``."""
        return self(f"{key}.one" if number == 1 else f"{key}.other", count=number, **figures)

    def shown(self, group: str, name: str) -> str:
        """Return how a word of the program or of a record, as ``oven``, is shown; an unknown one as it is."""
        return str(self.texts.get(f"{group}.{name}", self.said(name)))

    def number(self, text: str) -> str:
        """Return a number that is text already as it is printed: decimal sign of the language, true minus."""
        return re.sub(r"^-", "\u2212", text).replace(".", self._decimal)

    def said(self, text: str) -> str:
        """Return a text for paper: a message in this language, a figure with its decimal sign, else as is."""
        if isinstance(text, Message):
            template = self.texts[text.key]
            for spelled, sign in _SIGNS:
                template = spelled.sub(sign, template)
            return self._fill.vformat(template, (), text.figures)
        return self.number(text) if isinstance(text, Figure) else text


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
    template = catalogue(RECORD_LANGUAGE).texts[key]
    message = Message(_RECORDED.vformat(template, (), figures))
    message.key, message.figures = key, figures
    return message


def say_count(key: str, count: int, /) -> Message:
    """Return what :func:`say` does, of ``key.one`` or ``key.other``, with *count* as its figure."""
    return say(f"{key}.one" if count == 1 else f"{key}.other", count=count)


class _Filler(string.Formatter):
    """Puts figures into a text: other texts as *said*, numbers as *number* writes them."""

    def __init__(self, said: Callable[[str], str], number: Callable[[str], str]) -> None:
        self._said, self._number = said, number

    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, str):
            return self._said(value)
        if isinstance(value, tuple):
            return ", ".join(self.format_field(each, format_spec) for each in value)
        return self._number(format(value, format_spec))


#: What is put into a message is in the language of the record already.
_RECORDED = _Filler(str, str)


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
