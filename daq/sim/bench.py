"""The simulated bench: a fault script becomes instruments that answer, and a truth that tests may ask."""

from __future__ import annotations

import math
import zlib
from pathlib import Path

import numpy as np

from daq.clock import Clock
from daq.errors import InputError
from daq.links.base import Peer
from daq.sim import faults
from daq.sim.devices.meter import MeterInstrument
from daq.sim.devices.oven import OvenInstrument
from daq.sim.devices.supply import SupplyInstrument
from daq.sim.devices.switch import SwitchInstrument
from daq.sim.devices.thermometer import ThermometerInstrument
from daq.sim.devices.unreliable import LyingSupply, UnreliableMeter
from daq.sim.world.air import OvenAir
from daq.sim.world.coil import Coil
from daq.sim.world.hand import SimHand
from daq.sim.world.output_stage import OutputStage
from daq.sim.world.thermal import ThermalBank
from daq.sim.world.wiring import Harness
from daq.sim.world.world import World


class SimBench:
    """A bench of simulated instruments, and what only a simulation can know: the truth.

    The accessors bring the world up to the clock first. They are for tests and demonstrations;
    the program under test sees :attr:`peers` and nothing else.
    """

    def __init__(self, world: World, peers: dict[str, Peer], seed: int) -> None:
        self.world = world
        self.peers = peers
        self.seed = seed
        #: Who holds the leads, where the script has a hand.
        self.hand = world.hand
        self.coils = {coil.label: coil for coil in world.coils}
        self._index = {coil.label: index for index, coil in enumerate(world.coils)}

    def _at(self, label: str) -> int:
        index = self._index.get(label)
        if index is None:
            raise InputError(f"simulated bench: no coil {label!r}; it has {', '.join(self._index)}")
        return index

    def winding_degC(self, label: str) -> float:
        """Return the mean winding temperature of a coil."""
        with self.world.lock:
            self.world.catch_up()
            return self.world.bank.winding_degC(self._at(label))

    def body_degC(self, label: str) -> float:
        """Return the body temperature of a coil."""
        with self.world.lock:
            self.world.catch_up()
            return self.world.body_degC(self._at(label))

    def air_degC(self) -> float:
        """Return the temperature of the air around the coils."""
        with self.world.lock:
            self.world.catch_up()
            return self.world.air_degC

    def oven_left_on(self) -> bool:
        """Return whether the oven heats, or would once its controller asks for it."""
        with self.world.lock:
            self.world.catch_up()
            return self.world.oven is not None and self.world.oven.left_on

    def resistance_ohm(self, label: str) -> float:
        """Return the true resistance between the terminals; infinite while the coil is open."""
        with self.world.lock:
            self.world.catch_up()
            index = self._at(label)
            return math.inf if self.world.coils[index].is_open else self.world.resistance_ohm(index)

    def current_A(self, label: str) -> float:
        """Return the current through a coil."""
        with self.world.lock:
            self.world.catch_up()
            return self.world.drive().coil_A.get(self._at(label), 0.0)

    def energy_J(self, label: str) -> float:
        """Return the electrical energy a coil has taken since the bench was built."""
        with self.world.lock:
            self.world.catch_up()
            return self.world.coils[self._at(label)].energy_J

    def opens_s(self, label: str) -> list[tuple[float, float]]:
        """Return when a coil was open: (from, to) in the clock's seconds; to is infinite while it lasts."""
        with self.world.lock:
            self.world.catch_up()
            return [(began_s, ended_s) for began_s, ended_s in self.world.coils[self._at(label)].opens_s]

    def output_V(self) -> float:
        """Return the voltage at the supply's terminals."""
        with self.world.lock:
            self.world.catch_up()
            return self.world.drive().voltage_V

    def output_on(self) -> bool:
        """Return whether the supply's output is switched on or still falling."""
        with self.world.lock:
            self.world.catch_up()
            return self.world.stage.connected

    def closed_channels(self) -> frozenset[int]:
        """Return the closed switch channels."""
        with self.world.lock:
            return self.world.harness.closed

    @property
    def contacts_moved_under_current(self) -> int:
        """How many power contacts (or hand-held leads) moved with current on since the start."""
        return self.world.contacts_moved_under_current

    @property
    def sense_moved_on_live_coil(self) -> int:
        """How many sense contacts moved while their coil was driven since the start."""
        return self.world.sense_moved_on_live_coil

    def move_leads(self, label: str | None) -> None:
        """Put the hand-held leads and probe on another coil, or on none (only without a switch)."""
        self._by_hand(None if label is None else self._at(label), shorted=False)

    def short_leads(self) -> None:
        """Hold the meter leads together, off every coil (only without a switch)."""
        self._by_hand(None, shorted=True)

    def _by_hand(self, coil: int | None, *, shorted: bool) -> None:
        if self.world.harness.has_switch:
            raise InputError(
                "simulated bench: leads are wired to the switch; a script with switch = false has loose ones"
            )
        with self.world.lock:
            self.world.catch_up()
            self.world.move_leads(coil, shorted=shorted)


def build(script: Path, *, clock: Clock, seed: int | None = None) -> SimBench:
    """Build the bench that the fault script describes; *seed* replaces the script's own.

    Raises:
        InputError: the script cannot be read or does not make sense.
    """
    return assemble(faults.load(script), clock=clock, seed=seed)


def assemble(script: faults.FaultScript, *, clock: Clock, seed: int | None = None) -> SimBench:
    """Build the bench from a checked script. Same seed and same exchanges: the same bytes."""
    chosen = script.seed if seed is None else seed

    def rng(name: str) -> np.random.Generator:
        # A stream for each name: another coil or instrument does not shift the others.
        return np.random.default_rng([chosen, zlib.crc32(name.encode())])

    coils = tuple(Coil(part, script.kinds[part.kind], rng(f"coil {part.label}")) for part in script.coils)
    bank = ThermalBank(
        [script.kinds[part.kind].thermal for part in script.coils],
        [script.ambient_degC if part.start_degC is None else part.start_degC for part in script.coils],
    )
    mains = script.wiring.oven is None
    oven = None if script.oven is None else OvenAir(script.oven, script.ambient_degC, mains=mains)
    world = World(
        clock=clock,
        ambient_degC=script.ambient_degC,
        coils=coils,
        bank=bank,
        oven=oven,
        stage=OutputStage(script.supply, rng("output stage")),
        harness=Harness(script.wiring, tuple(coil.label for coil in coils), rng("contacts")),
    )
    if script.hand is not None:
        world.hand = SimHand(clock, world.harness, script.hand, rng("hand"))
    peers: dict[str, Peer] = {
        "supply": SupplyInstrument(world, script.supply, rng("supply")),
        "meter": MeterInstrument(world, script.meter, rng("meter")),
        "thermometer": ThermometerInstrument(world, script.thermometer, rng("thermometer")),
    }
    if script.meter.unreliable:
        peers["meter"] = UnreliableMeter(peers["meter"], world, script.meter, rng("unreliable meter"))
    if script.supply.lies_at_off is not None:
        peers["supply"] = LyingSupply(peers["supply"], world, script.supply.lies_at_off)
    if script.wiring.switch:
        peers["switch"] = SwitchInstrument(world)
    if oven is not None and script.oven is not None:
        peers["oven"] = OvenInstrument(world, oven, script.oven, rng("oven"))
    return SimBench(world, peers, chosen)
