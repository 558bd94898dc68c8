"""Laws of a faulty winding: what is between its terminals, by temperature, time and chance."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .tables_physics import Law, Scene

Rng = np.random.Generator
Before = Callable[[Scene, list[int], Rng], None]
OPEN = math.inf


@dataclass
class Threshold(Law):
    """R is multiplied and added to above a temperature, until it is back below it by the hysteresis."""

    at_degC: float
    factor: float = 1.0
    add_ohm: float = 0.0
    hysteresis_K: float = 0.0
    on: bool = False

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        self.on = winding_degC > self.at_degC - (self.hysteresis_K if self.on else 0.0)
        return sound_ohm * self.factor + self.add_ohm if self.on else sound_ohm


@dataclass
class ColdOpen(Law):
    """Open while cold: expansion closes the crack."""

    below_degC: float

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        return OPEN if winding_degC < self.below_degC else sound_ohm


@dataclass
class Chance(Law):
    """Above a temperature a reading now and then finds something else: a dropout, a jump, a short."""

    rng: Rng
    above_degC: float
    share: float
    seen: Callable[[float, Rng], float]

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        if winding_degC > self.above_degC and self.rng.random() < self.share:
            return self.seen(sound_ohm, self.rng)
        return sound_ohm


@dataclass
class Series(Law):
    """Something in series whose resistance goes with temperature."""

    of: Callable[[float], float]

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        return sound_ohm + self.of(winding_degC)


@dataclass
class Parallel(Law):
    """Something across the winding whose resistance goes with temperature."""

    of: Callable[[float], float]

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        return 1 / (1 / sound_ohm + 1 / self.of(winding_degC))


@dataclass
class Creep(Law):
    """Grows with the time spent hot, and stays."""

    per_hour: float
    above_degC: float
    most: float = 1.0
    grown: float = 0.0
    last_s: float = 0.0

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        if winding_degC > self.above_degC:
            self.grown = min(self.grown + self.per_hour * max(time_s - self.last_s, 0) / 3600, self.most)
        self.last_s = time_s
        return sound_ohm * (1 + self.grown)


@dataclass
class Cycles(Law):
    """A joint that is worse by a fixed step after each time it was heated and cooled again."""

    step_ohm: float
    was_hot: bool = False
    times: int = 0

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        if winding_degC > 60:
            self.was_hot = True
        elif self.was_hot and winding_degC < 45:
            self.was_hot, self.times = False, self.times + 1
        return sound_ohm + self.step_ohm * self.times


@dataclass
class AfterTime(Law):
    """Multiplied (or open) once it has been above a temperature for a while; well again when cold."""

    above_degC: float
    wait_s: float
    factor: float
    since_s: float | None = None

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        if winding_degC < self.above_degC:
            self.since_s = None
            return sound_ohm
        if self.since_s is None:
            self.since_s = time_s
        return sound_ohm * self.factor if time_s - self.since_s > self.wait_s else sound_ohm


@dataclass
class Moist(Law):
    """Wet before the heat: a path across the winding that dries for good."""

    across_ohm: float
    dry: bool = False

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        self.dry = self.dry or winding_degC > 60
        return sound_ohm if self.dry else 1 / (1 / sound_ohm + 1 / self.across_ohm)


def put_law(make: Callable[[Scene, int, Rng], Law]) -> Before:
    """Give each faulty coil the law that `make` returns for it."""

    def put(the: Scene, which: list[int], rng: Rng) -> None:
        for i in which:
            the.coils[i].law = make(the, i, rng)

    return put


def threshold(low: float, high: float, **kw: float) -> Before:
    """Change the resistance above a random temperature."""
    return put_law(lambda the, i, rng: Threshold(rng.uniform(low, high), **kw))


def opens(low: float, high: float) -> Before:
    """Open above a random temperature, with a random hysteresis."""
    return put_law(
        lambda the, i, rng: Threshold(rng.uniform(low, high), factor=OPEN, hysteresis_K=rng.uniform(0, 8))
    )


def chance(share: float, seen: Callable[[float, Rng], float], above: float = 60.0) -> Before:
    """Find something else in a share of the hot readings."""
    return put_law(lambda the, i, rng: Chance(rng, above, share, seen))


def ntc(cold_ohm: float, beta_K: float) -> Callable[[float], float]:
    """Return a thermistor that falls: ohm at 20 degC and beta."""
    return lambda t: cold_ohm * math.exp(beta_K * (1 / (t + 273.15) - 1 / 293.15))


def ptc(start_degC: float, per_K: float) -> Callable[[float], float]:
    """Return 20 mohm that grow by `per_K` (exponentially) above a temperature."""
    return lambda t: 0.02 * math.exp(per_K * max(t - start_degC, 0.0))


def alpha(low: float, high: float) -> Before:
    """Make the wire another metal: all faulty coils with one coefficient."""

    def put(the: Scene, which: list[int], rng: Rng) -> None:
        alpha = rng.uniform(low, high)
        for i in which:
            the.coils[i].alpha_per_K = alpha

    return put


def parts(**share: float) -> Before:
    """Change a coil: `r20` multiplies its copper, `joint` is added."""

    def put(the: Scene, which: list[int], rng: Rng) -> None:
        for i in which:
            the.coils[i].r20_ohm *= share.get("r20", 1.0)
            the.coils[i].joint_ohm += share.get("joint", 0.0)

    return put
