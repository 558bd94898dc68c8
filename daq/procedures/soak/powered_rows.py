"""Rows of one coil under power: voltage and current one after the other, energy counted, limits watched.

Between rows the current alone is looked at: it is what an open takes away, while the voltage stays.
"""

from __future__ import annotations

from daq.bench.bench import CONDUCTS_A
from daq.bench.guard.drive import Drive
from daq.errors import InterlockError, LinkTimeoutError
from daq.instruments.number import Number
from daq.procedures.procedure import NOT_TAKEN, Procedure
from daq.procedures.soak.heat_limits import HeatWatch
from daq.record.writer import Reading

#: From switching on until voltage and current stand: slew of the supply, and L/R of the coil.
SWITCH_ON_S = 0.2
#: Least time between two looks at the current: bench supplies measure it some twenty times a second (common
#: practice, no source).
LOOK_S = 0.05


class DrivenRows:
    """One coil inside a guarded block, from *on_s* of the run on."""

    def __init__(
        self, procedure: Procedure, watch: HeatWatch, drive: Drive, coil: str, phase: str, step_degC: float
    ) -> None:
        self._procedure = procedure
        self._watch = watch
        self._drive = drive
        self._coil = coil
        self._phase = phase
        self._step_degC = step_degC
        #: When the last row was taken; before the first, when current began to flow.
        self.last_s = procedure.now()
        #: The newest power; it stands until the next row.
        self.power_W = 0.0
        #: Beginning and end of the last look at the current, and whether there was one.
        self._look_s, self._looked = (self.last_s, self.last_s), False
        self._flowed = True
        #: The longest from the beginning of a look at the current to the end of the next.
        self.apart_s = 0.0

    def take(self, *, probe: bool = False, amperes: Number | None = None) -> tuple[Reading, str]:
        """Read V and I once, and perhaps the probe; keep the row.

        Args:
            probe: Read the body's temperature too.
            amperes: The current that was just looked at; None reads it.

        Returns:
            The row, and what is wrong with the drive: the supply's doing, which says nothing of the coil.

        Raises:
            CeilingError: Winding or body is above its ceiling.
            StaleError: The probe is gone or does not follow, or the current does not match V/R.
        """
        procedure, coil, bench = self._procedure, self._coil, self._procedure.bench
        before_s = procedure.now()
        volts = bench.meter.voltage(coil)
        amperes = self._look() if amperes is None else amperes
        # The middle of both: a winding that gains a kelvin a second is told to hundredths of a second.
        now_s = (before_s + procedure.now()) / 2
        if volts.value is not None and amperes.value is not None:
            self.power_W = max(volts.value * amperes.value, 0.0)
        procedure.add_energy(coil, self.power_W * (now_s - self.last_s))
        self.last_s = now_s
        self._require_as_set(volts, amperes)
        body = self._body() if probe else NOT_TAKEN
        self._flowed = amperes.value is None or amperes.value > CONDUCTS_A
        trouble = self._drive.trouble(dead=not self._flowed)
        reading = procedure.reading(
            coil,
            self._phase,
            self._step_degC,
            now_s,
            probe=body,
            volts=volts,
            amperes=amperes,
            trouble=trouble,
        )
        procedure.row(reading)
        if probe:
            self._watch.see_probe(now_s, body, procedure.energy_J(coil), driven=True)
        self._watch.see_winding(now_s, reading.resistance_ohm, driven=True)
        return reading, trouble

    def _require_as_set(self, volts: Number, amperes: Number) -> None:
        """Hold voltage and current to what the supply was set to; a wrong digit is asked for again.

        Raises:
            InterlockError: There is more than was asked for.
        """
        if not self._drive.above(volts, amperes):
            return
        again = self._drive.above(self._procedure.bench.meter.voltage(self._coil), self._drive.current())
        if again:
            raise InterlockError(f"coil {self._coil}: {again} Switched off")

    def _body(self) -> Number:
        """Read the probe; one that does not answer in time is a missing reading, of which few are borne."""
        try:
            return self._procedure.bench.temperature(self._coil)
        except LinkTimeoutError:
            return Number(None, "missing: the probe did not answer in time")

    def watch_until(self, time_s: float) -> Number | None:
        """Look at the current until *time_s* of the run, or until it is gone or back: then a row is due.

        Returns:
            The look at which none flowed, if one did; the row is to be of that.
        """
        procedure = self._procedure
        while self._look_s[0] + LOOK_S < time_s:
            _, before_s = self._look_s
            procedure.wait_until(self._look_s[0] + LOOK_S)
            amperes = self._look()
            gone = amperes.value is not None and amperes.value <= CONDUCTS_A
            if gone or not self._flowed:
                # Until midway between the looks the power was that of the last row.
                midway_s = max((before_s + self._look_s[0]) / 2, self.last_s)
                self.end(midway_s)
                self.last_s = midway_s
                return amperes if gone else None
        procedure.wait_until(time_s)
        return None

    def _look(self) -> Number:
        began_s = self._procedure.now()
        amperes, ended_s = self._drive.current(), self._procedure.now()
        # Nobody knows when within its exchange a supply looks.
        if self._looked:
            self.apart_s = max(self.apart_s, ended_s - self._look_s[0])
        self._look_s, self._looked = (began_s, ended_s), True
        return amperes

    def end(self, ended_s: float) -> None:
        """Count the energy from the last row to *ended_s*, when the voltage went to zero."""
        self._procedure.add_energy(self._coil, self.power_W * (ended_s - self.last_s))
