"""Make the sample runs again, by the commands of the README beside this file."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory

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


def pictures(into: Path) -> None:
    """Draw what README shows: the first page of the faults' report, and what the terminal says of it."""
    import typst
    from rich.console import Console

    from daq.archive.judgement import judge_path
    from daq.archive.verdict_table import as_plain, as_table

    (run,) = (HERE / "faults").iterdir()
    into.mkdir(exist_ok=True)
    page = '#set page(width: 210mm, height: 148mm, margin: 0mm)\n#image("report.pdf", page: 1, width: 100%)\n'
    with TemporaryDirectory() as folder:
        (Path(folder) / "page.typ").write_text(page, encoding="utf-8")
        shutil.copy(run / "report.pdf", folder)
        drawn: bytes | list[bytes] = typst.compile(Path(folder) / "page.typ", format="png", ppi=110)
    (into / "report.png").write_bytes(drawn[0] if isinstance(drawn, list) else drawn)
    console = Console(record=True, width=80, file=StringIO(), force_terminal=True)
    judged = judge_path(run, None)
    console.print(as_plain(judged.result))
    console.print(as_table(judged.result))
    svg = console.export_svg(title="coilsoak soak (invented)", unique_id="coilsoak")
    # A picture that asks for nothing: any typewriter face of the reader's will do.
    svg = re.sub(r"@font-face \{.*?\}\s*|<!--.*?-->\s*", "", svg, flags=re.DOTALL)
    (into / "terminal.svg").write_text(svg, encoding="utf-8")


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
    pictures(HERE / "pictures")


if __name__ == "__main__":
    remake()
