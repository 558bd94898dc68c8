"""An oven or bath controller that speaks some dialect."""

from __future__ import annotations

from daq.instruments.number import Number
from daq.instruments.talk.conversation import Conversation


class DialectOven:
    """The oven role over a conversation."""

    def __init__(self, talk: Conversation) -> None:
        self._talk = talk

    def set_temperature(self, temperature_degC: float) -> None:
        """Set the setpoint in degC."""
        self._talk.tell("setpoint", value=temperature_degC)

    def switch_heat(self, on: bool) -> None:
        """Switch heating on or off."""
        self._talk.tell("output", state=on)

    def hush(self) -> None:
        """Tell heating to go off and do not ask what came of it."""
        self._talk.send("output", state=False)

    def temperature(self) -> Number:
        """Read the oven's own sensor in degC."""
        return self._talk.ask_number("temperature")
