"""Probes that come off, slide, stick or are wrong: their coil neither fails nor passes for it."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest

from analysis.judge import judge_set
from analysis.model import Accuracy, CoilResult
from tests.analysis.evidencekit import Part, oven_set, probe_slides, probe_sticks, probe_to_air, time_at


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
