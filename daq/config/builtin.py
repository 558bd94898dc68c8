"""Where the files that come with the program are: rigs, coil sets and fault scripts."""

from __future__ import annotations

from pathlib import Path
from typing import Literal, get_args

from daq.errors import InputError

BuiltinKind = Literal["rigs", "coil_sets", "fault_scripts"]

_HERE = Path(__file__).resolve().parents[1]
#: In an installed program, and in a checkout of the source.
_PLACES = (_HERE / "_builtin", _HERE.parent / "fixtures")


def builtin(kind: BuiltinKind, name: str) -> Path:
    """Return the file *name* (with or without ``.toml``) of *kind*.

    Raises:
        InputError: There is none of that name; the message lists those there are.
    """
    if kind not in get_args(BuiltinKind):
        raise InputError(f"{kind!r} is no kind of built-in file, expected {', '.join(get_args(BuiltinKind))}")
    known = names(kind)
    stem = name.removesuffix(".toml")
    if stem in known:
        return known[stem]
    raise InputError(
        f"{name}: no such file, and no built-in file {name!r} among {kind}, expected one of "
        f"{', '.join(sorted(known))}"
    )


def names(kind: BuiltinKind) -> dict[str, Path]:
    """Return the built-in files of *kind* by name without ``.toml``."""
    found: dict[str, Path] = {}
    for place in reversed(_PLACES):
        found |= {path.stem: path for path in sorted((place / kind).glob("*.toml"))}
    return found


def find(kind: BuiltinKind, text: str) -> Path:
    """Return the file that *text* means: a path, or the name of a built-in file where no such path exists.

    A path that exists wins. A text with a folder in it is a path even if nothing is there, so that
    whoever opens it says so.

    Raises:
        InputError: *text* is a bare name, no file is called that, and no built-in file either.
    """
    path = Path(text)
    if "\0" in text or len(path.parts) != 1 or path.exists():
        return path
    return builtin(kind, text)
