"""Hand instruments: what a person reads off a display and types in."""

from __future__ import annotations

import pytest

from daq.bench.operator import AbsentOperator, parse_typed
from daq.bench.typed import TypedMeter, TypedProbe
from daq.instruments.number import Number

OPEN = "open or over range"


class Hand(AbsentOperator):
    """An operator who types what is next on the list and remembers what was asked."""

    def __init__(self, *typed: str) -> None:
        self._typed = list(typed)
        self.asked: list[str] = []

    def ask_number(self, what: str, unit: str) -> Number:
        self.asked.append(f"{what} [{unit}]")
        return parse_typed(self._typed.pop(0), unit)


def test_a_hand_meter_asks_by_coil_and_takes_what_is_typed() -> None:
    """Each question names the coil and the unit; OL is an open; nulled leads come off what is typed."""
    hand = Hand("3,42", "OL", "8.4 V", "OL", "3.42")
    meter = TypedMeter(hand)
    assert meter.resistance("Y1") == Number(3.42, "ok")
    assert meter.resistance("Y2", quick=True) == Number(None, OPEN)
    assert meter.voltage("Y1") == Number(8.4, "ok")
    assert meter.insulation("Y1") == Number(None, OPEN)
    meter.null(0.12)
    nulled = meter.resistance("Y1")
    assert nulled.status == "ok"
    assert nulled.value == pytest.approx(3.30, abs=1e-12)
    assert hand.asked == [
        "Y1: resistance [ohm]",
        "Y2: resistance [ohm]",
        "Y1: voltage across the coil [V]",
        "Y1: winding to body [ohm]",
        "Y1: resistance [ohm]",
    ]


def test_a_hand_thermometer_asks_by_coil() -> None:
    """The body temperature is asked for by coil; a slip of the decimal point is no temperature."""
    hand = Hand("21.5 °C", "-", "2150")
    probe = TypedProbe(hand)
    assert probe.temperature("Y1") == Number(21.5, "ok")
    assert probe.temperature("Y1") == Number(None, "missing: the operator had no reading")
    assert probe.temperature("Y1") == Number(None, "missing: probe open or shorted")
    assert set(hand.asked) == {"Y1: body temperature [degC]"}
