"""What the tests of the command line share: the program in this process and in one of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from daq.cli import main
from daq.config.builtin import builtin

ROOT = Path(__file__).parents[3]
RIG = builtin("rigs", "simulated")
COIL_SET = builtin("coil_sets", "snow_groomer")
#: Longer than anything here takes, shorter than a hung job is borne.
PATIENCE_S = 60.0


@dataclass(frozen=True)
class Said:
    """How the program ended and what it wrote."""

    status: int
    out: str
    err: str

    def json(self) -> dict[str, Any]:
        """Return the one object on standard output; anything beside it is an error."""
        value = json.loads(self.out)
        assert isinstance(value, dict)
        return value

    def complaint(self) -> str:
        """Return the one line on standard error of a program that refused with exit status 2."""
        assert self.status == 2, self
        lines = self.err.splitlines()
        assert len(lines) == 1, self.err
        assert lines[0].startswith("coilsoak: ")
        return lines[0].removeprefix("coilsoak: ")


def say(capsys: pytest.CaptureFixture[str], *args: str | Path) -> Said:
    """Run the program in this process, as the shell would start it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "argv", ["coilsoak", *map(str, args)])
        patch.setenv("COLUMNS", "80")
        with pytest.raises(SystemExit) as ended:
            main()
    out, err = capsys.readouterr()
    code = ended.value.code
    return Said(code if isinstance(code, int) else 0, out, err)


def environment(**more: str) -> dict[str, str]:
    """Return the environment for a program of its own."""
    return os.environ | {"PYTHONPATH": str(ROOT), "COLUMNS": "80"} | more


def start(*args: str | Path, env: Mapping[str, str] | None = None, **more: Any) -> subprocess.Popen[str]:
    """Start the program as a process of its own."""
    pipes = {"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | more
    command = [sys.executable, "-m", "daq", *map(str, args)]
    return subprocess.Popen(command, env=environment(**(env or {})), text=True, **pipes)


def finish(process: subprocess.Popen[str], patience_s: float = PATIENCE_S) -> Said:
    """Wait for the end of a started program."""
    try:
        out, err = process.communicate(timeout=patience_s)
    except subprocess.TimeoutExpired:
        process.kill()
        out, err = process.communicate()
        raise AssertionError(f"still running after {patience_s:g} s: {out} {err}") from None
    return Said(process.returncode, out or "", err or "")


def spoiled(folder: Path, source: Path, old: str, new: str) -> Path:
    """Write *source* with its first *old* replaced into *folder*; return the path."""
    text = source.read_text(encoding="utf-8")
    assert old in text, f"{old!r} does not stand in {source}"
    path = folder / source.name
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return path


def line_of(path: Path, text: str) -> int:
    """Return the number of the first line of *path* that starts with *text*."""
    lines = path.read_text(encoding="utf-8").splitlines()
    return next(number for number, line in enumerate(lines, start=1) if line.startswith(text))


def only_run(out: Path) -> Path:
    """Return the one run folder in *out*."""
    folders = list(out.iterdir())
    assert len(folders) == 1, folders
    return folders[0]
