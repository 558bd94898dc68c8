"""Typed readings: what people write, and what is not a reading."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.bench.operator import AbsentOperator, parse_typed
from daq.errors import InputError


@pytest.mark.parametrize(
    ("typed", "unit", "value"),
    [
        ("7.2", "ohm", 7.2),
        (" 7,2 ", "ohm", 7.2),
        ("7.2 ohm", "ohm", 7.2),
        ("7.2ohms", "ohm", 7.2),
        ("720m", "ohm", 0.72),
        ("720 mohm", "ohm", 0.72),
        ("4.7k", "ohm", 4700.0),
        ("0.0072k", "ohm", 7.2),
        ("7.2 Ω", "ohm", 7.2),
        ("72 F", "degC", 200.0 / 9.0),
        ("1M", "ohm", 1e6),
        (".5", "V", 0.5),
        ("8.4 V", "V", 8.4),
        ("-3", "degC", -3.0),
        ("21.5 degC", "degC", 21.5),
        ("21.5 °C", "degC", 21.5),
    ],
)
def test_readings_as_people_type_them(typed: str, unit: str, value: float) -> None:
    """Comma or point, with or without unit and prefix."""
    assert parse_typed(typed, unit).value == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("typed", ["OL", "ol", "O.L", "0L", "open", "0.L "])
def test_overload_as_displays_show_it(typed: str) -> None:
    """A display's overload is 'open or over range', never a number."""
    assert parse_typed(typed, "ohm").status == "open or over range"


def test_a_dash_is_no_reading() -> None:
    """The operator may have none, and the record says so."""
    assert parse_typed("-", "ohm").status.startswith("missing")


@pytest.mark.parametrize("typed", ["", "seven", "7.2.1", "7 2", "7.2 V", "1e3", "7.2kk", "nan"])
def test_what_is_not_a_reading_is_refused_with_an_example(typed: str) -> None:
    """One line: what was typed, and what would be understood."""
    with pytest.raises(InputError, match=r"is not a reading in ohm: type 7\.2"):
        parse_typed(typed, "ohm")


@given(st.text(max_size=30))
def test_any_text_is_a_reading_or_refused(text: str) -> None:
    """Nothing that can be typed raises anything else."""
    try:
        reading = parse_typed(text, "ohm")
    except InputError:
        return
    assert (reading.value is None) != (reading.status == "ok")


@given(
    st.decimals(min_value=0, max_value=10_000, places=4, allow_nan=False),
    st.sampled_from(".,"),
    st.sampled_from([("", 1.0), ("m", 1e-3), ("k", 1e3), ("M", 1e6)]),
    st.sampled_from(["", "ohm", "ohms", "Ω", "R"]),
    st.sampled_from(["", " "]),
)
def test_what_is_typed_is_what_is_understood(
    number: Decimal, point: str, prefix: tuple[str, float], unit: str, blank: str
) -> None:
    """Any figure, with either decimal sign, any prefix and any spelling of the unit, with a blank or not."""
    typed = f"{number}".replace(".", point) + blank + prefix[0] + unit
    assert parse_typed(typed, "ohm").value == pytest.approx(float(number) * prefix[1], rel=1e-12)


@given(st.integers(310, 5000))
def test_a_key_held_down_is_no_reading(length: int) -> None:
    """More figures than a number can hold are refused, not taken for infinity."""
    with pytest.raises(InputError, match="key held down"):
        parse_typed("7" * length, "ohm")


def test_without_an_operator_every_question_is_an_error() -> None:
    """A run that needs hands does not wait for ever for them."""
    with pytest.raises(InputError, match="Move the leads"):
        AbsentOperator().confirm("Move the leads to coil Y1")
    with pytest.raises(InputError, match="body temperature"):
        AbsentOperator().ask_number("Y1: body temperature", "degC")
