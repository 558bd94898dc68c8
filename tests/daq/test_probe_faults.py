"""Probes that come off, slide, stick or are wrong: their coil is tested again, the others go on."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.daq.sim.simkit import SCRIPTS
from tests.daq.soak_helpers import Ran, rig_with, run, small_set

#: Sound coils on the bench of a test.
COILS = ("Y1", "Y2", "Y3", "Y4")


def bench_with(folder: Path, coil: str, fault: str) -> Path:
    """Write the rig file of a bench of sound coils; *fault* is added to *coil*."""
    text = (SCRIPTS / "groomer_healthy.toml").read_text(encoding="utf-8")
    at = text.index("\n", text.index("kind", text.index(f'label = "{coil}"')))
    script = folder / "fault.toml"
    script.write_text(f"{text[:at]}\n{fault}{text[at:]}", encoding="utf-8")
    return rig_with(folder, script)


def soak(folder: Path, fault: str, heat: str = "oven", coil: str = "Y3", **asked: object) -> Ran:
    """Soak four sound coils, one of which has *fault*."""
    coil_set = small_set(folder, *COILS)
    return run(folder, rig=bench_with(folder, coil, fault), coil_set=coil_set, heat=heat, **asked)
