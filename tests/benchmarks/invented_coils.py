"""Invented coils, heated and cooled in fine steps of the matrix exponential, for tests and benchmarks.

Winding, hidden masses and probe are not built the way the thermal fit builds them, and no code is shared
with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

FloatArray = NDArray[np.float64]

ALPHA20 = 0.00393
STEP_S = 0.25


@dataclass(frozen=True)
class Coil:
    """One invented coil: nodes are shells (inner first), body, hidden masses.

    *capacity* J/K and *link* W/K (symmetric, zero diagonal) are per node; *loss* W/K goes to the air;
    *share* is the part of the winding's resistance (and so of its heat) that sits in each node.
    """

    capacity: FloatArray
    link: FloatArray
    loss: FloatArray
    share: FloatArray
    body: int
    lag_s: float
    copper_ohm: float
    joint_ohm: float


@dataclass(frozen=True)
class Rows:
    """What the bench would have recorded, shape (n,), plus the cumulative energy."""

    time_s: FloatArray
    probe_degC: FloatArray
    resistance_ohm: FloatArray
    energy_J: FloatArray
    voltage_V: FloatArray
    current_A: FloatArray

    def power_W(self) -> FloatArray:
        """Mean power between row i-1 and row i."""
        return np.concatenate(([0.0], np.diff(self.energy_J) / np.diff(self.time_s)))


def lumped(
    *,
    winding: float = 14.0,
    body: float = 95.0,
    lead: float = 2.1,
    loss: float = 0.18,
    copper_ohm: float = 3.2,
    joint_ohm: float = 0.05,
) -> Coil:
    """Winding as one lump (J/K), body (J/K), lead of the winding (K/W) and loss (W/K)."""
    link = np.array([[0.0, 1 / lead], [1 / lead, 0.0]])
    return Coil(
        np.array([winding, body]),
        link,
        np.array([0.0, loss]),
        np.array([1.0, 0.0]),
        1,
        0.0,
        copper_ohm,
        joint_ohm,
    )


def ladder(
    *,
    winding: float = 14.0,
    body: float = 80.0,
    lead: float = 1.9,
    loss: float = 0.16,
    copper_ohm: float = 3.2,
    joint_ohm: float = 0.1,
) -> Coil:
    """Four equal shells (together *winding* J/K) on a *body* (J/K); *lead* K/W of an evenly heated slab."""
    g = 1 / (3 * lead)
    link = np.zeros((5, 5))
    for a in range(4):
        link[a, a + 1] = link[a + 1, a] = 4 * g if a < 3 else 8 * g
    return Coil(
        capacity=np.array([winding / 4] * 4 + [body]),
        link=link,
        loss=np.array([0, 0, 0, 0, loss]),
        share=np.array([0.25, 0.25, 0.25, 0.25, 0.0]),
        body=4,
        lag_s=0.0,
        copper_ohm=copper_ohm,
        joint_ohm=joint_ohm,
    )


def random_coil(rng: np.random.Generator) -> Coil:
    """A coil of 3-6 unequal shells and 0-2 hidden masses behind the body or inside the winding."""
    shells = int(rng.integers(3, 7))
    hidden = int(rng.integers(0, 3))
    nodes = shells + 1 + hidden
    share = np.zeros(nodes)
    share[:shells] = rng.uniform(0.6, 1.4, shells)
    share /= share.sum()
    capacity = np.zeros(nodes)
    capacity[:shells] = rng.uniform(10, 24) * share[:shells] * rng.uniform(0.9, 1.1, shells)
    body = shells
    capacity[body] = rng.uniform(35, 90)
    link = np.zeros((nodes, nodes))
    for a in range(shells):
        link[a, a + 1] = link[a + 1, a] = shells * np.exp(rng.normal(0, 0.5))
    # Scale the conduction so that 18 W lifts the winding 25-48 K over the body at rest.
    crossing = np.cumsum(share[:shells])
    lead = float(np.sum(crossing**2 / np.diag(link[:shells, 1 : shells + 1])))
    link *= lead / (rng.uniform(25, 48) / 18)
    for b in range(shells + 1, nodes):
        capacity[b] = rng.uniform(6, 40)
        anchor = body if rng.random() < 0.7 else 0
        link[anchor, b] = link[b, anchor] = capacity[b] / rng.uniform(25, 300)
    loss = np.zeros(nodes)
    loss[body] = capacity.sum() / rng.uniform(500, 1200)
    return Coil(
        capacity,
        link,
        loss,
        share,
        body,
        float(rng.uniform(0, 8)),
        float(rng.uniform(2.8, 8.0)),
        float(rng.choice([0.0, 0.02, 0.05, 0.1, 0.2, 0.4])),
    )


def steps_of(coil: Coil) -> tuple[FloatArray, FloatArray]:
    """Exact step of [nodes, probe] over STEP_S and its response to [winding heat W, air degC]."""
    nodes = coil.capacity.size
    lag = max(coil.lag_s, 0.02)
    a = np.zeros((nodes + 3, nodes + 3))
    a[:nodes, :nodes] = (coil.link - np.diag(coil.link.sum(axis=1) + coil.loss)) / coil.capacity[:, None]
    a[:nodes, nodes + 1] = coil.share / coil.capacity
    a[:nodes, nodes + 2] = coil.loss / coil.capacity
    a[nodes, coil.body], a[nodes, nodes] = 1 / lag, -1 / lag
    e = expm(a * STEP_S)
    return e[: nodes + 1, : nodes + 1], e[: nodes + 1, nodes + 1 :]


def simulate(
    coil: Coil,
    rng: np.random.Generator,
    *,
    profile: str = "pulse",
    every_s: float = 1.0,
    cool_s: float = 900.0,
    heat_s: float = 300.0,
    heat_W: float = 18.0,
    air_degC: float = 22.0,
    air_K_per_h: float = 0.0,
    noise_ohm: float = 0.001,
    noise_K: float = 0.1,
) -> Rows:
    """Heat the coil through its own winding, cool it, and record rows about *every_s* apart.

    *profile* ``pulse``: 20 s cold, *heat_s* at constant voltage, cooling. ``soak``: 20 s cold, then 50, 70
    and 90 degC at the probe, each held 300 s by a voltage set anew every row, cooling.
    """
    phi, gamma = steps_of(coil)
    state = np.full(phi.shape[0], air_degC)
    full_V = float(np.sqrt(heat_W * (coil.copper_ohm * 1.15 + coil.joint_ohm)))
    stages = [50.0, 70.0, 90.0] if profile == "soak" else []
    off_at = 20.0 + heat_s if profile == "pulse" else np.inf
    start_at, hold_from, next_row, volts, energy, now = 20.0, np.inf, 0.0, 0.0, 0.0, 0.0
    begun = False
    rows: list[tuple[float, ...]] = []
    while now <= (off_at if np.isfinite(off_at) else 7200.0) + cool_s:
        r_winding = coil.copper_ohm * (1 + ALPHA20 * (float(coil.share @ state[:-1]) - 20))
        total = r_winding + coil.joint_ohm
        if now >= next_row - 1e-9:
            rows.append((now, float(state[-1]), total, energy, volts, volts / total))
            next_row += every_s + STEP_S * int(rng.integers(-1, 2)) * (every_s > STEP_S)
            if profile == "soak" and begun and stages:
                holding = coil.loss.sum() * (stages[0] - air_degC) / heat_W
                want = np.clip(0.3 * (stages[0] - state[-1]) + holding, 0.0, 1.0)
                volts = full_V * float(np.sqrt(want))
                if not np.isfinite(hold_from) and state[-1] > stages[0] - 1:
                    hold_from = now
        if profile == "soak" and now >= hold_from + 300:
            stages.pop(0)
            hold_from = np.inf
            if not stages:
                off_at, volts = now, 0.0
        if not begun and now >= start_at + 0.4:
            begun, volts = True, full_V
        if now >= off_at:
            volts = 0.0
        power = volts**2 / total
        state = phi @ state + gamma @ np.array(
            [power * r_winding / total, air_degC + air_K_per_h * now / 3600.0]
        )
        energy += power * STEP_S
        now += STEP_S
    t, probe, ohm, joule, volt, amp = (np.array(c) for c in zip(*rows, strict=True))
    return Rows(
        t, probe + rng.normal(0, noise_K, t.size), ohm + rng.normal(0, noise_ohm, t.size), joule, volt, amp
    )
