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
