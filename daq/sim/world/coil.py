"""One coil as a resistor with a history: copper law, joint, shorted turns, opens, dropouts, drift."""

from __future__ import annotations

import math

import numpy as np

from daq.sim.faults import CoilPart, Kind

#: Dropouts grow no further above this many times their rate at the reference temperature.
_RATE_CEILING = 2.0


def copper_factor(winding_degC: float, alpha20_per_K: float) -> float:
    """Return the resistance of copper at *winding_degC* over that at 20 degC."""
    return 1.0 + alpha20_per_K * (winding_degC - 20.0)


class Coil:
    """The electrical side of one coil. The winding temperature is given, never kept."""

    def __init__(self, part: CoilPart, kind: Kind, rng: np.random.Generator) -> None:
        self.label = part.label
        self.kind = part.kind
        self.probe = part.probe
        self.probe_fault = part.probe_fault
        self.probe_offset_K = part.probe_offset_K
        self.probe_on = part.probe_on or part.label
        #: Across it, and only where it can conduct: no ohmmeter's millivolts open it.
        self.diode = part.diode if part.diode is not None and part.diode.leads_swapped else None
        spread = 1.0 + kind.spread_rel * float(np.clip(rng.standard_normal(), -2.0, 2.0))
        whole_ohm = kind.copper_ohm * spread if part.copper_ohm is None else part.copper_ohm
        #: Copper at 20 degC as it left the bench builder, shorted turns already gone, drift not yet come.
        self.copper_ohm = whole_ohm * (1.0 - part.shorted_share)
        self.joint_ohm = kind.joint_ohm if part.joint_ohm is None else part.joint_ohm
        self.drift_rel = 0.0
        self.energy_J = 0.0
        self.heat_opened = False
        self.hot_shorted = False
        self.dropped = False
        #: When the coil went open and closed again (monotonic seconds); the last may be unfinished.
        self.opens_s: list[list[float]] = []
        self.next_event_s = math.inf
        self._alpha20_per_K = kind.alpha20_per_K
        self._leakage_ohm = kind.leakage_ohm if part.leakage_ohm is None else part.leakage_ohm
        self._leakage_halving_K = kind.leakage_halving_K
        self._heat_open = part.heat_open
        self._hot_short = part.hot_short
        self._dropouts = part.dropouts
        self._drift = part.drift
        self._rng = rng
        self._reference_per_s = 0.0
        if part.dropouts is not None:
            share = part.dropouts.open_share
            self._reference_per_s = share / (1.0 - share) / part.dropouts.mean_open_s

    @property
    def is_open(self) -> bool:
        """Whether no current can pass at this moment."""
        return self.heat_opened or self.dropped

    @property
    def heat_sensitive(self) -> bool:
        """Whether the coil must be looked at while its temperature changes."""
        return any(fault is not None for fault in (self._heat_open, self._hot_short, self._drift))

    def copper_at(self, winding_degC: float) -> float:
        """Return the resistance of the winding alone, in ohms."""
        turns = 1.0 - self._hot_short.share if self._hot_short is not None and self.hot_shorted else 1.0
        grown = turns * (1.0 + self.drift_rel)
        return self.copper_ohm * grown * copper_factor(winding_degC, self._alpha20_per_K)

    def resistance_at(self, winding_degC: float) -> float:
        """Return the resistance between the terminals in ohms while the coil is not open."""
        return self.copper_at(winding_degC) + self.joint_ohm

    def leakage_at(self, winding_degC: float) -> float:
        """Return the resistance from winding to body in ohms; insulation leaks more when hot."""
        return self._leakage_ohm * math.exp2((20.0 - winding_degC) / self._leakage_halving_K)

    def start(self, now_s: float) -> None:
        """Draw the first possible dropout."""
        if self._reference_per_s > 0.0:
            self.next_event_s = now_s + self._wait_s()

    def age(self, now_s: float, dt_s: float, winding_degC: float) -> None:
        """Let *dt_s* at *winding_degC*, ending now, leave its mark."""
        drift = self._drift
        if drift is not None and winding_degC > drift.above_degC:
            self.drift_rel += drift.rate_rel_per_h * dt_s / 3600.0
        short = self._hot_short
        if short is not None and winding_degC > short.shorts_above_degC:
            self.hot_shorted = True
        elif short is not None and winding_degC < short.parts_below_degC:
            self.hot_shorted = False
        hot = self._heat_open
        if hot is None:
            return
        was_open = self.is_open
        if winding_degC > hot.opens_above_degC:
            self.heat_opened = True
        elif winding_degC < hot.closes_below_degC:
            self.heat_opened = False
        self._log(now_s, was_open=was_open)

    def telegraph(self, winding_degC: float) -> None:
        """Let the event due at :attr:`next_event_s` happen, and draw the next.

        The process is thinned: possible openings come at the ceiling rate, each happens with the
        ratio of the rate at *winding_degC* to the ceiling. So the times are exact for any
        temperature history, however the bench is stepped.
        """
        now_s = self.next_event_s
        was_open = self.is_open
        if self.dropped:
            self.dropped = False
            self.next_event_s = now_s + self._wait_s()
        elif self._rng.random() * _RATE_CEILING < self._rate_share(winding_degC):
            self.dropped = True
            mean_open_s = self._dropouts.mean_open_s if self._dropouts is not None else 0.0
            self.next_event_s = now_s + mean_open_s * float(self._rng.standard_exponential())
        else:
            self.next_event_s = now_s + self._wait_s()
        self._log(now_s, was_open=was_open)

    def open_share(self, from_s: float, to_s: float) -> float:
        """Return which part of the window the coil was open in, 0 to 1."""
        if to_s <= from_s:
            return 1.0 if self.is_open else 0.0
        open_s = 0.0
        for began_s, ended_s in reversed(self.opens_s):
            if ended_s <= from_s:
                break
            open_s += max(0.0, min(ended_s, to_s) - max(began_s, from_s))
        return min(1.0, open_s / (to_s - from_s))

    def _wait_s(self) -> float:
        return float(self._rng.standard_exponential()) / (_RATE_CEILING * self._reference_per_s)

    def _rate_share(self, winding_degC: float) -> float:
        drops = self._dropouts
        if drops is None:
            return 0.0
        share = (winding_degC - drops.onset_degC) / (drops.reference_degC - drops.onset_degC)
        return min(max(share, 0.0), _RATE_CEILING)

    def _log(self, now_s: float, *, was_open: bool) -> None:
        if self.is_open and not was_open:
            self.opens_s.append([now_s, math.inf])
        elif was_open and not self.is_open:
            self.opens_s[-1][1] = now_s
