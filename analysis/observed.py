"""What a person saw of a coil, or did to it, that no meter tells: closed lists, and words beside them."""

from __future__ import annotations

from dataclasses import dataclass

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
