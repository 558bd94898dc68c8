"""What stands open inside a guarded block: a coil under power, an oven that may heat, and their limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from analysis.model import LIMITING, TRIPPED
from daq.bench.guard.oven_guard import OvenGuard
from daq.bench.guard.watcher import Watcher
from daq.clock import Clock
from daq.errors import InterlockError, LimitError
from daq.instruments.number import Number
from daq.instruments.roles import Supply

#: What a drive can be instead of what was asked for, for people.
TRIP = "a protection of the supply has tripped"
LIMIT = "the supply is limiting current where constant voltage is expected: shorted coil or leads?"
#: The same as the status of a row. Any other trouble says nothing of the coil, and its row is missing.
STATUS_OF: Mapping[str, str] = {TRIP: TRIPPED, LIMIT: LIMITING}
#: Below this the current counts as gone: about a bench supply's own readback offset.
GONE_A = 0.02
#: What the meter may see at a coil above what the supply was set to: its range, its errors, ripple. Twice as
#: much is no error of either.
ABOVE_SET_REL, ABOVE_SET_V = 0.1, 0.3
#: The same for the current above its limit, which a supply holds within its own readback.
ABOVE_LIMIT_REL, ABOVE_LIMIT_A = 0.1, 0.1
#: No coil is driven longer in one block: a pulse of heating takes 10 s, a test at most 60 s.
MAX_DRIVE_S = 90.0


@dataclass(frozen=True)
class Ceiling:
    """One quantity limited by rig and coil: the lower wins, and a refusal names both."""

    what: str
    unit: str
    rig: float
    coil: float

    def lower(self) -> float:
        """Return the limit that counts."""
        return min(self.rig, self.coil)

    def admit(self, value: float) -> float:
        """Return *value* unchanged or refuse it; never clamp.

        Raises:
            LimitError: *value* is above the lower of the two limits, or not a number.
        """
        if not value <= self.lower():
            raise LimitError(
                f"{self.what} of {value:g} {self.unit} refused: the rig allows {self.rig:g} {self.unit}, "
                f"the coil {self.coil:g} {self.unit}; nothing was sent"
            )
        return value


class Drive:
    """A coil under power, inside a guarded block."""

    def __init__(
        self, supply: Supply, watcher: Watcher, clock: Clock, voltage_V: float, current_A: float
    ) -> None:
        self._supply = supply
        #: What the supply was set to, and the limit of its current.
        self._set_V, self._limit_A = voltage_V, current_A
        self._clock = clock
        self._until_s = clock.monotonic() + MAX_DRIVE_S
        self._watcher = watcher
        #: The clock's reading when the voltage went to zero; None while the coil is driven.
        self.ended_s: float | None = None
        #: Whether current flowed when it was last looked at; None: not known.
        self.flowed: bool | None = None

    def current(self) -> Number:
        """Measure the current in amperes with the supply's own readback.

        Raises:
            InterlockError: The companion has switched off meanwhile, or is gone; or the time is used up.
        """
        self.flowed = None
        current = self._supply.current()
        if current.value is not None:
            self.flowed = abs(current.value) >= GONE_A
        self._watcher.require()  # first: a run that was stopped for long was relieved meanwhile
        if self._clock.monotonic() > self._until_s:
            raise InterlockError(
                f"the coil was driven for more than {MAX_DRIVE_S:g} s without a pause; switched off"
            )
        return current

    def above(self, volts: Number, amperes: Number) -> str:
        """Say by how much what is measured is above what the supply was set to, or return ''."""
        set_V, limit_A = self._set_V, self._limit_A
        if volts.value is not None and volts.value > set_V * (1 + ABOVE_SET_REL) + ABOVE_SET_V:
            return (
                f"the supply was set to {set_V:g} V and the meter sees {volts.value:.3g} V at the coil, "
                f"{_times(volts.value, set_V)}: outputs in series or tracking, or a wrong scale in a dialect?"
            )
        if amperes.value is not None and amperes.value > limit_A * (1 + ABOVE_LIMIT_REL) + ABOVE_LIMIT_A:
            return (
                f"the supply was limited to {limit_A:g} A and says that {amperes.value:.3g} A flow, "
                f"{_times(amperes.value, limit_A)}: outputs in parallel, or a wrong scale in its dialect?"
            )
        return ""

    def trouble(self, *, dead: bool = False) -> str:
        """Say why the drive is not what was asked for (a trip, current limiting), or return ''.

        It takes two answers in succession that say so: one may be wrong by a digit.

        Args:
            dead: No current flows: then the output itself is asked for, before a coil is called open.
        """
        return self._trouble(dead=dead) and self._trouble(dead=dead)

    def _trouble(self, *, dead: bool) -> str:
        mode = self._supply.mode()
        # A tripped output is off: it regulates no voltage and carries no current.
        if (dead or mode != "CV") and self._supply.tripped():
            return TRIP
        if mode == "CC":
            return LIMIT
        if dead and not self._supply.output_is_on():
            return "the supply's output went off by itself: a power cut, or somebody at the supply?"
        return ""


def _times(measured: float, wanted: float) -> str:
    return f"{measured / wanted:.2g} times as much" if wanted > 0 else "where nothing was wanted"


class OvenHeat:
    """An oven that is allowed to heat, inside a guarded block."""

    def __init__(self, oven: OvenGuard, setpoint: Ceiling) -> None:
        self._oven = oven
        self._setpoint = setpoint
        #: Whether the block is still open.
        self.live = True

    def go_to(self, temperature_degC: float) -> None:
        """Heat towards *temperature_degC*.

        Raises:
            LimitError: Above the lower of rig and coil ceiling; nothing was sent.
            InterlockError: The guarded block has been left; nothing was sent.
        """
        if not self.live:
            raise InterlockError("the oven was to heat after the guarded block; nothing was sent")
        self._oven.aim(self._setpoint.admit(temperature_degC))
