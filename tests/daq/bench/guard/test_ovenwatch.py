"""What thermometers of an oven may say: overshoot, doors and lag pass; what no setpoint explains does not."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest

from daq.bench.guard.oven_watch import GONE_S, LASTS_S, QUIET_S, CoolWatch, SetpointWatch
from daq.config.rig import COOL_WITHIN_S
from daq.errors import OvenError

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


def test_a_slow_overshoot_that_comes_to_its_end_passes() -> None:
    """4 K a minute and two minutes of lag: it ends 8 K above the setpoint, below what the level allows."""
    watch = SetpointWatch(SET_DEGC)
    for time_s in times(1800.0):
        rise_K = 4.0 / 60.0 * time_s - 38.0
        watch.see_air(
            time_s, SET_DEGC + (rise_K if rise_K < 0.0 else 8.0 * (1.0 - math.exp(-rise_K * 15.0 / 120.0)))
        )


def test_one_wrong_reply_is_no_rise() -> None:
    """An oven that holds 4 K above its setpoint and says 3 K more once, or 3 less, does not rise."""
    for wrong_K in (3.0, -0.9):
        watch = SetpointWatch(SET_DEGC)
        watch.see_air(0.0, SET_DEGC)
        for time_s in times(600.0):
            watch.see_air(time_s, SET_DEGC + 4.0 + (wrong_K if time_s == 300.0 else 0.0))


def test_the_rig_file_says_how_far_an_oven_may_overshoot() -> None:
    """A sluggish oven may have 20 K; its bodies 5 K more; and it is held to that."""
    watch = SetpointWatch(SET_DEGC, over_K=20.0)
    watch.see_air(0.0, SET_DEGC)
    watch.see_body("Y1", SET_DEGC)
    for _ in range(5):
        watch.see_air(0.0, SET_DEGC + 19.0)
        watch.see_body("Y1", SET_DEGC + 24.0)
    with pytest.raises(OvenError, match="more than 20 K above it"):
        for _ in range(2):
            watch.see_air(0.0, SET_DEGC + 21.0)


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
        for time_s in times(325.0)
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
    """Hot is not for ever: the proof is a fall from the highest it came to that lasts a minute."""
    watch = cool_watch()
    assert [watch.see(time_s, 60.0 + 0.2 * time_s, {}) for time_s in times(300.0)][-1] == "hot"
    falls = {300.0 + time_s: watch.see(300.0 + time_s, 120.0 - 0.2 * time_s, {}) for time_s in times(150.0)}
    first_s = next(time_s for time_s, sight in falls.items() if sight == "cooling")
    # 5 K at 0.2 K a second, with a look more or two until the middle one of three is there.
    assert 300.0 + 25.0 + LASTS_S <= first_s <= 300.0 + 25.0 + LASTS_S + 2 * EVERY_S
    assert {sight for time_s, sight in falls.items() if time_s < first_s} == {"hot"}


def test_one_wrong_reply_proves_nothing() -> None:
    """A welded oven that rises past 120 degC and says 197 once has not fallen after that."""
    watch = cool_watch()
    sights = [
        watch.see(time_s, 197.0 if time_s == 300.0 else 60.0 + 0.2 * time_s, {}) for time_s in times(500.0)
    ]
    assert "cooling" not in sights
    assert sights[-1] == "hot"


def test_a_first_reply_that_is_wrong_makes_no_alarm() -> None:
    """Low by 11 K at the first look, a sound oven has not risen by that at the next ones."""
    watch = cool_watch()
    degC = [60.0 * math.exp(-time_s / 1500.0) for time_s in times(COOL_WITHIN_S)]
    degC[0] -= 11.0
    sights = [watch.see(look * EVERY_S, air, {}) for look, air in enumerate(degC)]
    assert "hot" not in sights
    assert sights[-1] == "cooling"


@pytest.mark.parametrize("every_s", [1.0, 5.0])
def test_a_door_that_is_opened_is_no_proof(every_s: float) -> None:
    """The air of an oven that heats on is lower by 8 to 25 K for as long as its door stands open."""
    for open_s, by_K in ((3.0, 8.0), (40.0, 25.0)):
        watch = cool_watch()
        sights = []
        for look in range(int(900.0 / every_s)):
            since_s = look * every_s % 200.0 - 60.0
            # It comes back within a minute once the door is shut.
            dip_K = 0.0 if since_s < 0 else by_K * min(1.0, math.exp(-(since_s - open_s) / 30.0))
            sights.append(watch.see(look * every_s, 75.0 - dip_K, {}))
        assert "cooling" not in sights
        assert "hot" in sights


def test_an_oven_that_dies_with_its_thermometer_is_judged_by_its_bodies() -> None:
    """The mains are gone and the controller with them: what it said last does not keep the alarm."""
    watch = cool_watch()
    for time_s in times(120.0):
        sight = watch.see(time_s, 60.0 + 0.2 * time_s, {"Y1": 60.0 + 0.1 * time_s})
    assert sight == "hot"
    sights = [
        watch.see(120.0 + time_s, None, {"Y1": 25.0 + 47.0 * math.exp(-time_s / 900.0)})
        for time_s in times(900.0)
    ]
    assert sights[: int(GONE_S / EVERY_S)] == ["hot"] * int(GONE_S / EVERY_S)
    assert sights[-1] == "cooling"
    assert "the oven's thermometer gives no value any more: the bodies decide" in watch.told(1020.0)


def test_an_oven_of_which_nothing_is_read_any_more_is_never_called_cool() -> None:
    """Thermometer gone and no probe at hand: it stays, and says that somebody has to look."""
    watch = cool_watch()
    watch.see(0.0, 60.0, {})
    sights = [watch.see(time_s, None, {}) for time_s in times(COOL_WITHIN_S + 60.0)]
    assert "cooling" not in sights
    assert sights[-1] == "hot"
    assert watch.told(660.0).endswith("gives no value any more: look at the oven yourself")


def test_a_thermometer_that_was_not_asked_is_not_gone() -> None:
    """Between two looks at the air bodies are read, and the air's last word stands."""
    watch = cool_watch()
    for time_s in times(300.0):
        watch.see(time_s, 60.0, {})
        for each in range(1, 5):
            watch.see(time_s + each, None, {"Y1": 60.0 - time_s / 10.0}, asked=False)
    assert "air 60.0 degC" in watch.told(300.0)
    assert "no value" not in watch.told(300.0)


def test_time_counts_from_the_first_look() -> None:
    """With instruments that are typed nobody looks for 25 minutes: a sound oven is not late by that."""
    watch = cool_watch()
    late_s = 1500.0
    sights = [
        watch.see(late_s + time_s, 22.0 + 26.0 * math.exp(-time_s / 1500.0), {}) for time_s in times(500.0)
    ]
    assert set(sights) == {"waiting", "cooling"}
    held = cool_watch()
    holds = [held.see(late_s + time_s, 48.0, {}) for time_s in times(COOL_WITHIN_S + 60.0)]
    assert holds[-1] == "hot"


def test_a_look_long_after_the_first_finds_no_sound_oven_late() -> None:
    """The operator was asked something for half an hour in between."""
    watch = cool_watch()
    for time_s in (0.0, 5.0, 10.0):
        watch.see(time_s, 60.0, {})
    sights = [watch.see(1800.0 + time_s, 35.0 - time_s / 100.0, {}) for time_s in times(100.0)]
    assert set(sights) == {"waiting", "cooling"}


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
    sights = {time_s: watch.see(time_s, None, {}) for time_s in times(COOL_WITHIN_S + 10.0)}
    assert {sight for time_s, sight in sights.items() if time_s <= COOL_WITHIN_S} == {"waiting"}
    assert sights[COOL_WITHIN_S + EVERY_S] == "hot"


def test_an_oven_that_never_became_warm_is_quiet() -> None:
    """Told to stop at 24 degC it has nothing to fall by: two minutes without a rise are proof."""
    watch = cool_watch(was_degC=24.0)
    sights = {time_s: watch.see(time_s, 24.0, {"Y1": 22.0}) for time_s in times(QUIET_S + 10.0)}
    assert {sight for time_s, sight in sights.items() if time_s < QUIET_S} == {"waiting"}
    assert sights[QUIET_S] == "cooling"
    rising = cool_watch(was_degC=24.0)
    assert {rising.see(time_s, 24.0 + 0.02 * time_s, {}) for time_s in times(300.0)} == {"waiting"}
