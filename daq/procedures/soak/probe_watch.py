"""Probes watched during a run: one that comes off falls as no body can, one that slides parts from others.

Whether a probe is on its body is told by the winding, a thermometer of its own, and in shared heat by coils
that are as warm by theirs. One reading tells nothing, since a reply may be wrong by a digit.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from statistics import median

from analysis.words import Message, say

#: A probe that moves by more than this, and faster than an oven's air moves anything, while its winding moves
#: by less than half of it, is not on its body.
FALL_K, FALL_K_PER_s, FALL_S = 8.0, 0.25, 60.0
#: Looks in succession that say so.
FALL_LOOKS = 2
#: In an oven a probe may be this far off the middle one of the others, while its winding is with theirs.
APART_K, WITH_K = 10.0, 4.0
#: So many rounds in succession, and so many others at least.
APART_ROUNDS, OTHERS = 3, 2


class FallWatch:
    """Watches one probe for a fall; its rows are all of one state, with current or without.

    A body that is heated by its own winding rises while less power lets the winding fall towards it, and a
    probe that comes off such a body never rises: with *heats_itself* only falls of the probe count.
    """

    def __init__(self) -> None:
        self.heats_itself = False
        self._before: deque[tuple[float, float, float | None]] = deque()
        self._fallen = 0

    def see(self, time_s: float, probe_degC: float, winding_degC: float | None) -> Message | None:
        """Take a reading; return what happened once it is sure that the probe came off, else None."""
        for then_s, was_degC, wound_degC in self._before:
            moved_K = probe_degC - was_degC
            if winding_degC is None or wound_degC is None:
                continue  # without a second thermometer nobody can tell
            followed_K = winding_degC - wound_degC
            if self.heats_itself and moved_K > 0.0:
                continue
            fast = abs(moved_K) > max(FALL_K, FALL_K_PER_s * (time_s - then_s))
            along = followed_K * moved_K > 0.0 and abs(followed_K) >= 0.5 * abs(moved_K)
            if fast and not along:
                self._fallen += 1
                if self._fallen < FALL_LOOKS:
                    return None
                length_s = time_s - then_s
                return say("event.probe-fell", before=was_degC, after=probe_degC, length=length_s)
        self._fallen = 0
        self._before.append((time_s, probe_degC, winding_degC))
        while self._before[0][0] < time_s - FALL_S:
            self._before.popleft()
        return None


class Company:
    """Watches the probes of coils that share one heat, round after round."""

    def __init__(self) -> None:
        self._rounds: dict[str, int] = {}

    def apart(
        self, probes_degC: Mapping[str, float], windings_degC: Mapping[str, float]
    ) -> dict[str, Message]:
        """Return which probe is sure to have parted from its body, and how.

        One at a time, the furthest off: where only two others are, it pulls their middle its own way, and
        makes those look apart that are not.

        Args:
            probes_degC: What the probes of this round say, by coil.
            windings_degC: Where the windings are by their own resistance, by coil.
        """
        told = probes_degC.keys() & windings_degC.keys()
        found: dict[str, tuple[float, Message]] = {}
        for coil in sorted(told):
            others = sorted(told - {coil})
            if len(others) < OTHERS:
                return {}
            probe = median(probes_degC[each] for each in others)
            winding = median(windings_degC[each] for each in others)
            off_K, wound_K = probes_degC[coil] - probe, windings_degC[coil] - winding
            # A joint in series makes a winding read low by its share, so a part of the way is theirs.
            apart = abs(off_K) > APART_K and abs(wound_K) < max(WITH_K, 0.3 * abs(off_K))
            self._rounds[coil] = self._rounds.get(coil, 0) + 1 if apart else 0
            if self._rounds[coil] >= APART_ROUNDS:
                own = probes_degC[coil]
                text = say("event.probe-apart", probe=own, others=probe, winding=windings_degC[coil])
                found[coil] = abs(off_K), text
        furthest = max(found, key=lambda coil: found[coil][0], default=None)
        return {} if furthest is None else {furthest: found[furthest][1]}
