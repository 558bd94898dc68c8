"""Marks on both of their sides, each from its reason: what convicts a coil, and what is only a doubt."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.judge.checks.interruptions import interruptions
from analysis.judge.set import judge_set
from analysis.model import Accuracy, Limits, OpenKind, Opens, Subject, Trace
from analysis.trace.fretting import fretting
from analysis.trace.rows import sort_rows
from tests.analysis.conftest import Bench

#: Of a meter so good that only what is put into the readings scatters.
QUIET = Accuracy(noise_ohm=1e-7)


@pytest.mark.parametrize(
    ("warm", "count", "heated", "outcome"),
    [
        (2, 2, True, "fail"),  # twice while warm is no slip
        (1, 2, True, "retest"),  # once warm and once cold may be the clips
        (0, 3, True, "fail"),  # three in all are no chance either
        (0, 2, True, "retest"),
        (0, 3, False, "retest"),  # without heat the clips are as likely
    ],
)
def test_so_many_dropouts_convict(warm: int, count: int, heated: bool, outcome: str) -> None:
    """Two while warm, or three in all of a heated coil; fewer send it to a test with clean contacts."""
    opens = Opens(OpenKind.DROPOUTS, count, warm, warm_share=0.01, cold_share=0.01)
    assert interruptions(opens, heated=heated).criterion.outcome == outcome


def restless(bench: Bench, hot_ohm: float, cold_ohm: float, hot_rows: int = 241) -> Trace:
    """A coil whose readings lie by turns above and below their line, by so much hot and cold."""
    time_s = np.arange(0.0, 15.0 * (80 + hot_rows), 15.0)
    body = np.where(np.arange(time_s.size) < 80, 22.0, 90.0)
    turns = np.where(np.arange(time_s.size) % 2, 1.0, -1.0)
    ohm = 3.3 * (1.0 + (body - 20.0) / 254.4529) + turns * np.where(body > 50.0, hot_ohm, cold_ohm)
    phase = np.where(body > 50.0, "hold", "ambient")
    return bench.trace("Y1", time_s, body, ohm, phase=phase)


def noisy(trace: Trace) -> bool:
    """Whether heat made the readings restless."""
    found = fretting(sort_rows(trace), QUIET)
    assert found is not None
    return found.noisy


@pytest.mark.parametrize(("ratio", "said"), [(2.9, False), (3.1, True)])
def test_hot_scatter_counts_from_three_times_the_cold_one_on(bench: Bench, ratio: float, said: bool) -> None:
    """Noise of an oven's heater alone makes hot readings twice as restless: three times is beyond that."""
    assert noisy(restless(bench, ratio * 0.004, 0.004)) is said


@pytest.mark.parametrize(("share", "said"), [(0.9e-3, False), (1.1e-3, True)])
def test_hot_scatter_counts_from_a_thousandth_of_the_coil_on(bench: Bench, share: float, said: bool) -> None:
    """However much it grew: less than a thousandth of the resistance is no contact that is about to open."""
    # By turns +-b, each reading is 2 b off the line of its neighbours: 2 b / sqrt(1.5) in standard deviations
    # of one reading, and a mark of 1.2816 of them. Half the rows are hot, so the middle one is hot too.
    b_ohm = share * 3.3 * (1.0 + 70.0 / 254.4529) * 1.2816 * np.sqrt(1.5) / 2.0
    assert noisy(restless(bench, b_ohm, b_ohm / 50.0)) is said


def stepped(bench: Bench, step_rel: float, rows_after: int, seed: int = 3) -> Trace:
    """A coil held hot whose resistance steps so many readings before the end of the hold."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, 9000.0, 30.0)
    body = np.interp(time_s, [600.0, 2400.0, 6000.0, 7800.0], [22.0, 90.0, 90.0, 22.0])
    ohm = 3.3 * (1.0 + (body - 20.0) / 254.4529)
    hold = np.flatnonzero((time_s > 2400.0) & (time_s <= 6000.0))
    ohm[hold[-rows_after:]] *= 1.0 + step_rel
    ohm[time_s > 6000.0] *= 1.0 + step_rel
    phase = np.where(body > 89.9, "hold", np.where(time_s < 600.0, "ambient", "rise"))
    phase = np.where(time_s > 6000.0, np.where(body > 22.1, "cool", "return"), phase)
    probe = body + rng.normal(0.0, 0.05, body.size)
    return bench.trace("Y1", time_s, probe, ohm + rng.normal(0.0, 3e-4, ohm.size), phase=phase)


@pytest.mark.parametrize(("rows_after", "said"), [(1, False), (3, True)])
def test_a_step_needs_readings_on_both_sides(bench: Bench, rows_after: int, said: bool) -> None:
    """One reading after it may be a slip; with three it is told as a step, and when it was."""
    result = judge_set(
        [stepped(bench, 0.02, rows_after)],
        [Subject("Y1", "valve")],
        {"valve": Limits("valve", r20_ohm=3.3)},
        Accuracy(noise_ohm=3e-4),
    )
    (coil,) = result.coils
    told = " ".join(reason.text for reason in coil.reasons)
    assert ("stepped by" in told) is said, told


def lacking(rows: int, without: int) -> Trace:
    """Rows of a coil at one temperature, *rows* of them under current, of which some lack a figure."""
    cold = 40
    n = cold + rows
    driven = np.arange(n) >= cold
    amperes = np.where(driven, 2.0, np.nan)
    ohm = np.full(n, 3.3)
    blank = np.flatnonzero(driven)[2 : 2 + 3 * without : 3]
    ohm[blank] = np.nan
    status = np.full(n, "ok", dtype="<U30")
    status[blank] = "missing: no reading"
    return Trace(
        "Y1",
        np.arange(0.0, 5.0 * n, 5.0),
        np.full(n, 20.0),
        ohm,
        np.where(np.isin(np.arange(n), blank), np.nan, np.where(driven, 6.6, np.nan)),
        amperes,
        np.where(driven, "drive", "sweep"),
        np.where(driven, "V/I", "ohms"),
        status,
    )


@pytest.mark.parametrize(
    ("rows", "without", "said"), [(100, 2, False), (100, 3, True), (20, 1, False), (20, 2, True)]
)
def test_few_rows_under_current_may_lack_a_figure(rows: int, without: int, said: bool) -> None:
    """One of them, or two in a hundred: a supply that does not answer once. More count against the coil."""
    limits = {"valve": Limits("valve", r20_ohm=3.3)}
    (coil,) = judge_set([lacking(rows, without)], [Subject("Y1", "valve")], limits, Accuracy()).coils
    assert ("lacking" in coil.account.against) is said, coil.account
