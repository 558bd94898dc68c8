"""Soaks whose instruments hang, babble or lie, in virtual time: what is driven, and what is said."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

import daq.run.execute
from daq.bench.guard.guard import OUTPUT_UNKNOWN
from daq.config.builtin import builtin
from daq.errors import BenchError, OutputUnknownError
from daq.instruments.haste import UNDER_CURRENT_S
from daq.sim.world.world import World
from tests.daq.kits.soak import Ran, rig_with, run, small_set

#: From the last answer to the next question under power: the looks at the current, and rows a second.
INTERVAL_S = 1.1
pytestmark = pytest.mark.slow


def bench(folder: Path, **tables: str) -> Path:
    """Write a rig whose instruments misbehave as told, over the invented coils."""
    script_with(folder, **tables)
    return rig_with(folder, "unreliable.toml")


def script_with(folder: Path, *, meter: str = "", supply: str = "") -> Path:
    """Write the invented fault script with lines more in the tables of meter and supply."""
    text = builtin("fault_scripts", "groomer_faults").read_text(encoding="utf-8")
    for table, lines in (("meter", meter), ("supply", supply)):
        assert text.count(f"\n[{table}]\n") <= 1
        if f"\n[{table}]\n" in text:
            text = text.replace(f"\n[{table}]\n", f"\n[{table}]\n{lines}\n")
        else:
            text = text.replace("\n[wiring]\n", f"\n[{table}]\n{lines}\n\n[wiring]\n")
    path = folder / "unreliable.toml"
    path.write_text(text, encoding="utf-8")
    return path


def soak(folder: Path, rig: Path, *labels: str, **changed: object) -> Ran:
    """Soak *labels* by their own heat to 50 degC."""
    coil_set = small_set(folder, *labels, steps_degC="[50]", hold_s=20, **changed)
    return run(folder / "runs", rig=rig, coil_set=coil_set, heat="supply")


def events(ran: Ran, kind: str) -> list[str]:
    """Return the texts of the events of *kind*."""
    return [event["text"] for event in ran.events() if event["kind"] == kind]


@pytest.fixture
def blind_s(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """How long current flowed, in all, after the meter last answered in a hang."""
    flowed = [0.0]
    flow = World._flow

    def watched(self: Any, dt_s: float, *, live: bool) -> None:
        meter: Any = getattr(self, "unreliable", None)
        if live and meter is not None and self.clock.monotonic() < meter._hung_until_s:
            flowed[0] += dt_s
        flow(self, dt_s, live=live)

    monkeypatch.setattr(World, "_flow", watched)
    from daq.sim.devices.unreliable import UnreliableMeter

    init = UnreliableMeter.__init__

    def known(self: Any, peer: Any, world: Any, *rest: Any) -> None:
        init(self, peer, world, *rest)
        world.unreliable = self

    monkeypatch.setattr(UnreliableMeter, "__init__", known)
    return flowed


def test_a_meter_that_hangs_under_power_costs_one_reading_interval(
    tmp_path: Path, blind_s: list[float]
) -> None:
    """The coil is off within a second of the question, and the soak goes on when the meter is back."""
    ran = soak(tmp_path, bench(tmp_path, meter="hangs_at_driven = 6\nhang_s = 3.0"), "Y1")
    assert 0.0 < blind_s[0] <= UNDER_CURRENT_S + 0.2
    assert ran.outcome.state == "complete"
    assert any("switched off at once: meter: 'READ?'" in text for text in events(ran, "heat"))
    assert ran.verdicts() == {"Y1": ("pass", "within-limits")}
    ran.assert_left_safe()


def test_a_meter_that_never_comes_back_ends_the_run_with_the_coil_off(
    tmp_path: Path, blind_s: list[float]
) -> None:
    """Off within a second, no contact moves on a coil that nobody sees, and the run says which meter."""
    ran = soak(tmp_path, bench(tmp_path, meter="hangs_at_driven = 6"), "Y1")
    assert 0.0 < blind_s[0] <= UNDER_CURRENT_S + 0.2
    assert ran.outcome.state == "fault"
    assert "meter" in str(ran.outcome.error)
    assert ran.truth.contacts_moved_under_current == 0
    assert not ran.truth.output_on()


def test_a_supply_that_says_off_and_is_not_is_seen_by_the_meter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No contact moves under its current, and the alarm stands."""
    monkeypatch.setattr(daq.run.execute, "VIRTUAL_PATIENCE_S", 20.0)
    ran = soak(tmp_path, bench(tmp_path, supply="lies_at_off = 3"), "Y1")
    assert ran.truth.output_V() > 3.0
    assert ran.truth.contacts_moved_under_current == 0
    assert ran.truth.sense_moved_on_live_coil == 0
    assert isinstance(ran.outcome.error, OutputUnknownError)
    assert any("the meter sees" in event["text"] for event in ran.events())
    assert OUTPUT_UNKNOWN in ran.screen


def test_garbage_now_and_then_is_asked_again_and_recorded(tmp_path: Path) -> None:
    """One reply in a hundred is no number: the soak passes its coil, and each of them is an event."""
    ran = soak(tmp_path, bench(tmp_path, meter="garbage_once_in = 100"), "Y1")
    assert ran.outcome.state == "complete"
    assert ran.verdicts() == {"Y1": ("pass", "within-limits")}
    again = [text for text in events(ran, "link") if text.endswith("asked again")]
    assert len(again) > 3
    assert all("'READ?' answered" in text for text in again)
    ran.assert_left_safe()


def test_a_meter_of_which_half_is_garbage_ends_the_run(tmp_path: Path) -> None:
    """It is dying: the run ends, safe, and says how many of its replies were damaged."""
    ran = soak(tmp_path, bench(tmp_path, meter="garbage_once_in = 2"), "Y1")
    assert ran.outcome.state == "fault"
    assert isinstance(ran.outcome.error, BenchError)
    assert "replies were damaged" in str(ran.outcome.error) or "'READ?' answered" in str(ran.outcome.error)
    ran.assert_left_safe()


@pytest.mark.parametrize("seed", range(2))
def test_a_digit_wrong_now_and_then_ends_no_soak(tmp_path: Path, seed: int) -> None:
    """One reading in fifty is wrong by a digit: heating is not given up for it, whatever that digit was."""
    coil_set = small_set(tmp_path, "Y1", steps_degC="[50]", hold_s=20, cool_s=120)
    rig = bench(tmp_path, meter="wrong_digit_once_in = 50")
    ran = run(tmp_path / "runs", rig=rig, coil_set=coil_set, heat="supply", seed=seed)
    assert ran.outcome.state == "complete"
    assert not any("heating ended" in text for text in events(ran, "heat"))
    ran.assert_left_safe()
