"""Two-wire leads: measured first, taken off each reading, and said."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest
from rich.console import Console

from daq.builtin import builtin
from daq.rig import load_rig
from daq.run import Outcome, RunRequest, execute
from daq.runfolder import read_run

WIRES = re.compile(r"^wires = 4 .*$", re.MULTILINE)


def sweep(tmp_path: Path, text: str) -> Outcome:
    """Sweep the simulated bench with the rig file *text*."""
    rig = tmp_path / "rig.toml"
    rig.write_text(text, encoding="utf-8")
    console = Console(file=io.StringIO())
    return execute(RunRequest(kind="sweep", command="test", rig=rig, out=tmp_path / "runs"), console)


@pytest.mark.slow
def test_two_wire_readings_agree_with_four_wire_ones_within_their_uncertainty(tmp_path: Path) -> None:
    """Leads of 0.17 ohm are nulled; what contacts leave is inside the stated uncertainty, which is larger."""
    four_wire = builtin("rigs", "simulated").read_text(encoding="utf-8")
    (tmp_path / "2").mkdir()
    (tmp_path / "4").mkdir()
    two, four = sweep(tmp_path / "2", WIRES.sub("wires = 2", four_wire)), sweep(tmp_path / "4", four_wire)
    events = read_run(two.folder).events
    assert [e.kind for e in events] == ["leads"]
    assert re.fullmatch(r"leads 0\.1\d\d ohm, taken off each two-wire reading", events[0].text)
    assert read_run(four.folder).events == ()
    for ours, reference in zip(two.result.coils, four.result.coils, strict=True):
        assert ours.r20_ohm is not None
        assert ours.r20_u_ohm is not None
        assert reference.r20_ohm is not None
        assert reference.r20_u_ohm is not None
        assert ours.r20_ohm == pytest.approx(reference.r20_ohm, abs=2 * ours.r20_u_ohm)
        assert ours.r20_u_ohm > reference.r20_u_ohm


def test_two_wires_are_trusted_less(tmp_path: Path) -> None:
    """The offset of the accuracy grows by what contacts leave after nulling."""
    text = builtin("rigs", "simulated").read_text(encoding="utf-8")
    offsets = {}
    for wires in (2, 4):
        path = tmp_path / f"{wires}.toml"
        path.write_text(WIRES.sub(f"wires = {wires}", text), encoding="utf-8")
        offsets[wires] = load_rig(path).value.accuracy().offset_ohm
    assert offsets[2] ** 2 - offsets[4] ** 2 == pytest.approx(0.015**2)
