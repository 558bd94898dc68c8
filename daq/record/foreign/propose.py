"""What the headings of a table mean together: a proposal, and each doubt with what would end it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import islice

from daq.record.foreign.columns import Columns, Meaning
from daq.record.foreign.headings import EITHER, UNSAID, Guess, guess, unit_of
from daq.record.foreign.numbers import clock_s, parse_number
from daq.record.foreign.sheets import Cell, Sheet
from daq.record.format import printable

#: Headings are looked for in so many rows, and figures looked at in so many.
_FIRST_ROWS, _LOOKED_AT = 30, 5000
#: So many columns may stand for coils of which nothing says that they are.
_MOST_BARE = 64
_NO_LABELS = re.compile(
    r"note|remark|comment|bemerk|notiz|status|phase|source|operator|prüfer|date|datum|unit|einheit|result|"
    r"verdict|serial|serien|remark|kommentar",
    re.IGNORECASE,
)
_LABELS = re.compile(
    r"^(name|id|no\.?|nr\.?|#|part|teil|valve|ventil|channel|kanal|ch|item|position)$", re.IGNORECASE
)
#: What tells two readings of one coil apart, not two coils.
_STATES = re.compile(
    r"cold|hot|warm|kalt|heiß|heiss|before|after|vorher|nachher|first|second|1st|2nd|[24]w|[24]-wire",
    re.IGNORECASE,
)
#: Where no unit is written, figures outside of these are not believed to be in it: a bench starts cold, and
#: coils of 5 to 48 V have this much resistance (common practice, no source).
_COLD_DEGC, _HOT_DEGC = (0.0, 45.0), 130.0
_LIKELY = {"resistance": (1.0, 300.0), "voltage": (0.0, 60.0), "current": (0.0, 10.0)}
_USUAL = {"probe": "degC", "resistance": "ohm", "voltage": "V", "current": "A"}
_CHOICES = {
    "probe": ("probe_degC", "probe_degF", "probe_K"),
    "resistance": ("resistance_ohm", "resistance_mohm", "resistance_kohm"),
    "voltage": ("voltage_V", "voltage_mV"),
    "current": ("current_A", "current_mA"),
    "time": ("time_s", "time_min", "time_h"),
}
_CALLED = {
    "probe": "the temperature of the parts",
    "resistance": "the resistance",
    "voltage": "the voltage",
    "current": "the current",
    "time": "the time",
    "coil": "the coil's label",
}


@dataclass(frozen=True)
class Doubt:
    """What has to be told: each of *choices* is headings with their phrases; none: a temperature is asked."""

    question: str
    choices: tuple[tuple[tuple[str, str], ...], ...] = ()

    def hint(self) -> str:
        """Return what to give on the command line for the first choice."""
        pairs = self.choices[0] if self.choices else (("at_degC", "22"),)
        said = " ".join(f"--columns {f'{heading}={phrase}'!r}" for heading, phrase in pairs[:3])
        others = [choice[0] for choice in self.choices[1:4]]
        return said + "".join(f", or {f'{heading}={phrase}'!r}" for heading, phrase in others)


@dataclass(frozen=True)
class Proposal:
    """What a table's columns are taken for; *doubts* forbid to take them so without asking.

    *below*: how many rows that are not blank stand above the figures. *line*: of the headings. *assumed*:
    columns without a unit, with lowest and highest figure. *unused*: headings that are not taken.
    """

    sheet: Sheet
    line: int
    below: int
    names: tuple[str, ...]
    columns: Columns
    doubts: tuple[Doubt, ...] = ()
    assumed: dict[str, tuple[float, float]] = field(default_factory=dict)
    unused: tuple[str, ...] = ()


def find_headings(sheet: Sheet, known: Iterable[str] = ()) -> tuple[int, int, tuple[str, ...]]:
    """Return line and texts of the headings of *sheet*, and how many rows stand above the figures.

    The first row counts that means at least two things, else the one that means most. A row of units below
    it belongs to it.
    """
    first = list(islice(sheet.rows(), _FIRST_ROWS))
    if not first:
        return 1, 0, ()
    wanted = set(known)
    scores = [sum(name in wanted or guess(name) is not None for name in _texts(row)) for _, row in first]
    at = next((at for at, score in enumerate(scores) if score >= 2), scores.index(max(scores)))
    line, row = first[at]
    names, below = _texts(row), at + 1
    if below < len(first) and not wanted & set(names):
        units = _texts(first[below][1])
        if any(units) and all(not unit or unit_of(unit.strip("[]()")) for unit in units):
            units += [""] * (len(names) - len(units))
            names = [
                f"{name} [{unit.strip('[]()')}]" if unit else name
                for name, unit in zip(names, units, strict=False)
            ]
            below += 1
    return line, below, tuple(names)


def propose(sheet: Sheet, given: Columns, labels: frozenset[str] = frozenset()) -> Proposal:
    """Return what the columns of *sheet* may mean.

    Args:
        sheet: The table.
        given: What somebody said already; it is not asked again.
        labels: Of the coils that are known to be under test.
    """
    line, below, names = find_headings(sheet, given.by_heading)
    return _Proposing(sheet, line, below, names, given, labels).proposal()


def _texts(row: Sequence[Cell]) -> list[str]:
    return [" ".join(printable(cell).split()) if isinstance(cell, str) else "" for cell in row]


def _plausible(quantity: str, figures: Sequence[float]) -> bool:
    """Whether *figures* without a unit can be nothing but the usual one: degC, ohm, V or A."""
    if not figures:
        return False
    if quantity == "probe":
        return _COLD_DEGC[0] <= min(figures) <= _COLD_DEGC[1] and max(figures) <= _HOT_DEGC
    low, high = _LIKELY[quantity]
    middle = sorted(map(abs, figures))[len(figures) // 2]
    return low <= middle <= high


class _Proposing:
    """One table's headings, taken for what they are one quantity after the other."""

    def __init__(
        self,
        sheet: Sheet,
        line: int,
        below: int,
        names: tuple[str, ...],
        given: Columns,
        labels: frozenset[str],
    ) -> None:
        self._sheet, self._line, self._below, self._names = sheet, line, below, names
        self._labels = labels
        self._columns = given
        self._rows = [row for _, row in islice(sheet.rows(), below, below + _LOOKED_AT)]
        self._settled = {*given.by_heading, *given.unused}
        self._guesses = {
            name: found
            for name in dict.fromkeys(names)
            if name and name not in self._settled and (found := guess(name)) is not None
        }
        self._doubts: list[Doubt] = []
        self._assumed: dict[str, tuple[float, float]] = {}

    def proposal(self) -> Proposal:
        """Take one quantity after the other."""
        self._coil()
        self._resistance()
        for quantity in ("probe", "voltage", "current", "time"):
            self._shared(quantity)
        lacking = self._columns.lacking()
        if lacking and not self._doubts:
            if "temperature" in lacking:
                self._doubts.append(Doubt("no column says the temperature: at how many degC were all read?"))
            elif self._names:
                shown = ", ".join(repr(name[:30]) for name in self._names[:8] if name)
                taken = self._columns.by_heading
                first = next((name for name in self._names if name and name not in taken), "HEADING")
                self._doubts.append(
                    Doubt(f"{lacking} among {shown}: which is it?", (((first, "resistance_ohm"),),))
                )
        unused = tuple(name for name in self._names if name and name not in self._columns.by_heading)
        return Proposal(
            self._sheet,
            self._line,
            self._below,
            self._names,
            self._columns,
            tuple(self._doubts),
            self._assumed,
            unused,
        )

    def _candidates(self, quantity: str) -> dict[str, Guess]:
        return {name: found for name, found in self._guesses.items() if found.quantity == quantity}

    def _take(self, name: str, what: Meaning) -> None:
        self._columns = self._columns.with_heading(name, what)

    def _choose(self, quantity: str, phrases: dict[str, tuple[str, ...]]) -> None:
        """Leave it to somebody which of several headings is meant; the others are unused then."""
        choices = tuple(
            ((name, phrase), *((other, "unused") for other in phrases if other != name))
            for name, its_own in phrases.items()
            for phrase in its_own
        )
        shown = ", ".join(repr(name[:40]) for name in list(phrases)[:6])
        self._doubts.append(Doubt(f"which of {shown} is {_CALLED[quantity]}?", choices))

    def _coil(self) -> None:
        if "coil" in self._columns.words():
            return
        found = self._candidates("coil")
        if len(found) == 1:
            self._take(next(iter(found)), Meaning("coil"))
        elif found:
            self._choose("coil", dict.fromkeys(found, ("coil",)))
        else:
            self._maybe_labels()

    def _maybe_labels(self) -> None:
        """Without labels all rows are one coil's: of a column that may tell them apart is asked."""
        for name in self._names:
            if not name or name in self._guesses or name in self._settled:
                continue
            cells = self._cells(name)
            labelled = bool(cells) and all(cell for cell in cells) and len(set(map(str, cells))) > 1
            texts = any(isinstance(cell, str) and self._number(cell) is None for cell in cells)
            times = any(clock_s(cell) is not None for cell in cells)
            if labelled and not times and (_LABELS.match(name) or (texts and not _NO_LABELS.search(name))):
                question = f"does column {name[:40]!r} say which coil a row is of?"
                self._doubts.append(Doubt(question, (((name, "coil"),), ((name, "unused"),))))

    def _resistance(self) -> None:
        if "resistance" in self._columns.words():
            return
        found = self._candidates("resistance")
        one_a_coil = "coil" not in self._columns.words()
        if not found:
            if one_a_coil and not (self._candidates("current") and self._candidates("voltage")):
                self._bare()
            return
        labels = {name: self._label(name, each) for name, each in found.items()}
        apart = [(labels[name] if one_a_coil else "", found[name].at_degC) for name in found]
        if len(set(apart)) < len(apart) or (len(apart) > 1 and ("", None) in apart):
            self._choose("resistance", {name: self._phrases(name, each) for name, each in found.items()})
            return
        for name, each in found.items():
            self._with_unit(name, each, labels[name] if one_a_coil else "")

    def _label(self, name: str, each: Guess) -> str:
        """Return the label of a coil that a heading of resistance holds; bare figures keep their word."""
        if _STATES.search(each.rest):
            return ""
        if each.rest.isdecimal():
            return re.sub(r"\s*[\[({].*", "", name).strip()
        return each.rest

    def _bare(self) -> None:
        """Take columns of figures under nothing but a label for one coil each, where that is known."""
        bare = [
            name
            for name in self._names
            if name
            and name not in self._guesses
            and name not in self._settled
            and self._number(name) is None  # else there are no headings at all
            and self._figures(name)
            and not _NO_LABELS.search(name)
            and not _LABELS.match(name)
        ][:_MOST_BARE]
        known = [name for name in bare if name in self._labels]
        if known:
            for name in known:
                self._with_unit(name, Guess("resistance", UNSAID), name)
        elif bare:
            shown = ", ".join(repr(name[:30]) for name in bare[:6]) + (", ..." if len(bare) > 6 else "")
            of = tuple((name, f"resistance_ohm of {name}") for name in bare)
            self._doubts.append(
                Doubt(f"no heading says resistance: are {shown} the ohms of a coil each?", (of,))
            )

    def _shared(self, quantity: str) -> None:
        """Take the one column of *quantity*, or one for each coil that has a column of resistance."""
        if quantity in self._columns.words():
            return
        coils = {what.coil for what in self._columns.by_heading.values() if what.coil}
        found = self._candidates(quantity)
        own = {name: each for name, each in found.items() if self._label(name, each) in coils}
        if own and len({self._label(*each) for each in own.items()}) == len(own):
            for name, each in own.items():
                self._with_unit(name, each, self._label(name, each))
            found = {name: each for name, each in found.items() if name not in own}
            if set(coils) <= {self._label(*each) for each in own.items()}:
                return
        if len(found) > 1:
            self._choose(quantity, {name: self._phrases(name, each) for name, each in found.items()})
        elif found:
            ((name, each),) = found.items()
            self._with_unit(name, each, "")

    def _phrases(self, name: str, each: Guess) -> tuple[str, ...]:
        """Return what a column may be: one phrase where heading or figures leave no doubt about the unit."""
        quantity = each.quantity
        if quantity == "time" and any(clock_s(cell) is not None for cell in self._cells(name)):
            return ("time_clock",)
        if each.unit == EITHER:
            return ("resistance_mohm", "resistance_Mohm")
        if each.unit != UNSAID:
            return (f"{quantity}_{each.unit}",)
        if quantity != "time" and _plausible(quantity, self._figures(name)):
            return (f"{quantity}_{_USUAL[quantity]}",)
        return _CHOICES[quantity]

    def _with_unit(self, name: str, each: Guess, coil: str) -> None:
        """Take a column of *coil*, '' if of any, unless there is a doubt about it."""
        phrases = self._phrases(name, each)
        meanings = [Meaning(phrase, coil, each.at_degC) for phrase in phrases]
        figures = self._figures(name)
        low, high = (min(figures), max(figures)) if figures else (0.0, 0.0)
        if len(meanings) > 1:
            question = (
                f"column {name[:40]!r} has no unit, and its figures are {low:g} to {high:g}: which is it?"
            )
            self._doubts.append(Doubt(question, tuple(((name, str(each)),) for each in meanings)))
        elif not each.sure:
            question = f"is column {name[:40]!r} {_CALLED[each.quantity]}?"
            self._doubts.append(Doubt(question, (((name, str(meanings[0])),), ((name, "unused"),))))
        else:
            self._take(name, meanings[0])
            if each.unit == UNSAID and phrases != ("time_clock",):
                self._assumed[name] = (low, high)

    def _cells(self, name: str) -> list[Cell]:
        at = self._names.index(name)
        return [row[at] if at < len(row) else "" for row in self._rows]

    def _number(self, cell: Cell) -> float | None:
        return parse_number(cell, comma=self._sheet.separator != ",")

    def _figures(self, name: str) -> list[float]:
        """Return the numbers of a column; none if it holds words that are no figures."""
        numbers = [
            self._number(cell) for cell in self._cells(name) if not (isinstance(cell, str) and not cell)
        ]
        if any(number is None for number in numbers):
            return []
        return [number for number in numbers if number is not None and abs(number) < 1e30]
