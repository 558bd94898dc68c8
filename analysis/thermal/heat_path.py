"""The way of the heat between copper and body: a few heat capacities, and how they answer.

A winding is a ladder of shells, heated all through, that sits on its body; the probe follows the body with a
lag. There may be a mass behind the body, and a core inside the winding that is not copper. Whatever the
values, such a network answers power in its copper, and heat at its body, by a sum of first-order lags.

Heat capacities are in units of the copper's own, so times are all that is left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.arrays import FloatArray

SHELLS = 4
_BODY, _PROBE = SHELLS, SHELLS + 1
#: The probe's heat capacity: small enough to take nothing from the body.
_PROBE_CAPACITY = 0.01
_SLOWEST_PER_S = 1e-6


@dataclass(frozen=True)
class Parameter:
    """A logarithm: its name, what it most likely is, and how far from that it plausibly is (one sigma)."""

    name: str
    likely: float
    sigma: float


_WINDING = (
    # Seconds: the steady lead of the winding over its body, in kelvin a watt, times its heat capacity.
    Parameter("lead", np.log(30.0), 1.5),
    Parameter("body", np.log(6.0), 1.2),
    # Seconds in which copper and body would cool if the heat that leaves grew with their temperature.
    Parameter("loss", np.log(700.0), 2.0),
    # Between winding and body, over the lead of the shells alone.
    Parameter("contact", np.log(0.3), 1.5),
    Parameter("lag", np.log(5.0), 1.2),
    *(Parameter(f"shell {a + 1}", 0.0, 0.5) for a in range(SHELLS - 1)),
    # Copper fills a winding unevenly: heat per heat capacity differs by some 10 % from shell to shell.
    *(Parameter(f"fill {a + 1}", 0.0, 0.1) for a in range(SHELLS - 1)),
)
BODY = 1
#: Where shells differ from each other: a doubt about the winding, not a finding.
UNEVEN = slice(5, 5 + 2 * (SHELLS - 1))


@dataclass(frozen=True)
class Order:
    """What there is besides winding, body and probe."""

    hidden: bool = False
    core: bool = False

    def __str__(self) -> str:
        more = " + hidden mass" * self.hidden + " + core" * self.core
        return f"winding + body{more}"

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """All of them; those that the order adds come last, the core's after the hidden mass's."""
        added = ["hidden"] * self.hidden + ["core"] * self.core
        pairs = [(Parameter(name, 0.0, 1.5), Parameter(f"{name} s", np.log(100.0), 1.0)) for name in added]
        return (*_WINDING, *(each for pair in pairs for each in pair))


@dataclass(frozen=True)
class Answers:
    """First-order lags and how they add up; leading axis (b,) as of the parameters.

    Attributes:
        tau_s: Time constants, shape (b, k).
        gain: Rise by a steady heat of one kelvin a second over the copper's own capacity, shape (b, 4, k): of
            winding and probe by heat in the copper, then of both by heat at the body.
    """

    tau_s: FloatArray
    gain: FloatArray


def answers(theta: FloatArray, order: Order) -> Answers:
    """How networks of *order* answer; *theta* are logarithms of the parameters, shape (b, p)."""
    each = np.exp(theta)
    lead, body, loss, contact, lag = each[:, :5].T
    count, nodes = theta.shape[0], SHELLS + 2 + order.hidden + order.core
    capacity, conductance = np.zeros((count, nodes)), np.zeros((count, nodes, nodes))
    copper = np.ones((count, SHELLS))
    copper[:, : SHELLS - 1] = each[:, 5 + SHELLS - 1 : 5 + 2 * (SHELLS - 1)]
    capacity[:, :SHELLS] = copper / copper.sum(axis=1, keepdims=True)
    capacity[:, _BODY], capacity[:, _PROBE] = body, _PROBE_CAPACITY

    def join(a: int, b: int, by: FloatArray) -> None:
        for here, there in ((a, b), (b, a)):
            conductance[:, here, here] += by
            conductance[:, here, there] -= by

    for a, by in enumerate(_ladder(each, lead, contact).T):
        join(a, a + 1, by)
    join(_BODY, _PROBE, _PROBE_CAPACITY / lag)
    node, at = _PROBE, len(_WINDING)
    for anchor in [_BODY] * order.hidden + [0] * order.core:
        node += 1
        capacity[:, node] = each[:, at]
        join(anchor, node, each[:, at] / each[:, at + 1])
        at += 2
    conductance[:, _BODY, _BODY] += (1.0 + body) / loss
    # Symmetric after scaling by the root of the capacities, so it falls apart into modes.
    root = np.sqrt(capacity)
    rate, mode = np.linalg.eigh(conductance / (root[:, :, None] * root[:, None, :]))
    rate = np.maximum(rate, _SLOWEST_PER_S)
    mode /= root[:, :, None]
    heat = mode[:, :SHELLS].mean(axis=1)
    seen = np.stack((heat, mode[:, _PROBE]), axis=1) / rate[:, None]
    gain = np.concatenate((seen * heat[:, None], seen * mode[:, _BODY, None]), axis=1)
    return Answers(1.0 / rate, gain)


def _ladder(each: FloatArray, lead_s: FloatArray, contact: FloatArray) -> FloatArray:
    """Conductances outward from shell to shell and to the body, shape (b, SHELLS), for a lead in all."""
    between = np.full((each.shape[0], SHELLS), float(SHELLS))
    between[:, : SHELLS - 1] *= each[:, 5 : 5 + SHELLS - 1]
    # Half a shell, then the contact; a slab that is heated evenly leads by a third of its resistance.
    between[:, -1] = 1.0 / (1.0 / (2.0 * SHELLS) + contact / 3.0)
    # A link carries the heat of all shells inside it, and lifts as many.
    inside = np.arange(1, SHELLS + 1) / SHELLS
    scaled: FloatArray = between * (np.sum(inside**2 / between, axis=1) / lead_s)[:, None]
    return scaled
