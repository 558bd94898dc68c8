"""The oven: air heated through a lagging heater under a PI controller, and its instrument."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from daq.sim.faults import Oven
from daq.sim.scpi import BOOLEAN, ErrorCode, Instrument, Reply, number

if TYPE_CHECKING:
    from daq.sim.world import World

#: The controller looks at the air this often.
TICK_S = 1.0
#: Inside this distance from the setpoint the integral works; outside it would only wind up.
_INTEGRAL_BAND_K = 6.0
#: The vent opens this far above the setpoint and closes at it: the overshoot of a rise leaves it shut.
_VENT_K = 3.0
_READ_S = 0.02


class OvenAir:
    """Temperature of the air in the chamber, exact between the controller's ticks."""

    def __init__(self, oven: Oven, ambient_degC: float) -> None:
        self.setpoint_degC = ambient_degC
        self.air_degC = ambient_degC
        self.on = False
        #: The fan starts with the first switching on and then stays on.
        self.fan = False
        self._oven = oven
        self._ambient_degC = ambient_degC
        self._rate_K_per_s = oven.heating_K_per_min / 60.0
        self._integral = 0.0
        self._command = 0.0
        self._heater = 0.0
        self._loss_s = oven.closed_loss_s

    def switch(self, *, on: bool) -> None:
        """Switch the controller; the fan follows on but not off."""
        self.on = on
        self.fan = self.fan or on
        self.control()

    def control(self) -> None:
        """Let the controller decide heater and vent for the next tick."""
        oven = self._oven
        error_K = self.setpoint_degC - self.air_degC
        if not self.on:
            self._command = self._integral = 0.0
            self._loss_s = oven.vented_loss_s if self.fan else oven.closed_loss_s
            return
        if abs(error_K) < _INTEGRAL_BAND_K:
            self._integral = min(max(self._integral + oven.integral_per_K_s * error_K * TICK_S, 0.0), 1.0)
        self._command = min(max(oven.proportional_per_K * error_K + self._integral, 0.0), 1.0)
        if error_K < -_VENT_K:
            self._loss_s = oven.vented_loss_s
        elif error_K >= 0.0:
            self._loss_s = oven.closed_loss_s

    def advance(self, dt_s: float) -> None:
        """Advance heater and air by *dt_s* with the present command."""
        lag_s, loss_s = self._oven.heater_lag_s, self._loss_s
        heater_decay = math.exp(-dt_s / lag_s)
        loss_decay = math.exp(-dt_s / loss_s)
        excess = self._heater - self._command
        steady_K = self._rate_K_per_s * loss_s * self._command
        # The heater's own decay drives the air as a second exponential.
        moving_K = self._rate_K_per_s * excess * lag_s * loss_s / (lag_s - loss_s)
        rise_K = self.air_degC - self._ambient_degC
        rise_K = steady_K + moving_K * heater_decay + (rise_K - steady_K - moving_K) * loss_decay
        self.air_degC = self._ambient_degC + rise_K
        self._heater = self._command + excess * heater_decay


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
            return f"{self._air.air_degC + noise_K:.2f}"

    def _set_output(self, on: bool) -> Reply:
        with self._world.lock:
            self._world.catch_up()
            self._air.switch(on=on)
            self._world.fan_changed()
        return None

    def _ask_output(self) -> Reply:
        return "1" if self._air.on else "0"
