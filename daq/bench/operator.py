"""The person at the bench: prompts, confirmations and typed readings."""

from __future__ import annotations

import re
from math import isfinite
from typing import Protocol

from daq.errors import InputError
from daq.instruments.number import Number

_OVER = {"ol", "o.l", "o.l.", "0l", "0.l", "open", "over", "inf"}
_PREFIX = {"": 1.0, "m": 1e-3, "k": 1e3, "M": 1e6}
_UNITS = {
    "ohm": r"(?:ohms?|Ω|R)",
    "V": r"(?:V|volts?)",
    "A": r"(?:A|amps?)",
    "degC": r"(?:deg ?C|°C|C|(?P<F>deg ?F|°F|F))",
}


class Operator(Protocol):
    """Whoever moves leads, reads hand instruments and answers questions."""

    def confirm(self, text: str) -> None:
        """Show *text* and wait until the operator says it is done."""
        ...

    def ask_number(self, what: str, unit: str) -> Number:
        """Ask for a reading; ask again until it is understood. ``-`` means there is none."""
        ...

    def ask(self, prompt: str) -> str:
        """Show *prompt* and return the line that is typed."""
        ...

    def tell(self, text: str) -> None:
        """Show *text* and go on."""
        ...


class Hand(Protocol):
    """Whoever moves the leads in a sweep without questions: told what the screen and the tones tell."""

    def put_on(self, coil: str) -> None:
        """Be told that the leads should go to *coil*, or tip to tip where it is ''."""
        ...

    def lift(self) -> None:
        """Be told that the leads may leave the coil."""
        ...


class PersonsHand:
    """A person's: who sees the screen and hears the tones needs no word from here."""

    def put_on(self, coil: str) -> None:
        """Leave it to the screen."""

    def lift(self) -> None:
        """Leave it to the tone."""


class AbsentOperator:
    """Nobody is there: any question is an error that says what would have been asked."""

    def require(self, what: str) -> None:
        """Refuse."""
        raise InputError(f"this run needs an operator at a terminal, to {what}")

    def confirm(self, text: str) -> None:
        """Refuse."""
        raise InputError(f"this run needs an operator at a terminal, to: {text}")

    def ask_number(self, what: str, unit: str) -> Number:
        """Refuse."""
        raise InputError(f"this run needs an operator at a terminal, to type: {what} in {unit}")

    def ask(self, prompt: str) -> str:
        """Refuse."""
        raise InputError(f"this run needs an operator at a terminal, to answer: {prompt.strip()}")

    def tell(self, text: str) -> None:
        """Say it to nobody."""


def parse_typed(text: str, unit: str) -> Number:
    """Understand a reading as people type it: ``7.2``, ``7,2 ohm``, ``720m``, ``72 F``, ``OL``, ``-``.

    Args:
        text: What was typed.
        unit: ``ohm``, ``V``, ``A`` or ``degC``; a prefix m, k or M may stand before it.

    Returns:
        The value in *unit*, or the reason why there is none.

    Raises:
        InputError: It is not a reading; the message shows what would be.
    """
    typed = text.strip()
    if typed in {"-", "--"}:
        return Number(None, "missing: the operator had no reading")
    if typed.lower().replace(" ", "") in _OVER:
        return Number(None, "open or over range")
    prefix = "" if unit == "degC" else "[mkM]?"
    match = re.fullmatch(rf"([+-]?\d+(?:[.,]\d*)?|[+-]?[.,]\d+)\s*({prefix})\s*{_UNITS[unit]}?", typed)
    if match is None:
        raise InputError(
            f"{text!r} is not a reading in {unit}: type 7.2, 7.2 {unit}, OL when open, or - for none"
        )
    value = float(match[1].replace(",", ".")) * _PREFIX[match[2]]
    if not isfinite(value):
        raise InputError(f"a reading of {len(typed)} figures is a key held down: type 7.2, or 7.2 {unit}")
    if unit == "degC" and match["F"]:
        value = (value - 32.0) / 1.8
    return Number(value, "ok")
