"""Two-wire leads: measured first, taken off each reading, and said."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest
from rich.console import Console

from daq.config.builtin import builtin
from daq.config.load import load_rig
from daq.record.reader import read_run
from daq.run.execute import Outcome, RunRequest, execute
from tests.daq.kits.table import read_csv

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
    """What contacts leave after nulling is in the accuracy of two wires, apart from the meter's offset."""
    text = builtin("rigs", "simulated").read_text(encoding="utf-8")
    known = {}
    for wires in (2, 4):
        path = tmp_path / f"{wires}.toml"
        path.write_text(WIRES.sub(f"wires = {wires}", text), encoding="utf-8")
        known[wires] = load_rig(path).value.accuracy()
    assert (known[2].contact_ohm, known[4].contact_ohm) == (0.015, 0.0)
    assert known[2].offset_ohm == known[4].offset_ohm


@pytest.mark.slow
def test_leads_are_on_record_and_enforced(tmp_path: Path) -> None:
    """What the leads read is a row of the record; where they are too large no coil of the sweep passes."""
    text = WIRES.sub("wires = 2", builtin("rigs", "simulated").read_text(encoding="utf-8"))
    verdicts = {}
    for name, lead_ohm in (("short", 0.12), ("long", 0.7)):
        folder = tmp_path / name
        folder.mkdir()
        script = builtin("fault_scripts", "groomer_healthy.toml").read_text(encoding="utf-8")
        script = script.replace("[wiring]", f"[wiring]\nmeter_lead_ohm = {lead_ohm}")
        (folder / "script.toml").write_text(script, encoding="utf-8")
        outcome = sweep(folder, text.replace("groomer_faults.toml", "script.toml"))
        run = read_run(outcome.folder)
        # Leads and the contact that joins them.
        assert run.leads_ohm() == pytest.approx(lead_ohm + 0.05, abs=0.03)
        assert (run.header.meter.wires, "" in {trace.coil for trace in run.traces()}) == (2, False)
        verdicts[name] = {(coil.verdict, coil.reasons[0].code) for coil in outcome.result.coils}
        assert {trace.coil for trace in read_csv(outcome.folder / "readings.csv")} == {
            coil.coil for coil in outcome.result.coils
        }
    assert verdicts == {
        "short": {("pass", "within-limits")},
        "long": {("retest", "leads-too-large")},
    }
