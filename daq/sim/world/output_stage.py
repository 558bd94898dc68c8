"""The supply's output stage: constant voltage until its current limit takes over, with slew and trips."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from daq.sim.faults import Supply
from daq.sim.world.branch import Branch


class OutputStage:
    """Voltage and current at the terminals: constant voltage until the current limit takes over."""

    def __init__(self, supply: Supply, rng: np.random.Generator) -> None:
        self._slew_V_per_s = supply.slew_V_per_s
        self._gain_V = 1.0 + supply.setting_error_rel * float(rng.uniform(-1.0, 1.0))
        self._gain_A = 1.0 + supply.setting_error_rel * float(rng.uniform(-1.0, 1.0))
        self.max_V = supply.max_V
        self.max_A = supply.max_A
        self.set_V = 0.0
        self.limit_A = 0.0
        self.over_V = 0.0
        self.over_A = 0.0
        #: Whether each protection acts at its level.
        self.armed_V = self.armed_A = False
        self.on = False
        #: The voltage the stage would give without a load; 0 with the output relay open.
        self.level_V = 0.0
        self.tripped_V = False
        self.tripped_A = False
        self.reset()

    def reset(self) -> None:
        """Off, at zero, protections at their widest; against over-current it does not act unasked."""
        self.set_V = 0.0
        self.limit_A = self.max_A
        self.over_V = self.max_V * 1.1
        self.over_A = self.max_A * 1.1
        self.armed_V, self.armed_A = True, False
        self.on = False
        self.tripped_V = self.tripped_A = False

    @property
    def target_V(self) -> float:
        """Where the voltage is going."""
        return self.set_V * self._gain_V if self.on else 0.0

    @property
    def connected(self) -> bool:
        """Whether the output relay is closed: switched on, or the voltage still falling."""
        return self.on or self.level_V > 0.0

    @property
    def slewing(self) -> bool:
        """Whether the voltage is still on its way."""
        return self.level_V != self.target_V

    def slew(self, dt_s: float) -> None:
        """Move the voltage towards its target for *dt_s*."""
        reach_V = self._slew_V_per_s * dt_s
        gap_V = self.target_V - self.level_V
        self.level_V = (
            self.target_V if abs(gap_V) <= reach_V else self.level_V + math.copysign(reach_V, gap_V)
        )

    def solve(self, branches: Sequence[Branch]) -> tuple[float, float, bool]:
        """Return voltage, current and whether the current limit holds, into *branches* side by side."""
        limit_A = self.limit_A * self._gain_A
        current_A = sum(branch.current_A(self.level_V) for branch in branches)
        if current_A <= limit_A:
            return self.level_V, current_A, False
        # Currents rise with voltage, in straight pieces: the limit is met between two of their ends.
        ends_V = sorted({0.0, self.level_V, *(branch.bends_at_V for branch in branches)})
        ends_V = [end_V for end_V in ends_V if end_V <= self.level_V]
        flows_A = [sum(branch.current_A(end_V) for branch in branches) for end_V in ends_V]
        above = next(at for at, flow_A in enumerate(flows_A) if flow_A > limit_A)
        low_V, low_A = ends_V[above - 1], flows_A[above - 1]
        share = (limit_A - low_A) / (flows_A[above] - low_A)
        return low_V + share * (ends_V[above] - low_V), limit_A, True

    def protect(self, voltage_V: float, current_A: float) -> None:
        """Switch off at once above the level of a protection that is armed."""
        self.tripped_V = self.tripped_V or (self.armed_V and voltage_V > self.over_V)
        self.tripped_A = self.tripped_A or (self.armed_A and current_A > self.over_A)
        if self.tripped_V or self.tripped_A:
            self.on = False
            self.level_V = 0.0
