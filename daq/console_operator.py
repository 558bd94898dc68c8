"""The operator at a terminal."""

from __future__ import annotations

from rich.console import Console

from daq.conversation import Number
from daq.errors import InputError
from daq.operator import parse_typed


class ConsoleOperator:
    """Asks on a terminal; whatever is not understood is asked again with what would be."""

    def __init__(self, console: Console) -> None:
        self._console = console

    def confirm(self, text: str) -> None:
        """Show *text* and wait for Enter."""
        self._ask(f"{text}, then press Enter: ")

    def ask_number(self, what: str, unit: str) -> Number:
        """Ask until a reading in *unit* is typed."""
        while True:
            try:
                return parse_typed(self._ask(f"{what} [{unit}]: "), unit)
            except InputError as exc:
                self.tell(str(exc))

    def tell(self, text: str) -> None:
        """Show *text*."""
        self._console.print(text, highlight=False, markup=False)

    def _ask(self, prompt: str) -> str:
        try:
            return self._console.input(prompt, markup=False)
        except EOFError:
            raise InputError("the terminal was closed while a question was open") from None
