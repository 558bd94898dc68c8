"""Stand-ins for instruments: they log every call, so that a test can compare the whole order."""

from __future__ import annotations

from daq.errors import LinkTimeoutError
from daq.instruments.number import Number
from daq.instruments.roles import Protection
from daq.procedures.soak.heat_limits import HeatCeilings
from daq.procedures.soak.soak import CoilPlan, SoakPlan


class FakeSupply:
    """A supply that does what it is told, unless told to misbehave."""

    def __init__(self) -> None:
        self.calls: list[str] = []
        self.on = False
        self.volts = 0.0
        self.amperes_when_on = 1.0
        self.residual_A = 0.0
        self.stuck_on = False
        self.dead = False
        self.missing: tuple[str, ...] = ()
        self.regulation: str | None = "CV"

    def _log(self, text: str) -> None:
        self.calls.append(text)
        if self.dead:
            raise LinkTimeoutError("supply: no reply to OUTP?")

    def protect(self, over_voltage_V: float, over_current_A: float) -> tuple[Protection, ...]:
        self._log(f"protect {over_voltage_V:.2f} {over_current_A:.2f}")
        names = ("over-voltage", "over-current")
        return tuple(Protection(each, "missing" if each in self.missing else "armed") for each in names)

    def set_voltage(self, voltage_V: float) -> None:
        self._log(f"volt {voltage_V:g}")
        self.volts = voltage_V

    def set_current_limit(self, current_A: float) -> None:
        self._log(f"limit {current_A:g}")

    def switch_output(self, on: bool) -> None:
        self._log(f"output {'on' if on else 'off'}")
        self.on = on or self.stuck_on

    def output_is_on(self) -> bool:
        self._log("is on?")
        return self.on

    def voltage(self) -> Number:
        return Number(self.volts if self.on else 0.0, "ok")

    def current(self) -> Number:
        self._log("amps?")
        return Number(self.amperes_when_on if self.on else self.residual_A, "ok")

    def mode(self) -> str | None:
        return self.regulation

    def tripped(self) -> bool:
        return False

    def clear_trip(self) -> None:
        self._log("clear trip")


class FakeOven:
    """An oven that remembers what it was told."""

    def __init__(self) -> None:
        self.setpoint: float | None = None
        self.heating = False
        self.air_degC = 20.0

    def set_temperature(self, temperature_degC: float) -> None:
        self.setpoint = temperature_degC

    def switch_heat(self, on: bool) -> None:
        self.heating = on

    def hush(self) -> None:
        self.heating = False

    def temperature(self) -> Number:
        return Number(self.air_degC, "ok")


class FakeSwitch:
    """A switch unit that logs which channels are closed."""

    def __init__(self) -> None:
        self.calls: list[str] = []

    def close_only(self, channels: tuple[int, ...]) -> None:
        self.calls.append(f"close {channels}")

    def open_all(self) -> None:
        self.calls.append("open all")

    def open_now(self, channels: tuple[int, ...]) -> None:
        self.calls.append(f"open {channels}")


#: A soak of one coil with limits that no test of it comes near by itself.
ONE_COIL = SoakPlan(
    coils=(CoilPlan("Y1", 3.0),),
    voltage_V=8.4,
    heat_voltage_V=8.4,
    steps_degC=(90.0,),
    hold_s=0.0,
    max_step_s=1e5,
    hold_readings=1,
    drive_s=1.0,
    ceilings=HeatCeilings(body_degC=110.0, winding_degC=130.0),
    max_run_s=1e6,
)
