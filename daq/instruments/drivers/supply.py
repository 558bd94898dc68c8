"""A bench supply that speaks some dialect."""

from __future__ import annotations

from daq.instruments.number import Number
from daq.instruments.talk.conversation import Conversation


class DialectSupply:
    """The supply role over a conversation; settings that matter for safety are read back there."""

    def __init__(self, talk: Conversation) -> None:
        self._talk = talk

    def protect(self, over_voltage_V: float, over_current_A: float) -> tuple[str, ...]:
        """Set OVP and OCP where the dialect has them; return the names of those missing."""
        missing = []
        for op, value in (("over_voltage", over_voltage_V), ("over_current", over_current_A)):
            if self._talk.has(op):
                self._talk.tell(op, value=value)
            else:
                missing.append(op.replace("_", "-"))
        return tuple(missing)

    def set_voltage(self, voltage_V: float) -> None:
        """Set the output voltage in volts."""
        self._talk.tell("voltage", value=voltage_V)

    def set_current_limit(self, current_A: float) -> None:
        """Set the current limit in amperes."""
        self._talk.tell("current_limit", value=current_A)

    def switch_output(self, on: bool) -> None:
        """Switch the output."""
        self._talk.tell("output", state=on)

    def output_is_on(self) -> bool:
        """Ask whether the output is on."""
        return self._talk.ask_state("output")

    def voltage(self) -> Number:
        """Measure the output voltage in volts."""
        return self._talk.ask_number("measured_voltage")

    def current(self) -> Number:
        """Measure the output current in amperes."""
        return self._talk.ask_number("measured_current")

    def mode(self) -> str | None:
        """Return ``CV``, ``CC``, or None where the dialect cannot ask."""
        return self._talk.ask_text("mode") if self._talk.has("mode") else None

    def tripped(self) -> bool:
        """Tell whether a protection has tripped; False where the dialect cannot ask."""
        return any(
            self._talk.ask_state(op)
            for op in ("over_voltage_tripped", "over_current_tripped")
            if self._talk.has(op)
        )

    def clear_trip(self) -> None:
        """Make the supply usable again after a trip, where the dialect knows how."""
        if self._talk.has("clear_trip"):
            self._talk.tell("clear_trip")
