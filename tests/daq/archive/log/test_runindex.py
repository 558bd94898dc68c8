"""The index of runs: what makes it look again, and that nothing about its file matters."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from daq.archive.log import refresh
from daq.archive.log.index import index_path, with_index
from daq.archive.log.search import Found, Wanted, search
from daq.errors import InputError
from daq.record.format import HEADER, MANIFEST, RESULT
from tests.daq.kits.cli import ROOT, environment
from tests.daq.kits.log import coil, make_run
from tests.daq.kits.record import START, start


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A cache directory of the test's own; times of change are trusted at once, as if they were old."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setattr(refresh, "UNSURE_S", -1.0)
    return tmp_path / "cache" / "coilsoak"


@pytest.fixture
def runs(tmp_path: Path) -> Path:
    """A folder with two runs, one of them in a folder of its job."""
    make_run(tmp_path / "runs", "first", job="J-1")
    make_run(tmp_path / "runs" / "J-2", "second", job="J-2")
    return tmp_path / "runs"


def found(folder: Path, told: list[str] | None = None, *, rebuild: bool = False) -> Found:
    """Return every run in *folder*."""
    tell = (told if told is not None else []).append
    return with_index(folder, lambda index: search(index, Wanted(), 1000), tell, rebuild=rebuild)


def names(folder: Path, told: list[str] | None = None) -> set[str]:
    """Return the names of the run folders found in *folder*."""
    return {run.folder.name for run in found(folder, told).runs}


def test_runs_are_found_at_any_depth_and_new_moved_and_removed_ones_are_seen(runs: Path) -> None:
    """What is added, renamed, moved or removed after a search shows in the next."""
    assert names(runs) == {"first", "second"}
    make_run(runs / "J-3" / "deeper", "third", job="J-3")
    assert names(runs) == {"first", "second", "third"}
    (runs / "first").rename(runs / "J-2" / "1st")
    shutil.rmtree(runs / "J-3")
    assert names(runs) == {"1st", "second"}
    (runs / "J-2").rename(runs / "J-9")
    assert {str(run.folder) for run in found(runs).runs} == {"J-9/1st", "J-9/second"}


def test_with_nothing_new_no_run_folder_is_looked_at(runs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A second search asks the system for the folders that hold runs and for nothing in them."""
    found(runs)
    looked: list[str] = []
    real = os.lstat

    def lstat(path: bytes | str) -> os.stat_result:
        if isinstance(path, bytes):  # texts are those of the test's own folders being resolved
            looked.append(os.fsdecode(path).removeprefix(str(runs)))
        return real(path)

    monkeypatch.setattr(refresh.os, "lstat", lstat)
    monkeypatch.setattr(refresh, "read_brief", lambda folder: pytest.fail(f"{folder} was read"))
    assert len(found(runs).runs) == 2
    assert sorted(looked) == ["/", "/J-2"]


def test_a_run_still_going_on_is_read_again_until_it_is_closed(runs: Path) -> None:
    """A run is listed as cut with the coils it is to test, and with its verdicts once it is closed."""
    writer = start(runs, job="J-5")
    (open_run,) = [run for run in found(runs).runs if run.job == "J-5"]
    assert (open_run.state, open_run.counts) == ("cut", {})
    writer.close("complete", {"coils": [coil("Y1", "fail")]})
    (closed,) = [run for run in found(runs).runs if run.job == "J-5"]
    assert (closed.state, closed.counts) == ("complete", {"fail": 1})


def test_a_folder_that_becomes_a_run_while_it_is_copied_is_found(runs: Path) -> None:
    """A folder seen without its header is looked at again when the header arrives."""
    half = runs / "copied"
    half.mkdir()
    assert names(runs) == {"first", "second"}
    for name in (HEADER, MANIFEST):
        shutil.copy(runs / "first" / name, half)
        (copied,) = [run for run in found(runs).runs if run.folder.name == "copied"]
    assert copied.problem == f"{RESULT}: missing"
    shutil.copy(runs / "first" / RESULT, half)
    (copied,) = [run for run in found(runs).runs if run.folder.name == "copied"]
    assert (copied.problem, copied.counts) == ("", {"pass": 1})


@pytest.mark.parametrize(
    ("name", "content", "problem"),
    [
        (HEADER, b"{", "header.json: damaged"),
        (HEADER, b'{"schema": 99}', "header.json: written by a newer program"),
        (RESULT, b'{"coils": [{}]}', "result.json: damaged"),
        (RESULT, b'{"coils": [{"coil": "\xff", "verdict": "pass"}]}', "result.json: damaged"),
        (RESULT, b"[" * 100_000, "result.json: damaged"),
        (MANIFEST, b"nothing", "manifest.json: damaged"),
    ],
)
def test_a_damaged_run_is_listed_as_such_and_read_again_when_mended(
    runs: Path, name: str, content: bytes, problem: str
) -> None:
    """Damage to header, result or manifest is told with its file; a mended run is as if nothing had been."""
    sound = (runs / "first" / name).read_bytes()
    (runs / "first" / name).write_bytes(content)
    seen = found(runs)
    told = [why for _, why in seen.broken] + [run.problem for run in seen.runs if run.problem]
    assert len(told) == 1
    assert told[0].startswith(problem)
    (runs / "first" / name).write_bytes(sound)
    os.utime(runs / "first", ns=(1, 1))  # what a copy of a folder does; a file in it would not
    mended = found(runs)
    assert not mended.broken
    assert [run.problem for run in mended.runs] == ["", ""]


def test_too_many_coils_or_endless_words_are_cut(runs: Path) -> None:
    """A result with more coils than a bench has is damage; a serial of a megabyte is cut."""
    make_run(runs, "many", [coil(f"Y{number}") for number in range(300)])
    make_run(runs, "long", [coil("Y1", serial="S" * 1_000_000)])
    by_name = {run.folder.name: run for run in found(runs).runs}
    assert "more than 256 coils" in by_name["many"].problem
    assert by_name["long"].coils[0].serial == "S" * 100


def test_numbers_beyond_floats_are_not_determined(runs: Path) -> None:
    """An R20 beyond floats counts as not determined; an uncertainty alone does not take R20 with it."""
    make_run(runs, "odd", [coil("Y1", r20_u_ohm=1e308, r20_k=1e308)])
    (odd,) = [run for run in found(runs).runs if run.folder.name == "odd"]
    assert (odd.coils[0].r20_ohm, odd.coils[0].r20_U_ohm) == (3.3, None)


def test_links_hidden_folders_and_names_that_are_no_text(runs: Path) -> None:
    """A link is not followed, a hidden folder is passed over, a name that is no UTF-8 is found."""
    (runs / "loop").symlink_to(runs, target_is_directory=True)
    (runs / ".first.staging").mkdir()
    shutil.copy(runs / "first" / HEADER, runs / ".first.staging")
    odd = os.fsdecode(b"odd-\xff")
    shutil.copytree(runs / "first", runs / odd)
    assert names(runs) == {"first", "second", odd}


def test_a_folder_is_needed_and_a_run_folder_is_none(runs: Path, tmp_path: Path) -> None:
    """What cannot be searched is refused in one line."""
    with pytest.raises(InputError, match=r"cannot be searched \(No such file"):
        found(tmp_path / "nowhere")
    with pytest.raises(InputError, match="cannot be searched"):
        found(tmp_path / "nul\0")
    with pytest.raises(InputError, match="is a run folder itself"):
        found(runs / "first")


def garbage(path: Path) -> None:
    """Overwrite the index with what is no database."""
    path.write_bytes(b"not a database, but long enough to be taken for one" * 100)


def torn(path: Path) -> None:
    """Damage the index from its second page on."""
    size = path.stat().st_size
    with path.open("r+b") as stream:
        stream.seek(4096)
        stream.write(b"\x55" * (size - 4096))


def foreign(path: Path) -> None:
    """Put somebody else's database there."""
    path.unlink()
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE run (something TEXT)")
        other.commit()


def newer(path: Path) -> None:
    """Let the index be of a newer version."""
    with closing(sqlite3.connect(path)) as index:
        index.execute("PRAGMA user_version = 99")
        index.commit()


def without_tables(path: Path) -> None:
    """Take a table out of the index."""
    with closing(sqlite3.connect(path)) as index:
        index.execute("DROP TABLE coil")
        index.commit()


@pytest.mark.parametrize("spoil", [garbage, torn, foreign, newer, without_tables])
def test_a_spoiled_index_is_made_anew_without_a_word(runs: Path, spoil: object) -> None:
    """Whatever is in the place of the index, the search finds what there is, and the next one is quick."""
    assert callable(spoil)
    found(runs)
    spoil(index_path(runs))
    told: list[str] = []
    assert names(runs, told) == {"first", "second"}
    with closing(sqlite3.connect(index_path(runs))) as index:
        assert index.execute("SELECT COUNT(*) FROM coil").fetchone() == (2,)
    assert told == []


def test_where_no_index_can_be_kept_the_folders_are_read_and_that_is_told(runs: Path, cache: Path) -> None:
    """A cache directory that cannot be made costs time and nothing else."""
    cache.parent.mkdir(exist_ok=True)
    cache.write_text("a file in the place of the cache directory")
    told: list[str] = []
    assert names(runs, told) == {"first", "second"}
    assert len(told) == 1
    assert told[0].startswith(f"the index cannot be kept in {cache} (")


def test_an_index_that_another_process_holds_is_done_without(
    runs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where another process does not let go of the index, the search goes on in memory and says so."""
    monkeypatch.setattr("daq.archive.log.index.PATIENCE_S", 0.05)
    found(runs)
    make_run(runs, "third")
    told: list[str] = []
    with closing(sqlite3.connect(index_path(runs), isolation_level=None)) as holder:
        holder.execute("BEGIN EXCLUSIVE")
        assert names(runs, told) == {"first", "second", "third"}
    assert "locked" in told[0]
    assert names(runs, told) == {"first", "second", "third"}
    assert len(told) == 1


@pytest.mark.slow
def test_processes_that_search_at_once_all_find_everything(tmp_path: Path) -> None:
    """Four processes that build the same index at the same time each list every run, once."""
    runs = tmp_path / "runs"
    for number in range(60):
        make_run(runs / f"J-{number % 7}", f"run-{number}", job=f"J-{number % 7}")
    command = [sys.executable, "-m", "daq", "log", str(runs), "--newest", "100", "--json"]
    env = environment(XDG_CACHE_HOME=str(tmp_path / "cache"))
    started = [
        subprocess.Popen(command, cwd=ROOT, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        for _ in range(4)
    ]
    ended = [(process.communicate(timeout=60), process.returncode) for process in started]
    for (out, err), status in ended:
        assert (status, err) == (0, b"")
        seen = json.loads(out)
        assert seen["found"] == 60
        assert len({run["run"] for run in seen["runs"]}) == 60


def test_rebuild_reads_what_a_closed_run_says_now(runs: Path) -> None:
    """A closed run is not read again, since it does not change; --rebuild reads it all the same."""
    assert found(runs).runs[0].operator == "A. Tester"
    header = runs / "first" / HEADER
    header.write_text(header.read_text().replace("A. Tester", "B. Tester"))
    assert {run.operator for run in found(runs).runs} == {"A. Tester"}
    assert {run.operator for run in found(runs, rebuild=True).runs} == {"A. Tester", "B. Tester"}


def test_an_index_cut_short_goes_on_where_it_ended(runs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A first search that is interrupted loses no run and lists none twice."""
    monkeypatch.setattr(refresh, "BATCH", 2)
    for number in range(7):
        make_run(runs, f"more-{number}", start_utc=START)
    real, count = refresh.read_brief, iter(range(100))

    def interrupted(folder: Path) -> object:
        if next(count) == 5:
            raise KeyboardInterrupt
        return real(folder)

    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(refresh, "read_brief", interrupted)
        found(runs)
    assert sorted(run.folder.name for run in found(runs).runs) == sorted(
        ["first", "second", *(f"more-{number}" for number in range(7))]
    )
