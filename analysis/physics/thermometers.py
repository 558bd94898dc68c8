"""Bench thermometers both ways: platinum resistance, thermocouples, thermistors.

Every function takes and gives one number and answers NaN outside the range of its law, so that a
broken sensor never becomes a temperature.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import copysign, exp, log, nan, sqrt
from typing import Literal

from analysis.physics.thermocouple_tables import TYPES, Piece

ThermocoupleLetter = Literal["K", "J", "T"]

ZERO_CELSIUS_K = 273.15

# IEC 60751 (2008): industrial platinum, R = R0 (1 + A t + B t^2 + C (t - 100) t^3), C only below 0 degC.
_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12
_PT_LOW_DEGC, _PT_HIGH_DEGC = -200.0, 850.0


def pt100_ohm(temperature_degC: float, r0_ohm: float = 100.0) -> float:
    """Return the resistance in ohms of a platinum thermometer (IEC 60751, -200 to 850 degC)."""
    t = temperature_degC
    if not _PT_LOW_DEGC <= t <= _PT_HIGH_DEGC:
        return nan
    ratio = 1.0 + t * (_A + t * _B)
    if t < 0.0:
        ratio += _C * (t - 100.0) * t**3
    return r0_ohm * ratio


def pt100_degC(resistance_ohm: float, r0_ohm: float = 100.0) -> float:
    """Return the temperature in degC of a platinum thermometer, exact to below a microkelvin (IEC 60751)."""
    if not pt100_ohm(_PT_LOW_DEGC, r0_ohm) <= resistance_ohm <= pt100_ohm(_PT_HIGH_DEGC, r0_ohm):
        return nan
    ratio = resistance_ohm / r0_ohm
    t = (-_A + sqrt(_A * _A - 4.0 * _B * (1.0 - ratio))) / (2.0 * _B)
    if t >= 0.0:
        return t
    # The quadratic is a good start below zero too; Newton's steps end within rounding after four.
    for _ in range(4):
        error = 1.0 + t * (_A + t * _B) + _C * (t - 100.0) * t**3 - ratio
        t -= error / (_A + 2.0 * _B * t + _C * t * t * (4.0 * t - 300.0))
    return t


def thermocouple_degC(letter: ThermocoupleLetter, emf_mV: float, reference_degC: float = 0.0) -> float:
    """Return the temperature in degC of a thermocouple's measuring junction on ITS-90.

    The published inverse functions, good to some 0.05 K, give the start; the reference function is
    then solved itself, so the way back meets the way out.

    Args:
        letter: Type of the thermocouple.
        emf_mV: What the meter reads.
        reference_degC: Reference junction, where the meter's leads begin.
    """
    target_mV = emf_mV + (_emf_mV(letter, reference_degC) if reference_degC else 0.0)
    t = thermocouple_inverse_degC(letter, target_mV)
    for _ in range(3):
        piece = _piece(TYPES[letter].reference, t)
        if piece is None:
            break
        t -= (_emf_mV(letter, t) - target_mV) / _slope_mV_per_K(letter, piece, t)
    return t


def thermocouple_inverse_degC(letter: ThermocoupleLetter, emf_mV: float) -> float:
    """Return the temperature in degC by the published inverse functions alone (reference at 0 degC)."""
    piece = _piece(TYPES[letter].inverse, emf_mV)
    return nan if piece is None else _polynomial(piece.coefficients, emf_mV)


def _emf_mV(letter: ThermocoupleLetter, t: float) -> float:
    kind = TYPES[letter]
    piece = _piece(kind.reference, t)
    if piece is None:
        return nan
    emf = _polynomial(piece.coefficients, t)
    if kind.bump is not None and piece.low >= 0.0:
        a0, a1, a2 = kind.bump
        emf += a0 * exp(a1 * (t - a2) ** 2)
    return emf


def _slope_mV_per_K(letter: ThermocoupleLetter, piece: Piece, t: float) -> float:
    slope = _polynomial(_derivative(piece.coefficients), t)
    bump = TYPES[letter].bump
    if bump is not None and piece.low >= 0.0:
        a0, a1, a2 = bump
        slope += 2.0 * a0 * a1 * (t - a2) * exp(a1 * (t - a2) ** 2)
    return slope


def _piece(pieces: tuple[Piece, ...], x: float) -> Piece | None:
    # The last piece that starts at or below: at 0 the functions above 0 hold.
    return next((piece for piece in reversed(pieces) if piece.low <= x <= piece.high), None)


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * x + coefficient
    return total


@cache
def _derivative(coefficients: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(power * c for power, c in enumerate(coefficients))[1:]


@dataclass(frozen=True)
class Thermistor:
    """A thermistor by the Steinhart-Hart equation 1/T = a + b ln R + c (ln R)^3, T in kelvin, R in ohms.

    Source: Steinhart and Hart, Deep-Sea Research 15 (1968) 497.
    """

    a: float
    b: float
    c: float

    @classmethod
    def through(cls, points: tuple[tuple[float, float], ...]) -> Thermistor:
        """Return the thermistor that goes through three points (temperature in degC, resistance in ohms).

        Raises:
            ValueError: There are not three points with three different positive resistances.
        """
        if len(points) != 3 or len({ohm for _, ohm in points}) != 3 or min(ohm for _, ohm in points) <= 0.0:
            raise ValueError(
                f"thermistor: expected three (degC, ohm) points with different resistances, got {points}"
            )
        (y1, l1), (y2, l2), (y3, l3) = ((1.0 / (t + ZERO_CELSIUS_K), log(ohm)) for t, ohm in points)
        g2, g3 = (y2 - y1) / (l2 - l1), (y3 - y1) / (l3 - l1)
        c = (g3 - g2) / (l3 - l2) / (l1 + l2 + l3)
        b = g2 - c * (l1 * l1 + l1 * l2 + l2 * l2)
        return cls(y1 - (b + c * l1 * l1) * l1, b, c)

    @classmethod
    def from_beta(cls, r25_ohm: float, beta_K: float) -> Thermistor:
        """Return the thermistor of one constant beta, R = R25 exp(beta (1/T - 1/298.15 K))."""
        return cls(1.0 / 298.15 - log(r25_ohm) / beta_K, 1.0 / beta_K, 0.0)

    def temperature_degC(self, resistance_ohm: float) -> float:
        """Return the temperature in degC, NaN for a resistance that no thermistor has."""
        if not resistance_ohm > 0.0:
            return nan
        x = log(resistance_ohm)
        inverse_K = self.a + x * (self.b + self.c * x * x)
        return 1.0 / inverse_K - ZERO_CELSIUS_K if inverse_K > 0.0 else nan

    def resistance_ohm(self, temperature_degC: float) -> float:
        """Return the resistance in ohms, NaN at or below absolute zero."""
        if not temperature_degC > -ZERO_CELSIUS_K:
            return nan
        rest = self.a - 1.0 / (temperature_degC + ZERO_CELSIUS_K)
        if self.c == 0.0:
            return exp(-rest / self.b)
        # The only real root of c x^3 + b x + rest = 0 (b and c positive), by Cardano.
        half = rest / (2.0 * self.c)
        root = sqrt((self.b / (3.0 * self.c)) ** 3 + half * half)
        return exp(_cube_root(root - half) - _cube_root(root + half))


def _cube_root(x: float) -> float:
    return copysign(abs(x) ** (1.0 / 3.0), x)
