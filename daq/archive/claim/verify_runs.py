"""The runs within a claim pack: are they whole, and what comes out when they are judged again."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import msgspec

from daq import __version__
from daq.archive.claim.attachments import CLAIM_MANIFEST, CLAIM_SCHEMA, ClaimManifest, entries
from daq.archive.judgement import Judged, judge_run, judged_object
from daq.errors import CoilsoakError, InputError
from daq.record.format import COMPANION, MANIFEST, OBSERVATIONS, RESULT, TRAVEL, Manifest, json_text
from daq.record.reader import Run, read_run
from daq.tables import CheckLine

#: More runs than that has no pack, and so many names are told of those that are not right.
MAX_RUNS, MAX_TOLD = 50, 5
#: Figures may differ by that from machine to machine, relative and absolute; a verdict turns on far more.
_REL, _ABS = 1e-4, 1e-6
#: Files that may come when the run has closed.
_GROWING = frozenset({OBSERVATIONS, COMPANION})
#: What of a result is a sentence, which another version of the program may word anew.
_SENTENCES = frozenset({"text", "action", "name", "note", "notes", "plain", "serial"})


@dataclass(frozen=True)
class Rejudged:
    """A run of a pack, judged again from its *files*."""

    run: Run
    judged: Judged
    files: Mapping[str, bytes]


def pack_manifest(files: Mapping[str, bytes]) -> ClaimManifest:
    """Return the manifest of a pack.

    Raises:
        InputError: There is none, so this is no claim pack, or it is not as it should be.
    """
    if CLAIM_MANIFEST not in files:
        raise InputError(f"is no claim pack: no {CLAIM_MANIFEST} is attached")
    try:
        manifest = msgspec.json.decode(files[CLAIM_MANIFEST], type=ClaimManifest)
    except (ValueError, RecursionError, msgspec.MsgspecError) as exc:
        raise InputError(f"{CLAIM_MANIFEST}: damaged ({exc}), so nothing can be compared with it") from exc
    if manifest.schema > CLAIM_SCHEMA:
        raise InputError(f"{CLAIM_MANIFEST}: written by a newer program; update this one")
    prefixes = [run.prefix for run in manifest.runs]
    expected = [""] if len(prefixes) == 1 else [f"run{n}_" for n in range(1, len(prefixes) + 1)]
    if prefixes != expected or not 1 <= len(prefixes) <= MAX_RUNS:
        raise InputError(
            f"{CLAIM_MANIFEST}: damaged (prefixes of its runs), so nothing can be compared with it"
        )
    return manifest


def check_attachments(
    files: Mapping[str, bytes], manifest: ClaimManifest, problems: Sequence[str]
) -> CheckLine:
    """Return whether what is attached is what the manifest of the pack says, no less and no more."""
    there = entries({name: data for name, data in files.items() if name != CLAIM_MANIFEST})
    known = {run.prefix + name for run in manifest.runs for name in TRAVEL}
    wrong = [*problems]
    wrong += [f"{name!r} is missing" for name in manifest.files if name not in there]
    wrong += [
        f"{name!r} is not what {CLAIM_MANIFEST} says"
        for name, entry in there.items()
        if manifest.files.get(name) != entry
    ]
    wrong += [f"{name!r} is no file of a run" for name in manifest.files if name not in known]
    return _finding("attachments", wrong, f"{len(there)} files, each as {CLAIM_MANIFEST} says")


def rejudge(files: Mapping[str, bytes], prefix: str, folder: str) -> Rejudged:
    """Judge one run of a pack again with nothing but its files.

    Raises:
        InputError: It is no readable record, or its coil set is wrong.
    """
    own = {name: files[prefix + name] for name in TRAVEL if prefix + name in files}
    with TemporaryDirectory(prefix="coilsoak-") as place:
        for name, data in own.items():
            (Path(place) / name).write_bytes(data)
        try:
            run = read_run(Path(place), TRAVEL)
            judged = judge_run(run)
        except CoilsoakError as exc:
            raise InputError(str(exc).replace(place, folder)) from exc
    return Rejudged(run, judged, own)


def check_record(again: Rejudged, where: str) -> CheckLine:
    """Return whether the files of one run are what the run itself wrote down when it closed."""
    check = f"record{where}"
    if MANIFEST not in again.files:
        return CheckLine(check, None, "the run was cut off, and wrote down no hashes of its files")
    wrong = list(again.run.problems)
    if not wrong:
        named = msgspec.json.decode(again.files[MANIFEST], type=Manifest).files
        later = [name for name in again.files if name not in {MANIFEST, *named}]
        wrong = [f"{name} came after the run closed" for name in later if name not in _GROWING]
    return _finding(check, wrong, "each file as when the run closed; observations may have come later")


def check_verdicts(again: Rejudged, manifest: ClaimManifest, where: str) -> CheckLine:
    """Return whether judging again gives what the attached result says."""
    check = f"verdicts{where}"
    mine = {coil["coil"]: coil for coil in json.loads(json_text(judged_object(again.judged)))["coils"]}
    theirs = _coils(again.run.result)
    if theirs is None:
        return CheckLine(check, False, f"{RESULT}: is missing or not as this program writes it")
    wrong = [f"{name}: judged again, but not in {RESULT}" for name in mine if name not in theirs]
    wrong += [f"{name}: in {RESULT}, but no such coil was judged" for name in theirs if name not in mine]
    for name in (name for name in mine if name in theirs):
        now, then = mine[name]["verdict"], theirs[name].get("verdict")
        if now != then:
            wrong.append(f"{name}: judged again {now}, in {RESULT} {then!r}")
        elif other := next(_differences(mine[name], theirs[name], ""), None):
            wrong.append(f"{name}: {other} differs from {RESULT}")
    if wrong and manifest.program != (here := f"coilsoak {__version__}"):
        wrong.append(f"this is {here}, and it was made by {manifest.program[:50]!r}")
    return _finding(check, wrong, f"judged again: {len(mine)} coils, same verdicts and figures as {RESULT}")


def _coils(result: object) -> dict[str, dict[str, Any]] | None:
    """Return the coils of a result by label, None if it has another shape."""
    coils = result.get("coils") if isinstance(result, dict) else None
    if not isinstance(coils, list) or not all(isinstance(coil, dict) for coil in coils):
        return None
    return {str(coil.get("coil")): coil for coil in coils}


def _differences(mine: Any, theirs: Any, where: str) -> Iterator[str]:
    """Yield where two results say something else, but for sentences and what only one version knows."""
    if isinstance(mine, dict) and isinstance(theirs, dict):
        for key in sorted(mine.keys() & theirs.keys() - _SENTENCES):
            yield from _differences(mine[key], theirs[key], f"{where}.{key}" if where else key)
    elif isinstance(mine, list) and isinstance(theirs, list) and len(mine) == len(theirs):
        for n, (one, other) in enumerate(zip(mine, theirs, strict=True)):
            yield from _differences(one, other, f"{where}[{n}]")
    elif isinstance(mine, float | int) and isinstance(theirs, float | int):
        if not math.isclose(mine, theirs, rel_tol=_REL, abs_tol=_ABS):
            yield where
    elif mine != theirs:
        yield where


def _finding(check: str, wrong: Sequence[str], right: str) -> CheckLine:
    if not wrong:
        return CheckLine(check, True, right)
    more = f"; and {len(wrong) - MAX_TOLD} more" if len(wrong) > MAX_TOLD else ""
    return CheckLine(check, False, "; ".join(wrong[:MAX_TOLD]) + more)
