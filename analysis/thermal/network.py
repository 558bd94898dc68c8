"""A coil as a small thermal network: what it is made of and which parameters describe it.

The winding is a ladder of equal shells with one conduction parameter, heated evenly all through; it sits on
the body, which loses heat to the air. An *order* adds what the evidence asks for: resistance between winding
and body, masses behind the body, a core inside the winding, a lag of the probe.

Everything here is per unit heat capacity of the winding (1 J/K); the fit scales it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from analysis.arrays import FloatArray

SHELLS = 4

#: The probe's own heat capacity relative to the winding: small enough to take nothing from the body.
_PROBE_CAPACITY = 1e-4


@dataclass(frozen=True)
class Order:
    """What the network has besides winding ladder and body."""

    contact: bool = False
    lag: bool = False
    hidden: int = 0
    core: bool = False
    #: The inner links of the ladder may differ from each other: a doubt about the winding, not a finding.
    uneven: bool = False

    def __str__(self) -> str:
        parts = ["winding + body"]
        if self.contact:
            parts.append("contact")
        if self.hidden:
            parts.append("hidden mass" if self.hidden == 1 else f"{self.hidden} hidden masses")
        if self.core:
            parts.append("core")
        if self.lag:
            parts.append("probe lag")
        if self.uneven:
            parts.append("uneven shells")
        return " + ".join(parts)

    def grown(self) -> tuple[Order, ...]:
        """Every order with one feature more; at most two masses beside winding and body."""
        more = []
        if self.hidden + self.core < 2:
            more.append(replace(self, hidden=self.hidden + 1))
            if not self.core:
                more.append(replace(self, core=True))
        return tuple(more)


@dataclass(frozen=True)
class Parameter:
    """A logarithmic parameter: its name, where it starts and how far it may plausibly be (one sigma)."""

    name: str
    start: float
    spread: float


@dataclass(frozen=True)
class _Layout:
    """Nodes and links of one order, and what each parameter scales; *node_of* and *link_of* are 0 or 1."""

    parameters: tuple[Parameter, ...]
    #: Heat capacities and conductances with all logarithms zero, shapes (n,) and (l,).
    capacity: FloatArray
    conductance: FloatArray
    #: Links (node a, node b); b = -1 is the air.
    links: tuple[tuple[int, int], ...]
    #: Links as differences of nodes, shape (l, n).
    stamps: FloatArray
    #: What is seen, [winding mean, probe], as sums of nodes, shape (2, n).
    out: FloatArray
    node_of: FloatArray
    link_of: FloatArray
    #: Nodes that share one heat capacity, and how much of the steady lead each link of the ladder makes.
    winding: slice
    behind: FloatArray
    lead: FloatArray
    #: Links whose parameter is a rate: (link, node of the mass).
    rated: tuple[tuple[int, int], ...]


@cache
def layout(order: Order) -> _Layout:
    """Nodes of *order*: shells from the inside out, body, masses behind it, core, probe."""
    body = SHELLS
    capacity = [1.0 / SHELLS] * SHELLS + [1.0]
    # A slab in equal shells: SHELLS times its conductance between centres, twice that in the outer half.
    links = [*((a, a + 1) for a in range(SHELLS)), (body, -1)]
    conductance = [float(SHELLS)] * (SHELLS - 1) + [2.0 * SHELLS, 1.0]
    parameters = [
        Parameter("conduction", np.log(0.02), 2.0),
        Parameter("body", np.log(8.0), 1.5),
        Parameter("loss", np.log(1 / 700), 2.0),
    ]
    nodes: dict[str, list[int]] = {}
    scales: dict[str, list[int]] = {"conduction": list(range(SHELLS)), "loss": [SHELLS]}
    if order.uneven:
        parameters += [Parameter(f"shell {a + 1}", 0.0, 0.5) for a in range(SHELLS - 1)]
        scales |= {f"shell {a + 1}": [a] for a in range(SHELLS - 1)}
        # Copper fills a winding unevenly: heat per heat capacity differs by some 10 % from shell to shell.
        parameters += [Parameter(f"fill {a + 1}", 0.0, 0.1) for a in range(SHELLS - 1)]
        nodes |= {f"fill {a + 1}": [a] for a in range(SHELLS - 1)}
    if order.contact:
        parameters.append(Parameter("contact", np.log(0.4), 1.5))
        scales["contact"] = [SHELLS - 1]
    rated = []
    masses = [(f"hidden {k + 1}", body, (0.3, 0.1)[k]) for k in range(order.hidden)]
    masses += [("core", 0, 1.0)] * order.core
    for name, anchor, size in masses:
        node = len(capacity)
        capacity.append(1.0)
        nodes[name] = [node]
        scales[f"{name} rate"] = [len(links)]
        rated.append((len(links), node))
        links.append((anchor, node))
        conductance.append(1.0)
        parameters.append(Parameter(name, np.log(size), 1.5))
        parameters.append(Parameter(f"{name} rate", np.log(1 / 100), 1.5))
    behind = np.zeros(len(capacity) + order.lag)
    behind[body : body + 1 + order.hidden] = 1.0
    probe = body
    if order.lag:
        probe = len(capacity)
        capacity.append(_PROBE_CAPACITY)
        scales["probe rate"] = [len(links)]
        links.append((body, probe))
        conductance.append(_PROBE_CAPACITY)
        parameters.append(Parameter("probe rate", np.log(1 / 4.0), 1.0))
    node_of = np.zeros((len(parameters), len(capacity)))
    link_of = np.zeros((len(parameters), len(links)))
    for k, parameter in enumerate(parameters):
        node_of[k, nodes.get(parameter.name, [])] = 1.0
        link_of[k, scales.get(parameter.name, [])] = 1.0
    stamps = np.zeros((len(links), len(capacity)))
    for row, (a, b) in enumerate(links):
        stamps[row, a] = 1.0
        if b >= 0:
            stamps[row, b] = -1.0
    out = np.zeros((2, len(capacity)))
    out[0, :SHELLS] = 1.0 / SHELLS
    out[1, probe] = 1.0
    # Link a carries the heat of a + 1 shells and lifts as many.
    lead = (np.arange(1, SHELLS + 1) / SHELLS) ** 2 / np.array(conductance[:SHELLS])
    return _Layout(
        tuple(parameters),
        np.array(capacity),
        np.array(conductance),
        tuple(links),
        stamps,
        out,
        node_of,
        link_of,
        slice(0, SHELLS),
        behind,
        lead / lead.sum(),
        tuple(rated),
    )


def built(order: Order, theta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Heat capacities (n,), conductances (l,), and the derivatives of their logarithms to *theta*, (k, ...).

    What a trace determines well has a parameter of its own, and the rest divides it up: "conduction" is the
    steady lead of the winding over the body however the shells share it, "body" the heat capacity of body and
    masses behind it, a mass has a rate and not a conductance. Without this every feature added moves all that
    was found before, and the fit creeps along curved valleys.
    """
    lay = layout(order)
    log_c, log_g = theta @ lay.node_of, theta @ lay.link_of
    d_c, d_g = lay.node_of.copy(), lay.link_of.copy()
    shells = np.exp(log_c[lay.winding])
    log_c[lay.winding] -= np.log(shells.mean())
    d_c[:, lay.winding] -= (d_c[:, lay.winding] @ (shells / shells.sum()))[:, None]
    parts = lay.behind * np.exp(log_c)
    log_c += lay.behind * (theta[1] - np.log(parts.sum()))
    d_c -= np.outer(d_c @ (parts / parts.sum()), lay.behind)
    d_c[1] += lay.behind
    # Conduction scales all links of the ladder alike, and so leaves their shares alone.
    ladder = lay.lead * np.exp(theta[0] - log_g[:SHELLS])
    log_g[:SHELLS] += np.log(ladder.sum())
    turned = d_g[:, :SHELLS].copy()
    turned[0] = 0.0
    d_g[:, :SHELLS] -= (turned @ (ladder / ladder.sum()))[:, None]
    whole = 1.0 + np.exp(theta[1])
    log_g[SHELLS] += np.log(whole)
    d_g[1, SHELLS] += 1.0 - 1.0 / whole
    for link, node in lay.rated:
        log_g[link] += log_c[node]
        d_g[:, link] += d_c[:, node]
    return lay.capacity * np.exp(log_c), lay.conductance * np.exp(log_g), d_c, d_g
