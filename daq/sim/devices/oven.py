"""What the oven's controller understands on the wire."""

from __future__ import annotations

import numpy as np

from daq.sim.devices.scpi import BOOLEAN, ErrorCode, Instrument, Reply, number
from daq.sim.faults import Oven
from daq.sim.world.air import OvenAir
from daq.sim.world.world import World

_READ_S = 0.02


class OvenInstrument(Instrument):
    """What the oven's controller understands on the wire."""

    identity = "Coilsoak,Simulated oven,S-0004,1.0"

    def __init__(self, world: World, air: OvenAir, oven: Oven, rng: np.random.Generator) -> None:
        super().__init__()
        self._world = world
        self._air = air
        self._oven = oven
        self._rng = rng
        self.command("SOURce:TEMPerature:SPOint", self._set_setpoint, number("CEL", "C"))
        self.query("SOURce:TEMPerature:SPOint", self._ask_setpoint)
        self.query("MEASure[:SCALar]:TEMPerature", self._ask_temperature)
        self.command("OUTPut[:STATe]", self._set_output, BOOLEAN)
        self.query("OUTPut[:STATe]", self._ask_output)

    def reset(self) -> None:
        """Switch off and forget the setpoint."""
        with self._world.lock:
            self._world.catch_up()
            self._air.setpoint_degC = self._world.ambient_degC
            self._air.switch(on=False)

    def _set_setpoint(self, setpoint_degC: float) -> Reply:
        if not 0.0 <= setpoint_degC <= self._oven.max_setpoint_degC:
            return ErrorCode.DATA_OUT_OF_RANGE
        with self._world.lock:
            self._world.catch_up()
            self._air.setpoint_degC = setpoint_degC
        return None

    def _ask_setpoint(self) -> Reply:
        return f"{self._air.setpoint_degC:.2f}"

    def _ask_temperature(self) -> Reply:
        self._world.clock.sleep(_READ_S)
        with self._world.lock:
            self._world.catch_up()
            noise_K = self._oven.sensor_noise_K * float(self._rng.standard_normal())
            stuck = self._air.fault == "sensor stuck"
            return f"{self._air.sensor_degC + (0.0 if stuck else noise_K):.2f}"

    def _set_output(self, on: bool) -> Reply:
        with self._world.lock:
            self._world.catch_up()
            self._air.switch(on=on)
            self._world.fan_changed()
        return None

    def _ask_output(self) -> Reply:
        return "1" if self._air.on else "0"
