"""The meter's leads in a hand: what the person is shown and presses, where the leads are, their null."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from analysis.model import MOST_LEADS_OHM
from daq.instruments.number import Number
from daq.procedures.procedure import Procedure
from daq.procedures.sweep.contact import Agreement, LeadsAt, Sign, Touch

#: Leads that touch nothing for so long are nobody's, and the sweep ends by itself.
UNTOUCHED_S = 600.0
#: Rings of the bell: good; look again; no reading, look at the leads.
GOOD, LOOK_AGAIN, TROUBLE = 1, 2, 3
#: Keys; the numbers 1 to 9 are coils, and any other key, or foot switch, means: read again.
BACK, SKIP, OPEN = "b", "s", "o"
NUMBERS = tuple("123456789")
#: What stands in the place of a label before the first coil and behind the last.
TIPS, DONE = "tips", "done"


@dataclass(frozen=True)
class Shown:
    """What the person sees of one coil: its figures as text, a word, and whether all is well."""

    ohm: str
    r20: str
    word: str
    good: bool


class Desk(Protocol):
    """Screen, bell and keyboard of a sweep without questions."""

    def due(self, coil: str, what: str, *, urgent: bool = False, value: str = "") -> None:
        """Show *coil* large, the *value* it has just read beside it, and *what* is to be done."""
        ...

    def result(self, coil: str, read: Shown | None) -> None:
        """Show what *coil* read, or that it has no reading any more."""
        ...

    def ring(self, times: int) -> None:
        """Sound the bell so often that it can be counted."""
        ...

    def key(self) -> str:
        """Return the next key pressed since last asked, '' for none; never waits."""
        ...


class LeadsInHand:
    """Where the leads are, by the meter; the readings of a firm contact with the time of each."""

    def __init__(self, procedure: Procedure, agreement: Agreement) -> None:
        self._procedure = procedure
        self.touch = Touch(agreement)
        self.settled: list[tuple[float, Number]] = []
        self._since_s = procedure.now()

    @property
    def in_the_air(self) -> bool:
        """Whether the leads touch nothing."""
        return self.touch.place is LeadsAt.AIR

    def look(self, coil: str) -> Sign:
        """Take the next reading, for *coil* in messages, and say what it tells."""
        long_look = not self.touch.quick
        taken = self.take(coil, quick=not long_look)
        sign = self.touch.add(taken[1], self._procedure.now())
        firm = long_look and (sign is Sign.TAKEN or not self.touch.quick)
        self.settled = [*self.settled, taken] if firm else []
        if not self.in_the_air or sign is Sign.LIFTED:
            self.noticed()
        return sign

    def take(self, coil: str, *, quick: bool = False) -> tuple[float, Number]:
        """Return one reading with the time of its middle."""
        before_s = self._procedure.now()
        reading = self._procedure.bench.resistance(coil, quick=quick)
        return (before_s + self._procedure.now()) / 2.0, reading

    def mean_ohm(self) -> float:
        """Return the mean of the settled readings."""
        values = [reading.value for _, reading in self.settled if reading.value is not None]
        return sum(values) / len(values)

    def noticed(self) -> None:
        """Somebody is there: a key was pressed, or the leads touched something."""
        self._since_s = self._procedure.now()

    def idle_s(self) -> float:
        """Return how long nothing has been touched and nobody noticed."""
        return self._procedure.now() - self._since_s

    def wobble(self) -> str:
        """Say between which figures the contact wobbles."""
        return f"{self.touch.low_ohm:.3g} to {self.touch.high_ohm:.3g} ohm"


def null_by_touch(procedure: Procedure, leads: LeadsInHand, desk: Desk) -> None:
    """Have the tips held together, and take what they read off each reading; a key leaves it out."""
    desk.due(TIPS, "hold the two tips together")
    procedure.bench.hand.put_on("")
    doubted = False
    while True:
        if desk.key().lower() == SKIP or leads.idle_s() > UNTOUCHED_S:
            procedure.take_leads(None)
            leads.touch.wait_for_lift()
            return
        sign = leads.look(TIPS)
        if sign is Sign.UNSTEADY:
            desk.due(TIPS, f"no firm contact, {leads.wobble()}: press harder", urgent=True)
            desk.ring(TROUBLE)
        if sign is not Sign.TAKEN:
            continue
        ohm = leads.mean_ohm()
        if ohm <= MOST_LEADS_OHM or doubted:
            break
        doubted = True
        again = f"{ohm:.2f} ohm is much for leads: lift, and hold the tips together again"
        desk.due(TIPS, again, urgent=True)
        desk.ring(LOOK_AGAIN)
        procedure.bench.hand.put_on("")
    procedure.take_leads(Number(ohm, "ok"))
    desk.due(TIPS, f"{ohm:.3f} ohm, taken off each reading: let go")
    desk.ring(GOOD)
    procedure.bench.hand.lift()
