"""Hand instruments: a person reads meter or thermometer and types what it shows."""

from __future__ import annotations

from analysis.model import MeterUse
from daq.bench.operator import Operator
from daq.instruments.number import Number, body_degC


class TypedMeter:
    """A hand meter: the operator reads it and types the value."""

    def __init__(self, operator: Operator) -> None:
        self._operator = operator
        self._leads_ohm = 0.0

    def null(self, leads_ohm: float) -> None:
        """Take *leads_ohm* off each reading of a coil or a resistance thermometer from now on."""
        self._leads_ohm = leads_ohm

    def resistance(self, coil: str, *, quick: bool = False) -> Number:  # noqa: ARG002 - a hand meter has one speed
        """Ask for the resistance of *coil* in ohms; ``OL`` means open or over range."""
        return self._operator.ask_number(f"{coil}: resistance", "ohm").less(self._leads_ohm)

    def voltage(self, coil: str) -> Number:
        """Ask for the voltage across *coil* in volts."""
        return self._operator.ask_number(f"{coil}: voltage across the coil", "V")

    def sensor_resistance(self) -> Number:
        """Ask for the resistance of the thermometer in ohms."""
        return self._operator.ask_number("temperature sensor: resistance", "ohm").less(self._leads_ohm)

    def sensor_voltage(self) -> Number:
        """Ask for the thermocouple's voltage in volts."""
        return self._operator.ask_number("thermocouple: voltage", "V")

    def insulation(self, coil: str) -> Number:
        """Ask for winding to body of *coil* in ohms."""
        return self._operator.ask_number(f"{coil}: winding to body", "ohm")

    def use(self) -> MeterUse:
        """Return nothing: how long a hand meter looks, its display does not say."""
        return MeterUse()


class TypedProbe:
    """A hand thermometer: the operator reads it and types the value."""

    def __init__(self, operator: Operator) -> None:
        self._operator = operator

    def temperature(self, coil: str) -> Number:
        """Ask for the body temperature of *coil* in degC."""
        return body_degC(self._operator.ask_number(f"{coil}: body temperature", "degC"), 0.0)
