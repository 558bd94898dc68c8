"""What can be wrong with a coil, its connector and its insulation: each fault changes a true resistance.

A fault sees the winding's mean temperature, the body's, the time, the current, and whether the supply drives
the coil. Faults of the bench are switches on the instruments (``instruments.py``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass
class State:
    """What a fault sees of its coil at a moment."""

    now_s: float
    dt_s: float
    winding_degC: float
    body_degC: float
    current_A: float
    driven: bool
    rng: np.random.Generator


class Fault:
    """Nothing wrong: the base of all faults."""

    def copper(self, ohm: float, state: State) -> float:
        """Return what the winding itself becomes, in ohm."""
        return ohm

    def joint(self, ohm: float, state: State) -> float:
        """Return what all in series with the winding becomes, in ohm; infinite is open."""
        return ohm

    def leak(self, ohm: float, state: State) -> float:
        """Return the insulation from winding to body, in ohm."""
        return ohm

    def step(self, state: State) -> None:
        """Let ``state.dt_s`` pass."""


@dataclass
class OpensAbove(Fault):
    """Opens above a temperature and closes again below another."""

    open_degC: float
    close_degC: float
    is_open: bool = False

    def step(self, state: State) -> None:
        if state.winding_degC > self.open_degC:
            self.is_open = True
        elif state.winding_degC < self.close_degC:
            self.is_open = False

    def joint(self, ohm: float, state: State) -> float:
        return math.inf if self.is_open else ohm


@dataclass
class OpensAfterTimeHot(OpensAbove):
    """Opens only after *soak_s* above the temperature."""

    soak_s: float = 240.0
    hot_s: float = 0.0

    def step(self, state: State) -> None:
        self.hot_s = self.hot_s + state.dt_s if state.winding_degC > self.open_degC else 0.0
        if self.hot_s > self.soak_s:
            self.is_open = True
        elif state.winding_degC < self.close_degC:
            self.is_open = False


@dataclass
class OpensOnCooling(Fault):
    """Holds while it is heated and opens on the way down, between two temperatures."""

    below_degC: float
    above_degC: float
    was_hot: bool = False

    def step(self, state: State) -> None:
        self.was_hot = self.was_hot or state.winding_degC > self.below_degC + 10.0

    def joint(self, ohm: float, state: State) -> float:
        return math.inf if self.was_hot and self.above_degC < state.winding_degC < self.below_degC else ohm


@dataclass
class Dropouts(Fault):
    """Loses contact at random moments above a temperature."""

    above_degC: float
    every_s: float
    mean_s: float
    until_s: float = -1.0
    only_driven: bool = False

    def step(self, state: State) -> None:
        able = state.winding_degC > self.above_degC and (state.driven or not self.only_driven)
        if able and state.now_s > self.until_s and state.rng.random() < state.dt_s / self.every_s:
            self.until_s = state.now_s + float(state.rng.exponential(self.mean_s))

    def joint(self, ohm: float, state: State) -> float:
        lost = state.now_s < self.until_s and (state.driven or not self.only_driven)
        return math.inf if lost else ohm


@dataclass
class BadJoint(Fault):
    """A joint that is too high, and perhaps grows above a temperature."""

    ohm: float
    grows_above_degC: float = 1000.0
    ohm_per_K: float = 0.0

    def joint(self, ohm: float, state: State) -> float:
        return ohm + self.ohm + self.ohm_per_K * max(state.body_degC - self.grows_above_degC, 0.0)


@dataclass
class FilmJoint(Fault):
    """An oxide film: resistance at the meter's milliampere, none once a real current has broken it down."""

    ohm: float

    def joint(self, ohm: float, state: State) -> float:
        return ohm if state.driven else ohm + self.ohm


@dataclass
class ThinStrand(Fault):
    """A strand that carries the meter's current; under drive it heats and its resistance runs up."""

    ohm_per_A2: float

    def joint(self, ohm: float, state: State) -> float:
        return ohm + (self.ohm_per_A2 * state.current_A**2 if state.driven else 0.0)


@dataclass
class TurnsShorted(Fault):
    """A share of the turns is shorted, always or only above a temperature (with 3 K of hysteresis)."""

    share: float
    above_degC: float = -1000.0
    shorted: bool = False

    def step(self, state: State) -> None:
        if state.winding_degC > self.above_degC:
            self.shorted = True
        elif state.winding_degC < self.above_degC - 3.0:
            self.shorted = False

    def copper(self, ohm: float, state: State) -> float:
        return ohm * (1.0 - self.share) if self.shorted else ohm


@dataclass
class StrandOpens(Fault):
    """One of two parallel wires opens above a temperature: the winding's resistance rises by a half."""

    above_degC: float
    factor: float = 1.5

    def copper(self, ohm: float, state: State) -> float:
        return ohm * self.factor if state.winding_degC > self.above_degC else ohm


@dataclass
class TurnsShortDriven(Fault):
    """Turns that short only under the pull of the drive."""

    share: float

    def copper(self, ohm: float, state: State) -> float:
        return ohm * (1.0 - self.share) if state.driven else ohm


@dataclass
class Drift(Fault):
    """The winding's resistance creeps up above a temperature and stays there."""

    rel_per_hour: float
    above_degC: float = 60.0
    crept: float = 0.0

    def step(self, state: State) -> None:
        if state.winding_degC > self.above_degC:
            self.crept += self.rel_per_hour * state.dt_s / 3600.0

    def copper(self, ohm: float, state: State) -> float:
        return ohm * (1.0 + self.crept)


@dataclass
class Insulation(Fault):
    """A path from winding to body, always or only above a temperature."""

    ohm: float
    above_degC: float = -1000.0

    def leak(self, ohm: float, state: State) -> float:
        return min(ohm, self.ohm) if state.winding_degC > self.above_degC else ohm


@dataclass
class Thermistor(Fault):
    """A thermistor in the connector, in series: falling (beta > 0) or rising (beta < 0) with temperature."""

    r25_ohm: float
    beta_K: float

    def joint(self, ohm: float, state: State) -> float:
        kelvin = state.body_degC + 273.15
        return ohm + self.r25_ohm * math.exp(self.beta_K * (1.0 / kelvin - 1.0 / 298.15))


@dataclass
class PolySwitch(Fault):
    """A resettable fuse in the connector: its resistance steps up above a temperature."""

    ohm: float
    above_degC: float

    def joint(self, ohm: float, state: State) -> float:
        return ohm + self.ohm / (1.0 + math.exp((self.above_degC - state.body_degC) / 1.5))


@dataclass
class Diode(Fault):
    """A diode across the coil: *forward* conducts when driven; the ohmmeter's millivolts do not wake it."""

    forward: bool
    knee_V: float = 0.72
    series_ohm: float = 0.03


@dataclass
class Parallel(Fault):
    """A resistor across the terminals, perhaps only above a temperature (carbon, wet oil)."""

    ohm: float
    above_degC: float = -1000.0
