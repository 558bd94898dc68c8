"""Classes of meters and what each is good for, for those who have no data sheet at hand.

Common practice, no source: on the careful side of what data sheets of such meters state for ohms within a
year of calibration. Whoever has the sheet says 'manual' and types what it says.
"""

from __future__ import annotations

from dataclasses import dataclass

from daq.config.rig import MeterAccuracy


@dataclass(frozen=True)
class MeterClass:
    """A kind of meter, and what it is good for."""

    about: str
    accuracy: MeterAccuracy


def _class(about: str, *figures: float) -> MeterClass:
    reading_rel, range_rel, offset_ohm, noise_ohm = figures
    good_for = MeterAccuracy(
        reading_rel=reading_rel, range_rel=range_rel, offset_ohm=offset_ohm, noise_ohm=noise_ohm
    )
    return MeterClass(about, good_for)


#: Each with its shares of reading and of range, and its offset and scatter in ohms.
CLASSES = {
    "6": _class("bench meter, 6 1/2 digits", 0.0001, 0.00004, 0.0, 0.0005),
    "5": _class("bench meter, 5 1/2 digits", 0.0003, 0.00008, 0.0, 0.001),
    "4": _class("bench meter, 4 1/2 digits", 0.001, 0.0004, 0.0, 0.005),
    "m": _class("milliohm meter, four wires, 0.1 %", 0.001, 0.0, 0.001, 0.0005),
    "c": _class("hand meter that shows 0.01 ohm: 0.5 % and 3 digits", 0.005, 0.0, 0.03, 0.005),
    "h": _class("hand meter, shows 0.1 ohm: 0.9 % and 3 digits", 0.009, 0.0, 0.3, 0.05),
}
#: What is typed instead by whoever has the data sheet.
MANUAL = "manual"
