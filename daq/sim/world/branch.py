"""One coil on the supply: leads, winding, and a diode that may lie across it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from daq.sim.faults import Diode


@dataclass(frozen=True)
class Branch:
    """Leads of *lead_ohm* to a winding of *winding_S*, 0 where it is open, and a conducting diode beside it.

    The diode is a straight line from its forward voltage on; so is what all three make of the voltage.
    """

    lead_ohm: float
    winding_S: float
    diode: Diode | None = None

    @property
    def bends_at_V(self) -> float:
        """The voltage at the supply from which the diode conducts."""
        if self.diode is None:
            return 0.0
        return self.diode.forward_V * (1.0 + self.lead_ohm * self.winding_S)

    def across_V(self, supply_V: float) -> float:
        """Return the voltage across the coil at *supply_V* of the supply."""
        if self.diode is None or supply_V <= self.bends_at_V:
            return supply_V / (1.0 + self.lead_ohm * self.winding_S)
        diode_S = 1.0 / self.diode.series_ohm
        drop_A = diode_S * self.diode.forward_V
        return (supply_V + self.lead_ohm * drop_A) / (1.0 + self.lead_ohm * (self.winding_S + diode_S))

    def current_A(self, supply_V: float) -> float:
        """Return what the supply gives at *supply_V*, through winding and diode."""
        across_V = self.across_V(supply_V)
        through_A = across_V * self.winding_S
        if self.diode is None or math.isclose(across_V, 0.0):
            return through_A
        return through_A + max(across_V - self.diode.forward_V, 0.0) / self.diode.series_ohm
