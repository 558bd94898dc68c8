"""Rows of one coil under power: voltage and current one after the other, energy counted, limits watched."""

from __future__ import annotations

from daq.bench import CONDUCTS_A
from daq.drive import Drive
from daq.heatwatch import HeatWatch
from daq.procedure import NOT_TAKEN, Procedure
from daq.record import Reading

#: From switching on until voltage and current stand: slew of the supply, and L/R of the coil.
SWITCH_ON_S = 0.2


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

    def take(self, *, probe: bool = False) -> tuple[Reading, str]:
        """Read V and I once, and perhaps the probe; keep the row.

        Returns:
            The row, and what is wrong with the drive: the supply's doing, which says nothing of the coil.

        Raises:
            CeilingError: Winding or body is above its ceiling.
            StaleError: The probe is gone or does not follow, or the current does not match V/R.
        """
        procedure, coil, bench = self._procedure, self._coil, self._procedure.bench
        before_s = procedure.now()
        volts, amperes = bench.meter.voltage(coil), self._drive.current()
        # The middle of both: a winding that gains a kelvin a second is told to hundredths of a second.
        now_s = (before_s + procedure.now()) / 2
        if volts.value is not None and amperes.value is not None:
            self.power_W = max(volts.value * amperes.value, 0.0)
        procedure.add_energy(coil, self.power_W * (now_s - self.last_s))
        self.last_s = now_s
        body = bench.temperature(coil) if probe else NOT_TAKEN
        dead = amperes.value is not None and amperes.value <= CONDUCTS_A
        trouble = self._drive.trouble(dead=dead)
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
            self._watch.see_probe(now_s, body, procedure.energy_J(coil))
        self._watch.see_winding(now_s, reading.resistance_ohm, driven=True)
        return reading, trouble

    def end(self, ended_s: float) -> None:
        """Count the energy from the last row to *ended_s*, when the voltage went to zero."""
        self._procedure.add_energy(self._coil, self.power_W * (ended_s - self.last_s))
