"""The meter's word against the supply's: a coil that is off shows no voltage, whatever the supply says."""

from __future__ import annotations

import math
from collections.abc import Callable

from daq.clock import Clock
from daq.errors import LinkError, ReadbackError, ReplyError
from daq.instruments.haste import Haste
from daq.instruments.number import Number

#: Below this a coil carries nothing that could hurt a contact: a few hundredths of an ampere into some ohms,
#: and far above what leads and contacts of different metals show.
GONE_V = 0.1
#: Behind an open coil the supply's capacitor is left: by then this share of what it held at first has to go.
GONE_WITHIN_S, FALLEN = 3.0, 0.9
_AGAIN_S = 0.02
#: Readings without a value before the meter counts as blind.
_BLIND = 3


class SeenOff:
    """The meter as it stands across the coil that was driven; *across* None: no meter does.

    What it could not see is owed, and asked for before a contact moves: :attr:`owed`.
    """

    def __init__(self, across: Callable[[], Number] | None, clock: Clock, haste: Haste) -> None:
        self._across = across
        self._clock = clock
        self._haste = haste
        #: Whether a coil was switched off and the meter was not to be had to see it.
        self.owed = False
        #: Whether the meter saw a voltage where the supply said that there was none.
        self.caught = False
        #: Whether the supply's contacts were opened under current: the meter sees nothing of the supply then.
        self.path_open = False
        #: Whether the coil driven last was open: only behind an open coil a capacitor keeps its voltage.
        self.behind_open = False

    def owe(self) -> None:
        """Take somebody else's word for it that a coil is off; the meter is to see it too."""
        self.owed = self._across is not None

    def look(self) -> None:
        """See that the voltage has gone; a meter that does not answer at once is asked again later.

        Raises:
            ReadbackError: The coil still shows a voltage.
            LinkError: The meter does not answer, and has seen a voltage after the supply said off.
            ReplyError: The same, and it answers nonsense.
        """
        self._haste.on = True
        try:
            self.require()
        except (LinkError, ReplyError):
            if self.caught:
                raise  # a lie that was seen is not over because nobody looks
            self.owe()
        finally:
            self._haste.on = False

    def require(self) -> None:
        """See that the voltage has gone.

        Raises:
            ReadbackError: The coil still shows a voltage.
            LinkError: The meter does not answer.
            ReplyError: It answers nonsense.
        """
        if self._across is None:
            return
        if self.path_open and self.caught:
            raise ReadbackError(
                "supply: has said that it is off while it was not, and its contacts are open, so the meter "
                "cannot see whether it is now"
            )
        deadline_s = self._clock.monotonic() + GONE_WITHIN_S
        first_V, blind = math.inf, 0
        while True:
            seen_V = _volts(self._across())
            late = self._clock.monotonic() > deadline_s
            if seen_V is None:
                blind += 1
                if blind >= _BLIND:
                    raise ReplyError("meter: gives no voltage of the coil that was switched off")
                continue
            first_V = seen_V if first_V == math.inf else first_V
            emptied = self.behind_open and first_V < math.inf and seen_V < FALLEN * first_V
            if seen_V < GONE_V or (late and emptied):
                self.owed = self.caught = False
                return
            if late:
                self.caught = True
                raise ReadbackError(
                    f"supply: says that it is off, and the meter sees {_told(seen_V)} across the coil "
                    f"{GONE_WITHIN_S:g} s later"
                )
            self._clock.sleep(_AGAIN_S)


def _volts(reading: Number) -> float | None:
    if reading.value is not None:
        return abs(reading.value)
    return math.inf if reading.status == "open or over range" else None


def _told(volts: float) -> str:
    return "more than it can show" if volts == math.inf else f"{volts:.2f} V"
