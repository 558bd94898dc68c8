"""The temperature sensor on a coil's body: an instrument, a sensor the meter reads, or typed in."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from daq.conversation import Conversation
from daq.instruments.number import Number
from daq.instruments.roles import Meter
from daq.operator import Operator


class ProbeContacts(Protocol):
    """The way from the meter to a coil's sensor."""

    def to_probe(self, coil: str) -> None:
        """Bring the meter to the sensor on *coil*."""
        ...


class InstrumentProbe:
    """A thermometer with a channel a coil."""

    def __init__(self, talk: Conversation, channels: dict[str, int], offset_K: float = 0.0) -> None:
        self._talk = talk
        self._channels = channels
        self._offset_K = offset_K

    def temperature(self, coil: str) -> Number:
        """Measure the body temperature of *coil* in degC."""
        reading = self._talk.ask_number("read", channel=self._channels[coil] if self._channels else 1)
        return _plausible(reading, self._offset_K)


class MeterProbe:
    """A sensor that the meter reads; *to_degC* turns ohms or volts into degC."""

    def __init__(
        self,
        meter: Meter,
        contacts: ProbeContacts,
        *,
        to_degC: Callable[[float], float],
        thermocouple: bool = False,
        offset_K: float = 0.0,
    ) -> None:
        self._meter = meter
        self._contacts = contacts
        self._to_degC = to_degC
        self._thermocouple = thermocouple
        self._offset_K = offset_K

    def temperature(self, coil: str) -> Number:
        """Measure the body temperature of *coil* in degC."""
        self._contacts.to_probe(coil)
        read = self._meter.sensor_voltage if self._thermocouple else self._meter.sensor_resistance
        raw = read()
        if raw.value is None:
            return Number(None, "missing: probe open" if raw.status == "open or over range" else raw.status)
        try:
            return _plausible(Number(self._to_degC(raw.value), "ok"), self._offset_K)
        except ValueError:
            return Number(None, "missing: probe reading outside the sensor's range")


class TypedProbe:
    """A hand thermometer: the operator reads it and types the value."""

    def __init__(self, operator: Operator) -> None:
        self._operator = operator

    def temperature(self, coil: str) -> Number:
        """Ask for the body temperature of *coil* in degC."""
        return _plausible(self._operator.ask_number(f"{coil}: body temperature", "degC"), 0.0)


def _plausible(reading: Number, offset_K: float) -> Number:
    if reading.value is None:
        return Number(
            None, "missing: probe open" if reading.status == "open or over range" else reading.status
        )
    value = reading.value - offset_K
    if not -60.0 < value < 260.0:
        return Number(None, "missing: probe open or shorted")
    return Number(value, "ok")
