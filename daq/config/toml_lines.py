"""At which line of a TOML text a key stands; the standard parser does not tell."""

from __future__ import annotations

import json
import re
import tomllib
from bisect import bisect_right

#: Names of tables and keys, and indices of lists: ``coils[2].label`` is ``("coils", 2, "label")``.
KeyPath = tuple[str | int, ...]

_PART = re.compile(r'\[(\d+)\]|"((?:[^"\\]|\\.)*)"|([^.\[\]"]+)')
_PLAIN = re.compile(r"[A-Za-z0-9_-]+")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_DOT = re.compile(r"[ \t]*\.[ \t]*")
_KEY_PART = re.compile(r"""[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*'""")
# Up to two quotes may stand right before the closing three.
_STRINGS = (
    r'"""(?:[^\\]|\\.)*?"{3,5}(?!")',
    r"'''.*?'{3,5}(?!')",
    r'"(?:[^"\\\n]|\\.)*"',
    r"'[^'\n]*'",
)
_STRING = re.compile("|".join(_STRINGS), re.DOTALL)
_BARE = re.compile(r"[^,\]}#\n]+")


def parse_keypath(text: str) -> KeyPath:
    """Split ``coils[2].label`` into its parts; one that is no plain word is written by :func:`quote_key`."""
    parts: list[str | int] = []
    for index, quoted, bare in _PART.findall(text):
        if index:
            parts.append(int(index))
        else:
            parts.append(bare or json.loads(f'"{quoted}"', strict=False))
    return tuple(parts)


def quote_key(name: str) -> str:
    """Write a key for :func:`parse_keypath`, in quotes where it is more than a plain word."""
    return name if _PLAIN.fullmatch(name) else json.dumps(name, ensure_ascii=False)


def show_keypath(keypath: KeyPath) -> str:
    """Write a path as it is read: ``coils[2].label``."""
    text = ""
    for part in keypath:
        text += f"[{part}]" if isinstance(part, int) else f".{part}"
    return text.removeprefix(".")


def line_of(source_text: str, keypath: str) -> int | None:
    """Return the line, counted from 1, at which the key *keypath* of a valid TOML text stands, or None."""
    return _Scanner(source_text).lines.get(parse_keypath(keypath))


def line_at(source_text: str, keypath: KeyPath) -> int | None:
    """Return the line of *keypath* or else of the nearest table or list around it, or None."""
    lines = _Scanner(source_text).lines
    for length in range(len(keypath), 0, -1):
        if keypath[:length] in lines:
            return lines[keypath[:length]]
    return None


def _decoded(token: str) -> str:
    """Return the key that *token* writes; quoted ones may hold escapes."""
    if token[0] not in "\"'":
        return token
    return str(tomllib.loads(f"key = {token}")["key"])


class _Scanner:
    """Walks a text that tomllib has accepted and notes the line of every key and list element."""

    def __init__(self, text: str) -> None:
        self.lines: dict[KeyPath, int] = {}
        self._text = text.replace("\r\n", "\n")
        self._ends = [at for at, sign in enumerate(self._text) if sign == "\n"]
        self._at = 0
        self._tables: dict[KeyPath, int] = {}  # index of the last element of each [[list of tables]]
        prefix: KeyPath = ()
        self._take(_BLANK)
        while self._at < len(self._text):
            if self._text[self._at] == "[":
                prefix = self._header()
            else:
                self._pair(prefix)
            self._take(_BLANK)

    def _take(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self._text, self._at)
        if found is None:
            raise AssertionError(f"tomllib accepts what we cannot walk, at character {self._at}")
        self._at = found.end()
        return found[0]

    def _peek(self) -> str:
        return self._text[self._at : self._at + 1]

    def _note(self, keypath: KeyPath, start: int) -> None:
        self.lines.setdefault(keypath, bisect_right(self._ends, start) + 1)

    def _key(self) -> list[str]:
        parts = [_decoded(self._take(_KEY_PART))]
        while _DOT.match(self._text, self._at):
            self._take(_DOT)
            parts.append(_decoded(self._take(_KEY_PART)))
        self._take(_BLANK)
        return parts

    def _header(self) -> KeyPath:
        start = self._at
        is_list = self._text.startswith("[[", start)
        self._at += 2 if is_list else 1
        self._take(_BLANK)
        here: KeyPath = ()
        parts = self._key()
        for position, part in enumerate(parts):
            here = (*here, part)
            self._note(here, start)
            if is_list and position == len(parts) - 1:
                self._tables[here] = self._tables.get(here, -1) + 1
            if here in self._tables:
                here = (*here, self._tables[here])
                self._note(here, start)
        self._at += 2 if is_list else 1
        return here

    def _pair(self, prefix: KeyPath) -> None:
        start = self._at
        here = prefix
        for part in self._key():
            here = (*here, part)
            self._note(here, start)
        self._at += 1  # the equals sign
        self._take(_BLANK)
        self._value(here)

    def _value(self, here: KeyPath) -> None:
        opening = self._peek()
        if opening in "\"'":
            self._take(_STRING)
        elif opening in "[{":
            self._at += 1
            self._elements(here, "]" if opening == "[" else "}")
        else:
            self._take(_BARE)

    def _elements(self, here: KeyPath, closing: str) -> None:
        index = 0
        self._take(_BLANK)
        while self._peek() != closing:
            if closing == "]":
                self._note((*here, index), self._at)
                self._value((*here, index))
                index += 1
            else:
                self._pair(here)
            self._take(_BLANK)
            if self._peek() == ",":
                self._at += 1
                self._take(_BLANK)
        self._at += 1
