"""What a claim pack carries: the files of its runs, and a manifest of them all.

Whoever reads a pack (``coilsoak verify``) may rely on this:

* Every attachment is an embedded file of the PDF (an associated file of PDF/A-3) under a plain name.
* With one run the names are those of the run folder: ``readings.csv``, ``events.csv``, ``header.json``,
  ``rig.toml``, ``coil_set.toml``, ``result.json``, ``manifest.json``, and ``observations.csv``,
  ``companion.csv`` and ``fault_script.toml`` where the run has them. They are the folder's files byte for
  byte; a run that was cut off has no ``manifest.json`` and no ``result.json`` of its own, and gets only the
  judgement the pack was made from as ``result.json``.
* With several runs each name has ``run1_``, ``run2_``, ... before it, in the order of the pack.
* ``claim_manifest.json`` is a :class:`ClaimManifest`: size and SHA-256 of every other attachment, and of each
  run its folder's name and its prefix. ``manifest.json`` is what the run itself wrote when it closed; it also
  names files that stay behind (report and curves).
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from daq.errors import InputError
from daq.plain_file import read_inside
from daq.record.format import (
    MAX_TABLE_BYTES,
    RESULT,
    TRAVEL,
    FileEntry,
    json_text,
)

CLAIM_MANIFEST = "claim_manifest.json"
#: Version of its layout. A reader takes its own and older ones, and refuses newer ones.
CLAIM_SCHEMA = 1


class ClaimedRun(msgspec.Struct, frozen=True, kw_only=True):
    """One run of a pack: its folder's name, and what stands before the names of its files."""

    folder: str
    prefix: str


class ClaimManifest(msgspec.Struct, frozen=True, kw_only=True):
    """What a pack consists of; *files* are all attachments but this one."""

    schema: int = CLAIM_SCHEMA
    program: str
    runs: tuple[ClaimedRun, ...]
    files: dict[str, FileEntry]


@dataclass(frozen=True)
class AttachedRun:
    """A run folder to be carried, and its judgement as JSON for a folder that has no result of its own."""

    folder: Path
    result: bytes


def attachments(runs: Sequence[AttachedRun], program: str) -> dict[str, bytes]:
    """Return content by name of everything that a pack of *runs* carries, the manifest of all last.

    Raises:
        InputError: A file of a run cannot be read.
        ForeignFileError: It is a link or a device.
    """
    files: dict[str, bytes] = {}
    claimed = []
    for n, run in enumerate(runs, 1):
        prefix = "" if len(runs) == 1 else f"run{n}_"
        claimed.append(ClaimedRun(folder=run.folder.resolve().name, prefix=prefix))
        files |= {prefix + name: data for name, data in _of_run(run).items()}
    manifest = ClaimManifest(program=program, runs=tuple(claimed), files=entries(files))
    return files | {CLAIM_MANIFEST: json_text(manifest)}


def entries(files: Mapping[str, bytes]) -> dict[str, FileEntry]:
    """Return size and SHA-256 of each file."""
    return {
        name: FileEntry(bytes=len(data), sha256=hashlib.sha256(data).hexdigest())
        for name, data in files.items()
    }


def _of_run(run: AttachedRun) -> dict[str, bytes]:
    files = {}
    for name in TRAVEL:
        try:
            files[name] = read_inside(run.folder, name, MAX_TABLE_BYTES)
        except FileNotFoundError:
            if name == RESULT:
                files[name] = run.result
        except OSError as exc:
            raise InputError(
                f"{run.folder / name}: cannot be read ({exc.strerror or exc}), expected a file of a run"
            ) from exc
    return files
