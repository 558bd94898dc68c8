"""Make the sample runs again, by the commands of the README beside this file."""

from __future__ import annotations

import shlex
import shutil
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent


def commands() -> list[list[str]]:
    """Return the arguments of each line in the README that makes a record."""
    return [arguments for arguments in _lines() if arguments[0] in {"soak", "sweep"}]


def claims() -> list[list[str]]:
    """Return the arguments of each line in the README that makes a claim of such records."""
    return [arguments for arguments in _lines() if arguments[0] == "claim"]


def comparisons() -> list[list[str]]:
    """Return the arguments of each line in the README that compares such records."""
    return [arguments for arguments in _lines() if arguments[0] == "compare"]


def _lines() -> list[list[str]]:
    lines = (HERE / "README.md").read_text(encoding="utf-8").splitlines()
    return [shlex.split(line)[1:] for line in lines if line.startswith("coilsoak ")]


def remake() -> None:
    """Remove the records and what was made of them, and make all again, in the order of the README."""
    for arguments in commands():
        out = HERE.parent / arguments[arguments.index("--out") + 1]
        shutil.rmtree(out, ignore_errors=True)
    for made in ("claims", "comparison"):
        shutil.rmtree(HERE / made, ignore_errors=True)
    (HERE / "claims").mkdir()
    for arguments in [*commands(), *comparisons(), *claims()]:
        subprocess.run([sys.executable, "-m", "daq", *arguments], cwd=HERE.parent, check=True)  # noqa: S603


if __name__ == "__main__":
    remake()
