"""Probes that come off, slide, stick or are wrong: their coil is tested again, the others go on."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.daq.kits.sim import SCRIPTS
from tests.daq.kits.soak import Ran, rig_with, run, small_set

#: Sound coils on the bench of a test.
COILS = ("Y1", "Y2", "Y3")


def bench_with(folder: Path, coil: str, fault: str) -> Path:
    """Write the rig file of a bench of sound coils; *fault* is added to *coil*."""
    text = (SCRIPTS / "groomer_healthy.toml").read_text(encoding="utf-8")
    at = text.index("\n", text.index("kind", text.index(f'label = "{coil}"')))
    script = folder / "fault.toml"
    script.write_text(f"{text[:at]}\n{fault}{text[at:]}", encoding="utf-8")
    return rig_with(folder, script)


def soak(folder: Path, fault: str, heat: str = "oven", coil: str = "Y3", **asked: object) -> Ran:
    """Soak three sound coils, one of which has *fault*."""
    coil_set = small_set(folder, *COILS, steps_degC="[50.0, 75.0]", hold_s="60.0")
    return run(folder, rig=bench_with(folder, coil, fault), coil_set=coil_set, heat=heat, **asked)


def codes(ran: Ran, coil: str) -> list[str]:
    """Return the codes of a coil's reasons."""
    return [reason.code for reason in ran.coil(coil).reasons]


@pytest.mark.slow
@pytest.mark.parametrize(
    "fault",
    [
        'probe_fault = { at_degC = 60, becomes = "off" }',
        'probe_fault = { at_degC = 60, becomes = "off", hangs_in = "oven" }',
        'probe_fault = { at_degC = 40, becomes = "sliding", within_s = 1200 }',
        'probe_fault = { at_degC = 40, becomes = "frozen" }',
        'probe_fault = { at_degC = 60, becomes = "open" }',
        'probe_fault = { at_degC = 60, becomes = "off", on_the_way_down = true }',
    ],
)
def test_in_an_oven_a_probe_fault_costs_its_own_coil_another_test_and_no_other(
    tmp_path: Path, fault: str
) -> None:
    """The soak goes to its end, the coil is told for its probe, and the others pass."""
    ran = soak(tmp_path, fault)
    assert (ran.outcome.state, ran.outcome.error) == ("complete", None)
    assert (ran.coil("Y3").verdict, codes(ran, "Y3")) == ("retest", ["probe"])
    assert [ran.coil(coil).verdict for coil in ("Y1", "Y2")] == ["pass", "pass"]
    ran.assert_left_safe()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("swapped", "verdict", "code"), [("true", "retest", "driven-diode"), ("false", "pass", "within-limits")]
)
def test_a_diode_across_a_coil_shows_when_its_leads_are_swapped(
    tmp_path: Path, swapped: str, verdict: str, code: str
) -> None:
    """The ohmmeter sees neither; the drive meets a short at the limit one way, and the coil the other way."""
    ran = soak(tmp_path, f"diode = {{ leads_swapped = {swapped} }}")
    assert (ran.coil("Y3").verdict, codes(ran, "Y3")) == (verdict, [code])
    held = [row for row in ran.rows("Y3") if row["status"] == "current limit"]
    assert all(float(row["current_A"]) > 3.0 and float(row["voltage_V"]) < 1.0 for row in held)
    assert bool(held) == (swapped == "true")
    ran.assert_left_safe()
