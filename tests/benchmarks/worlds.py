"""Invented coils in workshops as they are: natural convection, radiation, draughts, neighbours, drift.

The body loses heat by Churchill and Chu's correlation for a long horizontal cylinder (International Journal
of Heat and Mass Transfer 18 (1975) 1049; air properties by power laws through handbook values at 300 and
350 K, from memory) and by grey radiation. A whole set of coils is stepped at once; nothing is shared with any
fit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

ALPHA20 = 0.00393
STEP_S = 0.5
KELVIN = 273.15
STEFAN_BOLTZMANN = 5.670374e-8
AIR_DEGC = 22.0
#: Nodes of every coil: up to six shells (inner first), body, two masses, probe; unused ones hang alone.
SHELLS, BODY, PROBE, NODES = 6, 6, 9, 10
STAGES_DEGC, HOLD_S, COLD_S = (50.0, 70.0, 90.0), 300.0, 20.0


@dataclass(frozen=True)
class World:
    """What is different about a workshop or its coils."""

    name: str
    convection: bool = True
    emissivity: float = 0.0
    draughts: bool = False
    neighbours: bool = False
    air_K_per_h: float = 0.0
    core: bool = False
    #: Share of a coil's heat that leaves its winding for the air without passing the body.
    open_share: float = 0.0
    lag_s: tuple[float, float] = (0.0, 8.0)
    noise: float = 1.0
    uneven_rows: bool = False


WORLDS = (
    World("linear", convection=False),
    World("still air"),
    World("still air, radiation", emissivity=0.8),
    World("draughts", emissivity=0.8, draughts=True),
    World("neighbours", emissivity=0.8, neighbours=True),
    World("drift 5 K/h", emissivity=0.8, air_K_per_h=5.0),
    World("large core", emissivity=0.8, core=True),
    World("open coil", emissivity=0.8, open_share=0.15),
    World("lag 30 s", emissivity=0.8, lag_s=(25.0, 30.0)),
    World("noise x 3", emissivity=0.8, noise=3.0),
    World("rows 0.5-5 s, gaps", emissivity=0.8, uneven_rows=True),
)


@dataclass(frozen=True)
class Seen:
    """What a bench would record of one coil, shape (n,), and the truth that it does not know."""

    time_s: FloatArray
    probe_degC: FloatArray
    resistance_ohm: FloatArray
    energy_J: FloatArray
    driven: BoolArray
    noise_ohm: float
    noise_K: float
    copper_ohm: float
    joint_ohm: float

    def power_W(self) -> FloatArray:
        """Mean power between row i-1 and row i."""
        return np.concatenate(([0.0], np.diff(self.energy_J) / np.diff(self.time_s)))


def churchill_chu(surface_degC: FloatArray, air_degC: FloatArray, diameter_m: FloatArray) -> FloatArray:
    """Film coefficient in W/(m² K) of a horizontal cylinder in still air."""
    film_K = 0.5 * (surface_degC + air_degC) + KELVIN
    conductivity = 0.0263 * (film_K / 300.0) ** 0.85
    viscosity = 15.9e-6 * (film_K / 300.0) ** 1.76
    prandtl = 0.705
    rise_K = np.maximum(np.abs(surface_degC - air_degC), 1e-3)
    rayleigh = 9.81 / film_K * rise_K * diameter_m**3 / viscosity**2 * prandtl
    nusselt = (0.60 + 0.387 * rayleigh ** (1 / 6) / (1 + (0.559 / prandtl) ** (9 / 16)) ** (8 / 27)) ** 2
    return np.asarray(nusselt * conductivity / diameter_m)


class _Coils:
    """A set of invented coils in one world; every array has one element, or row, a coil."""

    def __init__(self, world: World, seeds: list[int]) -> None:
        n = len(seeds)
        self.world, self.rngs = world, [np.random.default_rng(seed) for seed in seeds]
        self.share, self.link = np.zeros((n, NODES)), np.zeros((n, NODES, NODES))
        self.capacity = np.ones((n, NODES))
        self.to_air = np.zeros((n, NODES))
        self.copper_ohm, self.joint_ohm, self.every_s, self.cool_s = np.zeros((4, n))
        self.diameter_m, self.area_m2, self.loss_W_per_K, self.full_W, self.block = np.zeros((5, n))
        for k, rng in enumerate(self.rngs):
            self._draw(k, rng)
        self.phi, self.gamma = self._steps()

    def _draw(self, k: int, rng: np.random.Generator) -> None:
        world = self.world
        shells = int(rng.integers(3, SHELLS + 1))
        inside = np.arange(SHELLS - shells, SHELLS)
        share = rng.uniform(0.6, 1.4, shells)
        share /= share.sum()
        self.share[k, inside] = share
        self.capacity[k, inside] = rng.uniform(10, 24) * share * rng.uniform(0.9, 1.1, shells)
        self.capacity[k, BODY] = rng.uniform(35, 90)
        joined = shells * np.exp(rng.normal(0, 0.5, shells))
        # Conduction such that 18 W lifts the winding 25-48 K over the body at rest.
        lead = float(np.sum(np.cumsum(share) ** 2 / joined))
        for a, g in zip(inside, joined * lead / (rng.uniform(25, 48) / 18), strict=True):
            self._join(k, a, a + 1, g)
        masses = 2 if world.core else int(rng.integers(0, 3))
        for mass in range(masses):
            core = rng.random() > 0.7
            size, rate = rng.uniform(6, 40), rng.uniform(25, 300)
            if world.core:
                core, size = mass == 0, size if mass else rng.uniform(20, 40)
            self.capacity[k, BODY + 1 + mass] = size
            self._join(k, int(inside[0]) if core else BODY, BODY + 1 + mass, size / rate)
        # The probe takes a little of the body's heat, and has its lag from that.
        lag = max(rng.uniform(*world.lag_s), 0.05)
        self.capacity[k, PROBE] = 0.3
        self._join(k, BODY, PROBE, 0.3 / lag)
        own = self.capacity[k, inside].sum() + self.capacity[k, BODY : BODY + 1 + masses].sum()
        self.loss_W_per_K[k] = own / rng.uniform(500, 1200)
        self.diameter_m[k] = rng.uniform(0.03, 0.06)
        at = np.array([AIR_DEGC + 40.0]), np.array([AIR_DEGC]), self.diameter_m[k : k + 1]
        film = float(churchill_chu(*at)[0]) + world.emissivity * 4 * STEFAN_BOLTZMANN * (KELVIN + 42) ** 3
        self.area_m2[k] = self.loss_W_per_K[k] / film
        if world.open_share:
            self.to_air[k, inside[0]] = world.open_share * rng.uniform(0.3, 1) * self.loss_W_per_K[k]
        if world.neighbours:
            self.block[k] = self.loss_W_per_K[k] * rng.uniform(0.3, 1.0)
        self.full_W[k] = max(18.0, 1.6 * self.loss_W_per_K[k] * 75.0)
        self.copper_ohm[k] = rng.uniform(2.8, 8.0)
        self.joint_ohm[k] = rng.choice([0.0, 0.02, 0.05, 0.1, 0.2, 0.4])
        self.every_s[k] = rng.choice([0.5, 1.0, 2.0])
        self.cool_s[k] = rng.uniform(720, 1800)
        if world.uneven_rows:
            self.every_s[k] = STEP_S * rng.integers(1, 11)

    def _join(self, k: int, a: int, b: int, W_per_K: float) -> None:
        self.link[k, a, b] = self.link[k, b, a] = W_per_K

    def _steps(self) -> tuple[FloatArray, FloatArray]:
        """Exact step of the nodes over STEP_S; response to [heat in the copper, heat at the body, air]."""
        n = self.share.shape[0]
        a = np.zeros((n, NODES + 3, NODES + 3))
        inner = self.link - np.einsum("ki,ij->kij", self.link.sum(axis=2) + self.to_air, np.eye(NODES))
        a[:, :NODES, :NODES] = inner / self.capacity[:, :, None]
        a[:, :NODES, NODES] = self.share / self.capacity
        a[:, BODY, NODES + 1] = 1 / self.capacity[:, BODY]
        a[:, :NODES, NODES + 2] = self.to_air / self.capacity
        e = np.stack([expm(each * STEP_S) for each in a])
        return e[:, :NODES, :NODES], e[:, :NODES, NODES:]


def _surroundings(coils: _Coils, steps: int) -> Iterator[tuple[FloatArray, FloatArray, FloatArray]]:
    """Air temperature, draught (a factor of convection) and the block's temperature, step by step."""
    n, world = len(coils.rngs), coils.world
    period_s = np.array([rng.uniform(600, 1500) for rng in coils.rngs])
    phase_s = np.array([rng.uniform(0, 1500) for rng in coils.rngs])
    until_s, draught, block = np.zeros(n), np.ones(n), np.full(n, AIR_DEGC)
    drift = world.air_K_per_h * np.array([rng.choice([-1.0, 1.0]) for rng in coils.rngs])
    for step in range(steps):
        now = step * STEP_S
        air = AIR_DEGC + drift * now / 3600.0
        if world.air_K_per_h:
            air = air + 0.5 * np.sin(2 * np.pi * (now + phase_s) / period_s)
        if world.draughts:
            for k in np.flatnonzero(now >= until_s):
                windy = now > 0 and draught[k] == 1.0
                draught[k] = coils.rngs[k].uniform(1.5, 3.0) if windy else 1.0
                until_s[k] = now + coils.rngs[k].exponential(100.0 if windy else 400.0)
        if world.neighbours:
            hot = (now + phase_s) % period_s < 0.4 * period_s
            block = block + STEP_S / 240.0 * (np.where(hot & (now > 0), 80.0, AIR_DEGC) - block)
        yield air, draught, block


def simulate(world: World, seeds: list[int], profile: str) -> list[Seen]:
    """Heat and cool one coil a seed, and record it.

    *profile* ``pulse``: cold, 300 s at constant voltage, cooling. ``steps``: 50, 70 and 90 degC at the probe,
    each held 300 s by a voltage set anew every second, cooling.
    """
    coils = _Coils(world, seeds)
    n, every = len(seeds), np.arange(len(seeds))
    steps = int(((COLD_S + 300.0 + 1800.0) if profile == "pulse" else 7500.0) / STEP_S)
    state = np.full((n, NODES), AIR_DEGC)
    full_V = np.sqrt(coils.full_W * (1.15 * coils.copper_ohm + coils.joint_ohm))
    stage, held_s, off_s, volts = np.zeros(n, int), np.full(n, np.inf), np.full(n, np.inf), np.zeros(n)
    if profile == "pulse":
        off_s[:] = COLD_S + 0.5 + 300.0
    energy, kept = np.zeros(n), []
    film = np.zeros(n)
    for step, (air, draught, block) in enumerate(_surroundings(coils, steps)):
        now = step * STEP_S
        copper = coils.copper_ohm * (1 + ALPHA20 * (np.einsum("ki,ki->k", coils.share, state) - 20))
        ohm, probe, body = copper + coils.joint_ohm, state[:, PROBE], state[:, BODY]
        kept.append((probe, ohm, energy, volts > 0))
        if profile == "steps" and step % 2 == 1 and now > COLD_S:
            target = np.array(STAGES_DEGC)[np.minimum(stage, 2)]
            holding = coils.loss_W_per_K * (target - AIR_DEGC) / coils.full_W
            volts = full_V * np.sqrt(np.clip(0.3 * (target - probe) + holding, 0.0, 1.0))
            held_s = np.where(np.isinf(held_s) & (probe > target - 1.0), now, held_s)
            done = (now > held_s + HOLD_S) | ((stage == 2) & (now > 5400.0))
            stage, held_s = stage + done, np.where(done, np.inf, held_s)
            off_s = np.where(done & (stage == 3), now, off_s)
        elif profile == "pulse" and now > COLD_S:
            volts = full_V.copy()
        volts = np.where(now >= off_s, 0.0, volts)
        if step % 4 == 0:
            film = churchill_chu(body, air, coils.diameter_m) if world.convection else film
        out = film * draught * coils.area_m2 * (body - air)
        if not world.convection:
            out = coils.loss_W_per_K * (body - air)
        radiated = (body + KELVIN) ** 4 - (air + KELVIN) ** 4
        out = out + world.emissivity * STEFAN_BOLTZMANN * coils.area_m2 * radiated
        out = out + coils.block * (body - block)
        power = volts**2 / ohm
        put = np.stack((power * copper / ohm, -out, air), axis=1)
        state = (
            np.matmul(coils.phi, state[:, :, None])[:, :, 0]
            + np.matmul(coils.gamma, put[:, :, None])[:, :, 0]
        )
        energy = energy + power * STEP_S
    probe, ohm, energy, driven = (np.array(column) for column in zip(*kept, strict=True))
    ended = np.minimum(off_s + coils.cool_s, (steps - 1) * STEP_S)
    return [
        _recorded(coils, k, ended[k], probe[:, k], ohm[:, k], energy[:, k], driven[:, k] > 0) for k in every
    ]


def _recorded(
    coils: _Coils,
    k: int,
    ended_s: float,
    probe: FloatArray,
    ohm: FloatArray,
    energy: FloatArray,
    driven: BoolArray,
) -> Seen:
    """Rows of coil *k* with their noise, at uneven times, with gaps where the world has them."""
    rng, world = coils.rngs[k], coils.world
    count = int(ended_s / coils.every_s[k])
    step = round(coils.every_s[k] / STEP_S) + (rng.integers(-1, 2, count) if coils.every_s[k] > STEP_S else 0)
    at = np.concatenate(([0], np.cumsum(np.broadcast_to(np.maximum(step, 1), count))))
    at = at[at < ended_s / STEP_S]
    if world.uneven_rows:
        for _ in range(4):
            begins = rng.uniform(60.0, ended_s)
            at = at[(at * STEP_S < begins) | (at * STEP_S > begins + rng.uniform(5.0, 40.0))]
    noise_ohm, noise_K = 0.001 * world.noise, 0.1 * world.noise
    return Seen(
        at * STEP_S,
        probe[at] + rng.normal(0, noise_K, at.size),
        ohm[at] + rng.normal(0, noise_ohm, at.size),
        energy[at],
        driven[at],
        noise_ohm,
        noise_K,
        float(coils.copper_ohm[k]),
        float(coils.joint_ohm[k]),
    )
