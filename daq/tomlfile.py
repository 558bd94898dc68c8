"""Reading a TOML file into a checked object, with errors that name file, line and key.

Rig files, coil-set files, fault scripts and dialects are written by hand; whoever wrote
one wants to hear which line to change, in one sentence.
"""

from __future__ import annotations

import copy
import hashlib
import math
import re
import tomllib
import types
import typing
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Generic, TypeVar

import msgspec

from daq.errors import InputError
from daq.tomllines import KeyPath, line_at, line_of, parse_keypath, show_keypath

__all__ = ["MAX_BYTES", "Loaded", "line_of", "load"]

T = TypeVar("T")

#: A hand-written file is a few kilobytes; whatever is larger was not meant for us.
MAX_BYTES = 1_000_000

_WHERE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_AT = re.compile(r"^(?P<what>.*?)(?: - at `(?P<at>.*)`)?$", re.DOTALL)
_UNKNOWN = re.compile(r"^Object contains unknown field `(.*)`$")
_MISSING = re.compile(r"^Object missing required field `(.*)`$")
_WRONG_TYPE = re.compile(r"^Expected `(.*)`, got `(.*)`$")
_TOML_WORDS = {
    "str": "a text in quotes",
    "int": "a whole number",
    "float": "a number",
    "bool": "true or false",
    "array": "a list",
    "object": "a table",
    "null": "nothing",
}


@dataclass(frozen=True)
class Loaded(Generic[T]):
    """A file as read: the checked *value*, its *text*, and the SHA-256 of its bytes in hexadecimal."""

    value: T
    text: str
    path: Path
    sha256: str

    def error(self, keypath: str, message: str) -> InputError:
        """Return (not raise) an error about the key at *keypath*, such as ``coils[2].label``.

        A key that is not in the file is reported at the line of its table; an empty *keypath* means the file.
        """
        return _key_error(self.path, self.text, parse_keypath(keypath), message)


def load(path: Path, kind: type[T]) -> Loaded[T]:
    """Read the TOML file at *path* into a *kind*, a msgspec struct that forbids unknown fields.

    Numbers that are not finite are refused: a limit of ``nan`` would hold nothing back.

    Raises:
        InputError: one line with file, line and key: not readable, not UTF-8, not TOML, an unknown
            or missing key, a value of the wrong type or outside its constraint.
    """
    raw = _read(path)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        line = raw.count(b"\n", 0, exc.start) + 1
        raise InputError(f"{path}:{line}: a byte is not UTF-8, expected text saved as UTF-8") from exc
    document = _parse(path, text)
    for keypath, number in _numbers(document, ()):
        if not math.isfinite(number):
            raise _key_error(path, text, keypath, f"is {number}, expected a finite number")
    try:
        value = msgspec.convert(document, type=kind, strict=True)
    except (msgspec.ValidationError, OverflowError) as exc:
        keypath, message = _explain(document, kind, str(exc))
        raise _key_error(path, text, keypath, message) from exc
    return Loaded(value=value, text=text, path=path, sha256=hashlib.sha256(raw).hexdigest())


def _read(path: Path) -> bytes:
    try:
        plain = path.is_file() or not path.exists()  # a pipe or a device would block or never end
        raw = b""
        if plain:
            with path.open("rb") as stream:
                raw = stream.read(MAX_BYTES + 1)
    except (OSError, ValueError) as exc:  # ValueError: a NUL in the name
        reason = getattr(exc, "strerror", None) or exc
        raise InputError(f"{path}: cannot be read ({reason}), expected a TOML file") from exc
    if not plain:
        raise InputError(f"{path}: not a plain file, expected a TOML file")
    if len(raw) > MAX_BYTES:
        raise InputError(f"{path}: larger than {MAX_BYTES} bytes, expected a hand-written TOML file")
    return raw


def _parse(path: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError as exc:
        raise InputError(f"{path}: nested too deeply, expected plain TOML") from exc
    except ValueError as exc:  # TOMLDecodeError, and integers of thousands of digits
        what, line = str(exc), f":{text.count(chr(10)) + 1}"
        if found := _WHERE.search(what):
            if found[1]:
                line = f":{found[1]}"
            what = what[: found.start()]
        else:
            line = ""
        raise InputError(f"{path}{line}: not valid TOML: {' '.join(what.split())}") from exc


def _numbers(node: object, here: KeyPath) -> Iterator[tuple[KeyPath, float]]:
    """Yield every float of the document with its path."""
    if isinstance(node, dict):
        for key, value in node.items():
            yield from _numbers(value, (*here, key))
    elif isinstance(node, list):
        for index, value in enumerate(node):
            yield from _numbers(value, (*here, index))
    elif isinstance(node, float):
        yield here, node


def _key_error(path: Path, text: str, keypath: KeyPath, message: str) -> InputError:
    line = line_at(text, keypath) if keypath else None
    where = f"{path}:{line}" if line else f"{path}"
    key = f"key '{show_keypath(keypath)}': " if keypath else ""
    return InputError(f"{where}: {key}{' '.join(message.split())}")


def _explain(document: dict[str, Any], kind: Any, complaint: str) -> tuple[KeyPath, str]:
    """Turn a validation error into the path of the key to change and a sentence about it."""
    found = _AT.match(complaint)
    what, at = (found["what"], found["at"] or "$") if found else (complaint, "$")
    keypath = _locate(document, kind, at.partition("$")[2], complaint)
    if unknown := _UNKNOWN.match(what):
        known = _known_keys(kind, keypath)
        close = get_close_matches(unknown[1], known, n=1)
        hint = f"; did you mean '{close[0]}'?" if close else ""
        return (*keypath, unknown[1]), f"unknown key, expected one of {', '.join(known)}{hint}"
    if missing := _MISSING.match(what):
        return (*keypath, missing[1]), "is missing, expected a value"
    if wrong := _WRONG_TYPE.match(what):
        expected = " or ".join(
            _TOML_WORDS.get(word, word) for word in wrong[1].split(" | ") if word != "null"
        )
        return keypath, f"is {_TOML_WORDS.get(wrong[2], wrong[2])}, expected {expected}"
    value = _value_at(document, keypath)
    shown = f"is {value!r}: " if isinstance(value, str | int | float) else ""
    return keypath, shown + what.replace("`", "")


def _locate(document: dict[str, Any], kind: Any, at: str, complaint: str) -> KeyPath:
    """Return the path *at*, with each ``[...]`` (a key that msgspec does not name) resolved.

    The guilty key of such a table is the one that, left alone in it, draws the same complaint.
    """
    before, hole, after = at.partition("[...]")
    here = parse_keypath(before.lstrip("."))
    if not hole:
        return here
    table = _value_at(document, here)
    for key in list(table) if isinstance(table, dict) else []:
        alone = copy.deepcopy(document)
        parent = _value_at(alone, here)
        for other in set(parent) - {key}:
            del parent[other]
        try:
            msgspec.convert(alone, type=kind, strict=True)
        except msgspec.ValidationError as exc:
            if str(exc) == complaint:
                quoted = msgspec.json.encode(key).decode()
                return _locate(document, kind, f"{before}.{quoted}{after}", complaint)
    return here


def _value_at(node: Any, keypath: KeyPath) -> Any:
    for part in keypath:
        try:
            node = node[part]
        except (KeyError, IndexError, TypeError):
            return None
    return node


def _known_keys(kind: Any, keypath: KeyPath) -> list[str]:
    """Return the keys that the struct at *keypath* of *kind* takes."""
    structs = _structs(kind)
    for part in keypath:
        inner: list[Any] = []
        for each in structs:
            if isinstance(each, type) and issubclass(each, msgspec.Struct):
                inner += [f.type for f in msgspec.structs.fields(each) if f.encode_name == part]
            else:
                inner += typing.get_args(each)
        structs = [found for each in inner for found in _structs(each)]
    names = [
        field.encode_name
        for each in structs
        if isinstance(each, type) and issubclass(each, msgspec.Struct)
        for field in msgspec.structs.fields(each)
    ]
    return sorted(set(names))


def _structs(kind: Any) -> list[Any]:
    """Return *kind*, or the members of a union, that can hold keys or elements."""
    origin = typing.get_origin(kind)
    if origin in {typing.Union, types.UnionType, typing.Annotated}:
        return [found for member in typing.get_args(kind) for found in _structs(member)]
    is_struct = isinstance(kind, type) and issubclass(kind, msgspec.Struct)
    return [kind] if is_struct or origin in {dict, list, tuple} else []
