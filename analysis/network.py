"""A coil as a small thermal network: its response to power, and how that response bends with each parameter.

The winding is a ladder of equal shells with one conduction parameter, heated evenly all through; it sits on
the body, which loses heat to the air. An *order* adds what the evidence asks for: resistance between winding
and body, masses behind the body, a core inside the winding, a lag of the probe.

The state equation is symmetric after scaling by the root of the capacities, so it falls apart into modes,
each a first-order filter that is exact for power constant between rows. Everything below is per unit heat
capacity of the winding (1 J/K); the fit scales it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.linalg import lapack

from analysis.model import FloatArray

SHELLS = 4

#: The probe's own heat capacity relative to the winding: small enough to take nothing from the body.
_PROBE_CAPACITY = 1e-4


#: Modes that have died out would crawl through subnormal numbers, a hundred times slower than normal ones:
#: exponents stop here, and each step adds far less than any digit of the answer.
_DEEPEST = 500.0
_WHISPER = 1e-100


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
        if not self.lag:
            more.append(replace(self, lag=True))
        if not self.contact:
            more.append(replace(self, contact=True))
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
    """Capacities and links of one order at log-parameters zero, and what each parameter scales."""

    parameters: tuple[Parameter, ...]
    capacity: FloatArray
    #: Links (node a, node b, conductance); b = -1 is the air.
    links: tuple[tuple[int, int, float], ...]
    capacity_of: FloatArray
    link_of: FloatArray
    probe: int


@cache
def layout(order: Order) -> _Layout:
    """Nodes of *order*: shells from the inside out, body, hidden masses, core, probe."""
    body = SHELLS
    capacity = [1.0 / SHELLS] * SHELLS + [1.0]
    # A slab in equal shells: SHELLS times its conductance between centres, twice that in the outer half.
    links: list[tuple[int, int, float]] = [(a, a + 1, float(SHELLS)) for a in range(SHELLS - 1)]
    links += [(SHELLS - 1, body, 2.0 * SHELLS), (body, -1, 1.0)]
    parameters = [
        Parameter("conduction", np.log(0.02), 2.0),
        Parameter("body", np.log(6.0), 1.5),
        Parameter("loss", np.log(0.01), 2.0),
    ]
    scales_capacity = {"body": [body]}
    scales_link = {"conduction": list(range(SHELLS)), "loss": [SHELLS]}
    if order.uneven:
        parameters += [Parameter(f"shell {a + 1}", 0.0, 0.5) for a in range(SHELLS - 1)]
        scales_link |= {f"shell {a + 1}": [a] for a in range(SHELLS - 1)}
    if order.contact:
        parameters.append(Parameter("contact", np.log(0.4), 1.5))
        scales_link["contact"] = [SHELLS - 1]
    masses = [(f"hidden {k + 1}", body, (2.0, 0.5)[k]) for k in range(order.hidden)]
    masses += [("core", 0, 1.0)] * order.core
    for name, anchor, size in masses:
        node = len(capacity)
        capacity.append(1.0)
        scales_capacity[name] = [node]
        scales_link[f"{name} link"] = [len(links)]
        links.append((anchor, node, 1.0))
        parameters.append(Parameter(name, np.log(size), 1.5))
        parameters.append(Parameter(f"{name} link", np.log(size / 100), 1.5))
    probe = body
    if order.lag:
        probe = len(capacity)
        capacity.append(_PROBE_CAPACITY)
        scales_link["probe rate"] = [len(links)]
        links.append((body, probe, _PROBE_CAPACITY))
        parameters.append(Parameter("probe rate", np.log(1 / 4.0), 1.0))
    capacity_of = np.zeros((len(parameters), len(capacity)))
    link_of = np.zeros((len(parameters), len(links)))
    for k, parameter in enumerate(parameters):
        capacity_of[k, scales_capacity.get(parameter.name, [])] = 1.0
        link_of[k, scales_link.get(parameter.name, [])] = 1.0
    return _Layout(tuple(parameters), np.array(capacity), tuple(links), capacity_of, link_of, probe)


@dataclass(frozen=True)
class Modes:
    """The network at one set of parameters, taken apart into modes, with exact derivatives.

    Attributes:
        rate: 1/s, shape (m,).
        heat: gain of each mode from winding heat to [winding mean, probe], shape (2, m).
        rest: the same from a uniform start one kelvin above the air.
        d_rate, d_heat, d_rest: derivatives to the log-parameters, leading axis (k,).
    """

    rate: FloatArray
    heat: FloatArray
    rest: FloatArray
    d_rate: FloatArray
    d_heat: FloatArray
    d_rest: FloatArray


def modes(order: Order, theta: FloatArray) -> Modes:
    """Modes of *order* at log-parameters *theta*, shape (k,)."""
    lay = layout(order)
    n, k = lay.capacity.size, len(lay.parameters)
    capacity = lay.capacity * np.exp(lay.capacity_of.T @ theta)
    conductance = np.array([g for _, _, g in lay.links]) * np.exp(lay.link_of.T @ theta)
    stamps = np.zeros((len(lay.links), n))
    for row, (a, b, _) in enumerate(lay.links):
        stamps[row, a] = 1.0
        if b >= 0:
            stamps[row, b] = -1.0
    c = 1.0 / np.sqrt(capacity)
    scaled = stamps * c
    s = scaled.T @ (conductance[:, None] * scaled)
    rate, u = np.linalg.eigh(s)
    rate = np.maximum(rate, 1e-12)
    uc = u * c[:, None]
    out = np.zeros((2, n))
    out[0, :SHELLS] = 1.0 / SHELLS
    out[1, lay.probe] = 1.0
    out_modal = out @ uc
    rest_modal = np.sqrt(capacity) @ u
    # First-order perturbation of a symmetric eigenproblem; a tiny gap is kept from dividing by zero.
    gap = rate[None, :] - rate[:, None]
    gap[np.abs(gap) < 1e-12] = np.inf
    projected = scaled @ u
    d_rate, d_out, d_rest = np.empty((k, n)), np.empty((k, 2, n)), np.empty((k, n))
    for j in range(k):
        half = 0.5 * lay.capacity_of[j]
        ds = projected.T @ ((conductance * lay.link_of[j])[:, None] * projected)
        if half.any():
            mixed = u.T @ (half[:, None] * u) * rate[None, :]
            ds = ds - mixed - mixed.T
        d_rate[j] = np.diag(ds)
        turn = ds / gap
        d_out[j] = out_modal @ turn - (out * half) @ uc
        d_rest[j] = rest_modal @ turn + (np.sqrt(capacity) * half) @ u
    heat, rest = out_modal * out_modal[0], out_modal * rest_modal
    d_heat = d_out * out_modal[0] + out_modal * d_out[:, :1, :]
    return Modes(rate, heat, rest, d_rate, d_heat, d_out * rest_modal + out_modal * d_rest[:, None, :])


class Filters:
    """The first-order filters of all modes over one time grid.

    Args:
        time_s: Increasing times of the rows, shape (n,).
    """

    def __init__(self, time_s: FloatArray) -> None:
        self.elapsed_s = time_s - time_s[0]
        self.step_s = np.diff(time_s, prepend=time_s[0])

    def fading(self, rate: FloatArray) -> FloatArray:
        """What is left of each mode since the first row, shape (m, n); *rate* in 1/s, shape (m,)."""
        return np.asarray(np.exp(-np.minimum(rate[:, None] * self.elapsed_s, _DEEPEST)))

    def run(self, rate: FloatArray, inputs: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Answer of each mode to *inputs* held over each interval, and its derivative to the rate.

        Args:
            rate: 1/s, shape (m,).
            inputs: shape (q, n); element i acts from row i-1 to row i.

        Returns:
            The answers, shape (q, m, n), and the derivative of the first one, shape (m, n).
        """
        m, n, q = rate.size, self.step_s.size, inputs.shape[0]
        x = rate[:, None] * self.step_s
        decay = np.exp(-np.minimum(x, _DEEPEST))
        # (1 - exp(-x))/rate without loss of digits for slow modes.
        hold = -np.expm1(-x) / rate[:, None]
        decay[:, 0] = 0.0
        band = np.ones((2, m * n), order="F")
        band[1, :-1] = -decay.ravel()[1:]
        drive = (inputs[:, None, :] * hold).reshape(q, m * n).T + _WHISPER
        answer = _solve(band, drive).T.reshape(q, m, n)
        previous = np.zeros((m, n))
        previous[:, 1:] = answer[0, :, :-1]
        d_hold = (self.step_s * decay - hold) / rate[:, None]
        d_drive = inputs[0] * d_hold - self.step_s * decay * previous
        slope = _solve(band, d_drive.reshape(m * n, 1) + _WHISPER).reshape(m, n)
        return answer, slope


def _solve(band: FloatArray, right: FloatArray) -> FloatArray:
    """Solve the unit lower bidiagonal system: every mode's recursion in one call."""
    solved, _ = lapack.dtbtrs(band, np.asfortranarray(right), uplo="L", diag="U")
    return np.asarray(solved, dtype=np.float64)
