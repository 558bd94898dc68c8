"""The companion's own way to the supply and the oven, and how it switches them off."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass

from daq.connecting import open_wire, role_dialect, talking, wall_clock
from daq.conversation import Conversation, Number
from daq.dialect import RoleDialect
from daq.errors import BenchError, LinkError, OutputUnknownError
from daq.guard import OUTPUT_UNKNOWN, Guard
from daq.instruments.oven import DialectOven
from daq.instruments.supply import DialectSupply
from daq.instruments.switch import DialectSwitch
from daq.links.base import Link
from daq.ovenguard import OVEN_ON, OvenGuard
from daq.rig import TYPED, Instrument, Oven, Rig
from daq.tomlfile import Loaded


def _nobody(_: str) -> None:
    """Say it to nobody."""


_ALARMS = {"supply": OUTPUT_UNKNOWN, "oven": OVEN_ON}


@dataclass
class _Way:
    """One instrument to be switched off, and the connection to it once there is one."""

    role: str
    instrument: Instrument
    dialect: RoleDialect
    talk: Conversation | None = None
    stack: ExitStack | None = None

    def close(self) -> None:
        if self.stack is not None:
            self.stack.close()
        self.talk = self.stack = None


class SwitchOff:
    """Switches off what can be on of the bench of *rig*, its *roles*: the oven's heat, and the supply.

    Both are told before either is asked, so that one that hangs does not keep the other waiting. What is
    confirmed is not tried again, since whoever could switch it on is gone.
    """

    def __init__(self, rig: Loaded[Rig], roles: Sequence[str], tell: Callable[[str], None] = _nobody) -> None:
        import daq.links.visa  # noqa: F401 - now: when it is needed there is no time

        self._rig = rig
        self._tell = tell
        self._clock = wall_clock(rig.value)
        self._alone = True
        given = {"oven": rig.value.oven, "supply": rig.value.supply}
        # Dialect files are read now, as the run read them: when they are needed they may be gone.
        self._ways = [
            self._way(role, instrument)
            for role, instrument in given.items()
            if role in roles and instrument is not None and instrument.resource != TYPED
        ]
        switch = rig.value.switch
        self._switch = None if switch is None else self._way("switch", switch)
        self._off: dict[str, str] = {}
        self._broken = False
        self._heat: OvenGuard | None = None
        if rig.value.oven is not None and "oven" in roles:
            self._heat = self._oven_guard(rig.value.oven)

    def _way(self, role: str, instrument: Instrument) -> _Way:
        return _Way(role, instrument, role_dialect(self._rig, role, instrument))

    def _oven_guard(self, oven: Oven) -> OvenGuard:
        heat = OvenGuard(_OvenOverWay(self), self._clock, self._say, oven.cool_within_s)
        channel = oven.cut_off
        if channel is not None:

            def cut() -> str:
                self._open_channels((channel,))
                return f"channel {channel} of the switch unit is open"

            heat.cut = cut
        heat.take_over()
        return heat

    def _say(self, text: str) -> None:
        self._tell(text)

    def tell_to(self, tell: Callable[[str], None]) -> None:
        """Say with *tell* what is done about the oven from now on."""
        self._tell = tell

    def connect_beside(self) -> str:
        """Open a second connection to each instrument beside the run's own; return '' or why it cannot be."""
        for way in self._ways:
            if not way.instrument.resource.upper().startswith("TCPIP"):
                return f"{way.role} at {way.instrument.resource} has one owner at a time"
            try:
                self._open(way, alone=False)
            except BenchError as exc:
                way.close()
                return str(exc)
        return ""

    def switch_off(self, *, beside: bool = False) -> str:
        """Switch off over the connection there is, else over a new one; return what is off now.

        Args:
            beside: The run lives and keeps its own connections: a new one has to go beside them.

        Raises:
            OutputUnknownError: Something is not confirmed off, and the text says what. All was tried.
        """
        self._alone = not beside
        failed: list[str] = []
        left = [way for way in self._ways if way.role not in self._off]
        for way in left:
            if way.talk is not None:
                with suppress(Exception):
                    way.talk.send("output", state=False)
        for way in left:
            try:
                self._off[way.role] = self._switch_off(way)
            except Exception as exc:  # noqa: BLE001 - whatever it is, the other is tried, and this one again
                way.close()  # the next try begins with a new connection
                told = isinstance(exc, OutputUnknownError)
                failed.append(str(exc) if told else f"{_ALARMS[way.role]} ({exc})")
                if not beside:
                    self._last_resort(way.role)
        if failed:
            raise OutputUnknownError("; ".join(failed))
        return " and ".join(self._off.values())

    def cools(self) -> tuple[bool, str]:
        """Look at an oven that was told to stop.

        Returns:
            Whether there is none, or it is seen to cool; and what is to be said of it, beginning with the
            alarm where there is one.
        """
        heat = self._heat
        if heat is None or "oven" not in self._off:
            return True, ""
        heat.look({})
        return not heat.may_heat, f"{heat.alarm} ({heat.told()})" if heat.alarm else heat.told()

    def close(self) -> None:
        """Give the connections back."""
        for way in (*self._ways, *([] if self._switch is None else [self._switch])):
            way.close()

    def talk(self, role: str) -> Conversation:
        """Return the conversation with the instrument in *role*, over a new connection if there is none."""
        way = next(way for way in self._ways if way.role == role)
        return way.talk or self._open(way, alone=self._alone)

    def _switch_off(self, way: _Way) -> str:
        if way.role == "oven":
            assert self._heat is not None
            self._heat.stop()
            return "the oven's heat is off"
        limits = self._rig.value.limits
        guard = Guard(
            DialectSupply(self.talk(way.role)),
            None,
            self._clock,
            voltage_V=limits.voltage_V,
            current_A=limits.current_A,
            body_degC=limits.body_degC,
            alarm=lambda _: None,  # the companion has its own words for it
        )
        guard.make_safe()
        return "the supply is at zero and off"

    def _last_resort(self, role: str) -> None:
        """Use the switch unit against what does not go off, where the rig permits it; the run is gone."""
        switch = self._rig.value.switch
        if role == "oven" and self._heat is not None:
            self._heat.cut_off()
        elif role == "supply" and switch is not None and switch.break_under_current and not self._broken:
            try:
                self._open_channels(tuple(dict.fromkeys(switch.power.values())))
            except BenchError as exc:
                self._tell(f"the supply's path could not be opened: {exc}")
            else:
                self._broken = True
                self._tell("last resort: the switch unit opened the supply's contacts under current")

    def _open_channels(self, channels: tuple[int, ...]) -> None:
        way = self._switch
        assert way is not None
        try:
            DialectSwitch(way.talk or self._open(way, alone=self._alone)).open_now(channels)
        except BenchError:
            way.close()
            raise

    def _open(self, way: _Way, *, alone: bool) -> Conversation:
        with ExitStack() as stack:
            link: Link = open_wire(way.instrument, way.dialect.link, alone=alone)
            stack.callback(link.close)
            talk = stack.enter_context(
                talking(link, way.dialect, way.instrument, name=way.role, clock=self._clock)
            )
            if alone:
                # Whoever spoke last may have been cut short; what comes of that must not stop us.
                with suppress(BenchError):
                    talk.start(None)
            elif not talk.start(way.instrument.identity) and way.dialect.identity is not None:
                raise LinkError(f"{way.role}: a second connection gets no answer")
            way.stack = stack.pop_all()
            way.talk = talk
        return talk


class _OvenOverWay:
    """The oven role over whatever connection there is at the moment."""

    def __init__(self, hand: SwitchOff) -> None:
        self._hand = hand

    def set_temperature(self, temperature_degC: float) -> None:
        DialectOven(self._hand.talk("oven")).set_temperature(temperature_degC)

    def switch_heat(self, on: bool) -> None:
        DialectOven(self._hand.talk("oven")).switch_heat(on)

    def hush(self) -> None:
        DialectOven(self._hand.talk("oven")).hush()

    def temperature(self) -> Number:
        return DialectOven(self._hand.talk("oven")).temperature()
