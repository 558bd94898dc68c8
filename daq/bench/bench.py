"""The bench as procedures see it: roles, a clock, and no wires."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field

from daq.bench.fits import Fits, VirtualFits
from daq.bench.guard.guard import Guard
from daq.bench.harness import Harness
from daq.bench.operator import Hand, Operator, PersonsHand
from daq.clock import Clock
from daq.errors import BenchError
from daq.instruments.number import Number
from daq.instruments.roles import Meter, Oven, Probe, Supply

#: Below this current a coil counts as not conducting: V/I would divide noise by noise.
CONDUCTS_A = 0.02


@dataclass(frozen=True)
class Bench:
    """What is on the bench, ready to use.

    *typed* says that a person reads meter or thermometer (*meter_typed*, *probe_typed*), so that nothing can
    be watched;
    *probe_needs_meter* that the meter must leave the coil to read its temperature, *probe_in_volts* that it
    reads a thermocouple then.
    """

    clock: Clock
    guard: Guard
    harness: Harness
    meter: Meter
    probe: Probe
    operator: Operator
    hand: Hand = field(default_factory=PersonsHand)
    fits: Fits = field(default_factory=VirtualFits)
    supply: Supply | None = None
    oven: Oven | None = None
    wires: int = 4
    typed: bool = False
    meter_typed: bool = False
    probe_typed: bool = False
    probe_needs_meter: bool = False
    probe_in_volts: bool = False

    def resistance(self, coil: str, *, quick: bool = False) -> Number:
        """Measure the resistance of *coil* in ohms with the supply off and disconnected."""
        what = f"an ohms reading of coil {coil}"
        # A switch unit takes the supply off the coil; without one only the supply knows.
        (self.guard.require_off if self.harness.switched else self.guard.confirm_off)(what)
        self.harness.to_coil(coil)
        return self.meter.resistance(coil, quick=quick)

    def temperature(self, coil: str) -> Number:
        """Measure the body temperature of *coil* in degC."""
        return self.probe.temperature(coil)

    def bodies_degC(self, coils: Sequence[str]) -> dict[str, float]:
        """Read every probe that needs nobody's help; return what could be read, by coil."""
        found: dict[str, float] = {}
        if self.probe_typed or (self.probe_needs_meter and not self.harness.switched):
            return found
        with suppress(BenchError):  # a meter that is gone is gone for all of them
            for coil in coils:
                value = self.temperature(coil).value
                if value is not None:
                    found[coil] = value
        return found

    def insulation(self, coil: str) -> Number | None:
        """Measure winding to body of *coil* in ohms; None where there is no way to."""
        if not self.harness.can_test_insulation(coil):
            return None
        self.guard.require_off(f"an insulation reading of coil {coil}")
        self.harness.to_insulation(coil)
        return self.meter.insulation(coil)

    def lead_resistance(self, *, by_hand: bool = False) -> Number | None:
        """Measure the meter's leads joined at their far end in ohms.

        Args:
            by_hand: Ask the operator to join them where no switch unit does.

        Returns:
            The reading, or None where nothing joins them.
        """
        self.guard.require_off("a lead reading")
        if not self.harness.to_short():
            if not by_hand:
                return None
            self.harness.to_joined_leads()
        return self.meter.resistance("leads held together")
