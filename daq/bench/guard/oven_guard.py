"""The oven's heat as the guard has it: begun, told to stop by every means there is, and seen to cool."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress

from daq.bench.guard.oven_watch import WARM_DEGC, CoolWatch, SetpointWatch
from daq.clock import Clock
from daq.config.rig import COOL_WITHIN_S, OVER_K
from daq.errors import BenchError, OvenError, ReadbackError
from daq.instruments.number import Number
from daq.instruments.roles import Oven

OVEN_ON = "THE OVEN COULD NOT BE SWITCHED OFF - SWITCH IT OFF BY HAND, PULL ITS PLUG"
OVEN_HOT = "THE OVEN WAS TOLD TO STOP AND IS NOT SEEN TO COOL - PULL ITS PLUG"

#: A setpoint below any that heats, and in the range of every oven.
LOW_DEGC = 20.0
#: Between two looks at the oven's own thermometer: what heats by 12 K a minute gains 1 K meanwhile.
LOOK_S = 5.0


class OvenGuard:
    """Knows whether the oven may heat, and tries to end that.

    Args:
        oven: The oven.
        clock: Its time.
        tell: Called with what has come to be known: ``heat`` events of the record.
        cool_within_s: By when an oven that was told to stop has to be seen to cool.
        over_K: How far above its setpoint its air may come.
    """

    def __init__(
        self,
        oven: Oven,
        clock: Clock,
        tell: Callable[[str], None],
        cool_within_s: float = COOL_WITHIN_S,
        over_K: float = OVER_K,
    ) -> None:
        self._oven = oven
        self._clock = clock
        self._hushed = False
        self._tell = tell
        self._cool_within_s = cool_within_s
        self._over_K = over_K
        #: What else takes the heat away: a contactor of the mains; says how, read back.
        self.cut: Callable[[], str] | None = None
        self._cut_done = False
        self._start_degC: float | None = None
        #: The air when it was last read while heating; before that, what it was to come to.
        self._was_degC = LOW_DEGC
        self._rising: SetpointWatch | None = None
        self._cooling: CoolWatch | None = None
        self._looked_s: float | None = None
        #: Whether it may be hot or driven: from the beginning of heating until it is seen to cool.
        self.may_heat = False
        #: Whether it says itself that its heat is off, since it was last told so.
        self.off = False
        #: Whether it answered, when last told to stop, that it is on: then being cold proves nothing.
        self._says_on = False
        self._disobeys = False
        #: What stands against it: OVEN_ON, OVEN_HOT or ''.
        self.alarm = ""

    def begin(self) -> None:
        """Take note that the oven is going to heat."""
        if not self.may_heat:
            with suppress(BenchError):  # it only tells later what cold was
                self._start_degC = self._oven.temperature().value
        self.may_heat, self.off, self._hushed = True, False, False
        self._disobeys = self._cut_done = False
        self._cooling = self._looked_s = None

    def take_over(self) -> None:
        """Take it for heating: somebody else began that and is gone."""
        self.may_heat, self._was_degC = True, WARM_DEGC

    def aim(self, setpoint_degC: float) -> None:
        """Heat towards *setpoint_degC*, which was admitted."""
        self._rising = SetpointWatch(setpoint_degC, self._over_K)
        self._was_degC = setpoint_degC
        self._oven.set_temperature(setpoint_degC)
        self._oven.switch_heat(True)

    def forgive(self, coil: str) -> None:
        """Take note that the body of *coil* is warmed by a current of its own."""
        if self._rising is not None:
            self._rising.forgive(coil)

    def hush(self) -> None:
        """Tell it to stop and wait for no answer: first of all, when there may be no time for more."""
        if self.may_heat and not self.off and not self._hushed:
            self._hushed = True
            with suppress(BenchError):
                self._oven.hush()

    def go_on(self) -> None:
        """Heat on: what it was hushed for is over, and nobody has told it to stop."""
        if self._hushed and self._rising is not None:
            self._oven.switch_heat(True)
        self._hushed = False

    def stop(self) -> None:
        """Tell the oven to stop, once: off read back, its setpoint low, its mains cut if it did not obey.

        Raises:
            Exception: It does not say that it is off; whatever else there was has been tried.
        """
        self._rising = None
        if self._cooling is None:
            self._demand_cooling()
        self._says_on = False
        try:
            self._oven.switch_heat(False)
            self.off = True
        except ReadbackError:
            self._says_on = True
            raise
        finally:
            with suppress(BenchError):  # off is off, whatever it aims at
                self._oven.set_temperature(LOW_DEGC)
            if self._disobeys:
                self.cut_off()

    def believe_off(self) -> None:
        """Take it for told to stop and off, by the word of who watches from outside."""
        self._rising, self.off = None, True
        if self._cooling is None:
            self._demand_cooling()

    def _demand_cooling(self) -> None:
        self._cooling = CoolWatch(
            self._clock.monotonic(),
            start_degC=self._start_degC,
            was_degC=self._was_degC,
            within_s=self._cool_within_s,
        )

    def cut_off(self) -> None:
        """Take the mains away where the rig has a contactor for it; tried until it is read back."""
        if self.cut is None or self._cut_done:
            return
        try:
            how = self.cut()
        except BenchError as exc:
            self._tell(f"the oven's mains could not be cut off: {exc}")
        else:
            self._cut_done = True
            self._tell(f"the oven's mains were cut off: {how}")

    def see(self, coil: str, body: Number) -> None:
        """Hold the body of *coil*, and now and then the air, to what the oven was told; cooling after that.

        Raises:
            OvenError: Something is hotter than the setpoint explains.
            BenchError: The oven does not answer while it heats.
        """
        if not self.may_heat:
            return
        now_s = self._clock.monotonic()
        fresh = self._looked_s is None or now_s - self._looked_s >= LOOK_S
        bodies = {} if body.value is None else {coil: body.value}
        if self._rising is None:
            self.look(bodies, at_air=fresh)
            return
        try:
            if body.value is not None:
                self._rising.see_body(coil, body.value)
            if fresh:
                self._looked_s = now_s
                air = self._oven.temperature()
                if air.value is not None:
                    self._was_degC = air.value
                    self._rising.see_air(now_s, air.value)
        except OvenError:
            self._disobeys = True
            raise

    def look(self, bodies_degC: Mapping[str, float], *, at_air: bool = True) -> None:
        """See whether the oven cools since it was told to stop; the answer is in *may_heat* and *alarm*.

        Args:
            bodies_degC: What was read of the bodies anew, by coil.
            at_air: Read the oven's own thermometer.
        """
        if self._cooling is None:
            return
        now_s, air_degC = self._clock.monotonic(), None
        if at_air:
            self._looked_s = now_s
            with suppress(BenchError):  # a plug that was pulled takes its thermometer away too
                air_degC = self._oven.temperature().value
        sight = self._cooling.see(now_s, air_degC, bodies_degC, asked=at_air)
        if sight == "hot":
            self.alarm = OVEN_HOT if self.off else OVEN_ON
            self._disobeys = True
            self.cut_off()
        elif sight == "cooling" and (self.off or (self._cooling.cold and not self._says_on)):
            off = "off, read back, and it cools" if self.off else "it is cold"
            self._tell(f"heating stopped: {off} ({self._cooling.told(now_s)})")
            self.may_heat, self.alarm, self._cooling = False, "", None

    def try_again(self, bodies_degC: Mapping[str, float]) -> None:
        """Try once more what is not known yet: first that it is off, then that it cools."""
        if not self.off:
            self._disobeys = True
            with suppress(Exception):  # whatever it is, it is tried again, and the alarm stands
                self.stop()
        self.look(bodies_degC)

    def doubt(self) -> None:
        """Let the alarm stand, since nobody waits any longer for it to be seen to cool."""
        self.alarm = OVEN_HOT if self.off else OVEN_ON

    def told(self) -> str:
        """Say how its temperature goes since it was told to stop; another thread may ask."""
        cooling = self._cooling
        return "" if cooling is None else f"oven: {cooling.told(self._clock.monotonic())}"
