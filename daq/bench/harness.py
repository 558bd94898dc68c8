"""Which contacts lead where, and the one place that moves them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from daq.bench.guard.guard import ONLY_A_HAND, Guard
from daq.bench.operator import Operator
from daq.clock import Clock
from daq.errors import InputError
from daq.instruments.roles import Switch

#: Relay travel and bounce, 1 to 15 ms; common practice, no source. A contact that takes longer does not agree
#: with its next readings and is waited for.
CONTACT_SETTLE_S = 0.02
_ON_COIL = "Move the leads to coil {coil}"
_ON_SENSOR = "Put the meter's leads on the sensor of coil {coil}"


@dataclass(frozen=True)
class Routes:
    """Switch channels by coil label; *short* joins the meter's leads at their far end.

    *oven*, where there is one, has to be closed for the oven to have its mains. *break_under_current* permits
    the last resort against a supply that does not go off.
    """

    power: Mapping[str, int] = field(default_factory=dict)
    sense: Mapping[str, int] = field(default_factory=dict)
    probe: Mapping[str, int] = field(default_factory=dict)
    leak: Mapping[str, int] = field(default_factory=dict)
    short: int | None = None
    oven: int | None = None
    break_under_current: bool = False


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
        #: Closed channels, or what the operator was last asked for; None: not known.
        self._at: tuple[int, ...] | str | None = None
        #: Whether a contact of the supply may be closed.
        self._on_supply = True
        #: Channels that stay closed beside those of a coil: the oven's mains while it may heat.
        self._held: tuple[int, ...] = ()
        guard.rely_on(self)

    @property
    def switched(self) -> bool:
        """Whether a switch unit moves the contacts."""
        return self._switch is not None

    def follow_hands(self) -> None:
        """Ask for no move of the meter's leads any more: where they are is seen from the readings."""
        self._announce = False

    def to_coil(self, coil: str) -> None:
        """Bring the meter to *coil*, the supply left open."""
        if self._switch is not None:
            self._close(_channel(self._routes.sense, coil, "sense"))
        elif self._announce:
            self._ask_for(_ON_COIL.format(coil=coil))

    def to_driven_coil(self, coil: str) -> None:
        """Bring supply and meter to *coil*; asked for even where readings are typed: current will flow."""
        if self._switch is not None:
            sense = _channel(self._routes.sense, coil, "sense")
            self._close(_channel(self._routes.power, coil, "power"), sense)
        else:
            self._ask_for(_ON_COIL.format(coil=coil))

    def to_probe(self, coil: str) -> None:
        """Bring the meter to the sensor on *coil*."""
        if self._switch is not None:
            self._close(_channel(self._routes.probe, coil, "probe"))
        else:
            self._ask_for(_ON_SENSOR.format(coil=coil))

    def to_insulation(self, coil: str) -> None:
        """Bring the meter between winding and body of *coil*."""
        self._close(_channel(self._routes.leak, coil, "leak"))

    def can_test_insulation(self, coil: str) -> bool:
        """Whether there is a way to measure winding to body of *coil*."""
        return self._switch is not None and coil in self._routes.leak

    def to_short(self) -> bool:
        """Join the meter's leads at their far end; False where nothing can."""
        if self._switch is None or self._routes.short is None:
            return False
        self._close(self._routes.short)
        return True

    def to_joined_leads(self) -> None:
        """Have the operator hold the meter's leads together."""
        self._leave(powered=True)
        if self._announce:
            self._operator.confirm("Hold the meter leads together")

    def release(self) -> None:
        """Open every contact."""
        self._leave(powered=True)
        if self._switch is not None:
            self._switch.open_all()
        self._on_supply, self._held = False, ()

    @property
    def can_cut_oven(self) -> bool:
        """Whether a contactor behind the switch unit decides if the oven has its mains."""
        return self._switch is not None and self._routes.oven is not None

    def permit_oven(self) -> None:
        """Let the oven have its mains, until it is cut off or all contacts are opened."""
        if self._routes.oven is not None:
            self._held, self._at = (self._routes.oven,), None
            self._close()

    def cut_oven(self) -> str:
        """Take the oven's mains away; return how.

        It moves no other contact, so it may be done whatever becomes of the supply.
        """
        assert self._switch is not None
        assert self._routes.oven is not None
        self._held, self._at = (), None
        self._switch.open_now((self._routes.oven,))
        return f"channel {self._routes.oven} of the switch unit is open"

    def break_path(self) -> tuple[bool, str]:
        """Open the supply's contacts under current, as the last resort, where the rig permits it.

        Contacts may weld or burn by it and the coil returns its energy; a coil that burns is worse. This is
        the one place where a contact moves under current.
        """
        if self._switch is None or not self._routes.power:
            return False, ONLY_A_HAND
        if not self._routes.break_under_current:
            why = "the rig file does not permit it to the switch unit (break_under_current)"
            return False, f"{ONLY_A_HAND}; {why}"
        self._at = None
        self._switch.open_now(tuple(dict.fromkeys(self._routes.power.values())))
        return True, (
            "last resort: the switch unit opened the supply's contacts under current; look at them before "
            "they are used again. The supply itself is still not known to be off"
        )

    def _close(self, *channels: int) -> None:
        """Close *channels* and no other."""
        assert self._switch is not None
        if channels == self._at:
            return
        self._leave(powered=self._on_supply or self._powered(channels))
        self._on_supply = True  # until both commands have succeeded
        self._switch.close_only((*channels, *self._held))
        self._on_supply = self._powered(channels)
        self._clock.sleep(CONTACT_SETTLE_S)
        self._at = channels

    def _ask_for(self, what: str) -> None:
        """Have the operator move the leads, unless that was the last move asked for."""
        if what == self._at:
            return
        self._leave(powered=True)
        self._operator.confirm(what)
        self._at = what

    def _powered(self, channels: tuple[int, ...]) -> bool:
        return any(channel in channels for channel in self._routes.power.values())

    def _leave(self, *, powered: bool) -> None:
        """Until the move has succeeded nobody knows where the leads are.

        Where contacts of the supply move, or leads that carry it, the supply itself says that it is off.
        """
        (self._guard.confirm_off if powered else self._guard.require_off)("moving contacts")
        self._at = None


def _channel(channels: Mapping[str, int], coil: str, path: str) -> int:
    try:
        return channels[coil]
    except KeyError:
        raise InputError(
            f"coil {coil}: the rig file's [switch.{path}] has no channel for it; add {coil} = N"
        ) from None
