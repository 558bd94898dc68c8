"""Fuzzes every parser for ten minutes or what ``--minutes`` says, guided by coverage.

Needs atheris (``pip install -e '.[fuzz]'``). Each parser runs in a process of its own, two at a time. A
find does not end the run: its input is kept once for each place it failed at, in the folder that
is printed; mend the parser and move the input to ``fixtures/fuzz_corpus``, which the tests run.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import re
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
#: Limits of one input; libFuzzer stops the process beyond them and keeps the input.
TIMEOUT_S, MEMORY_MB, LONGEST = 30, 2000, 20_000


def main() -> None:
    """Run all parsers, or those named, and print a line for each."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("parsers", nargs="*")
    options.add_argument("--minutes", type=float, default=10.0)
    options.add_argument("--folder", type=Path, default=None, help="keeps corpus and finds")
    options.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    asked = options.parse_args()
    sys.path.insert(0, str(ROOT))
    if asked.child:
        _fuzz(asked.parsers[0], asked.minutes, asked.folder)
        return
    from tests.fuzz_targets import TARGETS

    folder = asked.folder or Path(tempfile.mkdtemp(prefix="fuzz-"))
    print(f"finds and corpus: {folder}")  # noqa: T201 - a script
    with ThreadPoolExecutor(max_workers=2) as two:
        for line in two.map(lambda name: _report(name, asked.minutes, folder), asked.parsers or TARGETS):
            print(line, flush=True)  # noqa: T201 - a script


def _report(name: str, minutes: float, folder: Path) -> str:
    """Fuzz one parser in a process of its own and say in one line what came of it."""
    mine = folder / name
    mine.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, __file__, "--child", name, "--minutes", str(minutes), "--folder", str(mine)]
    with (mine / "log").open("wb") as log:
        done = subprocess.run(command, cwd=ROOT, stdout=log, stderr=log, check=False)
    said = json.loads((mine / "counts.json").read_bytes())
    covered = re.findall(rb"cov: (\d+)", (mine / "log").read_bytes())
    stopped = "" if done.returncode == 0 else f", stopped by status {done.returncode}: see {mine / 'log'}"
    finds = ", ".join(said["finds"]) or "none"
    edges = covered[-1].decode() if covered else "?"
    return f"{name}: {said['runs']} runs in {said['s']:.0f} s, {edges} edges, finds: {finds}{stopped}"


def _fuzz(name: str, minutes: float, mine: Path) -> None:
    """Fuzz the parser *name* until the time is over; libFuzzer then ends the process."""
    import atheris  # type: ignore[import-not-found, unused-ignore]

    with atheris.instrument_imports(include=["daq", "tomllib"]):
        from tests.fuzz_targets import TARGETS, seeds
    warnings.simplefilter("error")
    target, began_s = TARGETS[name], time.monotonic()
    corpus = mine / "corpus"
    corpus.mkdir(exist_ok=True)
    words: set[bytes] = set()
    for seed in seeds(name):
        (corpus / hashlib.sha256(seed).hexdigest()[:16]).write_bytes(seed)
        words |= set(re.findall(rb"[\w.\[\]]{2,24}", seed))
    dictionary = mine / "words"
    dictionary.write_text("".join(f'"{word.decode()}"\n' for word in sorted(words) if word.isascii()))
    finds: dict[str, str] = {}
    runs = 0

    def tell() -> None:
        counts = {"runs": runs, "s": time.monotonic() - began_s, "finds": sorted(finds)}
        (mine / "counts.json").write_text(json.dumps(counts))

    def one(data: bytes) -> None:
        nonlocal runs
        runs += 1
        try:
            target(data)
        except Exception as exc:  # noqa: BLE001 - whatever it is, it is a find
            where = traceback.extract_tb(exc.__traceback__)[-1]
            place = f"{type(exc).__name__} at {Path(where.filename).name}:{where.lineno}"
            if place not in finds:
                finds[place] = traceback.format_exc()
                (mine / f"find-{len(finds)}").write_bytes(data)
                (mine / f"find-{len(finds)}.txt").write_text(finds[place])
                tell()
        if runs % 500 == 1:
            tell()

    arguments = [
        f"-max_total_time={minutes * 60:.0f}",
        f"-timeout={TIMEOUT_S}",
        f"-rss_limit_mb={MEMORY_MB}",
        f"-max_len={LONGEST}",
        f"-dict={dictionary}",
        f"-artifact_prefix={mine}/stopped-",
        str(corpus),
    ]
    atheris.Setup([sys.argv[0], *arguments], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
