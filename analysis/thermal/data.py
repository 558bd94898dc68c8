"""Rows of one trace as the network fit sees them, and the same in fewer rows."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.arrays import FloatArray


@dataclass(frozen=True)
class Data:
    """Rows ready to be fitted, all shape (n,); a masked-out reading has weight zero.

    *weight* has shape (2, n): 1/sigma of the resistance and of the probe reading.
    """

    time_s: FloatArray
    probe_degC: FloatArray
    resistance_ohm: FloatArray
    power_W: FloatArray
    #: Square of the current: what each ohm of joint takes from the winding. Zero: joint heat neglected.
    square_A2: FloatArray
    #: Power at stake in each interval with an unknown switching instant, shape (e, n).
    edge_W: FloatArray
    weight: FloatArray
    alpha20_per_K: float
    air_degC: float
    air_u_K: float
    drift_u_K_per_s: float
    #: Share of each row read as V/I while the rest of the trace was read by an ohmmeter: 0 or 1, between in a
    #: block of both. All 0 where one instrument read everything.
    by_vi: FloatArray
    #: How far V/I may be off the ohmmeter: relative, and the ohmmeter's own offset (standard uncertainties).
    vi_gain_u: float
    offset_u_ohm: float

    @property
    def count(self) -> int:
        """Readings that carry weight."""
        return int(np.count_nonzero(self.weight))

    @property
    def edges(self) -> int:
        """Number of unknown switching instants."""
        return int(self.edge_W.shape[0])

    def condensed(self, *, fine: float = 0.15, coarse_s: float = 15.0) -> Data:
        """The same trace in fewer rows: means over blocks that grow away from each switching instant.

        Every reading keeps its weight, and the energy between rows is kept. A block is short where power
        changes, and elsewhere so short that no mode bends within it.

        Args:
            fine: Length of a block as a part of the time to the nearest step of power.
            coarse_s: The longest block.
        """
        t = self.time_s
        step = np.diff(t, prepend=t[0])
        most = max(1e-12, float(self.power_W.max()))
        change = np.abs(np.diff(self.power_W, append=self.power_W[-1])) / most
        unsure = (self.edge_W > 0).any(axis=0)
        kinks = np.unique(t[np.concatenate(([0], np.flatnonzero(change > 0.1), np.flatnonzero(unsure)))])
        after = np.minimum(np.searchsorted(kinks, t), kinks.size - 1)
        near = np.minimum(np.abs(kinks[after] - t), np.abs(t - kinks[np.maximum(after - 1, 0)]))
        # A block is full when its length is used up, or when the power has changed by 2 % of the most.
        used = step / np.clip(fine * near, 1e-9, coarse_s) + change / 0.02
        number = np.floor(np.cumsum(np.minimum(used, 1.0)) + 1e-6)
        first = np.flatnonzero(np.diff(number, prepend=-1.0))
        size = np.diff(first, append=t.size)
        node_s = np.add.reduceat(t, first) / size
        square = np.add.reduceat(self.weight**2, first, axis=1)
        divisor = np.where(square > 0, square, 1.0)
        seen = np.stack((self.resistance_ohm, self.probe_degC))
        mean = np.add.reduceat(seen * self.weight**2, first, axis=1) / divisor
        mean_s = np.add.reduceat(t * self.weight**2, first, axis=1) / divisor
        for row in range(2):
            # A missing reading moves the middle of its block.
            known = square[row] > 0
            if np.count_nonzero(known) > 2:
                slope = np.gradient(mean[row, known], mean_s[row, known])
                mean[row, known] += slope * (node_s[known] - mean_s[row, known])

        def held(power: FloatArray) -> FloatArray:
            energy = np.interp(node_s, t, np.cumsum(power * step))
            return np.concatenate(([0.0], np.diff(energy) / np.diff(node_s)))

        return replace(
            self,
            time_s=node_s,
            probe_degC=mean[1],
            resistance_ohm=mean[0],
            power_W=held(self.power_W),
            square_A2=held(self.square_A2),
            edge_W=np.stack([held(e) for e in self.edge_W]) if self.edges else np.zeros((0, node_s.size)),
            weight=np.sqrt(square),
            by_vi=np.add.reduceat(self.by_vi * self.weight[0] ** 2, first) / divisor[0],
        )
