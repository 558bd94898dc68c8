"""The air in the oven: heated through a lagging heater under a PI controller, with what may go wrong."""

from __future__ import annotations

import math

from daq.sim.faults import Oven

#: The controller looks at the air this often.
TICK_S = 1.0
#: Inside this distance from the setpoint the integral works; outside it would only wind up.
_INTEGRAL_BAND_K = 6.0
#: The vent opens this far above the setpoint and closes at it: the overshoot of a rise leaves it shut.
_VENT_K = 3.0


class OvenAir:
    """Temperature of the air in the chamber, exact between the controller's ticks."""

    def __init__(self, oven: Oven, ambient_degC: float, *, mains: bool = True) -> None:
        self.setpoint_degC = ambient_degC
        self.air_degC = ambient_degC
        self.on = False
        #: What is wrong with it, and what its sensor stays at if that is stuck.
        self.fault: str | None = None
        self.stuck_degC = ambient_degC
        #: The fan starts with the first switching on and then stays on.
        self.fan = False
        self._mains = mains
        self._pulled = False
        self._ticks = 0
        self._oven = oven
        self._ambient_degC = ambient_degC
        self._rate_K_per_s = oven.heating_K_per_min / 60.0
        self._integral = 0.0
        self._command = 0.0
        self._heater = 0.0
        self._loss_s = oven.closed_loss_s
        #: What a deaf controller goes on with.
        self._kept = (False, ambient_degC)

    @property
    def sensor_degC(self) -> float:
        """What controller and instrument take for the air's temperature."""
        return self.stuck_degC if self.fault == "sensor stuck" else self.air_degC

    @property
    def left_on(self) -> bool:
        """Whether it heats or would, once its controller asks for it."""
        on = self._kept[0] if self.fault == "deaf" else self.on
        return self._mains and (on or self.fault == "welded")

    def switch(self, *, on: bool) -> None:
        """Switch the controller; the fan follows on but not off."""
        self.on = on
        self.fan = self.fan or on
        self.control()

    def power(self, *, mains: bool) -> None:
        """Give the oven its mains, or take them away: then nothing heats and nothing blows."""
        if mains != self._mains and not self._pulled:
            self._mains = mains
            self.control()

    def pull_plug(self) -> None:
        """Take the mains away for good, as a person does."""
        self.power(mains=False)
        self._pulled = True

    def fail(self, fault: str) -> None:
        """Let *fault* happen now."""
        self.fault = fault
        self.stuck_degC = self.air_degC
        self._kept = (self.on, self.setpoint_degC)
        self.control()

    def tick(self) -> None:
        """Let the controller's time go on, and its fault come up."""
        self._ticks += 1
        oven = self._oven
        if oven.fault is not None and self.fault is None and self._ticks * TICK_S >= oven.fault_at_s:
            self.fail(oven.fault)
        self.control()

    def control(self) -> None:
        """Let the controller decide heater and vent for the next tick."""
        oven = self._oven
        on, setpoint_degC = self._kept if self.fault == "deaf" else (self.on, self.setpoint_degC)
        error_K = setpoint_degC - self.sensor_degC
        if not self._mains:
            self._command = self._integral = 0.0
            self._loss_s = oven.closed_loss_s
            return
        if self.fault == "welded":
            self._command, self._loss_s = 1.0, oven.closed_loss_s
            return
        if not on:
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
