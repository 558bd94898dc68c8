"""Thermometers against the tables of their standards."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import get_args

import numpy as np
import pytest
import thermocouple_its90
from hypothesis import given
from hypothesis import strategies as st

from analysis.arrays import FloatArray
from analysis.physics import thermometers as th

Table = Callable[[str], dict[str, FloatArray]]
LETTERS = get_args(th.ThermocoupleLetter)


def test_pt100_meets_the_printed_table(table: Table) -> None:
    """Ohms of a Pt100 are those of IEC 60751 (DIN EN 60751 sheet), printed and in full."""
    rows = table("pt100")
    for t, printed, full in zip(*rows.values(), strict=True):
        assert th.pt100_ohm(t) == pytest.approx(full, abs=1e-4)
        if math.isfinite(printed):
            assert th.pt100_ohm(t) == pytest.approx(printed, abs=0.005)


def test_pt100_table_backwards(table: Table) -> None:
    """Temperatures told from the printed ohms of IEC 60751 are right within half the last digit."""
    rows = table("pt100")
    for t, full in zip(rows["temperature_degC"], rows["full_ohm"], strict=True):
        # The flattest slope in the range is 0.29 ohm/K: 5e-5 ohm are 2e-4 K.
        assert th.pt100_degC(full) == pytest.approx(t, abs=2e-4)


@given(st.floats(-200.0, 850.0))
def test_pt100_there_and_back(t: float) -> None:
    """A temperature turned into ohms of a Pt100 or a Pt1000 comes back unchanged."""
    assert th.pt100_degC(th.pt100_ohm(t)) == pytest.approx(t, abs=1e-8)
    assert th.pt100_degC(th.pt100_ohm(t, 1000.0), 1000.0) == pytest.approx(t, abs=1e-8)


@pytest.mark.parametrize("ohm", [0.0, -1.0, 18.5, 390.5, 9.9e37, math.inf, math.nan])
def test_pt100_invents_no_temperature(ohm: float) -> None:
    """A broken or shorted Pt100 gives no temperature."""
    assert math.isnan(th.pt100_degC(ohm))
    assert math.isnan(th.pt100_ohm(850.1))


@pytest.mark.parametrize("letter", LETTERS)
def test_thermocouple_meets_the_printed_table(letter: th.ThermocoupleLetter, table: Table) -> None:
    """Temperatures are those of the millivolts printed for ITS-90 (NIST SRD 60, Monograph 175)."""
    rows = table("thermocouples_mV")
    for t, emf in zip(rows["temperature_degC"], rows[letter], strict=True):
        # Half the last digit printed: a microvolt is at most 0.03 K in this range.
        assert th.thermocouple_degC(letter, emf) == pytest.approx(t, abs=0.016)


@pytest.mark.parametrize("letter", LETTERS)
def test_thermocouple_agrees_with_an_independent_library(letter: th.ThermocoupleLetter) -> None:
    """Over the whole range the package thermocouple_its90 gives these millivolts at that temperature."""
    referee = thermocouple_its90.get(letter)
    low, high = th.TYPES[letter].inverse[0], th.TYPES[letter].inverse[-1]
    for t in np.linspace(th.thermocouple_inverse_degC(letter, low.low) + 0.1, referee.range[1], 97):
        emf = referee.emf(float(t))
        if low.low <= emf <= high.high:
            assert th.thermocouple_degC(letter, emf) == pytest.approx(t, abs=1e-6)


def test_thermocouple_inverse_alone() -> None:
    """The published inverse of type K is what it is: 2.023, 4.096 and 6.138 mV (NIST SRD 60; computed)."""
    for emf, t in ((2.023, 50.031), (4.096, 99.963), (6.138, 150.021)):
        assert th.thermocouple_inverse_degC("K", emf) == pytest.approx(t, abs=5e-4)
    assert th.thermocouple_degC("K", 4.096) == pytest.approx(99.994, abs=5e-4)


@pytest.mark.parametrize("letter", LETTERS)
@given(hot=st.floats(-150.0, 350.0), cold=st.floats(0.0, 60.0))
def test_reference_junction_is_made_up_for(letter: th.ThermocoupleLetter, hot: float, cold: float) -> None:
    """The temperature of the reference junction drops out when it is known."""
    referee = thermocouple_its90.get(letter)
    emf = referee.emf(hot) - referee.emf(cold)
    assert th.thermocouple_degC(letter, emf, cold) == pytest.approx(hot, abs=1e-6)


@pytest.mark.parametrize("letter", LETTERS)
def test_thermocouple_invents_no_temperature(letter: th.ThermocoupleLetter) -> None:
    """Beyond its table a thermocouple gives no temperature."""
    assert math.isnan(th.thermocouple_degC(letter, 99.0))
    assert math.isnan(th.thermocouple_degC(letter, math.nan))


THREE_POINTS = ((5.0, 25000.0), (25.0, 10000.0), (45.0, 4000.0))


def test_thermistor_through_three_points() -> None:
    """Three points give the coefficients of a public calculator's default (from memory; recomputed)."""
    ntc = th.Thermistor.through(THREE_POINTS)
    assert ntc.a == pytest.approx(2.108508173e-3, abs=5e-12)
    assert ntc.b == pytest.approx(7.979204727e-5, abs=5e-13)
    assert ntc.c == pytest.approx(6.535076315e-7, abs=5e-15)
    assert ntc.temperature_degC(7000.0) == pytest.approx(32.8003, abs=5e-5)


def test_thermistor_of_constant_beta() -> None:
    """10 kohm with beta 3950 K has the ohms of its definition at 0, 50, 85 and 100 degC (computed)."""
    ntc = th.Thermistor.from_beta(10e3, 3950.0)
    for t, ohm in ((0.0, 33620.6), (50.0, 3588.18), (85.0, 1086.67), (100.0, 697.52)):
        assert ntc.resistance_ohm(t) == pytest.approx(ohm, rel=2e-6 if t == 0.0 else 6e-6)
        assert ntc.temperature_degC(ohm) == pytest.approx(t, abs=2e-4)


@given(st.floats(-40.0, 150.0))
def test_thermistor_there_and_back(t: float) -> None:
    """A temperature turned into ohms comes back unchanged."""
    ntc = th.Thermistor.through(THREE_POINTS)
    assert ntc.temperature_degC(ntc.resistance_ohm(t)) == pytest.approx(t, abs=1e-7)


@pytest.mark.parametrize("ohm", [0.0, -5.0, math.nan])
def test_thermistor_invents_no_temperature(ohm: float) -> None:
    """A shorted or absent thermistor gives no temperature."""
    assert math.isnan(th.Thermistor.through(THREE_POINTS).temperature_degC(ohm))
    assert math.isnan(th.Thermistor.through(THREE_POINTS).resistance_ohm(-274.0))


@pytest.mark.parametrize(
    "points", [THREE_POINTS[:2], (*THREE_POINTS[:2], (45.0, 25000.0)), ((5.0, -1.0), *THREE_POINTS[1:])]
)
def test_thermistor_needs_three_different_points(points: tuple[tuple[float, float], ...]) -> None:
    """Fewer than three usable points are refused in one line."""
    with pytest.raises(ValueError, match="expected three"):
        th.Thermistor.through(points)
