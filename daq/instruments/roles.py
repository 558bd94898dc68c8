"""What each role on the bench can do; procedures see these and never a link.

Every method that talks to hardware is a method, never a property. Numbers come back as
:class:`daq.instruments.talk.conversation.Number`: a value, or the reason why there is none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

from analysis.model import MeterUse
from daq.instruments.number import Number


@dataclass(frozen=True)
class Protection:
    """What is known of a supply's protection after its level was set and it was told to act.

    A level that reads back says nothing of whether the protection acts: only ``armed`` was read back as that.
    ``unknown`` is a level without a command that arms it: many a supply then acts by itself. *why* says what
    kept it from being armed.
    """

    name: str
    state: Literal["armed", "not read back", "unknown", "not armed", "missing"]
    why: str = ""

    @property
    def doubtful(self) -> bool:
        """Whether it may act and nobody has seen that it would."""
        return self.stands and self.state != "armed"

    @property
    def stands(self) -> bool:
        """Whether it may act: all that is known to be in its way is that nobody saw it."""
        return self.state in {"armed", "not read back", "unknown"}

    def told(self) -> str:
        """Say it, for people."""
        told = {
            "armed": "armed, read back",
            "not read back": "told to act, not read back",
            "unknown": "not armed: this dialect has no command for it, and only the supply's manual can say "
            "whether its level alone does it",
            "not armed": f"not armed: {self.why}",
        }
        return f"no {self.name} protection" if self.state == "missing" else f"{self.name} {told[self.state]}"


class Supply(Protocol):
    """The bench supply that drives a coil. Only :class:`daq.bench.guard.guard.Guard` calls its setters."""

    def protect(self, over_voltage_V: float, over_current_A: float) -> tuple[Protection, ...]:
        """Set, arm and read back OVP and OCP; return what is known of each."""
        ...

    def set_voltage(self, voltage_V: float) -> None:
        """Set the output voltage and read the setting back."""
        ...

    def set_current_limit(self, current_A: float) -> None:
        """Set the current limit and read the setting back."""
        ...

    def switch_output(self, on: bool) -> None:
        """Switch the output and read its state back where the supply can tell."""
        ...

    def output_is_on(self) -> bool:
        """Ask whether the output is on."""
        ...

    def voltage(self) -> Number:
        """Measure the output voltage in volts."""
        ...

    def current(self) -> Number:
        """Measure the output current in amperes."""
        ...

    def mode(self) -> str | None:
        """Return ``CV``, ``CC``, or None where the supply cannot tell."""
        ...

    def tripped(self) -> bool:
        """Tell whether a protection has tripped."""
        ...

    def clear_trip(self) -> None:
        """Make a supply usable again after a trip; the output stays off."""
        ...


class Meter(Protocol):
    """The multimeter across the coil."""

    def resistance(self, coil: str, *, quick: bool = False) -> Number:
        """Measure the resistance at the present contacts in ohms; *quick* integrates briefly."""
        ...

    def voltage(self, coil: str) -> Number:
        """Measure the DC voltage at the present contacts in volts."""
        ...

    def sensor_resistance(self) -> Number:
        """Measure a resistance thermometer at the present contacts in ohms."""
        ...

    def sensor_voltage(self) -> Number:
        """Measure a thermocouple at the present contacts in volts."""
        ...

    def null(self, leads_ohm: float) -> None:
        """Take *leads_ohm* off each two-wire reading of a coil or a resistance thermometer from now on."""
        ...

    def insulation(self, coil: str) -> Number:
        """Measure winding to body in ohms; over range is what sound insulation shows."""
        ...

    def use(self) -> MeterUse:
        """Return how ohms readings of a coil are taken, as far as it is known."""
        ...


class Probe(Protocol):
    """The temperature sensor on a coil's body."""

    def temperature(self, coil: str) -> Number:
        """Measure the body temperature of *coil* in degC."""
        ...


class Switch(Protocol):
    """The unit that brings supply, meter and sensors to one coil at a time."""

    def close_only(self, channels: tuple[int, ...]) -> None:
        """Open whatever else is closed, then close *channels*."""
        ...

    def open_all(self) -> None:
        """Open every channel."""
        ...

    def open_now(self, channels: tuple[int, ...]) -> None:
        """Open *channels* whatever is known of them, move no other, and read them back where it can."""
        ...


class Oven(Protocol):
    """The oven or bath that soaks all coils together."""

    def set_temperature(self, temperature_degC: float) -> None:
        """Set the setpoint and read it back."""
        ...

    def switch_heat(self, on: bool) -> None:
        """Switch heating on or off and read the state back where the oven can tell."""
        ...

    def hush(self) -> None:
        """Tell heating to go off and do not ask what came of it."""
        ...

    def temperature(self) -> Number:
        """Read the oven's own sensor in degC."""
        ...
