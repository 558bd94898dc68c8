"""What a person saw of a coil, or did to it, that no meter tells: closed lists, and words beside them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from analysis.words import Message, say

#: What was found, by what it was found of; and what was done.
FINDINGS = {
    "plunger": ("free", "slow to return", "stuck"),
    "debris": ("none", "fine metal", "plastic"),
    "contact": ("sound", "corroded"),
    "o-ring": ("sound", "damaged"),
}
DONE, NOTE = "done", "note"
ACTIONS = ("washed", "contact cleaned", "demagnetised", "replaced")
DEMAGNETISED, REPLACED = "demagnetised", "replaced"


@dataclass(frozen=True)
class Observation:
    """One thing seen or done.

    Attributes:
        coil: Label of the coil.
        item: A key of :data:`FINDINGS`, ``done``, or ``note``.
        found: What was found, from the list of *item*; the action of ``done``; empty for a note.
        text: Whatever else there is to say.
        utc: When it was noted, as it stands on record.
        operator: Who noted it.
    """

    coil: str
    item: str
    found: str
    text: str = ""
    utc: str = ""
    operator: str = ""


def told(observation: Observation) -> Message:
    """Return an observation in words."""
    each = observation
    if each.item == NOTE:
        return say("observed.note", text=each.text)
    what = say(f"found.{each.found}")
    said = what if each.item == DONE else say("observed.found", item=say(f"seen.{each.item}"), found=what)
    return say("observed.with-text", what=said, text=each.text) if each.text else said


def gathered(seen: Iterable[Observation]) -> list[tuple[tuple[str, ...], tuple[Message, ...], str, str]]:
    """Return coils, what was noted of them alike, when and by whom, in the order of the notes."""
    by_coil: dict[tuple[str, str, str], list[Message]] = {}
    for each in seen:
        by_coil.setdefault((each.coil, each.utc, each.operator), []).append(told(each))
    alike: dict[tuple[tuple[Message, ...], str, str], list[str]] = {}
    for (coil, utc, operator), what in by_coil.items():
        alike.setdefault((tuple(what), utc, operator), []).append(coil)
    return [(tuple(coils), what, utc, operator) for (what, utc, operator), coils in alike.items()]
