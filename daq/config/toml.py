"""Reading a TOML file into a checked object, with errors that name file, line and key.

Rig files, coil-set files, fault scripts and dialects are written by hand; whoever wrote
one wants to hear which line to change, in one sentence.
"""

from __future__ import annotations

import hashlib
import math
import re
import tomllib
import types
import typing
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Generic, TypeVar

import msgspec

from daq.config.toml_lines import KeyPath, line_at, line_of, parse_keypath, quote_key, show_keypath
from daq.errors import InputError
from daq.plain_file import read_inside, read_plain

__all__ = ["MAX_BYTES", "MISSING", "Loaded", "line_of", "load"]

T = TypeVar("T")

#: A hand-written file is a few kilobytes; whatever is larger was not meant for us.
MAX_BYTES = 256_000
#: A dotted key of more parts is nobody's, and the parser's work grows with their square; a value nested
#: deeper is nobody's either.
MAX_KEY_PARTS = 20
MAX_DEPTH = 50
#: A key or a message beyond this length is cut: it still has to be read.
MAX_KEY_SHOWN, MAX_SHOWN = 100, 500

#: How the message of a key that has to be there, and is not, begins.
MISSING = "is missing"
#: So many missing keys are named.
_MOST_NAMED = 12

_WHERE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_AT = re.compile(r"^(?P<what>.*?)(?: - at `(?P<at>.*)`)?$", re.DOTALL)
_UNKNOWN = re.compile(r"^Object contains unknown field `(.*)`$", re.DOTALL)
_MISSING = re.compile(r"^Object missing required field `(.*)`$")
_NO_LABEL = re.compile(r"^Expected `str` matching regex")  # labels alone have a pattern
_LABEL = "expected at most 24 letters, digits, blanks or . _ + -, with a letter or digit first and last"
_WRONG_TYPE = re.compile(r"^Expected `(.*)`, got `(.*)`$")
_KEY_PART = r"""(?:[A-Za-z0-9_-]++|"[^"\n]*+"|'[^'\n]*+')"""
_LONG_KEY = re.compile(
    rf"(?<![A-Za-z0-9_-]){_KEY_PART}(?:[ \t]*+\.[ \t]*+{_KEY_PART}){{{MAX_KEY_PARTS}}}", re.ASCII
)
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

    def require_none(self, troubles: Sequence[tuple[str, str]]) -> None:
        """Raise InputError for the first of *troubles* (key, message), and name all other missing keys."""
        if not troubles:
            return
        (keypath, message), *others = troubles
        missing = [parse_keypath(key) for key, said in others if said.startswith(MISSING)]
        raise self.error(keypath, message + _too(self.text, missing))


def load(path: Path, kind: type[T], *, of_run: bool = False) -> Loaded[T]:
    """Read the TOML file at *path* into a *kind*, a msgspec struct that forbids unknown fields.

    Numbers that are not finite are refused: a limit of ``nan`` would hold nothing back. So are whole
    numbers that TOML 1.0 does not warrant (beyond 64 bits).

    Args:
        path: The file, which may be a link but where *of_run*.
        kind: What it is to be.
        of_run: It is the copy in a run folder, which may come from a stranger.

    Raises:
        InputError: one line with file, line and key: not readable, not UTF-8, not TOML, an unknown
            or missing key, a value of the wrong type or outside its constraint.
        ForeignFileError: *of_run*, and it is a link or a device.
    """
    raw = _read(path, of_run=of_run)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        line = raw.count(b"\n", 0, exc.start) + 1
        raise InputError(f"{path}:{line}: a byte is not UTF-8, expected text saved as UTF-8") from exc
    document = _parse(path, text)
    _check_values(path, text, document)
    try:
        value = msgspec.convert(document, type=kind, strict=True)
    except (msgspec.ValidationError, OverflowError) as exc:
        keypath, message = _explain(document, kind, str(exc))
        missing = [each for each in _missing(document, kind) if each != keypath]
        if message.startswith(MISSING):
            message += _too(text, missing)
        raise _key_error(path, text, keypath, message) from exc
    return Loaded(value=value, text=text, path=path, sha256=hashlib.sha256(raw).hexdigest())


def _read(path: Path, *, of_run: bool) -> bytes:
    try:
        return read_inside(path.parent, path.name, MAX_BYTES) if of_run else read_plain(path, MAX_BYTES)
    except OSError as exc:
        raise InputError(
            f"{path}: cannot be read ({exc.strerror or exc}), expected a hand-written TOML file"
        ) from exc


def _parse(path: Path, text: str) -> dict[str, Any]:
    if found := _LONG_KEY.search(text):
        number = text.count("\n", 0, found.start()) + 1
        raise InputError(f"{path}:{number}: a key of more than {MAX_KEY_PARTS} parts, expected plain TOML")
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


def _check_values(path: Path, text: str, document: dict[str, Any]) -> None:
    """Refuse what no key of any file takes: numbers beyond bounds, tables within tables without end."""
    for keypath, value in _values(document):
        if len(keypath) > MAX_DEPTH:
            raise InputError(f"{path}: nested too deeply, expected plain TOML")
        if isinstance(value, float) and not math.isfinite(value):
            raise _key_error(path, text, keypath, f"is {value}, expected a finite number")
        if isinstance(value, int) and not -(2**63) <= value < 2**63:
            raise _key_error(path, text, keypath, "is beyond 64 bits, expected a smaller number")


def _values(document: dict[str, Any]) -> Iterator[tuple[KeyPath, object]]:
    """Yield everything in the document with its path, in the order of the file."""
    waiting: list[tuple[KeyPath, Any]] = [((), document)]
    while waiting:
        here, node = waiting.pop()
        yield here, node
        pairs = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
        waiting += [((*here, key), value) for key, value in reversed(list(pairs))]


def _key_error(path: Path, text: str, keypath: KeyPath, message: str) -> InputError:
    line = line_at(text, keypath) if keypath else None
    where = f"{path}:{line}" if line else f"{path}"
    key = f"key '{_cut(show_keypath(keypath), MAX_KEY_SHOWN)}': " if keypath else ""
    return InputError(f"{where}: {key}{_cut(' '.join(message.split()), MAX_SHOWN)}")


def _cut(text: str, most: int) -> str:
    """Return *text* on one line, its middle left out beyond *most* characters: what to do comes last."""
    half = most // 2
    text = "".join(sign if sign.isprintable() else " " for sign in text)
    return text if len(text) <= most else f"{text[:half]}...{text[-half:]}"


def _explain(document: dict[str, Any], kind: Any, complaint: str) -> tuple[KeyPath, str]:
    """Turn a validation error into the path of the key to change and a sentence about it."""
    found = _AT.match(complaint)
    what, at = (found["what"], found["at"] or "$") if found else (complaint, "$")
    keypath = _locate(document, kind, at.partition("$")[2], complaint)
    if unknown := _UNKNOWN.match(what):
        known = _known_keys(kind, keypath)
        close = get_close_matches(unknown[1][:MAX_KEY_SHOWN], known, n=1)
        hint = f"; did you mean '{close[0]}'?" if close else ""
        return (*keypath, unknown[1]), f"unknown key, expected one of {', '.join(known)}{hint}"
    if missing := _MISSING.match(what):
        return (*keypath, missing[1]), f"{MISSING}, expected a value"
    if wrong := _WRONG_TYPE.match(what):
        expected = " or ".join(
            _TOML_WORDS.get(word, word) for word in wrong[1].split(" | ") if word != "null"
        )
        return keypath, f"is {_TOML_WORDS.get(wrong[2], wrong[2])}, expected {expected}"
    value = _value_at(document, keypath)
    if _NO_LABEL.match(what):
        return keypath, f"is {value!r}, {_LABEL}"
    shown = f"is {value!r}: " if isinstance(value, str | int | float) else ""
    return keypath, shown + what.replace("`", "")


def _too(text: str, missing: Sequence[KeyPath]) -> str:
    """Name the keys that are missing too, each with the line of its table; one at a time costs a try each."""
    if not missing:
        return ""
    named = []
    for keypath in missing[:_MOST_NAMED]:
        line = line_at(text, keypath)
        named.append(f"'{show_keypath(keypath)}'" + (f" (line {line})" if line else ""))
    more = len(missing) - len(named)
    return f"; missing too: {', '.join(named)}" + (f" and {more} more" if more else "")


def _missing(node: Any, kind: Any, here: KeyPath = ()) -> Iterator[KeyPath]:
    """Yield every key that *kind* needs and *node* lacks; a table that is not there with all it needs."""
    for each in _structs(kind):
        if isinstance(each, type) and issubclass(each, msgspec.Struct):
            if isinstance(node, dict):
                for field in msgspec.structs.fields(each):
                    name = field.encode_name
                    if name in node:
                        yield from _missing(node[name], field.type, (*here, name))
                    elif field.required:
                        yield (*here, name)
                        yield from _missing({}, field.type, (*here, name))
        elif isinstance(node, dict) and typing.get_origin(each) is dict:
            for name, value in node.items():
                yield from _missing(value, typing.get_args(each)[1], (*here, name))
        elif isinstance(node, list):
            for at, value in enumerate(node):
                yield from _missing(value, typing.get_args(each)[0], (*here, at))


def _locate(document: dict[str, Any], kind: Any, at: str, complaint: str) -> KeyPath:
    """Return the path *at*, with each ``[...]`` (a key that msgspec does not name) resolved.

    The guilty key of such a table is the last of the fewest first ones that draw the same complaint.
    """
    before, hole, after = at.partition("[...]")
    here = parse_keypath(before.lstrip("."))
    table = _value_at(document, here)
    if not hole or not isinstance(table, dict):
        return here
    keys = list(table)

    def drawn_by(count: int) -> bool:
        first = {key: table[key] for key in keys[:count]}
        try:
            msgspec.convert(_with(document, here, first), type=kind, strict=True)
        except msgspec.ValidationError as exc:
            return str(exc) == complaint
        return False

    guilty = bisect_left(range(1, len(keys)), True, key=drawn_by)
    return _locate(document, kind, f"{before}.{quote_key(keys[guilty])}{after}", complaint)


def _with(node: Any, keypath: KeyPath, value: object) -> Any:
    """Return *node* with *value* at *keypath*; what is not on the way is shared, not copied."""
    if not keypath:
        return value
    part, *rest = keypath
    changed = node.copy()
    changed[part] = _with(node[part], tuple(rest), value)
    return changed


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
