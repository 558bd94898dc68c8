"""A run on the practice bench is marked as simulated at any pace, a real one as never to be left alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from daq.bench.assembly import SIMULATED_MAKER
from daq.clock import VirtualClock
from daq.config.builtin import builtin
from daq.config.load import is_practice, load_rig
from daq.record.reader import read_run
from daq.run.execute import note_of
from daq.run.practice import PRACTICE_MARK, practice_bench
from daq.sim.bench import build
from tests.daq.kits.soak import run, small_set
from tests.daq.kits.wire import bench_on


def test_every_simulated_instrument_gives_itself_away() -> None:
    """What each answers to the question of who it is holds the mark that the record looks for."""
    bench = build(builtin("fault_scripts", "groomer_faults"), clock=VirtualClock())
    said = {name: peer.feed(b"*IDN?\n").decode() for name, peer in bench.peers.items()}
    assert len(said) == 5
    assert all(SIMULATED_MAKER in identity for identity in said.values())


@pytest.mark.slow
def test_a_run_on_a_practice_bench_in_real_time_is_marked_as_simulated(tmp_path: Path) -> None:
    """With a time scale of 1 and a rig file that could be anybody's, the instruments themselves tell."""
    with bench_on(tmp_path, scale=1.0) as (_, rig):
        assert not is_practice(load_rig(rig))
        ran = run(tmp_path / "runs", kind="sweep", rig=rig, coil_set=small_set(tmp_path, "Y1"))
    assert ran.outcome.error is None
    assert read_run(ran.outcome.folder).header.simulated


def test_the_rig_file_of_practice_needs_no_agreement_at_any_pace(tmp_path: Path) -> None:
    """It says what it is; the same beginning over a real address says nothing."""
    with practice_bench(tmp_path, scale=1.0) as (_, rig):
        text = rig.read_text(encoding="utf-8")
        assert text.startswith(PRACTICE_MARK)
        assert is_practice(load_rig(rig))
    other = tmp_path / "other.toml"
    other.write_text(
        PRACTICE_MARK + builtin("rigs", "example_lan").read_text(encoding="utf-8"), encoding="utf-8"
    )
    assert not is_practice(load_rig(other))


def test_a_heated_run_on_a_real_bench_says_that_it_must_not_be_left_alone() -> None:
    """From the first line of a soak; a sweep heats nothing and says nothing of it."""
    rig = load_rig(builtin("rigs", "example_lan")).value
    assert "never leave it alone" in note_of(rig, "soak")
    assert "alone" not in note_of(rig, "sweep")
