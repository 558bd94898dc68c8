"""The operator at a terminal."""

from __future__ import annotations

import sys

from rich.console import Console
from rich.text import Text

from daq.bench.operator import parse_typed
from daq.errors import InputError
from daq.instruments.number import Number


class ConsoleOperator:
    """Asks on a terminal; whatever is not understood is asked again with what would be.

    An answer that comes out of a pipe or a file is no operator's, and is refused.
    """

    def __init__(self, console: Console) -> None:
        self._console = console

    def require(self, what: str) -> None:
        """Refuse a run that will ask to *what* before it begins, if nobody could answer.

        Raises:
            InputError: Standard input is no terminal.
        """
        if sys.stdin is None or not sys.stdin.isatty():
            raise InputError(f"standard input is no terminal, and only an operator can {what}")

    def confirm(self, text: str) -> None:
        """Ring, show *text* and wait for Enter: hands are wanted, as to move leads."""
        self._console.bell()
        self.ask(f"{text}, then press Enter: ")

    def ask_number(self, what: str, unit: str) -> Number:
        """Ask until a reading in *unit* is typed."""
        while True:
            typed = self.ask(f"{what} [{unit}]: ")
            try:
                return parse_typed(typed, unit)
            except InputError as exc:
                self.tell(str(exc))

    def ask(self, prompt: str) -> str:
        """Show *prompt* and return the line that is typed."""
        self.require(f"answer: {prompt.strip()}")
        try:
            return self._console.input(Text(prompt))
        except (EOFError, OSError):
            raise InputError("the terminal was closed while a question was open") from None

    def tell(self, text: str) -> None:
        """Show *text*."""
        self._console.print(text, highlight=False, markup=False)
