"""Make the sample runs again, by the commands of the README beside this file."""

from __future__ import annotations

import shlex
import shutil
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent


def commands() -> list[list[str]]:
    """Return the arguments of each line in the README that calls the program."""
    lines = (HERE / "README.md").read_text(encoding="utf-8").splitlines()
    return [shlex.split(line)[1:] for line in lines if line.startswith("coilsoak ")]


def remake() -> None:
    """Remove the records that are here and make them again, in the order of the README."""
    for arguments in commands():
        out = HERE.parent / arguments[arguments.index("--out") + 1]
        shutil.rmtree(out, ignore_errors=True)
    for arguments in commands():
        subprocess.run([sys.executable, "-m", "daq", *arguments], cwd=HERE.parent, check=True)  # noqa: S603


if __name__ == "__main__":
    remake()
