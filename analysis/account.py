"""What became of every row of a coil: used, explained, or counted against it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class Place(StrEnum):
    """Where a row of the record went."""

    USED = "used"  # at rest or in a fit of the whole trace: behind the figures
    TRAILING = "trailing"  # on the move, as the figures say
    POWERED = "powered"  # under current, as the figures say
    SWITCHING = "switching"  # an instant at which current was switched: no reading
    GAP = "gap"  # no reading, but others beside it at the same temperature
    SLIP = "slip"  # one reading that those before and after it do not bear out
    OPEN = "open"
    LOW = "low"
    HIGH = "high"
    POWERED_LOW = "powered-low"
    POWERED_HIGH = "powered-high"
    LACKING = "lacking"  # under current, and no resistance came of it
    BLANK = "blank"  # no reading where the coil was not read nearby
    UNPLACED = "unplaced"  # nothing to hold it against


#: What speaks against a coil; a row in any other place is used or explained.
AGAINST = (
    Place.OPEN,
    Place.LOW,
    Place.HIGH,
    Place.POWERED_LOW,
    Place.POWERED_HIGH,
    Place.LACKING,
    Place.BLANK,
    Place.UNPLACED,
)


@dataclass(frozen=True)
class Account:
    """How many rows of one coil went where; every row is in one of the three.

    Attributes:
        rows: All rows.
        used: Those behind the figures.
        explained: Others that are as they should be, by :class:`Place`.
        against: Those that are not, by :class:`Place`.
        against_degC: Lowest and highest temperature of the probe at those; None where there is none.
    """

    rows: int = 0
    used: int = 0
    explained: Mapping[str, int] = field(default_factory=dict)
    against: Mapping[str, int] = field(default_factory=dict)
    against_degC: tuple[float, float] | None = None

    @property
    def speaks_against(self) -> int:
        """How many rows speak against the coil."""
        return sum(self.against.values())
