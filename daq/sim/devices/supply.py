"""The DC supply's instrument."""

from __future__ import annotations

import numpy as np

from daq.sim.devices.scpi import BOOLEAN, ErrorCode, Instrument, Reply, number
from daq.sim.faults import Supply
from daq.sim.world.branch import Branch
from daq.sim.world.world import World

_READ_S = 0.02
_RESOLUTION = 1e-4


class SupplyInstrument(Instrument):
    """What the supply understands on the wire."""

    identity = "Coilsoak,Simulated DC supply,S-0001,1.0"

    def __init__(self, world: World, supply: Supply, rng: np.random.Generator) -> None:
        super().__init__()
        self._world = world
        self._supply = supply
        self._stage = world.stage
        self._rng = rng
        self._gain_V = 1.0 + supply.readback_error_rel * float(rng.uniform(-1.0, 1.0))
        self._gain_A = 1.0 + supply.readback_error_rel * float(rng.uniform(-1.0, 1.0))
        stage = world.stage
        source = "[SOURce:]"
        level = "[:LEVel][:IMMediate][:AMPLitude]"
        self._register(f"{source}VOLTage{level}", "set_V", stage.max_V, "V")
        self._register(f"{source}CURRent{level}", "limit_A", stage.max_A, "A")
        self._register(f"{source}VOLTage:PROTection[:LEVel]", "over_V", stage.max_V * 1.1, "V")
        self._register(f"{source}CURRent:PROTection[:LEVel]", "over_A", stage.max_A * 1.1, "A")
        self._register_switch(f"{source}VOLTage:PROTection:STATe", "armed_V")
        self._register_switch(f"{source}CURRent:PROTection:STATe", "armed_A")
        self.query(f"{source}VOLTage:PROTection:TRIPped", lambda: self._state("tripped_V"))
        self.query(f"{source}CURRent:PROTection:TRIPped", lambda: self._state("tripped_A"))
        self.command("OUTPut[:STATe]", self._set_output, BOOLEAN)
        self.query("OUTPut[:STATe]", lambda: self._state("on"))
        self.command("OUTPut:PROTection:CLEar", self._clear_trips)
        self.query("MEASure[:SCALar]:VOLTage[:DC]", self._ask_measured_voltage)
        self.query("MEASure[:SCALar]:CURRent[:DC]", self._ask_measured_current)
        self.query("STATus:OPERation:CONDition", self._ask_condition)

    def reset(self) -> None:
        """Output off, zero volts, protections at their widest."""
        with self._world.lock:
            self._world.catch_up()
            self._stage.reset()

    def _register(self, pattern: str, setting: str, highest: float, unit: str) -> None:
        def put(value: float) -> Reply:
            if not 0.0 <= value <= highest:
                return ErrorCode.DATA_OUT_OF_RANGE
            with self._world.lock:
                self._world.catch_up()
                setattr(self._stage, setting, round(value / _RESOLUTION) * _RESOLUTION)
            return None

        self.command(pattern, put, number(unit))
        self.query(pattern, lambda: f"{getattr(self._stage, setting):.4f}")

    def _register_switch(self, pattern: str, setting: str) -> None:
        def put(on: bool) -> Reply:
            with self._world.lock:
                self._world.catch_up()
                setattr(self._stage, setting, on)
            return None

        self.command(pattern, put, BOOLEAN)
        self.query(pattern, lambda: self._state(setting))

    def _state(self, name: str) -> Reply:
        with self._world.lock:
            self._world.catch_up()
            return "1" if getattr(self._stage, name) else "0"

    def _set_output(self, on: bool) -> Reply:
        with self._world.lock:
            self._world.catch_up()
            if on and (self._stage.tripped_V or self._stage.tripped_A):
                return ErrorCode.SETTINGS_CONFLICT
            self._stage.on = on
        return None

    def _clear_trips(self) -> Reply:
        with self._world.lock:
            self._world.catch_up()
            self._stage.tripped_V = self._stage.tripped_A = False
        return None

    def _ask_measured_voltage(self) -> Reply:
        self._world.clock.sleep(_READ_S)
        with self._world.lock:
            self._world.catch_up()
            voltage_V = self._world.drive().voltage_V * self._gain_V
            return self._reading(
                voltage_V + self._supply.readback_noise_V * float(self._rng.standard_normal())
            )

    def _ask_measured_current(self) -> Reply:
        world = self._world
        # The world is caught up with at the end alone: it is looked at twenty times a second.
        began_s = world.clock.monotonic()
        world.clock.sleep(_READ_S)
        with world.lock:
            ended_s = world.catch_up()
            current_A = self._mean_current_A(began_s, ended_s) * self._gain_A
            return self._reading(
                current_A + self._supply.readback_noise_A * float(self._rng.standard_normal())
            )

    def _mean_current_A(self, began_s: float, ended_s: float) -> float:
        """Average over the reading's window: a coil that dropped out meanwhile carried less."""
        world = self._world
        drive = world.drive()
        if not drive.coil_A:
            return drive.current_A
        shares = {index: world.coils[index].open_share(began_s, ended_s) for index in drive.coil_A}
        if not any(shares.values()):
            return drive.current_A
        lead_ohm = world.harness.power_lead_ohm
        mean_A = 0.0
        for contact in world.harness.powered:
            ohm = world.resistance_ohm(contact.coil) + contact.contact_ohm + lead_ohm
            mean_A += (1.0 - shares[contact.coil]) * self._stage.solve([Branch(0.0, 1.0 / ohm)])[1]
        return mean_A

    def _ask_condition(self) -> Reply:
        with self._world.lock:
            self._world.catch_up()
            if not self._stage.on:
                return "0"
            return "1024" if self._world.drive().constant_current else "256"

    @staticmethod
    def _reading(value: float) -> str:
        # Adding zero turns a rounded -0.0 into 0.0.
        return f"{round(value, 4) + 0.0:.4f}"
