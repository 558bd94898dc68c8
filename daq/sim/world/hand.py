"""A hand at the simulated bench: it holds the meter's leads, and goes where it is told after a while."""

from __future__ import annotations

import numpy as np

from daq.clock import Clock
from daq.sim.faults import Hand
from daq.sim.world.wiring import Harness

#: A contact that is not yet firm stays for a moment, in the mean, open or adding something.
_MOMENT_S = 0.15
_OPEN_SHARE = 0.35
_WOBBLE_OHM = 3.0


class SimHand:
    """Puts the leads on one coil after another, never at once and not firmly at first.

    It looks at the bench's clock only: told where to go, it is under way for a while, touches, wobbles,
    and then holds still until it is told to lift.
    """

    def __init__(self, clock: Clock, harness: Harness, hand: Hand, rng: np.random.Generator) -> None:
        self._clock = clock
        self._harness = harness
        self._hand = hand
        self._rng = rng
        self._mistakes = dict(hand.mistakes)
        self._index = {label: index for index, label in enumerate(harness.labels)}
        #: Where the leads go: a coil's index, or None for tip to tip.
        self._target: int | None = None
        self._touches_s = self._firm_s = self._lifts_s = np.inf
        self._firm_ohm = 0.0
        #: Until when the wobble stays as it is: in contact or not, and with what resistance.
        self._stays_s = -np.inf
        self._wobbles = False, 0.0

    def put_on(self, coil: str) -> None:
        """Go to *coil*, or hold the tips together where it is ''; a label the bench has not is not found."""
        now_s = self._clock.monotonic()
        if coil and coil not in self._index:
            return
        self._target = self._index.get(self._mistakes.pop(coil, coil))
        self._touches_s = now_s + self._hand.reaction_s + self._hand.reach_s
        self._firm_s = self._touches_s + self._hand.wobbles_s.get(coil, self._hand.wobble_s)
        self._firm_ohm = self._hand.firm_ohm * float(self._rng.uniform(0.0, 1.0))
        self._lifts_s = np.inf

    def lift(self) -> None:
        """Take the leads off after a moment."""
        self._lifts_s = self._clock.monotonic() + self._hand.reaction_s

    def hold(self, now_s: float) -> None:
        """Bring the leads to where they are at *now_s*."""
        touching = self._touches_s <= now_s < self._lifts_s
        ohm = self._firm_ohm
        if touching and now_s < self._firm_s:
            if now_s >= self._stays_s:
                self._stays_s = now_s + float(self._rng.exponential(_MOMENT_S))
                on = float(self._rng.random()) >= _OPEN_SHARE
                self._wobbles = on, float(self._rng.exponential(_WOBBLE_OHM))
            touching, ohm = self._wobbles
        self._harness.hold(
            self._target if touching else None, shorted=touching and self._target is None, contact_ohm=ohm
        )
