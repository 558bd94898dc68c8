"""What one heading may mean, in English or German; common practice of loggers and spreadsheets, no source."""

from __future__ import annotations

import re
from dataclasses import dataclass

#: A heading without a unit that its figures have to make likely, and one that could be either of two.
UNSAID, EITHER = "", "?"

#: Spellings of units, as they stand in brackets or behind the name; a letter's size tells milli from mega.
_UNITS = {
    **dict.fromkeys(("degC", "°C", "℃", "Celsius", "Grad", "GradC", "GradCelsius", "C"), ("probe", "degC")),
    **dict.fromkeys(("degF", "°F", "℉", "Fahrenheit", "F"), ("probe", "degF")),
    **dict.fromkeys(("K", "Kelvin", "kelvins"), ("probe", "K")),
    **dict.fromkeys(("deg", "°", "degrees"), ("probe", UNSAID)),
    **dict.fromkeys(("ohm", "ohms", "Ω"), ("resistance", "ohm")),
    **dict.fromkeys(("kohm", "kohms", "kΩ", "KΩ", "kiloohm", "kilohm"), ("resistance", "kohm")),
    **dict.fromkeys(
        ("mohm", "mohms", "mΩ", "milliohm", "milliohms", "mOhm", "mOhms"), ("resistance", "mohm")
    ),
    **dict.fromkeys(("Mohm", "Mohms", "MΩ", "megohm", "MOhm", "MOhms"), ("resistance", "Mohm")),
    **dict.fromkeys(("MOHM", "MOHMS"), ("resistance", EITHER)),
    **dict.fromkeys(("V", "volt", "volts", "Vdc"), ("voltage", "V")),
    **dict.fromkeys(("mV", "millivolt", "millivolts"), ("voltage", "mV")),
    **dict.fromkeys(("A", "amp", "amps", "ampere", "amperes", "Adc"), ("current", "A")),
    **dict.fromkeys(("mA", "milliamp", "milliamps", "milliampere"), ("current", "mA")),
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds", "Sek", "Sekunde", "Sekunden"), ("time", "s")),
    **dict.fromkeys(("ms", "msec", "millisecond", "milliseconds"), ("time", "ms")),
    **dict.fromkeys(("min", "mins", "minute", "minutes", "Minuten"), ("time", "min")),
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours", "Std", "Stunde", "Stunden"), ("time", "h")),
}
_FOLDED: dict[str, tuple[str, str]] = {}
for _spelled, _unit in _UNITS.items():
    if len(_spelled) > 2 and not _spelled.casefold().startswith("mohm") and _unit[1] != EITHER:
        _FOLDED[_spelled.casefold()] = _unit

_NAMES = {
    "time": {
        "time",
        "zeit",
        "elapsed",
        "timestamp",
        "zeitstempel",
        "uhrzeit",
        "datetime",
        "laufzeit",
        "clock",
    },
    "probe": {
        "temp",
        "temps",
        "temperature",
        "temperatur",
        "probe",
        "fühler",
        "fuehler",
        "thermocouple",
        "tc",
    },
    "resistance": {"r", "res", "resistance", "widerstand"},
    "voltage": {"u", "v", "voltage", "spannung"},
    "current": {"i", "current", "strom"},
    "coil": {"coil", "spule", "solenoid", "magnetspule", "magnet", "label", "coils", "spulen"},
}
#: Ends of long words, as in Spulenwiderstand.
_ENDINGS = {
    "temperatur": "probe",
    "widerstand": "resistance",
    "spannung": "voltage",
    "strom": "current",
}
#: A temperature, but perhaps not of the parts; and a label, but perhaps not a coil's.
_ELSEWHERE = re.compile(
    r"\b(ambient|room|oven|air|oil|bath|chamber)\b|raum|umgebung|ofen|luft|\böl|bad\b|kammer", re.IGNORECASE
)
#: Figures that are no readings.
_NO_READING = re.compile(
    r"\b(set|setpoint|soll\w*|nominal|nenn\w*|min|max|minimum|maximum|limits?|grenz\w*|tol\w*|delta|diff\w*|"
    r"error|fehler|std\w*|sigma|uncertainty|unsicherheit|abweichung|deviation|target|spec|average|mean|"
    r"mittel\w*|R20|u\(.*\))\b|[%±Δ]",
    re.IGNORECASE,
)
_FILLERS = {
    "of", "in", "the", "der", "des", "von", "coil", "spule", "solenoid", "measured", "gemessen", "meter",
    "dmm", "value", "wert", "reading", "messwert", "winding", "wicklung", "no", "nr", "id", "name", "date",
    "datum", "dc", "body", "block", "part", "teil",
}  # fmt: skip
_BRACKETS = re.compile(r"[\[({]\s*([^\])}]*?)\s*[\])}]")
_AT = re.compile(
    r"(?:@|\bat\b|\bbei\b)\s*([-+]?\d+(?:[.,]\d+)?)\s*(°\s*[CF]|deg\.?\s*[CF]|[CF]\b|℃|℉)", re.IGNORECASE
)
_WORD = re.compile(r"[^\s_/,;:.=]+")


@dataclass(frozen=True)
class Guess:
    """What a heading may mean: *unit* is UNSAID or EITHER where it is not told.

    *rest* is what else stands there, as a coil's label. *sure* is whether the quantity is beyond doubt.
    """

    quantity: str
    unit: str
    rest: str = ""
    at_degC: float | None = None
    sure: bool = True


def unit_of(text: str) -> tuple[str, str] | None:
    """Return quantity and unit that *text* spells."""
    spelled = re.sub(r"[\s.]+", "", text.replace("\N{OHM SIGN}", "Ω").replace("º", "°").replace("˚", "°"))
    return _UNITS.get(spelled) or _FOLDED.get(spelled.casefold())


def guess(heading: str) -> Guess | None:
    """Return what *heading* may mean, None if that is not to be seen."""
    heading = heading.replace("\N{OHM SIGN}", "Ω")
    at_degC, heading = _taken_at(heading)
    base, unit, bare = _without_unit(heading)
    if _NO_READING.search(base):
        return None
    words = _WORD.findall(base)
    named = [(word, _named(word)) for word in words]
    quantities = list(dict.fromkeys(quantity for _, quantity in named if quantity))
    # "coil resistance", "coil temperature": what is measured counts, not of what.
    if len(quantities) > 1 and "coil" in quantities:
        quantities.remove("coil")
    if unit is not None:
        quantity, spelled = unit
        others = [each for each in quantities if each not in {quantity, "coil"}]
        if others:  # "Strom V": one of the two is wrong
            return None
        if bare and "coil" in quantities and quantity not in quantities:
            return None  # "Coil A" is a coil's name
        rest = _rest(named, quantity)
        sure = not (quantity == "probe" and _ELSEWHERE.search(base))
        return Guess(quantity, spelled, rest, at_degC, sure and not (bare and not words))
    if len(quantities) != 1:
        return None
    quantity = quantities[0]
    sure = not (quantity == "probe" and _ELSEWHERE.search(base))
    return Guess(quantity, UNSAID, _rest(named, quantity), at_degC, sure)


def _taken_at(heading: str) -> tuple[float | None, str]:
    found = _AT.search(heading)
    if found is None:
        return None, heading
    degrees = float(found[1].replace(",", "."))
    if found[2].upper().endswith("F") or found[2] == "℉":
        degrees = (degrees - 32.0) / 1.8
    return degrees, heading[: found.start()] + heading[found.end() :]


def _without_unit(heading: str) -> tuple[str, tuple[str, str] | None, bool]:
    """Return *heading* without its unit, the unit, and whether a single letter without brackets said it."""
    for found in _BRACKETS.finditer(heading):
        if unit := unit_of(found[1]):
            return heading[: found.start()] + " " + heading[found.end() :], unit, False
    words = list(_WORD.finditer(heading))
    for count in (2, 1):  # "deg C" before "C"
        if len(words) >= count:
            tail = heading[words[-count].start() : words[-1].end()]
            if unit := unit_of(tail):
                return heading[: words[-count].start()], unit, len(tail) == 1 and tail.isascii()
    for word in words:
        if (unit := unit_of(word[0])) and len(word[0]) > 2:
            return heading[: word.start()] + " " + heading[word.end() :], unit, False
    return heading, None, False


def _named(word: str) -> str:
    folded = word.strip("()[]{}#-").casefold()
    for quantity, names in _NAMES.items():
        if folded in names:
            return quantity
    return next((quantity for ending, quantity in _ENDINGS.items() if folded.endswith(ending)), "")


def _rest(named: list[tuple[str, str]], quantity: str) -> str:
    others = [word for word, what in named if what != quantity and word.casefold() not in _FILLERS]
    return " ".join(others).strip("()[]{} -")
