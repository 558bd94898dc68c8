"""Copper as a thermometer and as a yardstick: resistance laws of a winding.

The law is ``R(T) = R20 [1 + alpha20 (T - 20)]`` with alpha20 = 0.00393 /K, for resistance between
points fixed on a wire that is free to expand (constant mass). Sources: NBS Handbook 100, Copper
Wire Tables (1966), and IEC 60028 (1925). It is the same as R proportional to T + 234.5.
"""

from __future__ import annotations

from math import sqrt
from typing import TypeVar

from analysis.arrays import FloatArray

#: One value or an array of shape (n,).
Numbers = TypeVar("Numbers", float, FloatArray)

#: Temperature to which resistance is referred.
REFERENCE_DEGC = 20.0

#: Annealed copper of 100 % IACS (IEC 60028; NBS Handbook 100).
ALPHA20_PER_K = 0.00393

#: Standard uncertainty of alpha20 for one batch of winding wire.
#: alpha20 grows with conductivity: 0.00393 times the IACS share (rule of Dellinger, Bull. Bureau of
#: Standards 7 (1911) 71, from memory). Annealed winding wire of electrolytic copper is at 100 % IACS within
#: about one per cent (common practice, no source): alpha20 lies within +-0.00004 of 0.00393, evenly spread.
ALPHA20_U_PER_K = 0.00004 / sqrt(3.0)

#: What print gives for copper of all sorts: 97 % IACS hard wire to pure copper (CRC Handbook, wire tables,
#: 0.00403 to 0.00404). A slope outside is not a slope of copper alone.
PUBLISHED_ALPHA20_PER_K = (0.0038, 0.00404)

#: Temperature at which the straight law of copper would reach zero (NBS Handbook 100: 234.5).
ZERO_BELOW_K = 234.5


def resistance_factor(temperature_degC: Numbers, alpha20_per_K: float = ALPHA20_PER_K) -> Numbers:
    """Return R(T)/R20 of copper at *temperature_degC*, dimensionless, shape as given."""
    return 1.0 + alpha20_per_K * (temperature_degC - REFERENCE_DEGC)


def to_20degC(
    resistance_ohm: Numbers, temperature_degC: Numbers, alpha20_per_K: float = ALPHA20_PER_K
) -> Numbers:
    """Refer *resistance_ohm* measured at *temperature_degC* to 20 degC, in ohms, shape as given."""
    return resistance_ohm / resistance_factor(temperature_degC, alpha20_per_K)


def winding_temperature(
    resistance_ohm: Numbers, cold_ohm: float, cold_degC: float, constant_K: float = ZERO_BELOW_K
) -> Numbers:
    """Return the temperature of a winding in degC from its own resistance.

    Args:
        resistance_ohm: Resistance now, shape as wanted.
        cold_ohm: Resistance (positive) when the winding was known to be at *cold_degC*.
        cold_degC: That known temperature.
        constant_K: 234.5 for copper as material; IEC 60034-1 rounds it to 235 for machines.
    """
    return resistance_ohm / cold_ohm * (constant_K + cold_degC) - constant_K
