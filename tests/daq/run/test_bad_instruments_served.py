"""The same bad instruments over TCP and a pseudo-serial line, in real time: hangs, lies and garbage."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from daq.bench.guard.guard import OUTPUT_UNKNOWN
from daq.instruments.haste import UNDER_CURRENT_S
from daq.run.practice import practice_bench
from daq.sim.bench import SimBench
from daq.sim.devices.unreliable import LyingSupply, UnreliableMeter
from tests.daq.kits.soak import Ran, run, small_set
from tests.daq.kits.wire import wait_until
from tests.daq.run.test_bad_instruments import script_with

pytestmark = pytest.mark.slow
SCALE = 5.0


@contextmanager
def soaking(folder: Path, **tables: str) -> Iterator[tuple[SimBench, Any]]:
    """Serve a bench with bad instruments, and soak one coil in a thread; give bench and what came."""
    script = script_with(folder, **tables)
    coil_set = small_set(folder, "Y1", steps_degC="[30]", hold_s=0, cool_s=30)
    came: list[Ran] = []
    with practice_bench(folder, script, scale=SCALE) as (bench, rig):
        work = threading.Thread(
            target=lambda: came.append(run(folder / "runs", rig=rig, coil_set=coil_set, heat="supply"))
        )
        work.start()

        def ended() -> Ran:
            work.join(120.0)
            assert not work.is_alive()
            return came[0]

        yield bench, ended
        work.join(120.0)


def test_a_meter_that_hangs_has_the_coil_off_within_a_second(tmp_path: Path) -> None:
    """By the wall clock: from the question that is not answered until no current flows."""
    with soaking(tmp_path, meter="hangs_at_driven = 4\nhang_s = 10.0") as (bench, ended):
        meter: Any = bench.peers["meter"]
        assert isinstance(meter, UnreliableMeter)
        wait_until(lambda: meter._hung_until_s > 0.0, "the hang")
        began_s = time.monotonic()
        wait_until(lambda: bench.output_V() == 0.0, "no voltage")
        assert time.monotonic() - began_s < UNDER_CURRENT_S + 0.6
        ran = ended()
    assert ran.outcome.state == "complete"
    assert any("switched off at once" in event["text"] for event in ran.events())
    assert bench.contacts_moved_under_current == 0


def test_a_supply_that_lies_is_caught_before_a_contact_moves(tmp_path: Path) -> None:
    """The alarm stands while it lasts; when the stage obeys again the run ends."""
    with soaking(tmp_path, supply="lies_at_off = 1") as (bench, ended):
        supply: Any = bench.peers["supply"]
        assert isinstance(supply, LyingSupply)
        wait_until(lambda: supply._lies, "the lie")
        time.sleep(5.0)
        assert bench.output_V() > 1.0
        assert bench.contacts_moved_under_current == 0
        assert bench.sense_moved_on_live_coil == 0
        supply._lies = False
        ran = ended()
    assert OUTPUT_UNKNOWN in ran.screen
    assert any("the meter sees" in event["text"] for event in ran.events())
    assert ran.outcome.error is not None
    assert bench.contacts_moved_under_current == 0


def test_garbage_over_a_serial_line_ends_no_soak(tmp_path: Path) -> None:
    """One reading in twenty is garbage: asked again, told, and the soak goes to its end."""
    with soaking(tmp_path, meter="garbage_once_in = 20") as (bench, ended):
        ran = ended()
    assert ran.outcome.state == "complete"
    assert any(event["kind"] == "link" and "asked again" in event["text"] for event in ran.events())
    assert bench.contacts_moved_under_current == 0
