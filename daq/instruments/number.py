"""A reading as every instrument gives it: a number, or the reason why there is none."""

from __future__ import annotations

from dataclasses import dataclass

OK = "ok"
OVER_RANGE = "open or over range"
NOT_A_NUMBER = "missing: not a number"
NO_READING = "missing: no reading"


@dataclass(frozen=True)
class Number:
    """A numeric reply: *value* in the unit asked for, or None and a *status* that says why.

    *status* is ``ok``, ``open or over range``, or begins with ``missing:``.
    """

    value: float | None
    status: str

    def less(self, amount: float) -> Number:
        """Return the reading with *amount* taken off; one that is missing stays so."""
        return self if self.value is None else Number(self.value - amount, self.status)


def body_degC(reading: Number, offset_K: float) -> Number:
    """Return *reading* of a body in degC less *offset_K*, or missing where no body can be so cold or hot."""
    if reading.value is None:
        return Number(None, "missing: probe open" if reading.status == OVER_RANGE else reading.status)
    value = reading.value - offset_K
    if not -60.0 < value < 260.0:
        return Number(None, "missing: probe open or shorted")
    return Number(value, OK)
