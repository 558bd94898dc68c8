"""`coilsoak log --learn`: which coils count, what is proposed, and that it is only proposed."""

from __future__ import annotations

import tomllib
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from analysis.statistics.tolerance import tolerance
from tests.daq.kits.cli import say
from tests.daq.kits.log import coil, make_run, make_shop
from tests.daq.kits.record import START


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A cache directory of the test's own."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


def make_many(root: Path, values_ohm: list[float], **more: object) -> None:
    """Make one run with a sound coil for each of *values_ohm*, each with a serial."""
    coils = [coil(f"Y{k}", serial=f"S-{k}", r20_ohm=value, **more) for k, value in enumerate(values_ohm)]
    make_run(root, "many", coils, job="J-1")


def test_a_coil_counts_once_with_its_newest_judgement(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Tested again a coil counts by the newest run alone; one that does not pass any more does not count."""
    values = [3.30 + 0.001 * k for k in range(25)]
    make_many(tmp_path, values)
    later = START + timedelta(days=1)
    again = [
        coil("X", serial="s-0 ", r20_ohm=3.299),  # the same coil, in other letters
        coil("Y", "fail", serial="S-1"),
        coil("Z", "retest", serial="S-2"),
        coil("Y3", serial="", r20_ohm=3.4),  # without a serial it is the coil Y3 of this job, and a 26th
    ]
    make_run(tmp_path, "again", again, job="J-2", start_utc=later)
    make_run(tmp_path, "older", [coil("Y0", serial="S-0", r20_ohm=9.9)], start_utc=START - timedelta(days=1))
    make_run(
        tmp_path, "same job", [coil("Y3", r20_ohm=3.31)], job="j-2", start_utc=later + timedelta(hours=1)
    )
    said = say(capsys, "log", tmp_path, "--learn", "SWITCHING", "--json").json()
    expected = tolerance(np.array([3.299, *values[3:], 3.31]))
    assert said["others"] == 2
    assert said["tolerance"]["n"] == expected.n == 24
    assert said["tolerance"]["mean"] == pytest.approx(expected.mean, abs=1e-12)
    assert said["tolerance"]["sd"] == pytest.approx(expected.sd, abs=1e-12)


def test_a_sweep_makes_no_sound_coil_of_one_that_a_soak_failed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A coil that failed hot is none to learn from, though it passed a cold sweep since then."""
    make_many(tmp_path, [3.30 + 0.001 * k for k in range(25)])
    later = START + timedelta(days=1)
    make_run(tmp_path, "hot", [coil("Y1", "fail", serial="S-1")], start_utc=later, kind="soak")
    swept = [coil("Y1", serial="S-1"), coil("Y2", serial="S-2")]
    make_run(tmp_path, "cold", swept, start_utc=later + timedelta(hours=1), kind="sweep")
    said = say(capsys, "log", tmp_path, "--learn", "SWITCHING", "--json").json()
    assert (said["others"], said["tolerance"]["n"]) == (1, 24)


def test_unjudged_and_simulated_runs_do_not_count(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A cut run takes no coil's judgement away; real and simulated coils are never mixed."""
    make_many(tmp_path, [3.30 + 0.001 * k for k in range(21)])
    make_run(tmp_path, "cut", [coil("Y1", "pass", serial="S-1")], start_utc=START + timedelta(days=1))
    (tmp_path / "cut" / "manifest.json").unlink()
    (tmp_path / "cut" / "result.json").unlink()
    simulated = [coil(f"Y{k}", serial=f"SIM-{k}", r20_ohm=7.0) for k in range(30)]
    make_run(tmp_path, "sim", simulated, simulated=True)
    real = say(capsys, "log", tmp_path, "--learn", "switching", "--json").json()
    assert (real["tolerance"]["n"], real["tolerance"]["normal"]["high"] < 4.0) == (21, True)
    practice = say(capsys, "log", tmp_path, "--learn", "switching", "--simulated", "--json").json()
    assert (practice["tolerance"]["n"], practice["tolerance"]["mean"]) == (30, 7.0)


def test_runs_may_be_chosen_by_day_and_stage_but_coils_may_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Days and stage choose the runs to learn from; choosing coils is refused."""
    make_many(tmp_path, [3.30 + 0.001 * k for k in range(21)])
    learn = ("log", tmp_path, "--learn", "switching")
    assert say(capsys, *learn, "--until", "2026-01-05", "--stage", "as received").status == 0
    assert "0 sound coils" in say(capsys, *learn, "--since", "2026-01-06").complaint()
    assert "0 sound coils" in say(capsys, *learn, "--stage", "after heat").complaint()
    for option in (["--verdict", "pass"], ["--serial", "S*"], ["--job", "J-1"]):
        assert "learns from all coils of a kind" in say(capsys, *learn, *option).complaint()


def test_the_lines_hold_the_interval_and_go_into_a_coil_set(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is printed last is TOML whose limits hold no less than the interval and hardly more."""
    make_shop(tmp_path)
    said = say(capsys, "log", tmp_path, "--learn", "switching")
    *told, line = said.out.split("\n\n")
    lines = tomllib.loads(line)
    learned = say(capsys, "log", tmp_path, "--learn", "switching", "--json").json()
    assert line.splitlines() == learned["lines"]
    interval = learned["tolerance"]["by_rank"]
    reach = lines["r20_ohm"] * lines["r20_tolerance_rel"]
    assert lines["r20_ohm"] - reach <= interval["low"]
    assert lines["r20_ohm"] + reach >= interval["high"]
    assert 2 * reach <= 1.2 * (interval["high"] - interval["low"])
    assert lines["r20_spread_rel"] == pytest.approx(
        learned["tolerance"]["sd"] / learned["tolerance"]["mean"], rel=0.1
    )
    assert "Nothing is changed." in told[-1]
    assert told[-1].endswith("[kinds.switching]:")
    assert max(map(len, said.out.splitlines())) <= 80


def test_what_the_limits_rest_on_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Told are how many coils, which stand apart, both intervals, U, and what the lines would do."""
    make_shop(tmp_path)
    text = " ".join(say(capsys, "log", tmp_path, "--learn", "switching").out.split())
    learned = say(capsys, "log", tmp_path, "--learn", "switching", "--json").json()
    limits, verdicts = learned["tolerance"], learned["verdicts"]
    assert learned["apart"] == ["serial s-8", "serial s-7"]  # in order of R20
    assert f"from {limits['n']} coils whose newest judgement is a pass" in text
    assert f"2 more stand apart and were set aside. Look at them: {'; '.join(learned['apart'])}." in text
    assert f"k {limits['factor']:.3f}" in text
    assert "they assume no distribution, and 93 coils suffice" in text
    assert f"U of one R20 is {learned['median_U_ohm']:.4f} ohm (median)" in text
    assert learned["median_U_ohm"] in {0.008, 0.01}
    assert sum(verdicts.values()) == limits["n"] + 2
    assert verdicts["fail"] == 2
    assert f"{verdicts['pass']} of all these coils pass" in text


def test_few_coils_rest_on_a_normal_distribution(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Below the number for ranks the lines are those of the normal interval, and it says so."""
    make_many(tmp_path, [3.30 + 0.001 * k for k in range(21)])
    text = " ".join(say(capsys, "log", tmp_path, "--learn", "switching").out.split())
    assert "by rank needs 93 coils; the lines below assume a normal distribution" in text
    wider = say(capsys, "log", tmp_path, "--learn", "switching", "--content", "0.99", "--json").json()
    assert (wider["tolerance"]["least_by_rank"], wider["tolerance"]["by_rank"]) == (473, None)


@pytest.mark.parametrize(
    ("values_ohm", "complaint"),
    [
        (
            [3.3] * 19,
            "--learn switching: 19 sound coils, expected at least 20 that do not stand apart; runs of",
        ),
        ([0.1 * k for k in range(25)], "--learn switching: R20 scatters from"),
    ],
)
def test_what_cannot_be_learned_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], values_ohm: list[float], complaint: str
) -> None:
    """Too few coils, or values without any agreement, are refused in one line with what is needed."""
    make_many(tmp_path, values_ohm)
    assert say(capsys, "log", tmp_path, "--learn", "switching").complaint().startswith(complaint)


def test_coils_that_are_all_the_same_give_limits_that_are_not_empty(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A sample without any scatter, as of a coarse meter, ends in limits a file can hold."""
    make_many(tmp_path, [3.3] * 30)
    learned = say(capsys, "log", tmp_path, "--learn", "switching", "--json").json()
    lines = tomllib.loads("\n".join(learned["lines"]))
    assert lines == {"r20_ohm": 3.3, "r20_tolerance_rel": 1e-5, "r20_spread_rel": 1e-5}
