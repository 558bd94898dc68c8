"""What each column of a table means, in words that a person can give, as ``resistance_ohm of Y1``."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from daq.errors import InputError

#: degC at which ice melts, in kelvin (definition of the scale), and in degF.
_ICE_K, _ICE_DEGF = 273.15, 32.0


@dataclass(frozen=True)
class Unit:
    """One way to write a quantity: *canonical* turns its number into the unit that a trace has."""

    quantity: str
    unit: str
    canonical: Callable[[float], float]


def _times(factor: float) -> Callable[[float], float]:
    return lambda value: value * factor


def _same(value: float) -> float:
    return value


#: By the words of a mapping. A time of day, or a date with it, is `time_clock`.
UNITS: Mapping[str, Unit] = {
    "coil": Unit("coil", "", _same),
    "time_s": Unit("time", "s", _same),
    "time_ms": Unit("time", "ms", _times(1e-3)),
    "time_min": Unit("time", "min", _times(60.0)),
    "time_h": Unit("time", "h", _times(3600.0)),
    "time_clock": Unit("time", "clock", _same),
    "probe_degC": Unit("probe", "degC", _same),
    "probe_degF": Unit("probe", "degF", lambda value: (value - _ICE_DEGF) / 1.8),
    "probe_K": Unit("probe", "K", lambda value: value - _ICE_K),
    "resistance_ohm": Unit("resistance", "ohm", _same),
    "resistance_mohm": Unit("resistance", "mohm", _times(1e-3)),
    "resistance_kohm": Unit("resistance", "kohm", _times(1e3)),
    "resistance_Mohm": Unit("resistance", "Mohm", _times(1e6)),
    "voltage_V": Unit("voltage", "V", _same),
    "voltage_mV": Unit("voltage", "mV", _times(1e-3)),
    "current_A": Unit("current", "A", _same),
    "current_mA": Unit("current", "mA", _times(1e-3)),
}
#: A column that is looked at and left out.
UNUSED = "unused"
_PHRASE = re.compile(
    r"(?P<word>\w+)(?: of (?P<coil>.+?))?(?: at (?P<degC>[-+]?\d+(?:\.\d+)?) degC)?", re.ASCII | re.DOTALL
)


@dataclass(frozen=True)
class Meaning:
    """What one column is: its *word* of UNITS, and the coil or temperature that its heading alone names."""

    word: str
    coil: str = ""
    at_degC: float | None = None

    @property
    def unit(self) -> Unit:
        """Quantity and unit."""
        return UNITS[self.word]

    def __str__(self) -> str:
        of = f" of {self.coil}" if self.coil else ""
        return self.word + of + ("" if self.at_degC is None else f" at {self.at_degC:g} degC")


@dataclass(frozen=True)
class Columns:
    """What a table's columns mean by their headings; columns that are not named are not used.

    *at_degC*: one temperature for all rows that have none. *sheet*: that of a workbook, '' its only one.
    """

    by_heading: Mapping[str, Meaning] = field(default_factory=dict)
    at_degC: float | None = None
    sheet: str = ""
    #: Headings that somebody said are not to be used.
    unused: frozenset[str] = frozenset()

    def with_heading(self, heading: str, meaning: Meaning) -> Columns:
        """Return the same with one column more."""
        return replace(self, by_heading={**self.by_heading, heading: meaning})

    def words(self) -> set[str]:
        """Return which quantities there are."""
        return {meaning.unit.quantity for meaning in self.by_heading.values()}

    def lacking(self) -> str:
        """Return what no judgement can do without, and is not there; '' if nothing is."""
        there = self.words()
        if "resistance" not in there and not {"voltage", "current"} <= there:
            return "no column of resistance, nor of voltage and current"
        if "probe" not in there and self.at_degC is None and not self._all_at():
            return "no column of temperature"
        return ""

    def _all_at(self) -> bool:
        return all(
            meaning.at_degC is not None
            for meaning in self.by_heading.values()
            if meaning.unit.quantity == "resistance"
        )


def meaning(phrase: str) -> Meaning | None:
    """Return what *phrase* says, as ``resistance_kohm of Y1``; None for a column that is not to be used.

    Raises:
        InputError: It is none of the words.
    """
    found = _PHRASE.fullmatch(phrase.strip())
    word = found["word"] if found else ""
    if found and word.casefold() == UNUSED and not found["coil"] and found["degC"] is None:
        return None
    if found and word in UNITS:
        known = word
    else:
        alike = [each for each in UNITS if each.casefold() == word.casefold()]
        if found is None or len(alike) != 1:  # mohm and Mohm are told apart by their letters alone
            raise InputError(
                f"{phrase[:60]!r} is no column of ours, expected one of {', '.join(UNITS)} or {UNUSED}, "
                "behind it ' of COIL' or ' at 20 degC' where the heading alone says so"
            )
        known = alike[0]
    if found["coil"] and known == "coil":
        raise InputError(f"{phrase[:60]!r}: a column of labels is of no one coil, expected 'coil'")
    at = found["degC"]
    if at is not None and UNITS[known].quantity != "resistance":
        raise InputError(f"{phrase[:60]!r}: expected ' at ... degC' behind a resistance alone")
    return Meaning(known, (found["coil"] or "").strip(), None if at is None else float(at))
