"""Probes watched during a run: what a fall is and what only looks like one."""

from __future__ import annotations

from math import inf

import pytest

from daq.errors import ProbeLostError
from daq.instruments.number import Number
from daq.procedures.soak.heat_limits import HeatCeilings, HeatWatch
from daq.procedures.soak.probe_watch import Company, FallWatch


def seen(*rows: tuple[float, float, float | None]) -> list[bool]:
    """Return after which rows of time, probe and winding a probe is off."""
    watch = FallWatch()
    return [watch.see(*row) is not None for row in rows]


def test_a_probe_that_falls_while_its_winding_stays_is_off_at_the_second_look() -> None:
    """One reading may be wrong by a digit; two that agree are not."""
    assert seen((0, 60, 60), (15, 61, 61), (30, 29, 62), (45, 25, 63)) == [False, False, False, True]


def test_a_single_wrong_digit_is_no_fall() -> None:
    """The next reading is where the body is."""
    assert not any(seen((0, 60, 60), (15, 20, 61), (30, 62, 62), (45, 63, 63), (60, 23, 63), (75, 64, 64)))


def test_a_body_that_cools_with_its_winding_is_no_fall() -> None:
    """Put into water it loses thirty kelvin, and so does its winding."""
    assert not any(seen((0, 80, 80), (15, 60, 72), (30, 50, 58), (45, 45, 50)))


def test_a_winding_that_leads_its_body_under_power_is_no_fall() -> None:
    """Switched on and off it moves by thirty kelvin, the probe does not."""
    assert not any(seen((0, 50, 50), (5, 50.2, 75), (10, 50.6, 82), (20, 51, 60), (40, 51, 54)))


def test_without_a_second_thermometer_nothing_is_told() -> None:
    """An open winding tells no temperature."""
    assert not any(seen((0, 60, None), (15, 30, None), (30, 28, None)))


def test_a_probe_apart_from_three_others_is_told_after_three_rounds() -> None:
    """Its winding is as warm as theirs; a coil that is colder by both is not told, nor one by its winding."""
    company, even = Company(), {"Y1": 70.0, "Y2": 70.5, "Y3": 69.5, "Y4": 70.0}
    rounds = [company.apart(even | {"Y3": 50.0}, even) for _ in range(3)]
    assert [sorted(each) for each in rounds] == [[], [], ["Y3"]]
    colder = even | {"Y3": 50.0}
    assert not any(Company().apart(colder, colder) for _ in range(5))
    assert not any(Company().apart(even, colder) for _ in range(5))


@pytest.mark.parametrize("off_degC", [22.0, 45.0, 105.0])
def test_of_three_probes_the_one_that_is_off_is_told_and_no_other(off_degC: float) -> None:
    """It pulls the middle of two its own way, by half: the two that are right are not told for it."""
    company, even = Company(), {"Y1": 70.0, "Y2": 70.5, "Y3": 69.5}
    rounds = [company.apart(even | {"Y3": off_degC}, even) for _ in range(5)]
    assert [sorted(each) for each in rounds] == [[], [], ["Y3"], ["Y3"], ["Y3"]]
    assert company.apart({coil: even[coil] for coil in ("Y1", "Y2")}, even) == {}


#: A light coil: heat capacities in J/K, conductances in W/K, copper in ohm at the air's temperature.
WINDING_J_PER_K, BODY_J_PER_K = 8.0, 32.0
TO_BODY_W_PER_K, TO_AIR_W_PER_K = 1.1, 0.22
COLD_OHM, AIR_DEGC, ALPHA_PER_K = 4.0, 22.0, 0.00393 / (1.0 + 0.00393 * 2.0)
#: Of the model; its winding follows its body within seven seconds.
TICK_S = 0.25


def self_heated(most_W: float, *, off_at_s: float = inf, within_s: float = 15.0) -> float | None:
    """Heat a light coil in pulses up to 60, 75 and 90 degC; return when its probe is told to be off, or None.

    Ten seconds of current with a row a second, and half a second without; the power is lowered towards each
    step as by anybody who regulates a body. From *off_at_s* on the probe falls to the air.
    """
    watch = HeatWatch("Y1", HeatCeilings(body_degC=120.0, winding_degC=180.0), stale_s=60.0)
    watch.cold(COLD_OHM, AIR_DEGC)
    watch.heats_itself()
    winding = body = probe = AIR_DEGC
    time_s, energy_J, power_W = 0.0, 0.0, 0.0
    for step in (60.0, 75.0, 90.0):
        for _ in range(35):
            holding_W = TO_AIR_W_PER_K * (step - AIR_DEGC)
            power_W = min(max(holding_W + 4.0 * (step - body), 0.0), most_W)
            for tick in range(42):
                driven = tick < 40
                heat_W = power_W if driven else 0.0
                inward_W = TO_BODY_W_PER_K * (winding - body)
                winding += TICK_S * (heat_W - inward_W) / WINDING_J_PER_K
                body += TICK_S * (inward_W - TO_AIR_W_PER_K * (body - AIR_DEGC)) / BODY_J_PER_K
                probe = body if time_s < off_at_s else probe + TICK_S * (AIR_DEGC - probe) / within_s
                time_s, energy_J = time_s + TICK_S, energy_J + TICK_S * heat_W
                if (tick % 4 and driven) or tick == 40:
                    continue
                ohm = COLD_OHM * (1.0 + ALPHA_PER_K * (winding - AIR_DEGC))
                try:
                    watch.see_winding(time_s, ohm, driven=driven)
                    watch.see_probe(time_s, Number(probe, "ok"), energy_J, driven=driven)
                except ProbeLostError:
                    return time_s
    assert body > 89.0
    return None


@pytest.mark.parametrize("most_W", [25.0, 40.0])
def test_a_light_coil_heated_by_its_own_current_keeps_its_probe(most_W: float) -> None:
    """Its body rises while less power lets the winding fall towards it: that is no probe that comes off."""
    assert self_heated(most_W) is None


@pytest.mark.parametrize("off_at_s", [60.0, 300.0, 700.0])
@pytest.mark.parametrize("most_W", [25.0, 40.0])
def test_a_probe_that_falls_off_a_light_coil_is_told_within_a_minute(most_W: float, off_at_s: float) -> None:
    """Heating up or holding: it falls to the air, and its winding does not."""
    told_s = self_heated(most_W, off_at_s=off_at_s)
    assert told_s is not None
    assert off_at_s < told_s < off_at_s + 60.0
