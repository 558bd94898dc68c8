"""What tests and benchmarks of the log share: run folders made of nothing but what the log reads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from daq.recordformat import HEADER, MANIFEST, RESULT, CloseState, FileEntry, Manifest, json_text
from tests.daq.recordkit import START, header

FILES = "coil_set.toml events.csv header.json readings.csv report.pdf result.json rig.toml"


def coil(label: str, verdict: str = "pass", **more: Any) -> dict[str, Any]:
    """Return an invented coil as ``result.json`` has it, of what the log reads."""
    fields: dict[str, Any] = {
        "coil": label,
        "kind": "switching",
        "serial": "",
        "verdict": verdict,
        "r20_ohm": 3.3,
        "r20_u_ohm": 0.005,
        "r20_k": 2.0,
    }
    return fields | more


def manifest(state: CloseState = "complete") -> bytes:
    """Return the manifest of a closed run."""
    entry = FileEntry(bytes=1000, sha256="0" * 64)
    return json_text(Manifest(state=state, closed_utc=START, files=dict.fromkeys(FILES.split(), entry)))


def make_run(
    parent: Path,
    name: str,
    coils: Sequence[Mapping[str, Any]] = (),
    *,
    state: CloseState = "complete",
    **changes: Any,
) -> Path:
    """Make an invented closed run folder; *changes* are those of its header."""
    folder = parent / name
    folder.mkdir(parents=True)
    (folder / HEADER).write_bytes(json_text(header(simulated=False, **changes)))
    (folder / RESULT).write_bytes(json_text({"run": name, "coils": coils or [coil("Y1")], "notes": []}))
    (folder / MANIFEST).write_bytes(manifest(state))
    return folder
