"""Asking for the passphrase of a key file: never on the command line, where others can see it."""

from __future__ import annotations

import getpass
import os
import sys
from pathlib import Path

from daq.errors import InputError
from daq.plain_file import read_given

#: Environment variable that has the passphrase where nobody is there to be asked.
VARIABLE = "COILSOAK_PASSPHRASE"
_MAX_BYTES = 1000


def find_passphrase(key: Path, file: Path | None, *, new: bool = False) -> str:
    """Return the passphrase for *key*: first line of *file*, else the environment's, else asked for.

    Args:
        key: The key file, to say for what is asked.
        file: A file that holds it.
        new: It is being chosen, so it is asked for twice.

    Raises:
        InputError: The file cannot be read, nobody can be asked, or the two are not the same.
    """
    if file is not None:
        return _first_line(file)
    if (given := os.environ.get(VARIABLE)) is not None:
        return given
    if not (sys.stdin and sys.stdin.isatty()):
        raise InputError(
            f"{key}: needs a passphrase, and there is no terminal to ask; "
            f"set {VARIABLE} or give --passphrase-file"
        )
    passphrase = _ask(f"Passphrase for {key}: ")
    if new and _ask("The same again: ") != passphrase:
        raise InputError(f"{key}: the two passphrases differ; nothing was written")
    return passphrase


def _first_line(file: Path) -> str:
    try:
        text = read_given(file, _MAX_BYTES, "a passphrase").decode()
    except UnicodeDecodeError as exc:
        raise InputError(f"{file}: is no UTF-8 text, expected a passphrase on the first line") from exc
    return text.splitlines()[0] if text else ""


def _ask(prompt: str) -> str:
    try:
        return getpass.getpass(prompt)
    except EOFError:
        raise InputError("no passphrase was given; nothing was written") from None
