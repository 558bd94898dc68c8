"""What an oven's air and the bodies in it may do: at a setpoint, and after the oven was told to stop.

Thermometers alone are judged here; what is then done about the oven is in :mod:`daq.ovenguard`.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from daq.errors import OvenError

#: An oven that obeys may overshoot by a few kelvin as it comes up or as its door closes; limiters of ovens
#: are set 5 to 10 K above the working temperature (common practice, no source).
OVER_K = 10.0
#: A body follows its air and overshoots less; but its probe is off by more, and a drive warms it from within.
BODY_OVER_K = 15.0
#: So many looks in succession are no slip of one reading.
LOOKS = 2
#: No overshoot goes on for so long: above the setpoint by STRAY_K, and by RISE_K more RISE_S later.
STRAY_K, RISE_K, RISE_S = 3.0, 2.5, 90.0

#: Seen to cool: so far below the highest since the oven was told to stop. More than a thermostat swings that
#: obeys nobody and holds on.
FALL_K = 5.0
#: Or nothing is warm: touchable, as near to what it was before there was heat, and no warmer for so long.
WARM_DEGC, NEAR_START_K, QUIET_S = 45.0, 5.0, 120.0
#: What noise, and a heater that is hotter than its air, may still add.
QUIET_K, AFTERHEAT_K = 1.5, 10.0
#: By then an oven that is off has cooled by FALL_K: 18 K above its room, one that loses a third of it in ten
#: minutes does. A better lagged one needs `cool_within_s` in the rig file.
COOL_WITHIN_S = 600.0


@dataclass
class _Track:
    """One thermometer since the setpoint was changed."""

    lowest_degC: float
    over: int = 0
    stray: deque[tuple[float, float]] = field(default_factory=deque)


class SetpointWatch:
    """Holds every thermometer in a heating oven to its setpoint; each sight either passes or raises."""

    def __init__(self, setpoint_degC: float) -> None:
        self._setpoint_degC = setpoint_degC
        self._tracks: dict[str, _Track] = {}

    def see_air(self, time_s: float, air_degC: float) -> None:
        """Check the oven's own thermometer.

        Raises:
            OvenError: The air is too far above the setpoint, or rises on above it.
        """
        track = self._see("the oven's air", air_degC, OVER_K)
        stray = track.stray
        if air_degC <= self._level_degC(track) + STRAY_K:
            stray.clear()
            return
        stray.append((time_s, air_degC))
        while len(stray) > 1 and time_s - stray[1][0] >= RISE_S:
            stray.popleft()
        then_s, then_degC = stray[0]
        if time_s - then_s >= RISE_S and air_degC - then_degC >= RISE_K:
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
        self._see(f"the body of coil {coil}", body_degC, BODY_OVER_K)

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

    first_degC: float
    highest_degC: float
    newest_degC: float
    #: Looks in succession at which it was clearly below its highest, and above what it may still come to.
    fell: int = 0
    rose: int = 0

    def see(self, degC: float, allowed_degC: float) -> None:
        """Take the newest temperature."""
        self.highest_degC = max(self.highest_degC, degC)
        self.newest_degC = degC
        self.fell = self.fell + 1 if degC <= self.highest_degC - FALL_K else 0
        self.rose = self.rose + 1 if degC > allowed_degC else 0


Sight = Literal["waiting", "cooling", "hot"]


class CoolWatch:
    """Demands that an oven cools after it was told to stop.

    The air decides; the hottest body where the oven has no thermometer, or one that does not move.

    Args:
        told_s: When it was told.
        start_degC: Its air before there was heat, if that is known.
        was_degC: Its air when it was told, or what it was to come to.
        within_s: By when it has to be seen to cool.
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
        self._air: _Since | None = None
        self._bodies: dict[str, _Since] = {}

    def see(self, time_s: float, air_degC: float | None, bodies_degC: Mapping[str, float]) -> Sight:
        """Take what was read anew: the air, and bodies by coil; None and nothing where it was not.

        Returns:
            ``cooling`` once it is seen to cool, ``hot`` where it should have been by now or rises, else
            ``waiting``.
        """
        if air_degC is not None:
            self._air = self._air or _Since(air_degC, air_degC, air_degC)
            self._air.see(air_degC, self._air.first_degC + AFTERHEAT_K)
        for coil, body_degC in bodies_degC.items():
            body = self._bodies.setdefault(coil, _Since(body_degC, body_degC, body_degC))
            # A body that lags goes on to where the air was, and no further.
            body.see(body_degC, max(body.first_degC, self._was_degC) + AFTERHEAT_K)
        late = time_s - self.told_s > self._within_s
        if any(since.rose >= LOOKS and since.fell < LOOKS for since in self._seen()):
            return "hot"
        if self._falls(late=late) or self._quiet(time_s):
            return "cooling"
        return "hot" if late else "waiting"

    @property
    def cold(self) -> bool:
        """Whether it has fallen, and nothing is warm to the touch any more."""
        return self._falls(late=True) and all(since.newest_degC < WARM_DEGC for since in self._seen())

    def told(self, time_s: float) -> str:
        """Say how the temperature goes, for whoever waits."""
        named = (("air", self._air), ("hottest body", self._hottest()))
        parts = [
            f"{name} {since.newest_degC:.1f} degC, {since.newest_degC - since.first_degC:+.1f} K"
            for name, since in named
            if since is not None
        ]
        seen = ", ".join(parts) or "no temperature"
        return f"{seen} since it was told to stop {time_s - self.told_s:.0f} s ago"

    def _seen(self) -> list[_Since]:
        return [*([] if self._air is None else [self._air]), *self._bodies.values()]

    def _hottest(self) -> _Since | None:
        return max(self._bodies.values(), key=lambda since: since.newest_degC, default=None)

    def _falls(self, *, late: bool) -> bool:
        if self._air is not None and self._air.fell >= LOOKS:
            return True
        # A thermometer of the oven's that did not move in all that time tells nothing.
        mute = self._air is None or (late and abs(self._air.newest_degC - self._air.first_degC) < QUIET_K)
        hottest = self._hottest()
        return mute and hottest is not None and hottest.fell >= LOOKS

    def _quiet(self, time_s: float) -> bool:
        near_degC = math.inf if self._start_degC is None else self._start_degC + NEAR_START_K
        seen = self._seen()
        return (
            bool(seen)
            and time_s - self.told_s >= QUIET_S
            and all(
                since.newest_degC < min(WARM_DEGC, near_degC)
                and since.highest_degC - since.first_degC < QUIET_K
                for since in seen
            )
        )
