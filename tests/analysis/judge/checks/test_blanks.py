"""Empty cells: an open coil as a recorder leaves it never passes, and a recorder's own gaps harm nobody."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from analysis.judge.set import judge_set
from analysis.model import Accuracy, CoilResult
from tests.analysis.kits.evidence import Part, opens_empty, oven_set, settled_points, time_at

Spoil = Callable[[list[Part], np.random.Generator], None]


def judged(parts: list[Part], *, timed: bool = True) -> dict[str, CoilResult]:
    """Judge a bare table."""
    result = judge_set([part.trace(timed=timed) for part in parts], None, None, Accuracy())
    return {coil.coil: coil for coil in result.coils}


def blank(coil: CoilResult) -> bool:
    """Whether empty cells are held against a coil."""
    return any(reason.code == "blank" for reason in coil.reasons)


def table(seed: int, count: int = 4, every_s: float = 60.0) -> list[Part]:
    """A sound set."""
    return oven_set(np.random.default_rng(seed), count, every_s=every_s)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("count", [1, 4])
def test_a_hot_open_whose_cells_are_empty_is_told(seed: int, count: int) -> None:
    """With times: it reads cold and on its way up, is empty when hot, and reads again."""
    parts = table(seed, count)
    opens_empty(parts[0], 80.0 - 5.0 * seed, 70.0 - 5.0 * seed)
    coils = judged(parts)
    assert (coils["Y1"].verdict, blank(coils["Y1"])) == ("retest", True)
    assert not any(blank(coils[part.label]) for part in parts[1:])


@pytest.mark.parametrize("count", [1, 4])
def test_settled_points_without_the_hottest_are_told(count: int) -> None:
    """Without times: three readings at each temperature, those at 90 degC empty."""
    parts = settled_points(table(1, count))
    parts[0].ohm[parts[0].body_degC > 80.0] = np.nan
    coils = judged(parts, timed=False)
    assert (coils["Y1"].verdict, blank(coils["Y1"])) == ("retest", True)
    assert any(" at 90 degC" in reason.text for reason in coils["Y1"].reasons)


def test_an_open_that_comes_after_a_time_at_heat_is_told() -> None:
    """It was read at 90 degC too, and then no more while its neighbours were."""
    parts = table(2)
    late = (parts[0].time_s > time_at(parts[0], 89.0) + 400.0) & (parts[0].body_degC > 88.0)
    parts[0].ohm[late] = np.nan
    assert blank(judged(parts)["Y1"])


@pytest.mark.parametrize("count", [1, 2, 3])
def test_the_only_empty_cells_of_a_record_are_told(count: int) -> None:
    """A recorder that left nothing else empty, though it skips whole rows of all, did not lose these."""
    parts = table(2)
    hottest = np.flatnonzero(parts[0].body_degC > 89.0)[-count:]
    parts[0].ohm[hottest] = np.nan
    rng = np.random.default_rng(2)
    for part in parts:
        kept = (rng.random(part.ohm.size) > 0.02) | np.isnan(part.ohm)
        for name in ("time_s", "body_degC", "winding_degC", "probe_degC", "ohm"):
            setattr(part, name, getattr(part, name)[kept])
    coils = judged(parts)
    assert (coils["Y1"].verdict, blank(coils["Y1"])) == ("retest", True)
    assert not any(blank(coils[part.label]) for part in parts[1:])


@pytest.mark.parametrize("seed", range(3))
def test_a_few_moments_without_a_reading_in_one_coil_are_told(seed: int) -> None:
    """Two or three single cells, all of them warm, in a table that lacks nothing else."""
    parts, rng = table(seed), np.random.default_rng(seed)
    warm = np.flatnonzero(parts[0].body_degC > 60.0)
    parts[0].ohm[rng.choice(warm, size=2 + seed % 2, replace=False)] = np.nan
    coils = judged(parts)
    assert (coils["Y1"].verdict, blank(coils["Y1"])) == ("retest", True)
    assert not any(blank(coils[part.label]) for part in parts[1:])


def test_an_empty_cell_of_each_coil_is_the_recorder() -> None:
    """One cell lost here and there in all coils is held against nobody."""
    parts = table(2)
    for place, part in enumerate(parts):
        part.ohm[np.flatnonzero(part.body_degC > 80.0)[3 + 5 * place]] = np.nan
    assert not any(blank(coil) for coil in judged(parts).values())


def test_lines_that_are_not_there_at_all_are_told() -> None:
    """A logger that writes only what it read leaves the lines out."""
    parts = table(3)
    read = parts[0].winding_degC < 78.0
    for name in ("time_s", "body_degC", "winding_degC", "probe_degC", "ohm"):
        setattr(parts[0], name, getattr(parts[0], name)[read])
    coils = judged(parts)
    assert (coils["Y1"].verdict, blank(coils["Y1"])) == ("retest", True)
    assert not any(blank(coils[part.label]) for part in parts[1:])


def test_single_cells_that_are_empty_the_oftener_the_hotter_are_told() -> None:
    """Dropouts as a recorder leaves them: hardly any cold, many hot, none beside."""
    parts, rng = table(4), np.random.default_rng(4)
    parts[0].ohm[(parts[0].body_degC > 60.0) & (rng.random(parts[0].ohm.size) < 0.2)] = np.nan
    coils = judged(parts)
    assert blank(coils["Y1"])
    assert not any(blank(coils[part.label]) for part in parts[1:])


def one_a_row(parts: list[Part], _: np.random.Generator) -> None:
    """A scanner that reads one coil a row."""
    for number, part in enumerate(parts):
        part.ohm[np.arange(part.ohm.size) % len(parts) != number] = np.nan


def no_stamps(parts: list[Part], rng: np.random.Generator) -> None:
    """A recorder that lost rows of all coils, twenty of them at a stretch."""
    gone = rng.random(parts[0].ohm.size) < 0.05
    gone[100:120] = True
    for part in parts:
        part.ohm[gone] = np.nan


def here_and_there(parts: list[Part], rng: np.random.Generator) -> None:
    """Single cells that got lost anywhere."""
    for part in parts:
        part.ohm[rng.random(part.ohm.size) < 0.02] = np.nan


def late_wiring(parts: list[Part], _: np.random.Generator) -> None:
    """One coil was connected some minutes after the recorder was started, cold."""
    parts[0].ohm[:3] = np.nan


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("spoil", [one_a_row, no_stamps, here_and_there, late_wiring])
def test_a_recorders_own_gaps_are_held_against_nobody(spoil: Spoil, seed: int) -> None:
    """Gaps that are as they always are, or that all coils share, tell nothing of a coil."""
    parts = table(seed, every_s=30.0)
    spoil(parts, np.random.default_rng(seed))
    assert not any(blank(coil) for coil in judged(parts).values())


def test_an_open_shows_between_the_gaps_of_a_scanner() -> None:
    """One coil a row, and one of them reads nothing while it is hot."""
    parts = table(5, every_s=15.0)
    opens_empty(parts[0], 78.0, 70.0)
    one_a_row(parts, np.random.default_rng(5))
    coils = judged(parts)
    assert [label for label, coil in coils.items() if blank(coil)] == ["Y1"]


@pytest.mark.slow
@pytest.mark.parametrize(("every_s", "share"), [(30.0, 0.1), (10.0, 0.05), (5.0, 0.1)])
def test_cells_that_are_empty_here_and_there_touch_nobody(every_s: float, share: float) -> None:
    """The longer a record, the longer the runs that chance alone makes."""
    rng = np.random.default_rng(7)
    parts = oven_set(rng, 4, every_s=every_s)
    for part in parts:
        part.ohm[rng.random(part.ohm.size) < share] = np.nan
    result = judge_set([part.trace() for part in parts], None, None, Accuracy())
    assert not [coil.coil for coil in result.coils for reason in coil.reasons if reason.code == "blank"]


@pytest.mark.slow
def test_a_hot_gap_among_scattered_empty_cells_is_found() -> None:
    """Chance does not leave twenty in succession empty while others are read."""
    rng = np.random.default_rng(8)
    parts = oven_set(rng, 4, every_s=10.0)
    for part in parts:
        part.ohm[rng.random(part.ohm.size) < 0.1] = np.nan
    end = parts[1].ends[-1]
    parts[1].ohm[end - 30 : end - 10] = np.nan
    result = judge_set([part.trace() for part in parts], None, None, Accuracy())
    found = {coil.coil for coil in result.coils for reason in coil.reasons if reason.code == "blank"}
    assert found == {"Y2"}
