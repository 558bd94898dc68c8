"""The bench thermometer's instrument and the Pt100 elements on the bodies."""

from __future__ import annotations

import math

import numpy as np

from daq.sim.devices.scpi import CHANNELS, ErrorCode, Instrument, Reply
from daq.sim.faults import Thermometer
from daq.sim.world.world import World

_READ_S = 0.05
_OVERLOAD = "+9.90000000E+37"
_UNDER = "-9.90000000E+37"


def pt100_ohm(probe_degC: float) -> float:
    """Return the resistance of a Pt100 element (IEC 60751: A, B, and C below 0 degC); shorted, none."""
    if probe_degC == -math.inf:
        return 0.0
    ratio = 1.0 + 3.9083e-3 * probe_degC - 5.775e-7 * probe_degC**2
    if probe_degC < 0.0:
        ratio -= 4.183e-12 * (probe_degC - 100.0) * probe_degC**3
    return 100.0 * ratio


class ThermometerInstrument(Instrument):
    """What the thermometer understands on the wire: channel n is the probe on the n-th coil.

    Without a switch unit there is one probe, carried along with the leads, on channel 1.
    """

    identity = "Coilsoak,Simulated thermometer,S-0005,1.0"

    def __init__(self, world: World, thermometer: Thermometer, rng: np.random.Generator) -> None:
        super().__init__()
        self._world = world
        self._noise_K = thermometer.noise_K
        self._rng = rng
        self._count = len(world.coils) if world.harness.has_switch else 1
        self._offset_K = thermometer.offset_limit_K * rng.uniform(-1.0, 1.0, self._count)
        self._gain_rel = np.zeros(self._count)
        if thermometer.gain_limit_rel:  # nothing is drawn in vain, so that the noise stays what it was
            self._gain_rel = thermometer.gain_limit_rel * rng.uniform(-1.0, 1.0, self._count)
        self.query("MEASure[:SCALar]:TEMPerature", self._ask_temperature, CHANNELS)

    def reset(self) -> None:
        """Nothing to go back to: the thermometer has no settings."""

    def _ask_temperature(self, channels: tuple[int, ...]) -> Reply:
        if not all(1 <= channel <= self._count for channel in channels):
            return ErrorCode.DATA_OUT_OF_RANGE
        world = self._world
        world.clock.sleep(_READ_S * len(channels))
        with world.lock:
            world.catch_up()
            return ",".join(self._one(channel - 1) for channel in channels)

    def _one(self, position: int) -> str:
        world = self._world
        index = position if world.harness.has_switch else world.harness.direct
        # Leads on no coil: the probe hangs in the air beside the bench.
        probe_degC = world.ambient_degC if index is None else world.probe_degC(index)
        if probe_degC is None:
            return _OVERLOAD
        if probe_degC == -math.inf:
            return _UNDER
        noise_K = self._noise_K * float(self._rng.standard_normal())
        error_K = float(self._offset_K[position]) + float(self._gain_rel[position]) * (probe_degC - 20.0)
        return f"{probe_degC + error_K + noise_K:.3f}"
