"""A record whose disk fills, goes or is swapped under the run, and whose clock is not to be trusted."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from pathlib import Path

import pytest

import daq.sim.bench
from daq.bench.watchdog.process import RunWatch, Teller
from daq.clock import VirtualClock
from daq.durable_file import AppendFile
from daq.errors import RecordError
from daq.record.reader import read_run
from daq.record.writer import RunWriter
from daq.sim.bench import SimBench
from tests.daq.kits.cli import only_run, say
from tests.daq.kits.record import START, TEXTS, header, reading, start
from tests.daq.kits.soak import ask, small_set


def paced(parent: Path, wall: VirtualClock) -> RunWriter:
    """Start a record that goes to the disk as *wall* passes."""
    return RunWriter.create(parent, header(), TEXTS, VirtualClock(START), wall)


def removed(folder: Path) -> None:
    """Remove a folder with all that is in it."""
    shutil.rmtree(folder)


def moved(folder: Path) -> None:
    """Move a folder elsewhere."""
    folder.rename(folder.with_name("elsewhere"))


def swapped(folder: Path) -> None:
    """Put a copy in the place of a folder, as a synchronising program might."""
    shutil.copytree(folder, folder.with_name("copy"))
    moved(folder)
    folder.with_name("copy").rename(folder)


@pytest.mark.parametrize("lose", [removed, moved, swapped], ids=lambda lose: lose.__name__)
def test_a_folder_that_is_lost_under_the_run_is_noticed_within_a_second(
    tmp_path: Path, lose: Callable[[Path], None]
) -> None:
    """Rows that would go to nobody's use are an error of the record, with the path and what to do."""
    wall = VirtualClock()
    with paced(tmp_path, wall) as writer:
        writer.row(reading(0))
        lose(writer.folder)
        wall.sleep(1.0)
        swap = r"readings\.csv: the record cannot be written \(.+\); what"
        gone = r"this run folder was removed or moved during the run, so readings\.csv cannot be written"
        with pytest.raises(RecordError, match=swap if lose is swapped else gone) as caught:
            writer.row(reading(1))
    assert caught.value.exit_status == 3
    assert "\n" not in str(caught.value)


def test_a_drive_that_goes_is_an_error_of_the_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that was pulled out lets the system report an input or output error at the next push."""
    wall = VirtualClock()
    with paced(tmp_path, wall) as writer:
        writer.row(reading(0))
        wall.sleep(1.0)
        with monkeypatch.context() as patch:

            def gone(_descriptor: int) -> None:
                raise OSError(errno.EIO, os.strerror(errno.EIO))

            patch.setattr(os, "fsync", gone)
            with pytest.raises(RecordError, match=r"Input/output error.*reconnect the disk"):
                writer.row(reading(1))


def test_a_part_is_done_only_with_its_rows_on_the_disk(tmp_path: Path) -> None:
    """The mark that lets a resumed run skip a part is written after the part's rows were pushed."""
    pushed: list[str] = []
    with start(tmp_path) as writer:
        writer._readings.push = lambda: pushed.append("rows")  # type: ignore[method-assign]
        writer._events.append = lambda line: pushed.append(line.decode().split(",")[2])  # type: ignore[method-assign]
        writer.event("step", "oven to 50 degC")
        writer.event("done", "step 50 degC")
        assert pushed == ["step", "rows", "done"]


class SteppedBack(VirtualClock):
    """A clock of the wall that somebody sets back an hour while time goes on."""

    back = timedelta()

    def utc(self) -> datetime:
        """Return the wall's idea of the time."""
        return super().utc() - self.back


def test_a_clock_that_is_set_back_disturbs_no_row(tmp_path: Path) -> None:
    """time_s goes on as time does; the events show the wall's clock as it was."""
    clock = SteppedBack(START)
    with start(tmp_path, clock) as writer:
        for second in range(4):
            writer.row(reading(0, time_s=writer.elapsed_s()))
            writer.event("step", f"{second}")
            if second == 1:
                clock.back = timedelta(hours=1)
            clock.sleep(1.0)
        writer.close("complete", None)
    run = read_run(writer.folder)
    assert run.readings.time_s.tolist() == [0.0, 1.0, 2.0, 3.0]
    assert [event.time_s for event in run.events] == [0.0, 1.0, 2.0, 3.0]
    assert [event.utc[11:19] for event in run.events] == ["08:00:00", "08:00:01", "07:00:02", "07:00:03"]
    assert run.problems == ()


def test_runs_that_start_at_once_in_one_place_never_share_a_folder(tmp_path: Path) -> None:
    """Of many starts in the same instant each has a folder of its own, whole."""
    with ThreadPoolExecutor(8) as pool:
        writers = list(pool.map(lambda _: start(tmp_path), range(24)))
    assert len({writer.folder for writer in writers}) == 24
    for writer in writers:
        writer.close("complete", None)
        assert read_run(writer.folder).problems == ()
    assert len(list(tmp_path.iterdir())) == 24


@pytest.mark.slow
def test_a_disk_that_fills_under_power_ends_the_run_with_the_supply_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 3 and one line; everything is off, and the rows up to there read as a cut run."""
    benches: list[SimBench] = []
    build, append = daq.sim.bench.build, AppendFile.append
    left = 60

    def remembered(*args: object, **kwargs: object) -> SimBench:
        benches.append(build(*args, **kwargs))  # type: ignore[arg-type]
        return benches[-1]

    def filling(self: AppendFile, line: bytes) -> None:
        nonlocal left
        left -= bool(benches[0].output_on())
        if left <= 0:
            raise RecordError("readings.csv: the record cannot be written (No space left on device)")
        append(self, line)

    monkeypatch.setattr(daq.sim.bench, "build", remembered)
    monkeypatch.setattr(AppendFile, "append", filling)
    coil_set = small_set(tmp_path, "Y1", steps_degC="[60]", hold_s=60)
    said = say(capsys, "soak", "--heat", "supply", "--set", coil_set, "--out", tmp_path / "runs")
    assert said.status == 3
    assert said.err == "coilsoak: readings.csv: the record cannot be written (No space left on device)\n"
    assert not benches[0].output_on()
    assert ask(benches[0], "supply", "VOLT?") == "0.0000"
    read = read_run(only_run(tmp_path / "runs"))
    assert read.state == "cut"
    assert (read.readings.phase == "heat").sum() > 30


def test_a_companion_without_a_folder_still_says_what_it_did(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The record's folder is gone: the line on standard error comes all the same."""
    for folder in (None, tmp_path / "gone"):
        teller = Teller(RunWatch(folder=folder), lambda: 1.0, lambda: "2026-01-05T08:00:00.000Z")
        teller("the supply is off")
        teller.close()
    assert capsys.readouterr().err == "coilsoak: companion process: the supply is off\n" * 2
