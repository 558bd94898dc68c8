"""The multimeter: one that speaks some dialect, or a hand meter whose readings are typed in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from analysis.model import MeterUse
from daq.errors import LinkError
from daq.instruments.number import Number
from daq.instruments.talk.conversation import Conversation

#: Range for a Pt100 or NTC, wide enough for either at any temperature of a soak.
SENSOR_RANGE_OHM = 1e5
PT100_RANGE_OHM = 1e3
#: Range for winding to body; sound insulation reads over range on it.
INSULATION_RANGE_OHM = 1e8


@dataclass(frozen=True)
class MeterSetup:
    """How the meter is used: fixed within a run, so that its gain and offset stay common."""

    wires: int = 4
    nplc: float = 10.0
    quick_nplc: float = 1.0
    mains_Hz: float = 50.0
    offset_compensation: bool = True
    range_ohm: float = 100.0
    range_V: float = 10.0
    sensor_range_ohm: float = PT100_RANGE_OHM


class DialectMeter:
    """The meter role over a conversation; sends only the settings that change."""

    def __init__(self, talk: Conversation, setup: MeterSetup) -> None:
        self._talk = talk
        self._setup = setup
        self._sent: dict[str, tuple[str, float | bool | None]] = {}
        self._connections = talk.connections
        self._leads_ohm = 0.0

    def null(self, leads_ohm: float) -> None:
        """Take *leads_ohm* off each two-wire reading of a coil or a resistance thermometer from now on."""
        self._leads_ohm = leads_ohm

    def resistance(self, coil: str, *, quick: bool = False) -> Number:  # noqa: ARG002 - typed meters ask by coil
        """Measure the resistance at the present contacts in ohms."""
        nplc = self._setup.quick_nplc if quick else self._setup.nplc
        return self._ohms(self._setup.wires, self._setup.range_ohm, nplc).less(self._leads_ohm)

    def voltage(self, coil: str) -> Number:  # noqa: ARG002 - typed meters ask by coil
        """Measure the DC voltage at the present contacts in volts."""
        # While current flows nobody may wait longer than the meter integrates.
        integrates_s = self._setup.quick_nplc / self._setup.mains_Hz
        return self._volts(self._setup.range_V, self._setup.quick_nplc, integrates_s)

    def sensor_resistance(self) -> Number:
        """Measure a resistance thermometer at the present contacts in ohms."""
        ohms = self._ohms(self._setup.wires, self._setup.sensor_range_ohm, self._setup.quick_nplc)
        return ohms.less(self._leads_ohm)

    def sensor_voltage(self) -> Number:
        """Measure a thermocouple at the present contacts in volts."""
        return self._volts(0.1, self._setup.nplc)

    def insulation(self, coil: str) -> Number:  # noqa: ARG002 - typed meters ask by coil
        """Measure winding to body in ohms."""
        return self._ohms(2, INSULATION_RANGE_OHM, self._setup.quick_nplc)

    def use(self) -> MeterUse:
        """Return how ohms readings of a coil are taken; a meter that cannot be told keeps its own times."""
        told = self._talk.has(f"nplc_ohms_{self._setup.wires}w")
        cycles = (self._setup.nplc, self._setup.quick_nplc) if told else ()
        window_s, quick_s = (each / self._setup.mains_Hz for each in cycles) if told else (None, None)
        return MeterUse(window_s, quick_s, self._setup.range_ohm)

    def _ohms(self, wires: int, range_ohm: float, nplc: float) -> Number:
        if not self._talk.has("function_ohms_4w" if wires == 4 else "function_ohms_2w"):
            return self._talk.ask_number("read_ohms", range=range_ohm)
        kind = f"ohms_{wires}w"
        settings: dict[str, float | bool | None] = {
            f"function_{kind}": None,
            f"range_{kind}": range_ohm,
            f"nplc_{kind}": nplc,
        }
        if wires == 4 and self._setup.offset_compensation:
            settings["offset_compensation"] = True
        return self._read(settings)

    def _volts(self, range_V: float, nplc: float, integrates_s: float | None = None) -> Number:
        if not self._talk.has("function_volts"):
            return self._talk.ask_number("read_volts", integrates_s=integrates_s, range=range_V)
        return self._read(
            {"function_volts": None, "range_volts": range_V, "nplc_volts": nplc}, integrates_s=integrates_s
        )

    def _read(self, settings: Mapping[str, float | bool | None], integrates_s: float | None = None) -> Number:
        """Set what has changed and read; once more if a new connection came between: settings may be gone."""
        for _ in range(2):
            if self._connections != self._talk.connections:
                self._connections = self._talk.connections
                self._sent.clear()
            self._set(settings)
            number = self._talk.ask_number("read", integrates_s=integrates_s)
            if self._connections == self._talk.connections:
                return number
        raise LinkError("meter: the connection is lost again and again; look at its cable")

    def _set(self, settings: Mapping[str, float | bool | None]) -> None:
        """Send those of *settings* that the dialect has and the meter does not have yet."""
        wanted = {
            "function" if op.startswith("function_") else op: (op, value)
            for op, value in settings.items()
            if self._talk.has(op)
        }
        changed = {key: each for key, each in wanted.items() if self._sent.get(key) != each}
        if not changed:
            return
        for key in changed:
            self._sent.pop(key, None)
        self._talk.tell_all([(op, _parameter(value)) for op, value in changed.values()])
        self._sent |= changed


def _parameter(value: float | bool | None) -> Mapping[str, object]:
    """Return *value* as an op takes it: a state, a number, or nothing."""
    if value is None:
        return {}
    return {"state" if isinstance(value, bool) else "value": value}
