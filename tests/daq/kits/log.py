"""What tests and benchmarks of the log share: run folders made of nothing but what the log reads."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

from daq.record.format import HEADER, MANIFEST, RESULT, CloseState, FileEntry, Manifest, json_text
from tests.daq.kits.record import START, header

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
    (folder / HEADER).write_bytes(json_text(header(**{"simulated": False} | changes)))
    (folder / RESULT).write_bytes(json_text({"run": name, "coils": coils or [coil("Y1")], "notes": []}))
    (folder / MANIFEST).write_bytes(manifest(state))
    return folder


def make_shop(root: Path, *, jobs: int = 40, seed: int = 1) -> None:
    """Make the invented runs of a shop that tests about 5 coils a job, many of them again and again.

    Of 'switching' coils with serials some are not sound, two are mixed up, and each job has one coil that is
    known by job and label alone.
    """
    rng = random.Random(seed)
    r20_ohm = [rng.gauss(3.3, 0.012) for _ in range(110)]
    r20_ohm[7], r20_ohm[8] = 3.62, 3.05
    for job in range(jobs):
        numbers = rng.sample(range(110), 8) if job else range(2, 10)
        coils = [
            coil(
                f"Y{place}",
                rng.choices(["pass", "fail", "retest"], [94, 3, 3])[0] if number not in {7, 8} else "pass",
                kind=rng.choice(["switching", "Switching "]),
                serial=f"S-{number}",
                r20_ohm=r20_ohm[number] + rng.gauss(0.0, 0.001),
                r20_u_ohm=rng.choice([0.004, 0.005, None]),
            )
            for place, number in enumerate(numbers)
        ]
        coils += [coil("Y8", r20_ohm=rng.gauss(3.3, 0.012)), coil("Y9", kind="proportional", r20_ohm=5.3)]
        start = START + timedelta(days=11 * job, hours=seed)
        make_run(root / f"J-{job}", f"run-{job}", coils, job=f"J-{job}", start_utc=start)
