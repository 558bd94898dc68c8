"""The one place through which every energising passes: limits, interlocks, safe state.

It also is the one place that knows what may still be on or hot: what was begun here counts as dangerous until
it is proved otherwise, and is tried again, by :mod:`daq.bench.guard.vigil`, for as long as it is not.

It stands beside the bench's own protection and is not a safety-rated interlock.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Protocol

from daq.bench.guard.drive import GONE_A, Ceiling, Drive, OvenHeat
from daq.bench.guard.oven_guard import OVEN_ON, OvenGuard
from daq.bench.guard.seen_off import SeenOff
from daq.bench.guard.watcher import COIL, OVEN, Unwatched, Watcher
from daq.clock import Clock
from daq.config.rig import COOL_WITHIN_S, OVER_K
from daq.errors import BenchError, InterlockError, LinkError, OutputUnknownError, ReadbackError, ReplyError
from daq.instruments.haste import Haste
from daq.instruments.number import Number
from daq.instruments.roles import Oven, Supply
from daq.signals import shielded

OUTPUT_UNKNOWN = "THE SUPPLY'S OUTPUT STATE IS NOT KNOWN - SWITCH THE SUPPLY OFF BY HAND"

#: Behind an open coil the voltage falls later than the current. What a supply's capacitor holds beyond the
#: wait is harmless to contacts.
GONE_V = 0.5
#: The coil itself is empty within a tenth of a second; the supply's output capacitor takes longer.
GONE_WITHIN_S = 3.0
#: By then at least this share of what the capacitor held at first is gone.
FALLEN = 0.9
OFF_TRIES = 3
ONLY_A_HAND = (
    "only a hand can take the current away: switch the supply off, or pull its leads (they may spark)"
)
#: Protection stands this far above the working limit, so that it trips on faults and not on ripple; but never
#: above what the rig allows, since that is what leads, coils and the owner's word stand for.
PROTECTION_MARGIN = 1.1

#: No body was read.
UNREAD = Number(None, "missing: not read")


class LastMeans(Protocol):
    """What the switch unit can do when supply or oven no longer obey: the harness does it."""

    def permit_oven(self) -> None:
        """Let the oven have its mains, where a contactor of the rig decides that."""
        ...

    @property
    def can_cut_oven(self) -> bool:
        """Whether there is such a contactor."""
        ...

    def cut_oven(self) -> str:
        """Take the oven's mains away; return how, read back."""
        ...

    def break_path(self) -> tuple[bool, str]:
        """Open the supply's path under current if the rig permits that.

        Returns:
            Whether it was opened, and what was done, or who can.
        """
        ...


class Guard:
    """Owns the supply's output and the oven's heat; everything else asks it first.

    Args:
        supply: The supply, if there is one.
        oven: The oven, if there is one.
        clock: The bench's time.
        voltage_V: The most this bench may apply.
        current_A: The most it may drive.
        body_degC: The hottest a body may become.
        alarm: Called with a line that stands from then on.
        clear: Called with an alarm that stood and is proved to be over.
        tell: Called with what was done or found about heat.
        watcher: Who switches off from outside if the program cannot.
        cool_within_s: By when an oven that was told to stop has to be seen to cool.
        over_K: How far above its setpoint the oven's air may come.
    """

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
        clear: Callable[[str], None] = lambda _: None,
        tell: Callable[[str], None] = lambda _: None,
        watcher: Watcher | None = None,
        cool_within_s: float = COOL_WITHIN_S,
        over_K: float = OVER_K,
        across: Callable[[], Number] | None = None,
        haste: Haste | None = None,
    ) -> None:
        self._supply = supply
        self._watcher: Watcher = watcher or Unwatched()
        self._heat = None if oven is None else OvenGuard(oven, clock, tell, cool_within_s, over_K)
        self._means: LastMeans | None = None
        self._clock = clock
        self._haste = haste or Haste()
        #: *across* is what the meter sees of the coil that is driven; None where no meter is across it.
        self._seen = SeenOff(across, clock, self._haste)
        self._rig_voltage_V = voltage_V
        self._rig_current_A = current_A
        self._rig_body_degC = body_degC
        self._alarm = alarm
        self._clear = clear
        self._tell = tell
        #: The alarms that have been raised and not been proved to be over.
        self._standing: list[str] = []
        self._driven: str | None = None
        self._unknown = False
        self._told_unsure = False
        #: Whether the last resort was wanted and the switch unit was not to be had.
        self._path_owed = False
        self._zero_s = 0.0

    def rely_on(self, means: LastMeans) -> None:
        """Use *means* where supply or oven do not obey."""
        self._means = means
        if self._heat is not None and means.can_cut_oven:
            self._heat.cut = means.cut_oven

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

        Somebody may have pressed a key at the supply since it was last switched off. Where the meter could
        not see the last coil without voltage, it is asked now.

        Raises:
            InterlockError: A coil is driven, or the output is on; it has been switched off.
            OutputUnknownError: The supply could not be confirmed off.
        """
        self.require_off(what)
        if self._supply is None:
            return
        if self._seen.owed:
            try:
                self._seen.require()  # in patience, since nothing is to flow
            except ReadbackError:
                self._driven = "switched off last"
                self.make_safe()
                raise
        if self._supply.output_is_on():
            again = self._supply.output_is_on()  # one reply may be wrong by a digit
            self.make_safe()
            if not again:
                return
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
        drive = Drive(self._supply, self._watcher, self._clock, voltage_V, limit_A)
        self._driven = coil
        try:
            self._watcher.begin(COIL)
            self._prepare(self._supply, volts.lower(), limit_A)
            # An output that is on in spite of its word is found before it is trusted; and the meter is set.
            self._seen.require()
            self._supply.set_voltage(voltage_V)
            self._haste.on = True
            self._supply.switch_output(True)
            yield drive
        except BenchError:
            # The run ends by it, and its heat with it: a supply that hangs must not keep the oven waiting.
            self._hush_oven()
            self._watcher.require()  # what a relieved run meets first is the companion's doing: so say that
            raise
        finally:
            self._haste.on = False
            self._seen.behind_open = drive.flowed is False
            self.make_safe()
            drive.ended_s = self._zero_s
        if self._heat is not None:
            self._heat.go_on()

    def _prepare(self, supply: Supply, voltage_V: float, current_A: float) -> None:
        if supply.output_is_on() and supply.output_is_on():  # one reply may be wrong by a digit
            raise InterlockError(
                "the supply's output was already on: somebody else uses this supply; free it and start again"
            )
        if supply.tripped():
            supply.clear_trip()  # the coil that tripped it has been given up and told
            if supply.tripped():
                raise InterlockError(
                    "the supply's protection stays tripped; look at the supply and its leads"
                )
        protections = supply.protect(
            min(PROTECTION_MARGIN * voltage_V, self._rig_voltage_V),
            min(PROTECTION_MARGIN * current_A, self._rig_current_A),
        )
        unsure = [each.told() for each in protections if not each.stands]
        if unsure and not self._told_unsure:
            self._told_unsure = True
            self._alarm(f"supply: {'; '.join(unsure)}: trust its current limit alone to guard the coil")
        supply.set_current_limit(current_A)

    @contextmanager
    def heating(self, coil_body_degC: float) -> Iterator[OvenHeat]:
        """Heat the oven inside the block; however the block is left, the oven is told to stop after it.

        That it does stop is known when it is seen to cool: see :meth:`see_oven` and :attr:`proved`.

        Args:
            coil_body_degC: The highest temperature that the coils' bodies may see.

        Raises:
            OutputUnknownError: The oven does not say that its heat is off.
        """
        if self._heat is None:
            raise InterlockError("nothing to heat with: the rig file names no oven")
        heat = OvenHeat(self._heat, Ceiling("oven setpoint", "degC", self._rig_body_degC, coil_body_degC))
        try:
            self._watcher.begin(OVEN)
            self._heat.begin()
            if self._means is not None:
                self._means.permit_oven()
            yield heat
        finally:
            heat.live = False
            with shielded():
                self._stop_heat(self._heat)

    def see_oven(self, coil: str = "", body: Number = UNREAD) -> None:
        """Hold the oven's own air, now and then, and the body of *coil* to what the oven was told.

        While it heats nothing in it may be hotter than its setpoint explains; after it was told to stop it
        has to cool.

        Raises:
            OvenError: Something is hotter than the setpoint explains.
            OutputUnknownError: The oven does not cool; the alarm stands.
        """
        if self._heat is None:
            return
        self._heat.see(coil, body)
        self._update()
        if self._heat.alarm:
            raise OutputUnknownError(f"{self._heat.alarm} ({self._heat.told()})")

    @contextmanager
    def heat_paused(self) -> Iterator[None]:
        """Tell the oven to stop while something is asked again; it heats on after that unless it raises."""
        self._hush_oven()
        yield
        if self._heat is not None:
            self._heat.go_on()

    def forgive(self, coil: str) -> None:
        """Take note that *coil* was driven: its body may be warmer than the oven for a while."""
        if self._heat is not None:
            self._heat.forgive(coil)

    @property
    def proved(self) -> bool:
        """Whether all that was ever on is proved to be off, and the oven is seen to cool."""
        return not (self._unknown or self._driven is not None or self._may_heat)

    @property
    def standing(self) -> tuple[str, ...]:
        """The alarms that stand."""
        return tuple(self._standing)

    def told(self) -> str:
        """Say what is waited for."""
        return self._heat.told() if self._heat is not None and self._may_heat else ""

    @property
    def _may_heat(self) -> bool:
        return self._heat is not None and self._heat.may_heat

    def try_again(self, bodies_degC: Mapping[str, float]) -> None:
        """Try once to switch off and to prove what is not proved; raise or end alarms by what comes of it.

        Args:
            bodies_degC: What was read of the bodies anew, by coil.
        """
        self._hush_oven()
        if self._supply is not None and (self._unknown or self._driven is not None):
            try:
                self._switch_off(self._supply)
            except Exception as exc:  # noqa: BLE001 - whatever it is, the next round tries again
                # Over another wire it is the same supply's word, and may be the same lie.
                wire = isinstance(exc, LinkError | ReplyError)
                off = wire and self._watcher.switch_off(wait=False)
                self._unknown = not off or self._seen.caught
                self._seen.owe()
            else:
                self._unknown = False
            if not self._unknown:
                self._driven, self._seen.path_open = None, False
        if self._heat is not None and self._may_heat:
            self._heat.try_again(bodies_degC)
        self._update()
        self._path_owed &= self._unknown
        if self._path_owed:  # last of all, since the switch unit may hang too
            how = self._break_path()
            if not self._path_owed:
                self._tell(how)

    def give_up(self) -> None:
        """Let the alarm stand for what is not proved: nobody watches it any more."""
        self._unknown = self._unknown or self._driven is not None
        if self._heat is not None and self._may_heat:
            self._heat.doubt()
        self._update()

    def leave_safe(self) -> None:
        """Switch off whatever is not known to be off: the last word before the bench is given back.

        A stop signal may come in the lines between a guarded block and its shield. What has been tried
        and told to the operator already is not tried again here.
        """
        with shielded():
            self._hush_oven()
            try:
                if self._driven is not None and not self._unknown:
                    self.make_safe()
            finally:
                if self._heat is not None and self._may_heat and not (self._heat.off or self._heat.alarm):
                    self._stop_heat(self._heat)

    def _hush_oven(self) -> None:
        if self._heat is not None:
            self._heat.hush()

    def _stop_heat(self, heat: OvenGuard) -> None:
        cause: Exception | None = None
        for left in reversed(range(OFF_TRIES)):
            try:
                heat.stop()
            except Exception as exc:  # noqa: BLE001 - whatever it is, off is tried again, or told
                cause = exc
                self._ask_watcher("oven", exc, wait=left == 0)
            else:
                return
        heat.alarm = OVEN_ON
        self._update()
        heat.cut_off()
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
                    self._hush_oven()
                    self._ask_watcher("supply", exc, wait=left == 0)
                else:
                    self._driven, self._unknown = None, False
                    self._update()
                    return
            self._unknown = True
            self._update()
            self._tell(str(cause))
            if self._driven is not None:
                self._tell(self._break_path())
        raise OutputUnknownError(f"{OUTPUT_UNKNOWN} ({cause})") from cause

    def _break_path(self) -> str:
        """Use the last resort against a current that cannot be switched off."""
        if self._means is None:
            return ONLY_A_HAND
        self._path_owed = False
        try:
            self._seen.path_open, how = self._means.break_path()
        except BenchError as exc:
            self._path_owed = True
            return f"the supply's path could not be opened: {exc}"
        return how

    def _update(self) -> None:
        """Raise the alarms that have come up, end those that are proved to be over, tell who watches."""
        due = [OUTPUT_UNKNOWN] if self._unknown else []
        if self._heat is not None and self._heat.alarm:
            due.append(self._heat.alarm)
        for text in [text for text in self._standing if text not in due]:
            self._standing.remove(text)
            self._clear(text)
        for text in [text for text in due if text not in self._standing]:
            self._standing.append(text)
            self._alarm(text)
        if not self._unknown and self._driven is None:
            self._watcher.end(COIL)
        if not self._may_heat:
            self._watcher.end(OVEN)

    def _ask_watcher(self, what: str, cause: Exception, *, wait: bool) -> None:
        """Where the wire has failed, let whoever watches from outside try over another before the alarm.

        One wrong reply may be another's, and the next try in step again; three are a wire that fails.
        """
        failed = isinstance(cause, LinkError) or (wait and isinstance(cause, ReplyError))
        if failed and (off := self._watcher.switch_off(wait=wait)):
            if not self._seen.caught:
                self._driven, self._unknown = None, False
            elif what == "supply":
                return  # it is the same supply's word
            self._seen.owe()
            if self._heat is not None and self._may_heat:
                self._heat.believe_off()
            self._update()
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
        first_V = math.inf
        while True:
            current_A, voltage_V = _remaining(supply.current()), abs(_remaining(supply.voltage()))
            first_V = voltage_V if first_V == math.inf else first_V
            late = self._clock.monotonic() > deadline_s
            # A capacitor that empties slowly is off; a voltage that stays is a switch that does nothing.
            fallen = voltage_V < GONE_V or (late and voltage_V < FALLEN * first_V < math.inf)
            if abs(current_A) < GONE_A and fallen:
                break
            if late:
                left = (
                    f"{current_A:.3f} A still flow" if abs(current_A) >= GONE_A else f"{voltage_V:.2f} V stay"
                )
                raise ReadbackError(f"supply: {left} {GONE_WITHIN_S:g} s after switching off")
            self._clock.sleep(0.02)
        if self._driven is not None:
            self._seen.look()


def _remaining(reading: Number) -> float:
    """Return what is left: nothing where a supply measures nothing when off; over range is much."""
    if reading.value is not None:
        return reading.value
    return math.inf if reading.status == "open or over range" else 0.0
