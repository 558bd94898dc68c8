"""No sequence of calls, faults and exceptions makes the bench do what it must not: the simulator judges."""

from __future__ import annotations

from contextlib import AbstractContextManager, suppress
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from daq.bench.bench import CONDUCTS_A, Bench
from daq.bench.guard.drive import Drive, OvenHeat
from daq.bench.guard.guard import OUTPUT_UNKNOWN, PROTECTION_MARGIN, Guard
from daq.bench.harness import Harness, Routes
from daq.bench.operator import AbsentOperator
from daq.clock import VirtualClock
from daq.errors import BenchError
from daq.instruments.dialects.load import load_dialect
from daq.instruments.drivers.meter import DialectMeter, MeterSetup
from daq.instruments.drivers.oven import DialectOven
from daq.instruments.drivers.probe import MeterProbe
from daq.instruments.drivers.supply import DialectSupply
from daq.instruments.drivers.switch import DialectSwitch
from daq.instruments.talk.conversation import Conversation
from daq.links.inprocess import InProcessLink
from daq.sim.bench import assemble
from daq.sim.faults import CoilPart, FaultScript, Kind, Oven, Wiring
from tests.daq.kits.fault_layer import BENCH, WIRE, Fault, Layer, break_bench

COILS = ("Y1", "Y2")
RIG_V, RIG_A, COIL_V, COIL_A = 12.0, 4.0, 9.0, 3.5
BODY_DEGC = 100.0
ROUTES = Routes(
    power={"Y1": 101, "Y2": 102},
    sense={"Y1": 201, "Y2": 202},
    probe={"Y1": 301, "Y2": 302},
    leak={"Y1": 401, "Y2": 402},
    short=209,
)
SCRIPT = FaultScript(
    about="two invented coils",
    seed=1,
    oven=Oven(),
    wiring=Wiring(power=(101, 102), sense=(201, 202), probe=(301, 302), leak=(401, 402), short=209),
    kinds={"plain": Kind(copper_ohm=3.3)},
    coils=(CoilPart(label="Y1", kind="plain"), CoilPart(label="Y2", kind="plain")),
)
#: A command that arrives as another one, or twice, is beyond what the program can see before it has happened.
WIRE_KINDS = [kind for kind in WIRE if kind != "corrupt command"]
coils = st.sampled_from(COILS)


class Benches(RuleBasedStateMachine):
    """A bench behind the fault layer, and everything that procedures may ask of it, in any order."""

    def __init__(self) -> None:
        super().__init__()
        self.clock = VirtualClock()
        self.truth = assemble(SCRIPT, clock=self.clock)
        self.layer = Layer(self.truth, (), seed=1)
        self.layer.watch = self.look
        self.alarms: list[str] = []
        self.wrong: list[str] = []
        #: Faults after which the supply's output is no longer what the program made it.
        self.foreign = False
        self.function = b""
        self.bench = self.build()
        self.blocks: list[AbstractContextManager[Any]] = []
        self.drives: list[Drive] = []
        self.heats: list[OvenHeat] = []

    def build(self) -> Bench:
        """Put the program's own layers on the simulated instruments."""

        def talk(name: str) -> Conversation:
            link = InProcessLink(
                self.layer.peers[name], f"sim:{name}", "\n", "\n", timeout_s=5.0, clock=self.clock
            )
            return Conversation(link, load_dialect("scpi-1999").role(name), name=name, clock=self.clock)

        talks = {name: talk(name) for name in ("supply", "meter", "switch", "oven")}
        for each in talks.values():
            each.start(None)
        supply, oven = DialectSupply(talks["supply"]), DialectOven(talks["oven"])
        guard = Guard(
            supply,
            oven,
            self.clock,
            voltage_V=RIG_V,
            current_A=RIG_A,
            body_degC=BODY_DEGC,
            alarm=self.alarms.append,
        )
        operator = AbsentOperator()
        switch = DialectSwitch(talks["switch"])
        harness = Harness(guard, self.clock, switch=switch, routes=ROUTES, operator=operator)
        meter = DialectMeter(talks["meter"], MeterSetup())
        probe = MeterProbe(meter, harness, to_degC=lambda ohm: (ohm - 100.0) / 0.39)
        return Bench(
            clock=self.clock,
            guard=guard,
            harness=harness,
            meter=meter,
            probe=probe,
            operator=operator,
            supply=supply,
            oven=oven,
            probe_needs_meter=True,
        )

    def look(self, name: str, sent: bytes) -> None:
        """Hold the truth after each exchange to what must never be."""
        world = self.truth.world
        stage, driven = world.stage, world.drive().coil_A
        if name == "supply" and stage.on and not self.foreign:
            highest_V, highest_A = PROTECTION_MARGIN * COIL_V + 0.05, PROTECTION_MARGIN * COIL_A + 0.05
            if stage.over_V > highest_V or stage.over_A > highest_A:
                self.wrong.append(f"on without protection: {stage.over_V} V, {stage.over_A} A")
            if stage.limit_A > COIL_A + 0.005 or stage.set_V > COIL_V + 0.005:
                self.wrong.append(f"on above the limits: {stage.set_V} V, {stage.limit_A} A")
        if name == "meter":
            if sent.startswith(b"FUNC "):
                self.function = sent
            on_meter = [path.coil for path in world.harness.metered if path.role == "sense"]
            live = [coil for coil in on_meter if driven.get(coil, 0.0) > CONDUCTS_A]
            if sent.startswith(b"READ") and b"RES" in self.function and live:
                self.wrong.append(f"ohms of coil {live} while {driven} A flow")

    @rule(coil=coils, volts=st.sampled_from([0.0, 8.4, 9.0, 9.5, float("nan")]), route=st.booleans())
    def energise(self, coil: str, volts: float, route: bool) -> None:
        """Bring the supply to a coil, or not, and enter a guarded block."""
        with suppress(BenchError):
            if route:
                self.bench.harness.to_driven_coil(coil)
            block = self.bench.guard.energised(
                coil, voltage_V=volts, coil_voltage_V=COIL_V, coil_current_A=COIL_A
            )
            self.drives.append(block.__enter__())
            self.blocks.append(block)

    @rule(which=st.integers(0, 9))
    def measure(self, which: int) -> None:
        """Read a drive."""
        if self.drives:
            drive = self.drives[which % len(self.drives)]
            with suppress(BenchError):
                drive.current()
                drive.trouble()

    @rule(error=st.sampled_from([None, RuntimeError("a bug"), KeyboardInterrupt(), BenchError("broken")]))
    def leave(self, error: BaseException | None) -> None:
        """Leave the innermost block, in order or by an exception."""
        if self.blocks:
            block = self.blocks.pop()
            with suppress(BenchError, RuntimeError, KeyboardInterrupt):
                block.__exit__(None if error is None else type(error), error, None)

    @rule(degC=st.sampled_from([40.0, 90.0, 101.0]))
    def heat(self, degC: float) -> None:
        """Enter a heated block."""
        with suppress(BenchError):
            block = self.bench.guard.heating(BODY_DEGC)
            heat = block.__enter__()
            self.blocks.append(block)
            self.heats.append(heat)
            heat.go_to(degC)

    @rule(which=st.integers(0, 9))
    def heat_again(self, which: int) -> None:
        """Use an oven's handle, perhaps one whose block has been left."""
        if self.heats:
            with suppress(BenchError):
                self.heats[which % len(self.heats)].go_to(60.0)

    @rule(coil=coils, what=st.sampled_from(["ohms", "degC", "insulation", "leads", "release"]))
    def read(self, coil: str, what: str) -> None:
        """Take a reading that wants an undriven coil, or open all contacts."""
        with suppress(BenchError):
            if what == "ohms":
                self.bench.resistance(coil)
            elif what == "degC":
                self.bench.temperature(coil)
            elif what == "insulation":
                self.bench.insulation(coil)
            elif what == "leads":
                self.bench.lead_resistance()
            else:
                self.bench.harness.release()

    @rule(coil=coils, way=st.sampled_from(["to_coil", "to_driven_coil", "to_probe", "to_insulation"]))
    def route(self, coil: str, way: str) -> None:
        """Move contacts."""
        with suppress(BenchError):
            getattr(self.bench.harness, way)(coil)

    @rule(way=st.sampled_from(["make_safe", "leave_safe"]))
    def safe(self, way: str) -> None:
        """Make the bench safe, at any time."""
        with suppress(BenchError):
            getattr(self.bench.guard, way)()

    @rule(
        kind=st.sampled_from(WIRE_KINDS),
        where=st.sampled_from(["supply", "meter", "switch", "oven"]),
        ahead=st.integers(0, 6),
        times=st.integers(1, 4),
        lasting_s=st.sampled_from([0.5, 3.0, 20.0, 1e9]),
    )
    def break_wire(self, kind: str, where: str, ahead: int, times: int, lasting_s: float) -> None:
        """Let one of the next exchanges with an instrument go wrong."""
        at = self.layer.exchanges.get(where, 0) + ahead
        if kind == "delay":
            lasting_s = min(lasting_s, 3.0)
        self.layer.faults = (*self.layer.faults, Fault(kind, where, at, times, lasting_s))

    @rule(kind=st.sampled_from([kind for kind in BENCH if kind != "lying output"]))
    def break_thing(self, kind: str) -> None:
        """Break something on the bench now."""
        if kind == "stuck output" and self.truth.world.stage.on:
            self.foreign = True
        break_bench(self.truth, kind, self.layer.rng)

    @rule(volts=st.sampled_from([5.0, 12.0]))
    def somebody_switches_on(self, volts: float) -> None:
        """A hand at the supply's front panel."""
        world = self.truth.world
        self.foreign = True
        world.catch_up()
        world.stage.set_V, world.stage.on = volts, True
        self.clock.sleep(0.2)

    @rule(seconds=st.sampled_from([0.01, 1.0, 60.0]))
    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.clock.sleep(seconds)

    @invariant()
    def nothing_forbidden_has_happened(self) -> None:
        """What the simulator saw."""
        self.truth.world.catch_up()
        assert self.wrong == []
        assert self.truth.contacts_moved_under_current == 0
        assert self.truth.sense_moved_on_live_coil == 0

    def teardown(self) -> None:
        """Leave every block, and the bench: off, or the alarm stands."""
        while self.blocks:
            self.leave(None)
        with suppress(BenchError):
            self.bench.guard.leave_safe()
        self.clock.sleep(0.5)
        self.nothing_forbidden_has_happened()
        if not self.foreign:
            assert self.truth.output_V() < 0.05 or OUTPUT_UNKNOWN in self.alarms


@pytest.mark.slow
class TestBenches(Benches.TestCase):
    """The state machine as a test."""

    settings = settings(
        max_examples=60,
        stateful_step_count=30,
        report_multiple_bugs=False,
        suppress_health_check=list(HealthCheck),
    )
