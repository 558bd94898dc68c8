"""What thermometers of an oven may say: overshoot, doors and lag pass; what no setpoint explains does not."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest

from daq.errors import OvenError
from daq.ovenwatch import COOL_WITHIN_S, QUIET_S, CoolWatch, SetpointWatch

SET_DEGC = 60.0
EVERY_S = 5.0


def times(until_s: float) -> Iterator[float]:
    """Return the times of looks."""
    return (EVERY_S * look for look in range(int(until_s / EVERY_S)))


def overshooting(peak_K: float, lag_s: float) -> Iterator[tuple[float, float]]:
    """An oven that comes up by 7 K a minute and swings about its setpoint, less and less."""
    for time_s in times(3600.0):
        rise = 22.0 + 7.0 / 60.0 * time_s
        since_s = time_s - (SET_DEGC - 22.0) * 60.0 / 7.0
        if since_s < 0.0:
            yield time_s, rise
        else:
            # e^0.5 makes the first swing about as high as peak_K.
            swing = math.exp(-since_s / (4.0 * lag_s)) * math.sin(since_s / lag_s)
            yield time_s, SET_DEGC + 1.48 * peak_K * swing


@pytest.mark.parametrize(("peak_K", "lag_s"), [(3.0, 60.0), (5.0, 20.0), (8.0, 40.0), (9.0, 25.0)])
def test_an_oven_that_swings_into_its_setpoint_passes(peak_K: float, lag_s: float) -> None:
    """Overshoot of kelvins, quick or slow, is how controllers are."""
    watch = SetpointWatch(SET_DEGC)
    highest = max(degC for _, degC in overshooting(peak_K, lag_s))
    assert SET_DEGC + 0.8 * peak_K < highest < SET_DEGC + 10.0
    for time_s, degC in overshooting(peak_K, lag_s):
        watch.see_air(time_s, degC)


def test_a_door_that_is_opened_passes() -> None:
    """The air falls by 25 K and comes back with an overshoot, again and again."""
    watch = SetpointWatch(SET_DEGC)
    for time_s in times(3600.0):
        since_s = time_s % 900.0
        watch.see_air(time_s, SET_DEGC - 25.0 * math.exp(-since_s / 60.0) * math.cos(since_s / 100.0))


def test_a_lower_setpoint_is_come_down_to() -> None:
    """After the setpoint went from 90 to 60 degC the air may take its time, but not turn round."""
    watch = SetpointWatch(SET_DEGC)
    for time_s in times(1800.0):
        watch.see_air(time_s, SET_DEGC + 30.0 * math.exp(-time_s / 600.0))
    with pytest.raises(OvenError, match="setpoint is 60 degC"):
        for time_s in times(600.0):
            watch.see_air(1800.0 + time_s, 62.0 + 0.1 * time_s)


@pytest.mark.parametrize(("rate_K_per_min", "by_K"), [(12.0, 12.5), (7.0, 11.5), (4.0, 11.0), (2.0, 8.0)])
def test_an_oven_that_heats_on_is_told_by_level_or_by_rate(rate_K_per_min: float, by_K: float) -> None:
    """Fast ones at 10 K above the setpoint; slow ones sooner, since no overshoot goes on for so long."""
    watch = SetpointWatch(SET_DEGC)
    degC = SET_DEGC
    with pytest.raises(OvenError, match="heating told to stop"):
        for time_s in times(3600.0):
            degC = 40.0 + rate_K_per_min / 60.0 * time_s
            watch.see_air(time_s, degC)
    assert SET_DEGC + 3.0 < degC < SET_DEGC + by_K


def test_one_wrong_digit_is_no_heat() -> None:
    """A single reading far above, of the air or of a body, is passed over; two in succession are not."""
    watch = SetpointWatch(SET_DEGC)
    for degC in (60.0, 90.0, 60.0, 90.0, 60.0):
        watch.see_air(0.0, degC)
        watch.see_body("Y1", degC)
    watch.see_body("Y1", 90.0)
    watch.see_body("Y2", 90.0)
    with pytest.raises(OvenError, match="the body of coil Y1 is at 90"):
        watch.see_body("Y1", 90.0)


def test_a_coil_that_was_driven_is_judged_anew() -> None:
    """Its own current made it 20 K warmer than the oven: it may cool from there, and not become hotter."""
    watch = SetpointWatch(SET_DEGC)
    watch.see_body("Y1", 60.0)
    watch.forgive("Y1")
    for degC in (80.0, 78.0, 75.0, 70.0, 62.0):
        watch.see_body("Y1", degC)
    with pytest.raises(OvenError):
        for degC in (80.0, 80.0):
            watch.see_body("Y1", degC)


def cool_watch(was_degC: float = 60.0, start_degC: float | None = 22.0) -> CoolWatch:
    """Return the watch over an oven that was told to stop at 0 s."""
    return CoolWatch(0.0, start_degC=start_degC, was_degC=was_degC)


@pytest.mark.parametrize("loss_s", [60.0, 600.0, 2400.0])
@pytest.mark.parametrize("afterheat_K", [0.0, 6.0])
def test_an_oven_that_is_off_is_seen_to_cool_in_time(loss_s: float, afterheat_K: float) -> None:
    """Vented or lagged, with a heater that gives off what it still has: cooling, and never hot before."""
    watch, sights = cool_watch(), []
    for time_s in times(COOL_WITHIN_S):
        own = afterheat_K * (1.0 - math.exp(-time_s / 30.0))
        sights.append(watch.see(time_s, 22.0 + (38.0 + own) * math.exp(-time_s / loss_s), {}))
        if sights[-1] == "cooling":
            break
    assert set(sights[:-1]) == {"waiting"}
    assert sights[-1] == "cooling"


def test_a_body_that_lags_is_not_heat() -> None:
    """Stopped on its way up the oven cools while its bodies still warm: waiting, then cooling."""
    watch = cool_watch(was_degC=90.0)
    sights = [
        watch.see(time_s, 90.0 - 0.02 * time_s, {"Y1": 30.0 + 0.2 * time_s, "Y2": 85.0})
        for time_s in times(265.0)
    ]
    assert set(sights[:-2]) == {"waiting"}
    assert sights[-1] == "cooling"


@pytest.mark.parametrize(
    "air",
    [
        lambda time_s: 60.0 + 0.1 * time_s,
        lambda _: 60.0,
        lambda time_s: 60.0 + 2.0 * math.sin(time_s / 30.0),
        lambda time_s: 40.0 + 0.2 * math.sin(time_s),
    ],
    ids=["heats on", "holds on", "swings on", "holds on, not very hot"],
)
def test_an_oven_that_does_not_cool_is_hot(air: object) -> None:
    """It rises by 10 K, or is where it was when the time is over: never once seen to cool."""
    watch = cool_watch()
    sights = [watch.see(time_s, air(time_s), {}) for time_s in times(COOL_WITHIN_S + 60.0)]  # type: ignore[operator]
    assert "cooling" not in sights
    assert sights[-1] == "hot"


def test_after_the_plug_was_pulled_it_is_seen_to_cool() -> None:
    """Hot is not for ever: the proof is a fall from the highest it came to."""
    watch = cool_watch()
    assert [watch.see(time_s, 60.0 + 0.2 * time_s, {}) for time_s in times(300.0)][-1] == "hot"
    assert watch.see(305.0, 115.1, {}) == "hot"
    assert watch.see(310.0, 114.0, {}) == "hot"
    assert watch.see(315.0, 113.0, {}) == "cooling"


def test_a_thermometer_that_does_not_move_is_not_believed_to_cool() -> None:
    """Where the oven's own is stuck the bodies decide: they cool, or they do not."""
    cooling, heating = cool_watch(), cool_watch()
    falls = [cooling.see(time_s, 60.0, {"Y1": 60.0 * math.exp(-time_s / 1500.0)}) for time_s in times(700.0)]
    assert falls[-1] == "cooling"
    rises = [heating.see(time_s, 60.0, {"Y1": 55.0 + time_s / 10.0}) for time_s in times(700.0)]
    assert "cooling" not in rises
    assert rises.index("hot") * EVERY_S < 180.0


def test_without_any_thermometer_it_is_hot_when_the_time_is_over() -> None:
    """Nothing seen is no proof."""
    watch = cool_watch()
    assert watch.see(COOL_WITHIN_S, None, {}) == "waiting"
    assert watch.see(COOL_WITHIN_S + 1.0, None, {}) == "hot"


def test_an_oven_that_never_became_warm_is_quiet() -> None:
    """Told to stop at 24 degC it has nothing to fall by: two minutes without a rise are proof."""
    watch = cool_watch(was_degC=24.0)
    sights = {time_s: watch.see(time_s, 24.0, {"Y1": 22.0}) for time_s in times(QUIET_S + 10.0)}
    assert {sight for time_s, sight in sights.items() if time_s < QUIET_S} == {"waiting"}
    assert sights[QUIET_S] == "cooling"
    rising = cool_watch(was_degC=24.0)
    assert {rising.see(time_s, 24.0 + 0.02 * time_s, {}) for time_s in times(300.0)} == {"waiting"}
