"""What leads in a hand are doing, told from readings alone: in the air, touching, read, lifted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from statistics import median

from daq.instruments.number import Number

#: Quick readings must agree for so long, and be so many, before a contact counts as made; so many settled
#: ones that agree are then kept. What wobbles can stand still for a moment.
FIRM_S = 0.4
QUICK_READINGS, SETTLED_READINGS = 4, 3
#: Seconds in the air after which leads are lifted: wobbling, they are in the air at times too.
LIFT_S = 0.5
#: Seconds of contact without agreement after which it is told, and told again.
PATIENCE_S = 5.0


class Sign(Enum):
    """What a reading says that the one before did not."""

    NOTHING = "nothing new"
    TOUCHED = "the leads have touched something"
    TAKEN = "the contact is firm, and the settled readings agree"
    UNSTEADY = "touching for long, and the readings do not agree"
    LIFTED = "the leads are in the air again"


class LeadsAt(Enum):
    """Where the leads are."""

    AIR = "in the air"
    WOBBLING = "touching, not yet firm"
    FIRM = "touching, being read"
    READ = "read, and still touching"


@dataclass(frozen=True)
class Agreement:
    """How near readings of one contact must be to agree: within *ohm* + *rel* times their middle."""

    ohm: float
    rel: float

    def of(self, values: Sequence[float]) -> bool:
        """Whether all *values* agree."""
        return max(values) - min(values) <= self.ohm + self.rel * abs(median(values))


class Touch:
    """Follows the leads over one reading after another; never asks for the time or for a reading itself."""

    def __init__(self, agreement: Agreement) -> None:
        self._agreement = agreement
        self.place = LeadsAt.AIR
        #: Smallest and largest reading of this attempt, to tell how it wobbles.
        self.low_ohm = self.high_ohm = 0.0
        #: Readings in a row that agree so far, and the time of the first.
        self._values: list[float] = []
        self._first_s = 0.0
        self._touched_s = 0.0
        self._since_s: float | None = None

    @property
    def quick(self) -> bool:
        """Whether the next reading should be a quick one: only a firm contact is worth the long look."""
        return self.place is not LeadsAt.FIRM

    def add(self, reading: Number, time_s: float) -> Sign:
        """Take the reading made at *time_s*; a reading without a number is one in the air."""
        if reading.value is None:
            return self._in_the_air(time_s)
        self._touched_s = time_s
        if self.place is LeadsAt.READ:
            return Sign.NOTHING
        fresh = self.place is LeadsAt.AIR
        if fresh:
            self.place = LeadsAt.WOBBLING
        if self._since_s is None:
            self._since_s, self.low_ohm, self.high_ohm = time_s, reading.value, reading.value
        self.low_ohm, self.high_ohm = min(self.low_ohm, reading.value), max(self.high_ohm, reading.value)
        if self._firmer(reading.value, time_s):
            return Sign.TAKEN
        if time_s - self._since_s >= PATIENCE_S:
            self._since_s = time_s
            return Sign.UNSTEADY
        return Sign.TOUCHED if fresh else Sign.NOTHING

    def read_anew(self) -> None:
        """Look at the contact as if just made: the reading is wanted again, or for another coil."""
        if self.place is not LeadsAt.AIR:
            self._leave_for(LeadsAt.WOBBLING)

    def wait_for_lift(self) -> None:
        """Take no reading of this contact any more."""
        if self.place is not LeadsAt.AIR:
            self._leave_for(LeadsAt.READ)

    def _leave_for(self, place: LeadsAt) -> None:
        self.place, self._values, self._since_s = place, [], None

    def _firmer(self, ohm: float, time_s: float) -> bool:
        """Add a reading of a contact not yet read; return whether it is read now."""
        if self._values and not self._agreement.of([*self._values, ohm]):
            # It may be the first that agrees with what follows; a long look begins anew.
            self.place, self._values = LeadsAt.WOBBLING, []
        if not self._values:
            self._first_s = time_s
        self._values.append(ohm)
        if self.place is LeadsAt.FIRM:
            taken = len(self._values) == SETTLED_READINGS
            self.place = LeadsAt.READ if taken else LeadsAt.FIRM
            return taken
        if len(self._values) >= QUICK_READINGS and time_s - self._first_s >= FIRM_S:
            self.place, self._values = LeadsAt.FIRM, []
        return False

    def _in_the_air(self, time_s: float) -> Sign:
        if self.place is LeadsAt.AIR:
            return Sign.NOTHING
        if self.place is LeadsAt.FIRM:
            self.place = LeadsAt.WOBBLING
        self._values = []
        if time_s - self._touched_s < LIFT_S:
            return Sign.NOTHING
        self._leave_for(LeadsAt.AIR)
        return Sign.LIFTED
