"""Classes of meters and what each is good for, for those who have no data sheet at hand.

Common practice, no source: on the careful side of what data sheets of such meters state for ohms within a
year of calibration. Whoever has the sheet says 'manual' and types what it says.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class MeterClass:
    """A kind of meter: limits of error +-(reading_rel x reading + range_rel x range + offset_ohm)."""

    about: str
    reading_rel: float
    range_rel: float
    offset_ohm: float
    noise_ohm: float


CLASSES = {
    "6": MeterClass("bench meter, 6 1/2 digits", 0.0001, 0.00004, 0.0, 0.0005),
    "5": MeterClass("bench meter, 5 1/2 digits", 0.0003, 0.00008, 0.0, 0.001),
    "4": MeterClass("bench meter, 4 1/2 digits", 0.001, 0.0004, 0.0, 0.005),
    "m": MeterClass("milliohm meter, four wires, 0.1 %", 0.001, 0.0, 0.001, 0.0005),
    "c": MeterClass("hand meter that shows 0.01 ohm: 0.5 % and 3 digits", 0.005, 0.0, 0.03, 0.005),
    "h": MeterClass("hand meter, shows 0.1 ohm: 0.9 % and 3 digits", 0.009, 0.0, 0.3, 0.05),
}
#: What is typed instead by whoever has the data sheet.
MANUAL = "manual"
