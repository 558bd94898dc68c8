"""A value and its uncertainty, rounded together."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Decimal
from math import isfinite

from analysis.words import Figure


def with_uncertainty(value: float, u: float) -> Figure:
    """Return *value* with its standard uncertainty in the last two digits, as in ``3.2047(31)``.

    The uncertainty is rounded to two digits and the value to the same place (JCGM 100, 7.2.6).

    Args:
        value: The value, finite.
        u: Its standard uncertainty in the same unit, finite, not negative; next to none changes nothing.

    Raises:
        ValueError: One of them is not finite, or *u* is negative.
    """
    if not (isfinite(value) and isfinite(u) and u >= 0.0):
        raise ValueError(f"rounding: expected a finite value and uncertainty, got {value} and {u}")
    if u <= 1e-12 * abs(value):  # beyond what arithmetic and eye resolve
        return Figure(f"{value:g}")
    exact = Decimal(repr(u))
    place = exact.adjusted() - 1
    rounded = _to_place(exact, place)
    if rounded.adjusted() - 1 > place:  # 0.0998 becomes 0.10
        place += 1
        rounded = _to_place(exact, place)
    if place >= 0:
        return Figure(f"{_to_place(Decimal(repr(value)), place):f}({rounded:f})")
    digits = f"{rounded.scaleb(-place):f}".split(".", maxsplit=1)[0]
    if rounded >= 1:
        digits = f"{rounded:f}"  # the point inside the bracket says where the digits stand: 12.3(1.5)
    return Figure(f"{_to_place(Decimal(repr(value)), place):f}({digits})")


def _to_place(x: Decimal, place: int) -> Decimal:
    step = Decimal(1).scaleb(place)
    return (x / step).quantize(Decimal(1), rounding=ROUND_HALF_EVEN) * step
