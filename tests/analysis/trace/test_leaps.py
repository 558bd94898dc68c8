"""Leaps of the resistance: of the winding, and not of a probe that falls before its winding does."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.arrays import FloatArray
from analysis.judge.set import judge_set
from analysis.model import Accuracy, CoilResult, Trace
from analysis.trace.leaps import find_leaps
from analysis.trace.rows import sort_rows
from tests.analysis.kits.evidence import Part, lagged, oven_set

ROOM_DEGC = 22.0


def judged(parts: list[Part]) -> list[CoilResult]:
    """Judge a bare table."""
    return list(judge_set([part.trace() for part in parts], None, None, Accuracy()).coils)


def opened_oven(seed: int, every_s: float, body_s: float, winding_s: float, count: int = 3) -> list[Part]:
    """A sound set whose oven door is opened after the last hold: bodies fall, windings follow."""
    rng = np.random.default_rng(seed)
    parts = oven_set(rng, count, every_s=every_s)
    for part in parts:
        top = part.ends[-1]
        after = part.time_s > part.time_s[top]
        cooling = np.exp(-(part.time_s[after] - part.time_s[top]) / body_s)
        part.body_degC[after] = ROOM_DEGC + (part.body_degC[top] - ROOM_DEGC) * cooling
        part.winding_degC = lagged(part.time_s, part.body_degC, winding_s)
        part.probe_degC = np.round(part.body_degC + rng.normal(0.0, 0.05, after.size), 1)
        copper = 3.3 * (234.5 + part.winding_degC) / 254.5 + 0.01
        part.ohm = np.round(copper + rng.normal(0.0, 0.0008, after.size), 3)
    return parts


@pytest.mark.parametrize("winding_s", [20.0, 50.0])
@pytest.mark.parametrize(("every_s", "body_s"), [(20.0, 60.0), (20.0, 400.0), (60.0, 60.0), (60.0, 250.0)])
def test_a_sound_winding_that_lags_a_quenched_body_does_not_leap(
    every_s: float, body_s: float, winding_s: float
) -> None:
    """The probe falls first and the ohms follow smoothly, so nothing leaps."""
    for part in opened_oven(1, every_s, body_s, winding_s):
        assert find_leaps(sort_rows(part.trace())) == []


@pytest.mark.slow
def test_a_sound_set_in_an_opened_oven_passes() -> None:
    """No coil is sent to retest because the door was opened."""
    for winding_s in (20.0, 50.0):
        for coil in judged(opened_oven(2, 20.0, 300.0, winding_s)):
            assert coil.verdict == "pass", coil.reasons


@pytest.mark.parametrize("share", [-0.08, -0.03, -0.015, 0.015, 0.03, 0.08])
@pytest.mark.parametrize("above_degC", [63.0, 80.0])
def test_a_winding_that_leaps_on_the_move_is_found(share: float, above_degC: float) -> None:
    """Turns that short, or a joint that parts, between two holds show there and on the way back."""
    part = oven_set(np.random.default_rng(3), 1)[0]
    part.ohm = np.where(part.winding_degC > above_degC, part.ohm * (1.0 + share), part.ohm)
    there, back = find_leaps(sort_rows(part.trace()))
    assert np.sign(there.change_rel) == np.sign(share) == -np.sign(back.change_rel)
    assert abs(there.change_rel) == pytest.approx(abs(np.log1p(share)), abs=0.004)


def heats_itself(volts: FloatArray, every_s: int, fault_rel: float = 0.0, above_degC: float = 300.0) -> Trace:
    """A winding of 40 J/K in a body of 400 J/K under a supply of *volts*, one value a second."""
    winding = body = ROOM_DEGC
    rows = []
    for second, volt in enumerate(volts.tolist()):
        ohm = (3.3 * (234.5 + winding) / 254.5 + 0.01) * (1.0 + fault_rel * (winding > above_degC))
        if second % every_s == 0:
            rows.append((second, body, ohm, volt, volt / ohm))
        winding += (volt**2 / ohm - 0.9 * (winding - body)) / 40.0
        body += (0.9 * (winding - body) - 0.25 * (body - ROOM_DEGC)) / 400.0
    time_s, probe, ohms, volt_V, ampere = np.array(rows).T
    rng = np.random.default_rng(4)
    ohms = ohms + rng.normal(0.0, 0.0008, ohms.size)
    on = volt_V > 0.0
    return Trace(
        "Y1",
        time_s,
        np.round(probe, 1),
        ohms,
        np.where(on, volt_V, np.nan),
        np.where(on, ampere, np.nan),
        np.full(ohms.size, ""),
        np.where(on, "V/I", "ohms"),
        np.full(ohms.size, "ok"),
    )


@pytest.mark.parametrize("every_s", [2, 5, 10, 20])
@pytest.mark.parametrize("levels_V", [(9.0, 6.0), (6.0, 9.0), (10.0, 4.0)])
def test_a_step_of_the_supply_is_no_leap_of_the_winding(every_s: int, levels_V: tuple[float, ...]) -> None:
    """A winding that heads elsewhere since the supply was set anew has not changed."""
    volts = np.concatenate([np.zeros(120), *(np.full(600, each) for each in levels_V), np.zeros(900)])
    assert find_leaps(sort_rows(heats_itself(volts, every_s))) == []


@pytest.mark.parametrize("share", [-0.08, -0.03, 0.03, 0.08])
def test_a_winding_that_leaps_under_power_is_found(share: float) -> None:
    """Voltage is held and current alone changes: the winding did that."""
    volts = np.concatenate([np.zeros(120), np.full(900, 9.0), np.zeros(900)])
    leaps = find_leaps(sort_rows(heats_itself(volts, 5, share, above_degC=60.0)))
    assert any(leap.change_rel == pytest.approx(np.log1p(share), abs=0.01) for leap in leaps)
