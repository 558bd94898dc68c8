"""What an oven's air and the bodies in it may do: at a setpoint, and after the oven was told to stop.

Thermometers alone are judged here; what is then done about the oven is in :mod:`daq.bench.guard.oven_guard`.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from daq.config.rig import COOL_WITHIN_S, OVER_K
from daq.errors import OvenError

#: A body follows its air and overshoots less; but its probe is off by more, and a drive warms it from within.
BODY_MORE_K = 5.0
#: So many looks in succession are no slip of one reading.
LOOKS = 2
#: No overshoot goes on for so long: above the setpoint by STRAY_K, and by RISE_K more RISE_S later. An
#: overshoot that comes to its end rises less in the second half of that time than an oven that heats on.
STRAY_K, RISE_K, RISE_S = 3.0, 2.5, 90.0

#: Seen to cool: so far below the highest since the oven was told to stop. More than a thermostat swings that
#: obeys nobody and holds on.
FALL_K = 5.0
#: And it has to last, without a rise by so much: a door stands open for less, and its oven heats on.
LASTS_S, TURN_K = 60.0, 2.5
#: What counts is the middle one of so many looks, so that no single reply proves or disproves anything.
MIDDLE = 3
#: Or nothing is warm: touchable, as near to what it was before there was heat, and no warmer for so long.
WARM_DEGC, NEAR_START_K, QUIET_S = 45.0, 5.0, 120.0
#: What noise, and a heater that is hotter than its air, may still add.
QUIET_K, AFTERHEAT_K = 1.5, 10.0
#: Time counts while somebody looks: from one look to the next as much as this at most.
BETWEEN_S = 60.0
#: A thermometer that gave no value for so many looks and so long is gone, as with a plug that was pulled.
GONE_LOOKS, GONE_S = 6, 30.0
MUTE = "the oven's thermometer gives no value any more"


@dataclass
class _Track:
    """One thermometer since the setpoint was changed."""

    lowest_degC: float
    over: int = 0
    rising: int = 0
    stray: deque[tuple[float, float]] = field(default_factory=deque)


class SetpointWatch:
    """Holds every thermometer in a heating oven to its setpoint; each sight either passes or raises.

    Args:
        setpoint_degC: The setpoint.
        over_K: How far above it the oven's air may come.
    """

    def __init__(self, setpoint_degC: float, over_K: float = OVER_K) -> None:
        self._setpoint_degC = setpoint_degC
        self._over_K = over_K
        self._tracks: dict[str, _Track] = {}

    def see_air(self, time_s: float, air_degC: float) -> None:
        """Check the oven's own thermometer.

        Raises:
            OvenError: The air is too far above the setpoint, or rises on above it.
        """
        track = self._see("the oven's air", air_degC, self._over_K)
        stray = track.stray
        if air_degC <= self._level_degC(track) + STRAY_K:
            stray.clear()
            track.rising = 0
            return
        stray.append((time_s, air_degC))
        while len(stray) > 1 and time_s - stray[1][0] >= RISE_S:
            stray.popleft()
        then_s, then_degC = stray[0]
        _, half_degC = next(
            each for each in reversed(stray) if time_s - each[0] >= min(RISE_S / 2.0, time_s - then_s)
        )
        lasts = time_s - then_s >= RISE_S and air_degC - then_degC >= RISE_K
        track.rising = track.rising + 1 if lasts and air_degC - half_degC >= RISE_K / 2.0 else 0
        if track.rising >= LOOKS:
            raise OvenError(
                f"the oven's air rose by {air_degC - then_degC:.1f} K in {time_s - then_s:.0f} s to "
                f"{air_degC:.1f} degC, all of it above its setpoint of {self._setpoint_degC:g} degC; heating "
                "told to stop. Does the oven obey its controller?"
            )

    def see_body(self, coil: str, body_degC: float) -> None:
        """Check the body of *coil*: the oven's own thermometer may be wrong.

        Raises:
            OvenError: The body is too far above the setpoint.
        """
        self._see(f"the body of coil {coil}", body_degC, self._over_K + BODY_MORE_K)

    def forgive(self, coil: str) -> None:
        """Begin anew with the body of *coil*, which was driven: that heat was not the oven's."""
        self._tracks.pop(f"the body of coil {coil}", None)

    def _level_degC(self, track: _Track) -> float:
        # What was hotter when the setpoint was lowered, or after a drive, may come down to it.
        return max(self._setpoint_degC, track.lowest_degC)

    def _see(self, what: str, degC: float, margin_K: float) -> _Track:
        track = self._tracks.setdefault(what, _Track(degC))
        track.lowest_degC = min(track.lowest_degC, degC)
        track.over = track.over + 1 if degC > self._level_degC(track) + margin_K else 0
        if track.over >= LOOKS:
            raise OvenError(
                f"{what} is at {degC:.1f} degC and the oven's setpoint is {self._setpoint_degC:g} degC: more "
                f"than {margin_K:g} K above it; heating told to stop. Does the oven obey its controller, are "
                "its thermometer and the probe where they belong?"
            )
        return track


@dataclass
class _Since:
    """One thermometer since the oven was told to stop."""

    began_s: float
    looks: tuple[float, ...] = ()
    first_degC: float = math.nan
    highest_degC: float = -math.inf
    #: The lowest since it is clearly below its highest.
    lowest_degC: float = math.inf
    #: Since when it is that.
    fell_s: float | None = None
    #: Whether it fell, and for so long that this is proof.
    proved: bool = False
    #: Whether it is above what it may still come to.
    rose: bool = False

    @property
    def newest_degC(self) -> float:
        """The middle one of the newest looks."""
        return statistics.median(self.looks)

    @property
    def counts(self) -> bool:
        """Whether there were looks enough to say anything."""
        return len(self.looks) == MIDDLE

    def see(self, time_s: float, degC: float, may_reach_degC: float) -> None:
        """Take the newest temperature; it may still come to *may_reach_degC*, or to where it was at first."""
        self.looks = (*self.looks, degC)[-MIDDLE:]
        if not self.counts:
            return
        now_degC = self.newest_degC
        if math.isnan(self.first_degC):
            self.first_degC = now_degC
        self.highest_degC = max(self.highest_degC, now_degC)
        self.rose = now_degC > max(self.first_degC, may_reach_degC) + AFTERHEAT_K
        if now_degC > self.highest_degC - FALL_K:
            self.fell_s = None
        elif self.fell_s is None or now_degC > self.lowest_degC + TURN_K:
            self.fell_s, self.lowest_degC = time_s, now_degC
        self.lowest_degC = min(self.lowest_degC, now_degC)
        self.proved = self.fell_s is not None and time_s - self.fell_s >= LASTS_S

    @property
    def falls(self) -> bool:
        """Whether it is clearly below its highest, be it only for the moment."""
        return self.fell_s is not None

    def told(self) -> str:
        """Say where it is and how it went."""
        change = f", {self.newest_degC - self.first_degC:+.1f} K" if self.counts else ""
        return f"{self.newest_degC:.1f} degC{change}"


Sight = Literal["waiting", "cooling", "hot"]


class CoolWatch:
    """Demands that an oven cools after it was told to stop.

    The air decides; the hottest body where the oven has no thermometer, or one that does not move or is gone.

    Args:
        told_s: When it was told.
        start_degC: Its air before there was heat, if that is known.
        was_degC: Its air when it was told, or what it was to come to.
        within_s: By when it has to be seen to cool, in time from the first look on.
    """

    def __init__(
        self,
        told_s: float,
        *,
        start_degC: float | None,
        was_degC: float,
        within_s: float = COOL_WITHIN_S,
    ) -> None:
        self.told_s = told_s
        self._start_degC = start_degC
        self._was_degC = was_degC
        self._within_s = within_s
        self._watched_s = 0.0
        self._looked_s: float | None = None
        self._blind_s: float | None = None
        self._blind = 0
        self._air: _Since | None = None
        self._bodies: dict[str, _Since] = {}

    def see(
        self, time_s: float, air_degC: float | None, bodies_degC: Mapping[str, float], *, asked: bool = True
    ) -> Sight:
        """Take what was read anew: the air, and bodies by coil; None and nothing where it was not.

        Args:
            time_s: The time.
            air_degC: What the oven's own thermometer says.
            bodies_degC: What probes say.
            asked: Whether the oven's own thermometer was asked at all.

        Returns:
            ``cooling`` once it is seen to cool, ``hot`` where it should have been by now or rises, else
            ``waiting``.
        """
        if self._looked_s is not None:
            self._watched_s += min(time_s - self._looked_s, BETWEEN_S)
        self._looked_s = time_s
        if asked:
            self._see_air(time_s, air_degC)
        for coil, body_degC in bodies_degC.items():
            body = self._bodies.get(coil) or _Since(time_s)
            # A body that lags goes on to where the air was, and no further.
            body.see(time_s, body_degC, self._was_degC)
            self._bodies[coil] = body
        late = self._watched_s > self._within_s
        if any(since.rose and not since.proved for since in self._seen()):
            return "hot"
        if self._cools(late=late) or self._quiet(time_s):
            return "cooling"
        # Where it falls already it is a matter of a minute.
        decides = self._decides(late=late)
        return "hot" if late and not (decides is not None and decides.falls) else "waiting"

    def _see_air(self, time_s: float, air_degC: float | None) -> None:
        if air_degC is not None:
            self._blind, self._blind_s = 0, None
            air = self._air or _Since(time_s)
            air.see(time_s, air_degC, -math.inf)
            self._air = air
            return
        self._blind += 1
        self._blind_s = time_s if self._blind_s is None else self._blind_s
        if self._gone(time_s):
            self._air = None  # what it said last is true no longer

    def _gone(self, time_s: float) -> bool:
        blind_s = self._blind_s
        return blind_s is not None and self._blind >= GONE_LOOKS and time_s - blind_s >= GONE_S

    @property
    def cold(self) -> bool:
        """Whether it has fallen, and nothing is warm to the touch any more."""
        return self._cools(late=True) and all(since.newest_degC < WARM_DEGC for since in self._seen())

    def told(self, time_s: float) -> str:
        """Say how the temperature goes, for whoever waits; another thread may ask."""
        named = (("air", self._air), ("hottest body", self._hottest()))
        parts = [f"{name} {seen.told()}" for name, seen in named if seen is not None]
        since = f"since it was told to stop {time_s - self.told_s:.0f} s ago"
        text = f"{', '.join(parts) or 'no temperature'} {since}"
        if not self._gone(time_s):
            return text
        return f"{text}; {MUTE}: {'the bodies decide' if self._bodies else 'look at the oven yourself'}"

    def _seen(self) -> list[_Since]:
        return [*([] if self._air is None else [self._air]), *self._bodies.values()]

    def _hottest(self) -> _Since | None:
        return max(tuple(self._bodies.values()), key=lambda since: since.newest_degC, default=None)

    def _decides(self, *, late: bool) -> _Since | None:
        air = self._air
        # A thermometer of the oven's that did not move in all that time tells nothing.
        mute = late and air is not None and abs(air.newest_degC - air.first_degC) < QUIET_K
        return air if air is not None and (air.proved or not mute) else self._hottest()

    def _cools(self, *, late: bool) -> bool:
        decides = self._decides(late=late)
        return decides is not None and decides.proved

    def _quiet(self, time_s: float) -> bool:
        near_degC = math.inf if self._start_degC is None else self._start_degC + NEAR_START_K
        seen = self._seen()
        return bool(seen) and all(
            since.counts
            and time_s - since.began_s >= QUIET_S
            and since.newest_degC < min(WARM_DEGC, near_degC)
            and since.highest_degC - since.first_degC < QUIET_K
            for since in seen
        )
