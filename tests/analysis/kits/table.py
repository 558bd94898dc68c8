"""Tables as a logger or a hand writes them, of coils whose truth is known; the physics is written out here.

Air goes up by steps and back, the body follows it, winding and probe follow the body, each with a time
constant of its own. Nothing of the program's formulas is used. Every coil is invented.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.model import OK, OVER_RANGE, Trace

Array = NDArray[np.float64]
#: What a fault makes of ohms, given the winding's temperature, both of shape (n,) in time order.
Fault = Callable[[Array, Array], Array]

STEPS_DEGC = (50.0, 70.0, 90.0)
RATE_K_PER_S, BODY_S, WINDING_S, PROBE_S = 7.0 / 60.0, 200.0, 18.0, 8.0


@dataclass(frozen=True)
class Part:
    """One coil: copper at 20 degC and joint in ohms, its wire's coefficient, and what is wrong with it."""

    label: str
    copper_ohm: float = 3.3
    joint_ohm: float = 0.01
    alpha20_per_K: float = 0.00393
    fault: Fault | None = None

    def ohm(self, winding_degC: Array) -> Array:
        """Return its resistance at these temperatures, shape (n,), in the order in which they came."""
        sound = self.copper_ohm * (1.0 + self.alpha20_per_K * (winding_degC - 20.0)) + self.joint_ohm
        return sound if self.fault is None else self.fault(sound, winding_degC)


@dataclass(frozen=True)
class Logger:
    """How a table is taken: noise of meter and probe (the meter's also when hot), digits, gaps, rows."""

    noise_ohm: float = 0.001
    noise_hot_ohm: float | None = None
    noise_K: float = 0.05
    digit_ohm: float = 0.0001
    gaps: float = 0.0
    every_s: float = 15.0
    hold_s: float = 1500.0
    probe_K: float = 0.2
    probe_gain_rel: float = 0.002
    steps_degC: tuple[float, ...] = STEPS_DEGC
    ambient_degC: float = 22.0
    outliers: int = 0


def drops(share: float, above_degC: float, hysteresis_K: float = 6.0) -> Fault:
    """Return turns that short above a temperature and part again below a lower one (negative: it rises)."""

    def fault(ohm: Array, winding_degC: Array) -> Array:
        on, states = False, np.zeros(ohm.size, dtype=bool)
        for at, degC in enumerate(winding_degC):
            on = degC > above_degC - (hysteresis_K if on else 0.0)
            states[at] = on
        return np.where(states, ohm * (1.0 - share), ohm)

    return fault


def compensated(r25_ohm: float, beta_K: float = 3500.0) -> Fault:
    """Return a thermistor in parallel: its resistance falls with exp(B/T)."""

    def fault(ohm: Array, winding_degC: Array) -> Array:
        ntc = r25_ohm * np.exp(beta_K * (1.0 / (winding_degC + 273.15) - 1.0 / 298.15))
        return ohm * ntc / (ohm + ntc)

    return fault


def in_series(r25_ohm: float, beta_K: float = 3500.0) -> Fault:
    """Return a thermistor in series."""

    def fault(ohm: Array, winding_degC: Array) -> Array:
        return ohm + r25_ohm * np.exp(beta_K * (1.0 / (winding_degC + 273.15) - 1.0 / 298.15))

    return fault


def grows(ohm_at_90: float, from_degC: float = 40.0) -> Fault:
    """Return a joint that grows with temperature, by and by, and shrinks again."""

    def fault(ohm: Array, winding_degC: Array) -> Array:
        return ohm + ohm_at_90 * np.clip((winding_degC - from_degC) / (90.0 - from_degC), 0.0, None) ** 2

    return fault


def drops_out(share: float, above_degC: float, rng: np.random.Generator) -> Fault:
    """Return a contact lost within some of the warm readings: they come out some ohms high, or open."""

    def fault(ohm: Array, winding_degC: Array) -> Array:
        lost = (winding_degC > above_degC) & (rng.random(ohm.size) < share)
        return np.where(lost, np.where(rng.random(ohm.size) < 0.5, np.inf, ohm + rng.uniform(0.5, 80.0)), ohm)

    return fault


def follow(driving: Array, tau_s: float) -> Array:
    """Return what follows *driving*, a value a second, with a time constant, from its first value on."""
    out, now, share = np.empty_like(driving), float(driving[0]), 1.0 - np.exp(-1.0 / tau_s)
    for at, value in enumerate(driving):
        now += share * (float(value) - now)
        out[at] = now
    return out


def heat(logger: Logger) -> tuple[Array, Array, Array]:
    """Return time and true temperatures of body and winding, a value a second, shape (n,) each."""
    cold, hold = logger.ambient_degC, int(logger.hold_s)
    pieces, now = [np.full(300, cold)], cold
    for step in logger.steps_degC:
        rise = np.arange(now, step, RATE_K_PER_S)
        pieces += [rise, np.full(hold, step)]
        now = step
    away = np.arange(5400.0)
    pieces.append(cold + (now - cold) * np.exp(-away / 300.0))
    body = follow(np.concatenate(pieces), BODY_S)
    return np.arange(body.size, dtype=float), body, follow(body, WINDING_S)


_HEATS: dict[Logger, tuple[Array, Array, Array, Array]] = {}


def timed(parts: Sequence[Part], logger: Logger, rng: np.random.Generator) -> list[Trace]:
    """Return what a logger writes down of a soak, a row a coil every *every_s*."""
    plain = replace(
        logger, noise_ohm=0.0, noise_hot_ohm=None, noise_K=0.0, digit_ohm=1.0, gaps=0.0, outliers=0
    )
    if plain not in _HEATS:
        time_s, body, winding = heat(plain)
        _HEATS[plain] = time_s, body, winding, follow(body, PROBE_S)
    grid_s, _, winding, probe = _HEATS[plain]
    at_s = np.arange(5.0, float(grid_s[-1]), logger.every_s)
    found = []
    for number, part in enumerate(parts):
        times = at_s + 0.5 * number
        times = times[rng.random(times.size) >= logger.gaps]
        found.append(
            _read(
                part, times, np.interp(times, grid_s, winding), np.interp(times, grid_s, probe), logger, rng
            )
        )
    return found


def settled(
    parts: Sequence[Part], logger: Logger, rng: np.random.Generator, readings: int = 2
) -> list[Trace]:
    """Return what a hand writes down at rest: cold, at each step, and cold again, without times."""
    cold = logger.ambient_degC
    points = np.array([cold, 35.0, *logger.steps_degC[:1], 60.0, *logger.steps_degC[1:], cold + 0.5])
    found = []
    for part in parts:
        body = np.repeat(points, readings) + rng.normal(0.0, 0.05, points.size * readings)
        body = body[rng.random(body.size) >= logger.gaps]
        found.append(_read(part, np.full(body.size, np.nan), body, body, logger, rng))
    return found


def _read(
    part: Part, time_s: Array, winding: Array, probe: Array, logger: Logger, rng: np.random.Generator
) -> Trace:
    n = winding.size
    hot = np.clip((winding - 30.0) / 60.0, 0.0, 1.0)
    most = logger.noise_ohm if logger.noise_hot_ohm is None else logger.noise_hot_ohm
    ohm = part.ohm(winding) + rng.normal(0.0, 1.0, n) * (logger.noise_ohm + hot * (most - logger.noise_ohm))
    if logger.outliers:
        at = rng.choice(np.flatnonzero(winding > 40.0), logger.outliers, replace=False)
        ohm[at] += 4.0 * most * np.abs(rng.normal(1.0, 0.3, at.size))
    opened = np.isinf(ohm)
    ohm = np.where(opened, np.nan, np.round(ohm / logger.digit_ohm) * logger.digit_ohm)
    offset = logger.probe_K * rng.uniform(-1.0, 1.0)
    gain = 1.0 + logger.probe_gain_rel * rng.uniform(-1.0, 1.0)
    seen = 20.0 + gain * (probe - 20.0) + offset + rng.normal(0.0, logger.noise_K, n)
    none = np.full(n, np.nan)
    words = np.full(n, ""), np.full(n, "ohms"), np.where(opened, OVER_RANGE, OK)
    return Trace(part.label, time_s, np.round(seen, 2), ohm, none, none, *words)
