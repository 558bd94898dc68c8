"""The companion's own way to the supply and the oven, and how it switches them off."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from functools import partial

from daq.bench.guard.guard import OUTPUT_UNKNOWN, Guard
from daq.bench.guard.oven_guard import OVEN_ON, OvenGuard
from daq.bench.opening import open_wire, role_dialect, talking, wall_clock
from daq.clock import RealClock
from daq.config.rig import TYPED, Instrument, Oven, Rig
from daq.config.toml import Loaded
from daq.errors import BenchError, LinkError, OutputUnknownError
from daq.instruments.dialects.load import RoleDialect
from daq.instruments.drivers.oven import DialectOven
from daq.instruments.drivers.supply import DialectSupply
from daq.instruments.drivers.switch import DialectSwitch
from daq.instruments.number import Number
from daq.instruments.talk.conversation import Conversation
from daq.links.base import Link


def _nobody(_: str) -> None:
    """Say it to nobody."""


_ALARMS = {"supply": OUTPUT_UNKNOWN, "oven": OVEN_ON}
_POLL_S = 0.005
#: How long a round waits for an instrument that hangs; and once another has failed and is to be tried again.
ROUND_S, SOON_S = 3.5, 0.5
#: Contacts are opened under current from that failed round of the supply on, or so long after the first try.
LAST_ROUND, LAST_S = 3, 3.0


@dataclass
class _Way:
    """One instrument to be switched off, and the connection to it once there is one."""

    role: str
    instrument: Instrument
    dialect: RoleDialect
    talk: Conversation | None = None
    stack: ExitStack | None = None
    #: The try that goes on, and what came of the last one that failed.
    trying: threading.Thread | None = None
    trouble: Exception | None = None
    failed: int = 0

    @property
    def busy(self) -> bool:
        """Whether a try goes on."""
        return self.trying is not None and self.trying.is_alive()

    def close(self) -> None:
        if self.stack is not None:
            self.stack.close()
        self.talk = self.stack = None


class SwitchOff:
    """Switches off what can be on of the bench of *rig*, its *roles*: the oven's heat, and the supply.

    Each is told and asked in a thread of its own, so that one that hangs does not keep the other waiting.
    What is confirmed is not tried again, since whoever could switch it on is gone.
    """

    def __init__(self, rig: Loaded[Rig], roles: Sequence[str], tell: Callable[[str], None] = _nobody) -> None:
        import daq.links.visa  # noqa: F401 - now: when it is needed there is no time

        self._rig = rig
        self._tell = tell
        self._clock = wall_clock(rig.value)
        self._wall = RealClock()
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
        self._began_s: float | None = None
        #: One at a time at the switch unit.
        self._switching = threading.Lock()
        self._resort: dict[str, threading.Thread] = {}
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
        now_s = self._wall.monotonic
        began_s = now_s()
        self._began_s = began_s if self._began_s is None else self._began_s
        left = [way for way in self._ways if way.role not in self._off]
        for way in left:
            if not way.busy:
                way.trouble = None
                way.trying = _begin(f"off {way.role}", partial(self._try, way))
        while any(way.busy for way in left):
            waited_s = now_s() - began_s
            if waited_s > (SOON_S if any(way.trouble for way in left) else ROUND_S):
                break
            self._wall.sleep(_POLL_S)
        failed = [way for way in left if way.role not in self._off]
        if not failed:
            return " and ".join(self._off[way.role] for way in self._ways)
        for way in failed:
            way.failed += 1
            late = way.failed >= LAST_ROUND or now_s() - self._began_s >= LAST_S
            if not beside and (late or way.role == "oven"):
                self._resort_to(way.role)
        raise OutputUnknownError("; ".join(_told(way) for way in failed))

    def _try(self, way: _Way) -> None:
        """Switch *way* off; what comes of it is in *_off*, or in its *trouble*."""
        try:
            if way.talk is not None:
                with suppress(Exception):
                    way.talk.send("output", state=False)
            off = self._switch_off(way)
        except Exception as exc:  # noqa: BLE001 - whatever it is, this one is tried again
            way.close()  # the next try begins with a new connection
            way.trouble = exc
        else:
            self._off[way.role] = off

    def _resort_to(self, role: str) -> None:
        """Use the last resort beside the tries; waited for a moment only: a switch unit may hang too."""
        before = self._resort.get(role)
        if before is None or not before.is_alive():
            self._resort[role] = _begin(f"last resort {role}", partial(self._last_resort, role))
        self._resort[role].join(SOON_S)

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
            if not way.busy:  # told to go while one hangs: it ends with the process
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
        with self._switching:
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


def _begin(name: str, do: Callable[[], None]) -> threading.Thread:
    thread = threading.Thread(target=do, name=name, daemon=True)
    thread.start()
    return thread


def _told(way: _Way) -> str:
    if way.trouble is None:
        return f"{_ALARMS[way.role]} (it does not answer yet)"
    told = isinstance(way.trouble, OutputUnknownError)
    return str(way.trouble) if told else f"{_ALARMS[way.role]} ({way.trouble})"


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
