"""Which contacts lead where, and the one place that moves them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from daq.clock import Clock
from daq.errors import InputError
from daq.guard import Guard
from daq.instruments.roles import Switch
from daq.operator import Operator

#: Relay travel and bounce; common practice, no source.
CONTACT_SETTLE_S = 0.03


@dataclass(frozen=True)
class Routes:
    """Switch channels by coil label; *short* joins the meter's leads at their far end."""

    power: Mapping[str, int] = field(default_factory=dict)
    sense: Mapping[str, int] = field(default_factory=dict)
    probe: Mapping[str, int] = field(default_factory=dict)
    leak: Mapping[str, int] = field(default_factory=dict)
    short: int | None = None


class Harness:
    """Brings supply, meter and sensors to one coil at a time, by switch unit or by the operator's hands.

    *announce* False is for a meter whose readings are typed: its question names the coil already.
    """

    def __init__(
        self,
        guard: Guard,
        clock: Clock,
        *,
        switch: Switch | None,
        routes: Routes,
        operator: Operator,
        announce: bool = True,
    ) -> None:
        self._guard = guard
        self._clock = clock
        self._switch = switch
        self._routes = routes
        self._operator = operator
        self._announce = announce
        self._at: object = None

    @property
    def switched(self) -> bool:
        """Whether a switch unit moves the contacts."""
        return self._switch is not None

    def to_coil(self, coil: str) -> None:
        """Bring the meter to *coil*, the supply left open."""
        self._move(coil, (_channel(self._routes.sense, coil, "sense"),) if self._switch else ())

    def to_driven_coil(self, coil: str) -> None:
        """Bring supply and meter to *coil*."""
        if self._switch is None:
            self._move(coil, ())
            return
        sense = _channel(self._routes.sense, coil, "sense")
        self._move(coil, (_channel(self._routes.power, coil, "power"), sense))

    def to_probe(self, coil: str) -> None:
        """Bring the meter to the sensor on *coil*."""
        self._move(coil, (_channel(self._routes.probe, coil, "probe"),) if self._switch else ())

    def to_insulation(self, coil: str) -> None:
        """Bring the meter between winding and body of *coil*."""
        self._move(coil, (_channel(self._routes.leak, coil, "leak"),))

    def can_test_insulation(self, coil: str) -> bool:
        """Whether there is a way to measure winding to body of *coil*."""
        return self._switch is not None and coil in self._routes.leak

    def to_short(self) -> bool:
        """Join the meter's leads at their far end; False where nothing can."""
        if self._switch is None or self._routes.short is None:
            return False
        self._move("short", (self._routes.short,))
        return True

    def release(self) -> None:
        """Open every contact."""
        self._guard.require_off("moving contacts")
        if self._switch is not None:
            self._switch.open_all()
        self._at = None

    def _move(self, coil: str, channels: tuple[int, ...]) -> None:
        target = channels if self._switch else coil
        if target == self._at:
            return
        self._guard.require_off("moving contacts")
        self._at = None
        if self._switch is not None:
            self._switch.close_only(channels)
            self._clock.sleep(CONTACT_SETTLE_S)
        elif self._announce:
            self._operator.confirm(f"Move the leads to coil {coil}")
        self._at = target


def _channel(channels: Mapping[str, int], coil: str, path: str) -> int:
    try:
        return channels[coil]
    except KeyError:
        raise InputError(
            f"coil {coil}: the rig file's [switch.{path}] has no channel for it; add {coil} = N"
        ) from None
