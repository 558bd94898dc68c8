"""A bench supply that speaks some dialect."""

from __future__ import annotations

from daq.errors import RefusedError
from daq.instruments.number import Number
from daq.instruments.roles import Protection
from daq.instruments.talk.conversation import Conversation


class DialectSupply:
    """The supply role over a conversation; settings that matter for safety are read back there."""

    def __init__(self, talk: Conversation) -> None:
        self._talk = talk
        #: Why arming was refused, by op: the same command is not sent before each drive again.
        self._refused: dict[str, str] = {}

    def protect(self, over_voltage_V: float, over_current_A: float) -> tuple[Protection, ...]:
        """Set and arm OVP and OCP where the dialect has them; return what is known of each."""
        levels = (("over_voltage", over_voltage_V), ("over_current", over_current_A))
        return tuple(self._protect(op, value) for op, value in levels)

    def _protect(self, op: str, value: float) -> Protection:
        name, arming = op.replace("_", "-"), f"{op}_armed"
        if self._talk.has(op):
            self._talk.tell(op, value=value)
        if not self._talk.has(arming):
            if not self._talk.has(op):
                return Protection(name, "missing")
            return Protection(name, "unknown")
        if self._talk.only_asked(arming):
            if self._talk.ask_state(arming):
                return Protection(name, "armed")
            return Protection(name, "not armed", "the supply says that it is off")
        if arming not in self._refused:
            try:
                self._talk.tell(arming, state=True)
            except RefusedError as exc:
                self._refused[arming] = str(exc)
        if arming in self._refused:  # many a supply arms with the level and knows no such command
            return Protection(name, "not armed", self._refused[arming])
        return Protection(name, "armed" if self._talk.reads_back(arming) else "not read back")

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
