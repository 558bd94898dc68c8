"""Headings as loggers and people write them, in two languages."""

from __future__ import annotations

import pytest

from daq.record.foreign.headings import EITHER, UNSAID, guess


@pytest.mark.parametrize(
    ("heading", "quantity", "unit"),
    [
        ("Temp (degC)", "probe", "degC"),
        ("Temperatur", "probe", UNSAID),
        ("Temperature [°F]", "probe", "degF"),
        ("Temp. °C", "probe", "degC"),
        ("Fühler 1 / °C", "probe", "degC"),
        ("temp_degF", "probe", "degF"),
        ("Temp deg C", "probe", "degC"),
        ("Temp. (Kelvin)", "probe", "K"),
        ("probe_degC", "probe", "degC"),
        ("°C", "probe", "degC"),
        ("Ohms", "resistance", "ohm"),
        ("Ω", "resistance", "ohm"),
        ("R [Ω]", "resistance", "ohm"),
        ("R [\N{OHM SIGN}]", "resistance", "ohm"),
        ("Widerstand", "resistance", UNSAID),
        ("Spulenwiderstand in kOhm", "resistance", "kohm"),
        ("Resistance (mOhm)", "resistance", "mohm"),
        ("Resistance (mohm)", "resistance", "mohm"),
        ("Resistance (MOhm)", "resistance", "Mohm"),
        ("RESISTANCE (MOHM)", "resistance", EITHER),
        ("resistance_ohm", "resistance", "ohm"),
        ("Coil resistance, ohm", "resistance", "ohm"),
        ("Spannung (V)", "voltage", "V"),
        ("U [mV]", "voltage", "mV"),
        ("Strom (mA)", "current", "mA"),
        ("Current A", "current", "A"),
        ("Time", "time", UNSAID),
        ("Zeit [min]", "time", "min"),
        ("Elapsed (h)", "time", "h"),
        ("Time/s", "time", "s"),
        ("Coil", "coil", UNSAID),
        ("Spule", "coil", UNSAID),
        ("Solenoid", "coil", UNSAID),
    ],
)
def test_what_a_heading_means(heading: str, quantity: str, unit: str) -> None:
    """Quantity and unit are known however they are written; a missing unit is not made up."""
    found = guess(heading)
    assert found is not None
    assert (found.quantity, found.unit, found.sure) == (quantity, unit, True)


@pytest.mark.parametrize(
    "heading",
    [
        "", "Y1", "3.3", "Coil A", "Notes", "Serial", "T max (°C)", "Setpoint °C", "Solltemperatur °C",
        "R min", "Nominal R (ohm)", "Widerstand Toleranz (ohm)", "R20 (ohm)", "Strom (V)",
        "Resistance error (ohm)", "Mean ohms (ohm)", "ΔT (K)",
    ],
)  # fmt: skip
def test_what_is_no_reading_is_not_taken_for_one(heading: str) -> None:
    """Labels, limits, set points, corrected figures and headings that contradict themselves mean nothing."""
    assert guess(heading) is None


@pytest.mark.parametrize("heading", ["Room temp (°C)", "Ofentemperatur [°C]", "Raumtemperatur °C", "Oil °F"])
def test_a_temperature_of_something_else_is_in_doubt(heading: str) -> None:
    """Air, oil and oven are not the parts, so such a column is not taken without asking."""
    found = guess(heading)
    assert found is not None
    assert (found.quantity, found.sure) == ("probe", False)


@pytest.mark.parametrize(
    ("heading", "label"), [("Y1 (ohm)", "Y1"), ("R_Y1 [Ω]", "Y1"), ("Widerstand Spule 3", "3"), ("Ohms", "")]
)
def test_a_coil_in_a_heading_is_told_apart(heading: str, label: str) -> None:
    """What is left beside quantity and unit is a label."""
    found = guess(heading)
    assert found is not None
    assert found.rest == label


@pytest.mark.parametrize(
    ("heading", "at_degC"),
    [("R @ 20 °C (ohm)", 20.0), ("Ohms at 194 degF", 90.0), ("Widerstand bei 22,5 °C", 22.5)],
)
def test_a_temperature_in_a_heading_is_the_readings_own(heading: str, at_degC: float) -> None:
    """`at`, `@` or `bei` a temperature says at which the column was read."""
    found = guess(heading)
    assert found is not None
    assert found.quantity == "resistance"
    assert found.at_degC == pytest.approx(at_degC)
