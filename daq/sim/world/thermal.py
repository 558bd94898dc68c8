"""Heat in the coils: winding shells, body, core and probe as lumps, stepped exactly.

For constant power and air that moves in a straight line the network is a linear system; its
modes are found once per coil and state of the air, and a step of any length is then an
elementwise exponential. All coils are stepped together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.sim.faults import Thermal

FloatArray = NDArray[np.float64]

SHELLS = 4
BODY = SHELLS
CORE = SHELLS + 1
PROBE = SHELLS + 2
NODES = SHELLS + 3


def matrices(thermal: Thermal, air_W_per_K: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return heat capacities, conductances and the coupling to air of one coil.

    Heat leaves the winding at its outer shell; the core hangs on the body; the probe sits on the
    body and lags it. ``C dT/dt = -K T + g T_air + P``.

    Returns:
        C in J/K, shape (NODES,); K in W/K, shape (NODES, NODES), symmetric; g in W/K, shape (NODES,).
    """
    capacity = np.empty(NODES)
    capacity[:SHELLS] = thermal.winding_J_per_K / SHELLS
    capacity[BODY] = thermal.body_J_per_K
    capacity[CORE] = thermal.core_J_per_K
    capacity[PROBE] = thermal.probe_J_per_K
    bonds = [(shell, shell + 1, thermal.shell_to_shell_W_per_K) for shell in range(SHELLS - 1)]
    bonds += [
        (SHELLS - 1, BODY, thermal.winding_to_body_W_per_K),
        (BODY, CORE, thermal.body_to_core_W_per_K),
        (BODY, PROBE, thermal.body_to_probe_W_per_K),
    ]
    conductance = np.zeros((NODES, NODES))
    for one, other, bond_W_per_K in bonds:
        conductance[one, one] += bond_W_per_K
        conductance[other, other] += bond_W_per_K
        conductance[one, other] -= bond_W_per_K
        conductance[other, one] -= bond_W_per_K
    air = np.zeros(NODES)
    air[BODY] = air_W_per_K
    conductance[BODY, BODY] += air_W_per_K
    return capacity, conductance, air


@dataclass(frozen=True)
class _Modes:
    """The eigenmodes of all coils in one state of the air; (n, NODES) unless said otherwise."""

    rate_per_s: FloatArray
    to_nodes: FloatArray  # (n, NODES, NODES)
    from_nodes: FloatArray  # (n, NODES, NODES)
    per_watt: FloatArray  # steady modal value per watt in the winding
    per_air: FloatArray  # steady modal value per degC of air
    winding: FloatArray  # row that reads the mean winding temperature


def _solve_modes(thermals: Sequence[Thermal], *, moving: bool) -> _Modes:
    columns: list[tuple[FloatArray, ...]] = []
    for thermal in thermals:
        air_W_per_K = thermal.moving_air_W_per_K if moving else thermal.still_air_W_per_K
        capacity, conductance, air = matrices(thermal, air_W_per_K)
        root = np.sqrt(capacity)
        # Scaled by the roots of the capacities the problem is symmetric: real rates, orthogonal modes.
        rate, vectors = np.linalg.eigh(conductance / np.outer(root, root))
        to_nodes = vectors / root[:, None]
        from_nodes = vectors.T * root[None, :]
        heat = np.zeros(NODES)
        heat[:SHELLS] = 1.0 / SHELLS
        per_watt = from_nodes @ (heat / capacity) / rate
        per_air = from_nodes @ (air / capacity) / rate
        columns.append((rate, to_nodes, from_nodes, per_watt, per_air, to_nodes[:SHELLS].mean(axis=0)))
    return _Modes(*(np.array(field) for field in zip(*columns, strict=True)))


class ThermalBank:
    """The temperatures of all coils, in still or in moving air."""

    def __init__(self, thermals: Sequence[Thermal], start_degC: Sequence[float]) -> None:
        self._states = {moving: _solve_modes(thermals, moving=moving) for moving in (False, True)}
        self._modes = self._states[False]
        self._rate_per_s = self._modes.rate_per_s
        self._keep(self._modal(np.repeat(np.asarray(start_degC)[:, None], NODES, axis=1)))

    def _modal(self, nodes_degC: FloatArray) -> FloatArray:
        modal: FloatArray = np.matmul(self._modes.from_nodes, nodes_degC[:, :, None])[:, :, 0]
        return modal

    def _keep(self, modal: FloatArray) -> None:
        self._z = modal
        #: Winding temperatures at this state, of the coils that were asked for.
        self._windings_degC: dict[int, float] = {}

    def set_air(self, *, moving: bool) -> None:
        """Change the coupling to the air; temperatures stay as they are."""
        if self._states[moving] is self._modes:
            return
        nodes_degC = self.nodes_degC()
        self._modes = self._states[moving]
        self._rate_per_s = self._modes.rate_per_s
        self._keep(self._modal(nodes_degC))

    def step(self, dt_s: float, power_W: FloatArray | None, air_from_degC: float, air_to_degC: float) -> None:
        """Advance *dt_s* with *power_W* (shape (n,); None: no power) in the windings.

        Exact for constant power and an air temperature moving linearly between its two values.
        """
        modes = self._modes
        decay = np.expm1(self._rate_per_s * -dt_s)
        steady = modes.per_air * air_from_degC
        if power_W is not None:
            steady += modes.per_watt * power_W[:, None]
        change = (self._z - steady) * decay
        slope = (air_to_degC - air_from_degC) / dt_s
        if slope != 0.0:
            change += modes.per_air * (slope * (dt_s + decay / self._rate_per_s))
        self._keep(self._z + change)

    def nodes_degC(self) -> FloatArray:
        """Return every node's temperature, shape (n, NODES)."""
        nodes: FloatArray = np.matmul(self._modes.to_nodes, self._z[:, :, None])[:, :, 0]
        return nodes

    def set_nodes_degC(self, nodes_degC: FloatArray) -> None:
        """Put the network at *nodes_degC*, shape (n, NODES)."""
        self._keep(self._modal(nodes_degC))

    def windings_degC(self) -> list[float]:
        """Return the mean winding temperature of every coil."""
        means: list[float] = (self._modes.winding * self._z).sum(axis=1).tolist()
        return means

    def winding_degC(self, index: int) -> float:
        """Return the mean winding temperature of one coil."""
        known_degC = self._windings_degC.get(index)
        if known_degC is None:
            known_degC = self._windings_degC[index] = float(self._modes.winding[index] @ self._z[index])
        return known_degC

    def node_degC(self, index: int, node: int) -> float:
        """Return the temperature of one node (BODY, CORE, PROBE or a shell's number) of one coil."""
        return float(self._modes.to_nodes[index, node] @ self._z[index])
