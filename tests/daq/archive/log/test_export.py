"""Exports of all runs as Parquet, and that learning from them by Dask gives the same figures."""

from __future__ import annotations

import importlib
import json
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from pyarrow import dataset

from daq.record.format import HEADER
from tests.daq.kits.cli import ROOT, environment, say
from tests.daq.kits.log import coil, make_run, make_shop
from tests.daq.kits.record import START

LEARN = ("log", "--learn", "Switching")


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A cache directory of the test's own."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


def test_an_export_has_one_row_a_coil_a_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every coil of every run is a row, in folders by kind free of case and by year."""
    odd = "odd/kind = 50 %"
    later = datetime(2027, 2, 3, 4, 5, 6, 7, tzinfo=UTC)
    make_run(tmp_path / "runs", "a", [coil("Y1", serial="S-1"), coil("Y2", "fail", kind=odd, r20_ohm=None)])
    last = make_run(tmp_path / "runs" / "b", "c", [coil("Y1", kind="SWITCHING")], job="Ü@", start_utc=later)
    header = (last / HEADER).read_text(encoding="utf-8")
    (last / HEADER).write_text(header.replace("@", "\\ud800"), encoding="utf-8")  # half a letter
    said = say(capsys, "log", tmp_path / "runs", "--export", tmp_path / "out", "--json").json()
    assert said == {"export": str(tmp_path / "out"), "rows": 3}
    kinds = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert kinds == ["kind=odd%2Fkind%20%3D%2050%20%25", "kind=switching"]
    whole = dataset.dataset(tmp_path / "out", partitioning="hive").to_table()
    table = whole.sort_by([("run", "ascending"), ("number", "ascending")]).to_pylist()
    assert [(row["run"], row["label"], row["verdict"]) for row in table] == [
        ("a", "Y1", "pass"),
        ("a", "Y2", "fail"),
        ("b/c", "Y1", "pass"),
    ]
    assert [(row["kind"], row["year"], row["r20_ohm"]) for row in table] == [
        ("switching", 2026, 3.3),
        (odd, 2026, None),
        ("switching", 2027, 3.3),
    ]
    assert table[2]["start_utc"] == later.replace(tzinfo=None)
    assert (table[2]["job"], table[2]["kind_name"]) == ("Ü", "SWITCHING")
    assert table[2]["identity"] == "job ü coil y1"


@pytest.mark.parametrize("options", [[], ["--since", "2026-03-01"], ["--stage", "as received"]])
def test_dask_learns_the_same_to_the_last_digit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, options: list[str]
) -> None:
    """From an export in many files the printed text and every figure of the JSON are those of the index."""
    monkeypatch.setattr("daq.archive.log.parquet.FILE_ROWS", 20)  # many files, put together in two rounds
    make_shop(tmp_path / "runs")
    say(capsys, "log", tmp_path / "runs", "--export", tmp_path / "out")
    assert len(list((tmp_path / "out").rglob("kind=switching/**/*.parquet"))) > 8
    for form in ([], ["--json"]):
        near = say(capsys, *LEARN, tmp_path / "runs", *options, *form)
        far = say(capsys, *LEARN, "--from", tmp_path / "out", *options, *form)
        assert far == near
        assert far.status == 0


def test_several_exports_copied_into_one_are_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exports of two shops in one folder are learned from as if their runs were."""
    for shop in (1, 2):
        make_shop(tmp_path / "runs" / f"shop {shop}", seed=shop, jobs=20)
        say(capsys, "log", tmp_path / "runs" / f"shop {shop}", "--export", tmp_path / f"out {shop}")
    for path in (tmp_path / "out 2").rglob("*.parquet"):
        target = tmp_path / "out 1" / path.relative_to(tmp_path / "out 2")
        target.parent.mkdir(parents=True, exist_ok=True)
        assert not target.exists()
        path.rename(target)
    # Shops that give the same job number are told apart by serials alone, as within one folder.
    assert say(capsys, *LEARN, "--from", tmp_path / "out 1", "--json").json() == (
        say(capsys, *LEARN, tmp_path / "runs", "--json").json()
    )


def test_a_kind_that_is_not_there_and_too_few_coils_are_refused_alike(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Refusals are the same from an export as from the index."""
    make_run(tmp_path / "runs", "a", [coil("Y1")])
    say(capsys, "log", tmp_path / "runs", "--export", tmp_path / "out")
    for kind in ("switching", "nothing"):
        near = say(capsys, "log", tmp_path / "runs", "--learn", kind)
        assert say(capsys, "log", "--from", tmp_path / "out", "--learn", kind) == near
    assert near.complaint() == "--learn nothing: no coil of that kind was found, expected one of switching"
    assert (
        "learns from all coils" in say(capsys, *LEARN, "--from", tmp_path / "out", "--job", "1").complaint()
    )


@pytest.mark.parametrize(
    ("options", "complaint"),
    [
        (["--from", "x"], "--from x: is for --learn KIND"),
        (["--learn", "x", "--scheduler", "tcp://127.0.0.1:1"], "is for --learn KIND --from EXPORT"),
        (["--export", "x", "--job", "1"], "--export x: writes all runs"),
        (["--export", "x", "--learn", "y"], "--export x: writes all runs"),
        (["--learn", "x", "--from", "nowhere"], "--from nowhere: no such folder"),
    ],
)
def test_options_that_do_not_go_together_are_refused(
    capsys: pytest.CaptureFixture[str], options: list[str], complaint: str
) -> None:
    """An option that would do nothing, or a place that is not there, is told in one line."""
    assert complaint in say(capsys, "log", *options).complaint()


def test_a_folder_of_something_else_is_no_export(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It is refused in words, not in those of the package that reads it."""
    (tmp_path / "empty").mkdir()
    complaint = say(capsys, *LEARN, "--from", tmp_path / "empty").complaint()
    assert complaint.endswith("empty: is no export, expected what --export wrote")


def test_places_that_will_not_do_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is written over, nothing is left half written, and what is no export is not learned from."""
    runs = tmp_path / "runs"
    runs.mkdir()
    assert "nothing to write" in say(capsys, "log", runs, "--export", tmp_path / "out").complaint()
    make_run(runs, "a", [coil("Y1")])
    assert "is there already" in say(capsys, "log", runs, "--export", runs).complaint()
    (tmp_path / "file").touch()
    assert "cannot be written" in say(capsys, "log", runs, "--export", tmp_path / "file" / "out").complaint()
    assert "cannot be read" in say(capsys, *LEARN, "--from", runs).complaint()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["cache", "file", "runs"]


def test_without_the_packages_it_says_how_to_get_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where pyarrow or Dask is not installed, one line names it and the command that installs it."""

    def missing(name: str) -> None:
        raise ImportError(name)

    monkeypatch.setattr("daq.archive.log.parquet.import_module", missing)
    make_run(tmp_path / "runs", "a", [coil("Y1")])
    wrote = say(capsys, "log", tmp_path / "runs", "--export", tmp_path / "out").complaint()
    assert wrote == (
        "pyarrow is missing, which --export and --from need; install it: pip install 'coilsoak[fleet]'"
    )
    assert "pip install" in say(capsys, *LEARN, "--from", tmp_path).complaint()


ON_A_CLUSTER = """
import sys
from pathlib import Path
from distributed import LocalCluster
from daq.archive.log import learn_dask as exportlearn
from daq.cli import main

export, nobody = sys.argv[1:]
exportlearn.PATIENCE_S = 0.3
quiet = dict(processes=False, protocol="tcp", host="127.0.0.1", dashboard_address=None)

def run(address):
    sys.argv = ["coilsoak", "log", "--learn", "switching", "--from", export, "--scheduler", address, "--json"]
    try:
        main()
    except SystemExit as ended:
        print(ended.code, file=sys.stderr)

with LocalCluster(n_workers=2, threads_per_worker=1, **quiet) as cluster:
    run(cluster.scheduler_address)
with LocalCluster(n_workers=0, **quiet) as cluster:
    run(cluster.scheduler_address)
run(nobody)
"""


@pytest.mark.slow
def test_a_cluster_learns_the_same_to_the_last_digit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two workers reached by address give the figures of the index; without workers or answer it is told."""
    make_shop(tmp_path / "runs")
    say(capsys, "log", tmp_path / "runs", "--export", tmp_path / "out")
    near = say(capsys, "log", tmp_path / "runs", "--learn", "switching", "--json").json()
    nobody = "tcp://127.0.0.1:1"
    done = subprocess.run(  # in a process of its own, since Dask's threads outlast their cluster
        [sys.executable, "-c", ON_A_CLUSTER, str(tmp_path / "out"), nobody],
        cwd=ROOT,
        env=environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert json.loads(done.stdout) == near
    told = [line for line in done.stderr.splitlines() if line.startswith(("coilsoak:", "0", "2"))]
    assert told[0] == "0"
    assert "has no workers, expected at least one" in told[1]
    assert told[2] == "2"
    assert f"--scheduler {nobody}: nobody answers there" in told[3]
    assert told[4] == "2"


def test_newest_judgements_do_not_depend_on_how_rows_are_divided() -> None:
    """One coil twice in a run, runs of one instant, R20 not determined: the newest row stays the newest."""
    pa = importlib.import_module("pyarrow")
    newest_of = importlib.import_module("daq.archive.log.learn_dask").newest_of
    start = START.replace(tzinfo=None)
    rows = [
        {
            "identity": f"c{k % 3}",
            "procedure": "soak",
            "start_utc": start,
            "run": f"r{k // 4}",
            "number": k % 4,
            "r20_ohm": None if k == 11 else float(k),
        }
        for k in range(12)
    ]
    whole = newest_of([pa.Table.from_pylist(rows)]).sort_by("identity").to_pylist()
    assert [row["r20_ohm"] for row in whole] == [9.0, 10.0, None]
    parts = [newest_of([pa.Table.from_pylist(rows[k::5])]) for k in range(5)]
    assert newest_of(parts[::-1]).sort_by("identity").to_pylist() == whole
