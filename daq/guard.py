"""The one place through which every energising passes: limits, interlocks, safe state.

It stands beside the bench's own protection and is not a safety-rated interlock.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from daq.clock import Clock
from daq.conversation import Number
from daq.drive import Ceiling, Drive, OvenHeat
from daq.errors import InterlockError, LinkError, OutputUnknownError, ReadbackError, ReplyError
from daq.instruments.roles import Oven, Supply
from daq.signals import shielded
from daq.watcher import COIL, OVEN, Unwatched, Watcher

OUTPUT_UNKNOWN = "THE SUPPLY'S OUTPUT STATE IS NOT KNOWN - SWITCH THE SUPPLY OFF BY HAND"

OVEN_ON = "THE OVEN COULD NOT BE SWITCHED OFF - SWITCH IT OFF BY HAND"

#: Below this the current counts as gone: about a bench supply's own readback offset.
GONE_A = 0.02
#: Behind an open coil the voltage falls later than the current. What a supply's capacitor holds beyond the
#: wait is harmless to contacts.
GONE_V = 0.5
#: The coil itself is empty within a tenth of a second; the supply's output capacitor takes longer.
GONE_WITHIN_S = 3.0
#: By then at least this share of what the capacitor held at first is gone.
FALLEN = 0.9
OFF_TRIES = 3
#: Protection stands this far above the working limit, so that it trips on faults and not on ripple.
PROTECTION_MARGIN = 1.1


class Guard:
    """Owns the supply's output and the oven's heat; everything else asks it first."""

    def __init__(
        self,
        supply: Supply | None,
        oven: Oven | None,
        clock: Clock,
        *,
        voltage_V: float,
        current_A: float,
        body_degC: float,
        alarm: Callable[[str], None],
        watcher: Watcher | None = None,
    ) -> None:
        self._supply = supply
        self._watcher: Watcher = watcher or Unwatched()
        self._oven = oven
        self._clock = clock
        self._rig_voltage_V = voltage_V
        self._rig_current_A = current_A
        self._rig_body_degC = body_degC
        self._alarm = alarm
        self._driven: str | None = None
        self._unknown = False
        self._told_missing = False
        self._zero_s = 0.0
        self._heating = False

    @property
    def output_unknown(self) -> bool:
        """Whether the supply could not be confirmed off: said on every further line."""
        return self._unknown

    def require_off(self, what: str) -> None:
        """Refuse *what* (an ohms reading, a contact move) while a coil is or may be driven.

        Raises:
            InterlockError: A coil is driven.
            OutputUnknownError: The supply could not be confirmed off earlier.
        """
        if self._unknown:
            raise OutputUnknownError(f"{what} refused: {OUTPUT_UNKNOWN}")
        if self._driven is not None:
            raise InterlockError(f"{what} refused: coil {self._driven} is driven; switch it off first")

    def confirm_off(self, what: str) -> None:
        """Refuse *what* (a move of a supply's contacts) unless the supply itself says that it is off.

        Somebody may have pressed a key at the supply since it was last switched off.

        Raises:
            InterlockError: A coil is driven, or the output is on; it has been switched off.
            OutputUnknownError: The supply could not be confirmed off.
        """
        self.require_off(what)
        if self._supply is not None and self._supply.output_is_on():
            self.make_safe()
            raise InterlockError(
                f"{what} refused: the supply's output was on though this program had switched it off; it is "
                "off again. Is somebody else using the supply?"
            )

    @contextmanager
    def energised(
        self, coil: str, *, voltage_V: float, coil_voltage_V: float, coil_current_A: float
    ) -> Iterator[Drive]:
        """Drive *coil* inside the block; however the block is left, the supply is off after it.

        Args:
            coil: Label, for messages.
            voltage_V: Voltage at the start.
            coil_voltage_V: The most the coil may see.
            coil_current_A: The most the coil may carry.

        Raises:
            LimitError: A request is above the lower of rig and coil limit; nothing was sent.
            OutputUnknownError: The supply could not be confirmed off afterwards.
        """
        if self._supply is None:
            raise InterlockError(f"coil {coil} cannot be driven: the rig file names no supply")
        self.require_off(f"driving coil {coil}")
        volts = Ceiling("voltage", "V", self._rig_voltage_V, coil_voltage_V)
        volts.admit(voltage_V)
        limit_A = min(self._rig_current_A, coil_current_A)
        drive = Drive(self._supply, self._watcher, self._clock)
        self._driven = coil
        try:
            self._watcher.begin(COIL)
            self._prepare(self._supply, volts.lower(), limit_A)
            self._supply.set_voltage(voltage_V)
            self._supply.switch_output(True)
            yield drive
        finally:
            try:
                self.make_safe()
            finally:
                self._watcher.end(COIL)
            drive.ended_s = self._zero_s

    def _prepare(self, supply: Supply, voltage_V: float, current_A: float) -> None:
        if supply.output_is_on():
            raise InterlockError(
                "the supply's output was already on: somebody else uses this supply; free it and start again"
            )
        if supply.tripped():
            supply.clear_trip()  # the coil that tripped it has been given up and told
            if supply.tripped():
                raise InterlockError(
                    "the supply's protection stays tripped; look at the supply and its leads"
                )
        missing = supply.protect(PROTECTION_MARGIN * voltage_V, PROTECTION_MARGIN * current_A)
        if missing and not self._told_missing:
            self._told_missing = True
            self._alarm(
                f"this supply has no {' and no '.join(missing)} protection: "
                "its current limit alone guards the coil"
            )
        supply.set_current_limit(current_A)

    @contextmanager
    def heating(self, coil_body_degC: float) -> Iterator[OvenHeat]:
        """Heat the oven inside the block; heating is off after it, however the block is left.

        Args:
            coil_body_degC: The highest temperature that the coils' bodies may see.
        """
        if self._oven is None:
            raise InterlockError("nothing to heat with: the rig file names no oven")
        self._heating = True
        heat = OvenHeat(self._oven, Ceiling("oven setpoint", "degC", self._rig_body_degC, coil_body_degC))
        try:
            self._watcher.begin(OVEN)
            yield heat
        finally:
            heat.live = False
            with shielded():
                try:
                    self._stop_heat(self._oven)
                finally:
                    self._watcher.end(OVEN)

    def leave_safe(self) -> None:
        """Switch off whatever is not known to be off: the last word before the bench is given back.

        A stop signal may come in the lines between a guarded block and its shield. What has been tried
        and told to the operator already is not tried again.
        """
        with shielded():
            try:
                if self._heating and self._oven is not None:
                    self._stop_heat(self._oven)
            finally:
                try:
                    if self._driven is not None and not self._unknown:
                        self.make_safe()
                finally:
                    self._watcher.end(COIL)
                    self._watcher.end(OVEN)

    def _stop_heat(self, oven: Oven) -> None:
        cause: Exception | None = None
        for left in reversed(range(OFF_TRIES)):
            try:
                oven.switch_heat(False)
            except Exception as exc:  # noqa: BLE001 - whatever it is, off is tried again, or told
                cause = exc
                self._ask_watcher("oven", exc, wait=left == 0)
            else:
                self._heating = False
                return
        self._heating = False  # told, and not tried again
        self._alarm(f"{OVEN_ON} ({cause})")
        raise OutputUnknownError(f"{OVEN_ON} ({cause})") from cause

    def make_safe(self) -> None:
        """Set the supply to zero, switch it off, read that back, and wait until the current has gone.

        Raises:
            OutputUnknownError: Off could not be confirmed; the operator has been told.
            ReadbackError: Only whoever watches from outside could confirm it, over another connection.
        """
        if self._supply is None:
            return
        cause: Exception | None = None
        with shielded():
            for left in reversed(range(OFF_TRIES)):
                try:
                    self._switch_off(self._supply)
                except Exception as exc:  # noqa: BLE001 - whatever it is, off is tried again, or told
                    cause = exc
                    self._ask_watcher("supply", exc, wait=left == 0)
                else:
                    self._driven, self._unknown = None, False
                    return
            self._unknown = True
            self._alarm(OUTPUT_UNKNOWN)
        raise OutputUnknownError(f"{OUTPUT_UNKNOWN} ({cause})") from cause

    def _ask_watcher(self, what: str, cause: Exception, *, wait: bool) -> None:
        """Where the wire has failed, let whoever watches from outside try over another before the alarm.

        One wrong reply may be another's, and the next try in step again; three are a wire that fails.
        """
        failed = isinstance(cause, LinkError) or (wait and isinstance(cause, ReplyError))
        if failed and (off := self._watcher.switch_off(wait=wait)):
            self._driven, self._unknown, self._heating = None, False, False
            raise ReadbackError(
                f"{what}: could not be switched off over this program's own connection ({cause}); the "
                f"companion process did it over its own: {off}, read back. See to the connection, then resume"
            ) from cause

    def _switch_off(self, supply: Supply) -> None:
        try:
            supply.set_voltage(0.0)
            self._zero_s = self._clock.monotonic()
        finally:
            # A supply that refuses the voltage may still obey the switch.
            supply.switch_output(False)
        if supply.output_is_on():
            raise ReadbackError("supply: the output was switched off and reads back as on")
        deadline_s = self._clock.monotonic() + GONE_WITHIN_S
        first_V: float | None = None
        while True:
            current_A, voltage_V = _remaining(supply.current()), abs(_remaining(supply.voltage()))
            first_V = voltage_V if first_V is None else first_V
            late = self._clock.monotonic() > deadline_s
            # A capacitor that empties slowly is off; a voltage that stays is a switch that does nothing.
            fallen = voltage_V < GONE_V or (late and voltage_V < FALLEN * first_V)
            if abs(current_A) < GONE_A and fallen:
                return
            if late:
                left = (
                    f"{current_A:.3f} A still flow" if abs(current_A) >= GONE_A else f"{voltage_V:.2f} V stay"
                )
                raise ReadbackError(f"supply: {left} {GONE_WITHIN_S:g} s after switching off")
            self._clock.sleep(0.02)


def _remaining(reading: Number) -> float:
    """Return what is left: nothing where a supply measures nothing when off; over range is much."""
    if reading.value is not None:
        return reading.value
    return math.inf if reading.status == "open or over range" else 0.0
