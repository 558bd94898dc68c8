"""The companion's own way to the supply and the oven, and how it switches them off."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass

from daq.connecting import open_wire, role_dialect, talking, wall_clock
from daq.conversation import Conversation
from daq.dialect import RoleDialect
from daq.errors import BenchError, LinkError, OutputUnknownError
from daq.guard import OUTPUT_UNKNOWN, Guard
from daq.instruments.oven import DialectOven
from daq.instruments.supply import DialectSupply
from daq.links.base import Link
from daq.ovenguard import OVEN_ON
from daq.rig import TYPED, Instrument, Rig
from daq.tomlfile import Loaded

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
    """Switches off what can be on of the bench of *rig*, its *roles*: supply first, then the oven's heat."""

    def __init__(self, rig: Loaded[Rig], roles: Sequence[str]) -> None:
        import daq.links.visa  # noqa: F401 - now: when it is needed there is no time

        self._rig = rig
        self._clock = wall_clock(rig.value)
        given = {"supply": rig.value.supply, "oven": rig.value.oven}
        # Dialect files are read now, as the run read them: when they are needed they may be gone.
        self._ways = [
            _Way(role, instrument, role_dialect(rig, role, instrument))
            for role, instrument in given.items()
            if role in roles and instrument is not None and instrument.resource != TYPED
        ]

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
            OutputUnknownError: Something is not confirmed off, and the text says what. Both were tried.
        """
        done: list[str] = []
        failed: list[str] = []
        for way in self._ways:
            try:
                done.append(self._switch_off(way, way.talk or self._open(way, alone=not beside)))
            except Exception as exc:  # noqa: BLE001 - whatever it is, the other is tried, and this one again
                way.close()  # the next try begins with a new connection
                told = isinstance(exc, OutputUnknownError)
                failed.append(str(exc) if told else f"{_ALARMS[way.role]} ({exc})")
        if failed:
            raise OutputUnknownError("; ".join(failed))
        return " and ".join(done)

    def close(self) -> None:
        """Give the connections back."""
        for way in self._ways:
            way.close()

    def _switch_off(self, way: _Way, talk: Conversation) -> str:
        if way.role == "oven":
            DialectOven(talk).switch_heat(False)
            return "the oven's heat is off"
        limits = self._rig.value.limits
        guard = Guard(
            DialectSupply(talk),
            None,
            self._clock,
            voltage_V=limits.voltage_V,
            current_A=limits.current_A,
            body_degC=limits.body_degC,
            alarm=lambda _: None,  # the companion has its own words for it
        )
        guard.make_safe()
        return "the supply is at zero and off"

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
