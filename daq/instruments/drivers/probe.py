"""The temperature sensor on a coil's body: an instrument, a sensor the meter reads, or typed in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from daq.errors import InputError
from daq.instruments.number import Number, body_degC
from daq.instruments.roles import Meter
from daq.instruments.talk.conversation import Conversation


class ProbeContacts(Protocol):
    """The way from the meter to a coil's sensor."""

    def to_probe(self, coil: str) -> None:
        """Bring the meter to the sensor on *coil*."""
        ...


class InstrumentProbe:
    """A thermometer with a channel a coil, or one for all of them."""

    def __init__(
        self, talk: Conversation, channels: Mapping[str, int | str] | int | str = 1, offset_K: float = 0.0
    ) -> None:
        self._talk = talk
        self._channels = channels
        self._offset_K = offset_K

    def temperature(self, coil: str) -> Number:
        """Measure the body temperature of *coil* in degC."""
        return body_degC(self._talk.ask_number("read", channel=self._channel(coil)), self._offset_K)

    def _channel(self, coil: str) -> int | str:
        if not isinstance(self._channels, Mapping):
            return self._channels
        try:
            return self._channels[coil]
        except KeyError:
            raise InputError(
                f"coil {coil}: the rig file gives its probe no channel; add {coil} = N to [probe.channels]"
            ) from None


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
            return body_degC(Number(self._to_degC(raw.value), "ok"), self._offset_K)
        except ValueError:
            return Number(None, "missing: probe reading outside the sensor's range")
