"""`coilsoak log`: runs found by what is known of them, shown to people and to programs."""

from __future__ import annotations

import json
import shlex
from datetime import UTC, datetime
from pathlib import Path

import pytest

from daq.record.format import HEADER
from tests.daq.kits.cli import ROOT, say
from tests.daq.kits.log import coil, make_run
from tests.daq.kits.record import start


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A cache directory of the test's own."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """Four invented runs: two of one job, one of another, and one that was cut."""
    runs = tmp_path / "runs"
    may = datetime(2026, 5, 31, 23, 59, tzinfo=UTC)
    june = datetime(2026, 6, 1, 0, 0, tzinfo=UTC)
    make_run(
        runs,
        "a",
        [
            coil("Y1", serial="SG-101"),
            coil("Y2", "fail", serial="SG-102", r20_ohm=None, r20_u_ohm=None),
            coil("Y7", "retest", kind="Proportional", serial="PV[7]", r20_ohm=5.3),
        ],
        job="J-7",
        start_utc=may,
    )
    make_run(runs, "b", [coil("Y1", serial="sg-101")], job="j-7", start_utc=june, stage="after cleaning")
    make_run(runs / "straße", "c", [coil("Ü1", "fail", serial="")], job="STRASSE 9", kind="sweep")
    with start(runs, job="J-70", start_utc=datetime(2026, 7, 1, tzinfo=UTC)):
        pass  # never closed
    return runs


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ("", ["c", "a", "b", "20260701T000000Z-J-70-soak-as-received"]),
        ("--job j-7", ["a", "b"]),
        ("--job J-7*", ["a", "b", "20260701T000000Z-J-70-soak-as-received"]),
        ("--job J-7?", ["20260701T000000Z-J-70-soak-as-received"]),
        ("--job straße*", ["c"]),
        ("--serial SG-101", ["a", "b"]),
        ("--serial sg-1*", ["a", "b"]),
        ("--serial pv[7]*", ["a"]),
        ("--coil ü1", ["c"]),
        ("--kind PROPORTIONAL", ["a"]),
        ("--kind switching --verdict retest", []),
        ("--verdict fail", ["c", "a"]),
        ("--serial SG-101 --verdict fail", []),
        ("--stage 'after cleaning'", ["b"]),
        ("--since 2026-06-01", ["b", "20260701T000000Z-J-70-soak-as-received"]),
        ("--until 2026-05-31", ["c", "a"]),
        ("--since 2026-05-31 --until 2026-05-31", ["a"]),
        ("--newest 2", ["b", "20260701T000000Z-J-70-soak-as-received"]),
        ('--job "\'; DROP TABLE run; --"', []),
    ],
)
def test_runs_are_found_by_what_is_known_of_them(
    shop: Path, capsys: pytest.CaptureFixture[str], options: str, expected: list[str]
) -> None:
    """Each option narrows the search, whatever the case of letters; a coil has to meet all that is asked."""
    said = say(capsys, "log", shop, "--json", *shlex.split(options)).json()
    assert [Path(run["run"]).name for run in said["runs"]] == expected
    assert all((Path(run["run"]) / HEADER).exists() for run in said["runs"])


def test_the_table_tells_runs_and_the_coils_asked_for(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A run takes a line and its folder another, at 80 columns; a coil asked for is told with its R20."""
    said = say(capsys, "log", shop)
    assert max(map(len, said.out.replace(str(shop), "runs").splitlines())) <= 80
    assert said.out.replace(str(shop), "runs").splitlines() == [
        "started, UTC      run    stage           job            coils",
        "2026-01-05 08:00  sweep  as received     STRASSE 9      1 fail",
        "  runs/straße/c",
        "2026-05-31 23:59  soak   as received     J-7            1 pass, 1 fail, 1 retest",
        "  runs/a",
        "2026-06-01 00:00  soak   after cleaning  j-7            1 pass",
        "  runs/b",
        "2026-07-01 00:00  soak   as received     J-70           -",
        "  runs/20260701T000000Z-J-70-soak-as-received  (simulated, cut)",
    ]
    coils = say(capsys, "log", shop, "--job", "J-7", "--coil", "y*").out.splitlines()
    assert [line.strip() for line in coils if line.startswith("  Y")] == [
        "Y1         + pass      R20 3.300 ±0.010 ohm  switching, SG-101",
        "Y2         x fail      switching, SG-102",
        "Y7         ? retest    R20 5.300 ±0.010 ohm  Proportional, PV[7]",
        "Y1         + pass      R20 3.300 ±0.010 ohm  switching, sg-101",
    ]


def test_what_is_not_shown_is_counted(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With more runs than are shown, the last line says how many there are; with none, it says so."""
    assert say(capsys, "log", shop, "--newest", "1").out.splitlines()[-1] == (
        "the newest 1 of 4 runs; --newest shows more"
    )
    assert say(capsys, "log", shop, "--job", "none").out == "no such run found\n"


def test_broken_folders_are_named_and_counted(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a question each broken run is named with the reason; with one they are counted in a note."""
    (shop / "a" / HEADER).write_text("{}")
    line = say(capsys, "log", shop).out.splitlines()[-1]
    assert line.startswith(f"cannot be read: {shop / 'a'}: header.json: damaged (")
    assert say(capsys, "log", shop, "--job", "J-7").out.splitlines()[-1] == (
        "note: 1 cannot be read and could not be searched; 'log' alone names them"
    )
    (broken,) = say(capsys, "log", shop, "--json").json()["broken"]
    assert broken["run"] == str(shop / "a")


def test_what_somebody_wrote_into_a_run_does_not_reach_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Codes in a job, a serial or a folder's name are shown as blanks, markup as it stands."""
    bad = "\x1b[2J[bold]"
    make_run(tmp_path / "runs", bad, [coil("Y1", serial=bad)], job=bad)
    said = say(capsys, "log", tmp_path / "runs", "--coil", "y1").out
    assert "\x1b" not in said
    assert said.count("[2J[bold]") == 3


def test_nothing_is_written_where_the_runs_are(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A search leaves the searched folder exactly as it was."""
    before = sorted((str(path), path.stat().st_mtime_ns) for path in shop.rglob("*"))
    say(capsys, "log", shop, "--rebuild")
    assert sorted((str(path), path.stat().st_mtime_ns) for path in shop.rglob("*")) == before


def test_records_as_the_program_writes_them_are_found(capsys: pytest.CaptureFixture[str]) -> None:
    """Runs of the simulated bench are found with the verdicts, serials and resistances of their results."""
    said = say(
        capsys, "log", ROOT / "sample_runs", "--serial", "SG-105", "--verdict", "fail", "--json"
    ).json()
    assert said["found"] > 0
    for run in said["runs"]:
        result = json.loads((Path(run["run"]) / "result.json").read_text())
        (judged,) = [each for each in result["coils"] if each["serial"] == "SG-105"]
        assert run["coils"] == [
            {
                "label": judged["coil"],
                "kind": judged["kind"],
                "serial": "SG-105",
                "verdict": "fail",
                "r20_ohm": judged["r20_ohm"],
                "r20_U_ohm": judged["r20_k"] * judged["r20_u_ohm"],
            }
        ]


@pytest.mark.parametrize(
    ("options", "complaint"),
    [
        (["--since", "yesterday"], "'yesterday' is not a day, expected one as 2026-01-31"),
        (
            ["--since", "2026-02-01", "--until", "2026-01-01"],
            "--since 2026-02-01: is after --until 2026-01-01",
        ),
        (["--verdict", "good"], "'good' is not one of 'pass', 'fail', 'retest'"),
        (["--newest", "0"], "0 is not in the range x>=1"),
        (
            ["nowhere"],
            "nowhere: cannot be searched (No such file or directory), expected a folder of run folders",
        ),
    ],
)
def test_what_cannot_be_searched_is_refused_in_one_line(
    capsys: pytest.CaptureFixture[str], options: list[str], complaint: str
) -> None:
    """A wrong option or folder is told with what was expected."""
    assert complaint in say(capsys, "log", *options).complaint()
