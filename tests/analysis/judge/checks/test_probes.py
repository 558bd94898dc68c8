"""Probes that come off, slide, stick or are wrong: their coil neither fails nor passes for it."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest

from analysis.judge.checks.probes import without_lost
from analysis.judge.set import judge_set
from analysis.model import Accuracy, CoilResult, Limits, Subject, Trace
from tests.analysis.kits.evidence import (
    Part,
    lagged,
    oven_set,
    probe_slides,
    probe_sticks,
    probe_to_air,
    settled_points,
    time_at,
)


def judged(parts: list[Part]) -> dict[str, CoilResult]:
    """Judge a bare table."""
    result = judge_set([part.trace() for part in parts], None, None, Accuracy())
    return {coil.coil: coil for coil in result.coils}


def codes(coil: CoilResult) -> list[str]:
    """Return the codes of a coil's reasons."""
    return [reason.code for reason in coil.reasons]


def table(seed: int, count: int = 4) -> list[Part]:
    """A sound set."""
    return oven_set(np.random.default_rng(seed), count, every_s=30.0)


def falls(part: Part, seed: int) -> None:
    """It falls to the air of the room on the way up."""
    probe_to_air(part, time_at(part, 55.0 + 8.0 * seed), part.air_degC)


def falls_cooling(part: Part, seed: int) -> None:
    """The same on the way down."""
    top = int(np.argmax(part.body_degC))
    at = top + int(np.argmax(part.body_degC[top:] < 70.0 - 8.0 * seed))
    probe_to_air(part, float(part.time_s[at]), part.air_degC)


def slides(part: Part, seed: int) -> None:
    """It loses touch within a quarter or half an hour."""
    probe_slides(part, time_at(part, 60.0), part.air_degC, 900.0 * (1 + seed))


def sticks(part: Part, seed: int) -> None:
    """The thermometer goes on with one figure."""
    probe_sticks(part, time_at(part, 45.0 + 15.0 * seed))


def is_wrong(part: Part, seed: int) -> None:
    """It is off by the same, hot and cold."""
    part.probe_degC += (-7.0, 6.0, 11.0)[seed]


def touches_half(part: Part, _: int) -> None:
    """It was never more than half on its body."""
    part.probe_degC[:] = part.air_degC + 0.5 * (part.probe_degC - part.air_degC)


Fault = Callable[[Part, int], None]


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("fault", [falls, falls_cooling, slides, sticks, is_wrong, touches_half])
def test_a_probe_that_is_off_its_body_is_named_and_its_coil_tested_again(fault: Fault, seed: int) -> None:
    """The verdict is retest for the probe alone, and nothing is held against the neighbours."""
    parts = table(seed)
    fault(parts[2], seed)
    coils = judged(parts)
    assert coils["Y3"].verdict == "retest"
    assert "probe" in codes(coils["Y3"])
    assert not any("probe" in codes(coils[part.label]) for part in parts if part is not parts[2])
    assert all(coil.verdict != "fail" for coil in coils.values())


@pytest.mark.parametrize("fault", [falls, falls_cooling, sticks])
def test_without_neighbours_a_fall_is_told_by_the_winding(fault: Fault) -> None:
    """One coil alone: its winding goes on where the probe does not."""
    parts = table(1, 1)
    fault(parts[0], 1)
    coil = judged(parts)["Y1"]
    assert (coil.verdict, "probe" in codes(coil)) == ("retest", True)


def test_the_time_and_what_was_read_before_are_told_and_kept() -> None:
    """The fall is dated to the row, and R20 comes from the rows before it."""
    parts = table(2)
    truth = float(np.median(parts[2].ohm[:5] * 254.5 / (234.5 + parts[2].winding_degC[:5])))
    at_s = time_at(parts[2], 75.0)
    probe_to_air(parts[2], at_s, parts[2].air_degC)
    coil = judged(parts)["Y3"]
    (reason,) = [each for each in coil.reasons if each.code == "probe"]
    (told_s,) = [
        float(word) for word, unit in pairwise(reason.text.split()) if unit == "s" and word.isdigit()
    ]
    assert at_s <= told_s <= at_s + 60.0
    assert coil.r20_ohm == pytest.approx(truth, rel=0.005)
    assert coil.hottest_degC is not None
    assert coil.hottest_degC < 77.0


def test_a_fault_that_was_seen_before_the_probe_fell_still_convicts() -> None:
    """A coil that opened hot has opened, whatever its probe did later."""
    parts = table(3)
    hot = (parts[2].time_s > time_at(parts[2], 65.0)) & (parts[2].time_s < time_at(parts[2], 65.0) + 600.0)
    status = np.where(hot, "open or over range", "ok").tolist()
    parts[2].ohm[hot] = np.nan
    parts[2].status = status
    probe_to_air(parts[2], time_at(parts[2], 88.0), parts[2].air_degC)
    assert judged(parts)["Y3"].verdict == "fail"


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("share", [-0.08, 0.06])
def test_a_coil_that_changes_is_not_blamed_on_its_probe(share: float, seed: int) -> None:
    """Turns that short above 70 degC, or a joint that opens there, move the resistance and not the probe."""
    parts = table(seed)
    parts[2].ohm[parts[2].winding_degC > 70.0] *= 1.0 + share
    assert "probe" not in codes(judged(parts)["Y3"])


def test_a_quenched_coil_is_not_taken_for_a_lost_probe() -> None:
    """A body put into water loses forty kelvin in a minute, and its winding follows."""
    parts = table(4)
    part = parts[2]
    at_s = float(part.time_s[part.ends[-1]])
    cold = part.time_s > at_s
    hot_K, gone_s = part.body_degC[part.ends[-1]] - part.air_degC, part.time_s[cold] - at_s
    body = part.air_degC + hot_K * np.exp(-gone_s / 25.0)
    winding = body + 0.4 * hot_K * np.exp(-gone_s / 45.0)
    part.ohm[cold] *= (234.5 + winding) / (234.5 + part.winding_degC[cold])
    part.probe_degC[cold] = np.round(body, 1)
    assert "probe" not in codes(judged(parts)["Y3"])


def comes_off_by_15_K(part: Part, _: int) -> None:
    """Within one row it is 15 K lower, no more than a minute would allow, and it stays there."""
    off = slice(part.ends[-1] - 30, part.ends[-1])
    part.probe_degC[off] -= 15.0


def picks_up(part: Part, seed: int) -> None:
    """Readings in bursts are off by tens of kelvins."""
    rng = np.random.default_rng(seed)
    burst = rng.random(part.probe_degC.size) < 0.3
    part.probe_degC += burst * rng.normal(0.0, 15.0 + 25.0 * seed, burst.size)


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("spoil", [comes_off_by_15_K, picks_up])
def test_a_sound_coil_does_not_fail_for_a_probe_that_is_off(
    spoil: Callable[[Part, int], None], seed: int
) -> None:
    """Ohms go on as those of like parts: that coil is retested for its probe, and no other is touched."""
    parts = table(40 + seed)
    spoil(parts[1], seed)
    found = judged(parts)
    assert codes(found.pop("Y2"))[0] == "probe"
    assert {coil.verdict for coil in found.values()} == {"pass"}


@pytest.mark.parametrize("from_row", [0, 3, 9])
def test_in_a_table_of_settled_points_a_probe_that_stands_is_told_by_like_parts(from_row: int) -> None:
    """Its ohms rise and fall with those of others, whose probes say why."""
    parts = settled_points(table(50, 5))
    parts[1].probe_degC[from_row:] = parts[1].probe_degC[max(from_row - 1, 0)]
    result = judge_set([part.trace(timed=False) for part in parts], None, None, Accuracy())
    found = {coil.coil: coil for coil in result.coils}
    coil = found.pop("Y2")
    assert coil.verdict == "retest"
    assert "probe" in codes(coil)
    assert {coil.verdict for coil in found.values()} == {"pass"}


@pytest.mark.parametrize("warmer_K", [8.0, 15.0])
def test_a_coil_that_begins_warmer_than_the_others_has_its_probe_on(warmer_K: float) -> None:
    """It comes from the bench next door; probe and winding agree all along."""
    parts = table(60)
    part = parts[0]
    rng = np.random.default_rng(61)
    part.body_degC = np.maximum(part.body_degC, part.air_degC + warmer_K * np.exp(-part.time_s / 600.0))
    part.winding_degC = lagged(part.time_s, part.body_degC, 40.0)
    part.probe_degC = np.round(part.body_degC + rng.normal(0.0, 0.05, part.time_s.size), 1)
    part.ohm = np.round(float(part.ohm[0]) * (234.5 + part.winding_degC) / (234.5 + part.winding_degC[0]), 3)
    _, lost = without_lost([each.trace() for each in parts])
    assert not lost


@pytest.mark.parametrize(("together", "ends_s"), [(True, 100.0), (True, 1e9), (False, 1e9)])
def test_a_body_that_is_quenched_has_its_probe_on(together: bool, ends_s: float) -> None:
    """Its winding comes after: coils that fall in the same minute were taken out of the oven."""
    parts = table(70)
    rng = np.random.default_rng(71)
    for part in parts if together else parts[:1]:
        top = part.ends[-1]
        after = part.time_s > part.time_s[top]
        cooling = np.exp(-(part.time_s[after] - part.time_s[top]) / 120.0)
        ohm_per_K = float(part.ohm[top]) / (234.5 + part.winding_degC[top])
        part.body_degC[after] = part.air_degC + (part.body_degC[top] - part.air_degC) * cooling
        part.winding_degC = lagged(part.time_s, part.body_degC, 40.0)
        part.probe_degC = np.round(part.body_degC + rng.normal(0.0, 0.05, after.size), 1)
        part.ohm = np.round(ohm_per_K * (234.5 + part.winding_degC), 3)
        part.ohm[part.time_s > part.time_s[top] + ends_s] = np.nan  # nobody reads on
    _, lost = without_lost([part.trace() for part in parts])
    assert not lost


@pytest.mark.parametrize("timed", [True, False])
def test_no_coil_fails_by_a_temperature_that_nobody_read(timed: bool) -> None:
    """One figure stands in all rows while the ohms of all rise and fall: no R20 can be had by it."""
    parts = table(80) if timed else settled_points(table(80))
    for part in parts:
        part.probe_degC[:] = 85.0
    limits = {"valve": Limits("valve", r20_ohm=float(parts[0].ohm[0]))}
    subjects = [Subject(part.label, "valve") for part in parts]
    traces = [part.trace(timed=timed) for part in parts]
    for coil in judge_set(traces, subjects, limits, Accuracy()).coils:
        assert coil.verdict == "retest"
        assert "probe" in codes(coil)


@pytest.mark.parametrize("timed", [True, False])
def test_a_probe_in_other_degrees_is_left_out_from_the_beginning(timed: bool) -> None:
    """Its coil has no R20 by it, and its neighbours pass."""
    parts = table(90, 5) if timed else settled_points(table(90, 5))
    parts[2].probe_degC[:] = 1.8 * parts[2].probe_degC + 32.0
    result = judge_set([part.trace(timed=timed) for part in parts], None, None, Accuracy())
    found = {coil.coil: coil for coil in result.coils}
    spoiled = found.pop("Y3")
    assert spoiled.verdict == "retest"
    assert "probe" in codes(spoiled)
    assert {coil.verdict for coil in found.values()} == {"pass"}


def heated_by_itself(off_s: float | None, *, until_s: float = 1560.0, pause_s: float = 20.0) -> Trace:
    """A coil under its own current with pauses, then cooling; its probe comes off at *off_s*."""
    every_s = 5.0
    rng = np.random.default_rng(7)
    time_s = np.arange(0.0, 3900.0, every_s)
    powered = (time_s > 60.0) & (time_s < until_s) & (time_s % 90.0 < 90.0 - pause_s)
    body, winding, probe = np.empty((3, time_s.size))
    body_degC = winding_degC = probe_degC = 22.0
    for row, driven in enumerate(powered.tolist()):
        body[row], winding[row], probe[row] = body_degC, winding_degC, probe_degC
        for _ in range(int(every_s)):
            into_body_W = 0.9 * (winding_degC - body_degC)
            winding_degC += ((17.0 if driven else 0.0) - into_body_W) / 18.0
            body_degC += (into_body_W - 0.12 * (body_degC - 22.0)) / 140.0
            on = off_s is None or time_s[row] < off_s
            probe_degC += ((body_degC if on else 22.0) - probe_degC) / (8.0 if on else 25.0)
    ohm = 4.7 * (234.5 + winding) / 254.5 + rng.normal(0.0, 0.001, time_s.size)
    amperes = np.where(powered, 9.0 / ohm, np.nan)
    return Trace(
        coil="Y1",
        time_s=time_s,
        probe_degC=probe + rng.normal(0.0, 0.05, time_s.size),
        resistance_ohm=ohm,
        voltage_V=np.where(powered, 9.0, np.nan),
        current_A=amperes,
        phase=np.select(
            [time_s <= 60.0, time_s < until_s, time_s < 3700.0], ["ambient", "heat", "cool"], "return"
        ),
        source=np.where(powered, "V/I", "ohms"),
        status=np.full(time_s.size, "ok"),
    )


@pytest.mark.parametrize("off_s", [700.0, 1100.0, 1500.0])
def test_a_probe_that_falls_while_its_coil_heats_itself_is_left_out_from_then_on(off_s: float) -> None:
    """It comes off a body that its own winding keeps warm: dated within a minute, kept before."""
    ((kept,), found) = without_lost([heated_by_itself(off_s)])
    assert found["Y1"].criterion.code == "probe"
    known_s = kept.time_s[np.isfinite(kept.probe_degC)]
    assert off_s - 15.0 <= known_s.max() <= off_s + 30.0


def test_pulses_and_the_end_of_heating_are_not_taken_for_a_lost_probe() -> None:
    """A winding falls by tens of kelvin at each pause, and its body does not."""
    ((kept,), found) = without_lost([heated_by_itself(None)])
    assert not found
    assert np.isfinite(kept.probe_degC).all()


def test_a_coil_whose_probe_fell_under_its_own_heat_is_not_blamed_for_it() -> None:
    """What the probe calls cold is a body that is still warm: that is no change of the coil."""
    trace = heated_by_itself(400.0, until_s=440.0, pause_s=0.0)
    judgement = judge_set([trace], None, None, Accuracy())
    (coil,) = judgement.coils
    assert coil.verdict == "retest"
    assert "probe" in codes(coil)
