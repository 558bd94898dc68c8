"""Coefficients of the ITS-90 thermocouple functions of types K, J and T.

From the NIST ITS-90 Thermocouple Database (NIST Standard Reference Database 60), which reproduces
NIST Monograph 175 (1993): a work of the United States government, not subject to copyright.
Temperatures in degC, electromotive force in mV against a reference junction at 0 degC.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Piece:
    """A polynomial in ascending powers, valid for arguments from *low* to *high*."""

    low: float
    high: float
    coefficients: tuple[float, ...]


@dataclass(frozen=True)
class ThermocoupleType:
    """One letter type: reference functions (degC to mV), inverse functions (mV to degC)."""

    reference: tuple[Piece, ...]
    inverse: tuple[Piece, ...]
    #: a0, a1, a2 of the term a0 exp(a1 (t - a2)^2) that type K has above 0 degC.
    bump: tuple[float, float, float] | None = None


TYPES = {
    "K": ThermocoupleType(
        reference=(
            Piece(
                -270.0,
                0.0,
                (
                    0.0,
                    0.039450128025,
                    2.3622373598e-05,
                    -3.2858906784e-07,
                    -4.9904828777e-09,
                    -6.7509059173e-11,
                    -5.7410327428e-13,
                    -3.1088872894e-15,
                    -1.0451609365e-17,
                    -1.9889266878e-20,
                    -1.6322697486e-23,
                ),
            ),
            Piece(
                0.0,
                1372.0,
                (
                    -0.017600413686,
                    0.038921204975,
                    1.8558770032e-05,
                    -9.9457592874e-08,
                    3.1840945719e-10,
                    -5.6072844889e-13,
                    5.6075059059e-16,
                    -3.2020720003e-19,
                    9.7151147152e-23,
                    -1.2104721275e-26,
                ),
            ),
        ),
        inverse=(
            Piece(
                -5.891,
                0.0,
                (
                    0.0,
                    25.173462,
                    -1.1662878,
                    -1.0833638,
                    -0.8977354,
                    -0.37342377,
                    -0.086632643,
                    -0.010450598,
                    -0.00051920577,
                ),
            ),
            Piece(
                0.0,
                20.644,
                (
                    0.0,
                    25.08355,
                    0.07860106,
                    -0.2503131,
                    0.0831527,
                    -0.01228034,
                    0.0009804036,
                    -4.41303e-05,
                    1.057734e-06,
                    -1.052755e-08,
                ),
            ),
            Piece(
                20.644,
                54.886,
                (-131.8058, 48.30222, -1.646031, 0.05464731, -0.0009650715, 8.802193e-06, -3.11081e-08),
            ),
        ),
        bump=(0.1185976, -0.0001183432, 126.9686),
    ),
    "J": ThermocoupleType(
        reference=(
            Piece(
                -210.0,
                760.0,
                (
                    0.0,
                    0.050381187815,
                    3.047583693e-05,
                    -8.568106572e-08,
                    1.3228195295e-10,
                    -1.7052958337e-13,
                    2.0948090697e-16,
                    -1.2538395336e-19,
                    1.5631725697e-23,
                ),
            ),
            Piece(
                760.0,
                1200.0,
                (
                    296.45625681,
                    -1.4976127786,
                    0.0031787103924,
                    -3.1847686701e-06,
                    1.5720819004e-09,
                    -3.0691369056e-13,
                ),
            ),
        ),
        inverse=(
            Piece(
                -8.095,
                0.0,
                (
                    0.0,
                    19.528268,
                    -1.2286185,
                    -1.0752178,
                    -0.59086933,
                    -0.17256713,
                    -0.028131513,
                    -0.002396337,
                    -8.3823321e-05,
                ),
            ),
            Piece(
                0.0,
                42.919,
                (
                    0.0,
                    19.78425,
                    -0.2001204,
                    0.01036969,
                    -0.0002549687,
                    3.585153e-06,
                    -5.344285e-08,
                    5.09989e-10,
                ),
            ),
            Piece(
                42.919,
                69.553,
                (-3113.58187, 300.543684, -9.9477323, 0.17027663, -0.00143033468, 4.73886084e-06),
            ),
        ),
    ),
    "T": ThermocoupleType(
        reference=(
            Piece(
                -270.0,
                0.0,
                (
                    0.0,
                    0.038748106364,
                    4.4194434347e-05,
                    1.1844323105e-07,
                    2.0032973554e-08,
                    9.0138019559e-10,
                    2.2651156593e-11,
                    3.6071154205e-13,
                    3.8493939883e-15,
                    2.8213521925e-17,
                    1.4251594779e-19,
                    4.8768662286e-22,
                    1.079553927e-24,
                    1.3945027062e-27,
                    7.9795153927e-31,
                ),
            ),
            Piece(
                0.0,
                400.0,
                (
                    0.0,
                    0.038748106364,
                    3.329222788e-05,
                    2.0618243404e-07,
                    -2.1882256846e-09,
                    1.0996880928e-11,
                    -3.0815758772e-14,
                    4.547913529e-17,
                    -2.7512901673e-20,
                ),
            ),
        ),
        inverse=(
            Piece(
                -5.603,
                0.0,
                (0.0, 25.949192, -0.21316967, 0.79018692, 0.42527777, 0.13304473, 0.020241446, 0.0012668171),
            ),
            Piece(
                0.0, 20.872, (0.0, 25.928, -0.7602961, 0.04637791, -0.002165394, 6.048144e-05, -7.293422e-07)
            ),
        ),
    ),
}
