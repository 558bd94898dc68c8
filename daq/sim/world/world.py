"""The bench as one physical world: coils, air, current and contacts, advanced to the clock on demand."""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass, field

import numpy as np

from daq.clock import Clock
from daq.sim.world.air import TICK_S, OvenAir
from daq.sim.world.branch import Branch
from daq.sim.world.coil import Coil
from daq.sim.world.hand import SimHand
from daq.sim.world.output_stage import OutputStage
from daq.sim.world.probe import Probe
from daq.sim.world.thermal import BODY, PROBE, ThermalBank
from daq.sim.world.wiring import Contact, Harness

#: Longest step while heat or faults may change the resistance, and while the supply is slewing.
_DRIVEN_STEP_S = 0.25
_WATCHED_STEP_S = 1.0
_SLEW_STEP_S = 0.004
#: Less than this through a contact does it no harm.
_HARMLESS_A = 1e-3
_HARMLESS_V = 0.02
#: Fraction of a second below which two instants are one.
_SAME_S = 1e-12


@dataclass
class Drive:
    """What the supply does to the coils at one instant."""

    voltage_V: float = 0.0
    current_A: float = 0.0
    constant_current: bool = False
    #: Current through each coil on the supply, by index; 0 where the coil is open.
    coil_A: dict[int, float] = field(default_factory=dict)


class World:
    """Everything that has a temperature, a voltage or a position. Hold :attr:`lock` around its use."""

    def __init__(
        self,
        *,
        clock: Clock,
        ambient_degC: float,
        coils: tuple[Coil, ...],
        bank: ThermalBank,
        oven: OvenAir | None,
        stage: OutputStage,
        harness: Harness,
    ) -> None:
        self.clock = clock
        self.lock = threading.RLock()
        self.ambient_degC = ambient_degC
        self.coils = coils
        self.bank = bank
        self.oven = oven
        self.stage = stage
        self.harness = harness
        #: Who moves the leads by the clock, if anybody does.
        self.hand: SimHand | None = None
        self.now_s = clock.monotonic()
        self.contacts_moved_under_current = 0
        self.sense_moved_on_live_coil = 0
        self._tick_s = self.now_s + TICK_S if oven is not None else math.inf
        self._probes = [Probe(coil.probe_fault) for coil in coils]
        labels = [coil.label for coil in coils]
        self._probe_on = [labels.index(coil.probe_on) for coil in coils]
        self._watched = [(index, coil) for index, coil in enumerate(coils) if coil.heat_sensitive]
        for coil in coils:
            coil.start(self.now_s)
        self._telegraphs = [(index, coil) for index, coil in enumerate(coils) if coil.next_event_s < math.inf]

    def catch_up(self) -> float:
        """Advance to the clock's present and return it."""
        target_s = self.clock.monotonic()
        while target_s - self.now_s > _SAME_S:
            self._step(target_s)
        if self.hand is not None:
            self.hand.hold(self.now_s)
        return self.now_s

    def _step(self, target_s: float) -> None:
        stage = self.stage
        live = stage.level_V > 0.0
        longest_s = math.inf
        if stage.slewing:
            longest_s = _SLEW_STEP_S
        elif live:
            longest_s = _DRIVEN_STEP_S
        elif self._watched:
            longest_s = _WATCHED_STEP_S
        end_s = min(target_s, self.now_s + longest_s, self._tick_s)
        for _, coil in self._telegraphs:
            end_s = min(end_s, coil.next_event_s)
        dt_s = end_s - self.now_s
        if dt_s > 0.0:
            self._flow(dt_s, live=live)
        self.now_s = end_s
        if self._watched:
            windings_degC = self.bank.windings_degC()
            for index, coil in self._watched:
                coil.age(end_s, dt_s, windings_degC[index])
        for index, coil in self._telegraphs:
            if coil.next_event_s <= end_s:
                coil.telegraph(self.bank.winding_degC(index))
        if self.oven is not None and end_s >= self._tick_s:
            self.oven.tick()
            self._tick_s += TICK_S

    def _flow(self, dt_s: float, *, live: bool) -> None:
        air_degC = self.air_degC
        if self.oven is not None:
            self.oven.advance(dt_s)
        power_W = None
        if live:
            drive = self.drive()
            power_W = np.zeros(len(self.coils))
            for index, current_A in drive.coil_A.items():
                coil = self.coils[index]
                copper_W = current_A**2 * coil.copper_at(self.bank.winding_degC(index))
                power_W[index] = copper_W
                # Heat of the joint is made in the terminal and goes to the air.
                coil.energy_J += (copper_W + current_A**2 * coil.joint_ohm) * dt_s
        self.bank.step(dt_s, power_W, air_degC, self.air_degC)
        self.stage.slew(dt_s)
        if self.stage.level_V > 0.0:
            after = self.drive()
            self.stage.protect(after.voltage_V, after.current_A)

    @property
    def air_degC(self) -> float:
        """Temperature of the air around the coils."""
        return self.ambient_degC if self.oven is None else self.oven.air_degC

    def fan_changed(self) -> None:
        """Couple the coils to still or moving air, as the fan says."""
        self.bank.set_air(moving=self.oven is not None and self.oven.fan)

    def drive(self) -> Drive:
        """Solve the supply's circuit at this instant."""
        if self.stage.level_V <= 0.0:
            return Drive()
        branches = {contact.coil: self._branch(contact) for contact in self.harness.powered}
        voltage_V, current_A, limited = self.stage.solve(list(branches.values()))
        across = {index: branch.across_V(voltage_V) for index, branch in branches.items()}
        flowing = {index: branch.winding_S * across[index] for index, branch in branches.items()}
        return Drive(voltage_V, current_A, limited, flowing)

    def _branch(self, contact: Contact) -> Branch:
        coil = self.coils[contact.coil]
        own_ohm = coil.resistance_at(self.bank.winding_degC(contact.coil))
        winding_S = 0.0 if coil.is_open else 1.0 / own_ohm
        return Branch(contact.contact_ohm + self.harness.power_lead_ohm, winding_S, coil.diode)

    def resistance_ohm(self, index: int) -> float:
        """Return the resistance between the terminals of a coil, were it closed."""
        return self.coils[index].resistance_at(self.bank.winding_degC(index))

    def body_degC(self, index: int) -> float:
        """Return the body temperature of a coil."""
        return self.bank.node_degC(index, BODY)

    def probe_degC(self, index: int) -> float | None:
        """Return what the probe of a coil is at; None if it is broken, minus infinity if it is shorted."""
        state = self.coils[index].probe
        if state == "open":
            return None
        if state == "shorted":
            return -math.inf
        coil = self.coils[index]
        on_degC = self.air_degC if state == "loose" else self.bank.node_degC(self._probe_on[index], PROBE)
        fault = coil.probe_fault
        air_degC = self.ambient_degC if fault is not None and fault.hangs_in == "room" else self.air_degC
        body_degC = self.body_degC(index)
        found_degC = self._probes[index].temperature_degC(self.now_s, on_degC, body_degC, air_degC)
        return None if found_degC is None else found_degC + coil.probe_offset_K

    def move_contacts(self, channels: tuple[int, ...], *, close: bool) -> None:
        """Move switch contacts now and note which of them moved with current on."""
        moving = self.harness.moving(channels, close=close)
        before = self.drive()
        self.harness.move(moving, close=close)
        if self.oven is not None:
            self.oven.power(mains=self.harness.oven_has_mains)
        after = self.drive()
        for contact in moving:
            live_A = max(before.coil_A.get(contact.coil, 0.0), after.coil_A.get(contact.coil, 0.0))
            if contact.role == "power":
                # Closing on to a live supply draws the arc of the charged leads, coil open or not.
                if live_A > _HARMLESS_A or (close and self.stage.level_V > _HARMLESS_V):
                    self.contacts_moved_under_current += 1
            elif contact.role == "sense" and live_A > _HARMLESS_A:
                self.sense_moved_on_live_coil += 1

    def move_leads(self, coil: int | None, *, shorted: bool = False) -> None:
        """Move the hand-held leads now; note it if they carried current."""
        before = self.drive()
        self.harness.hold(coil, shorted=shorted)
        if max(before.current_A, self.drive().current_A) > _HARMLESS_A:
            self.contacts_moved_under_current += 1
