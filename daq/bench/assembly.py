"""The composition root: from a checked rig file to a bench that procedures can use, and back to all off."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass, replace
from functools import partial

from analysis.physics import thermometers
from daq.bench.bench import Bench
from daq.bench.fits import Fits, FitsBeside, VirtualFits
from daq.bench.guard.guard import Guard
from daq.bench.harness import Harness, Routes
from daq.bench.opening import (
    open_wire,
    port_of,
    role_dialect,
    same_wire,
    talking,
    wall_clock,
    wire_timeout_s,
)
from daq.bench.operator import Hand, Operator, PersonsHand
from daq.bench.typed import TypedMeter, TypedProbe
from daq.bench.watchdog.client import Companion
from daq.bench.watchdog.heartbeat import BreathingClock, BreathingLink, BreathingOperator
from daq.clock import Clock, ScaledClock, VirtualClock
from daq.config.load import fault_script
from daq.config.rig import COOL_WITHIN_S, OVER_K, SIMULATED, TYPED, Instrument, Rig
from daq.config.toml import Loaded
from daq.errors import (
    BenchError,
    CoilsoakError,
    IdentityError,
    InputError,
    LinkClosedError,
    NotReadyError,
    RefusedError,
    ReplyError,
    StartError,
)
from daq.instruments.drivers.meter import PT100_RANGE_OHM, SENSOR_RANGE_OHM, DialectMeter, MeterSetup
from daq.instruments.drivers.oven import DialectOven
from daq.instruments.drivers.probe import InstrumentProbe, MeterProbe, ProbeContacts
from daq.instruments.drivers.supply import DialectSupply
from daq.instruments.drivers.switch import DialectSwitch
from daq.instruments.haste import Haste
from daq.instruments.roles import Meter, Probe
from daq.instruments.talk.conversation import Conversation
from daq.instruments.talk.exchange import Notice, unheard
from daq.links.base import Link, Peer
from daq.links.inprocess import InProcessLink
from daq.links.settings import LinkTable
from daq.signals import shielded

#: By this the simulated instruments give themselves away, on whatever wire.
SIMULATED_MAKER = "Coilsoak,Simulated "


@dataclass(frozen=True)
class Assembled:
    """A bench ready to use, and what its instruments said of themselves."""

    bench: Bench
    identities: dict[str, str]
    #: By role; whoever measures goes through the bench.
    talks: Mapping[str, Conversation]
    seed: int | None = None
    script_text: str | None = None

    def answered(self, role: str) -> bool:
        """Whether the instrument in *role* has said anything that its dialect understands."""
        return self.talks[role].answered

    @property
    def simulated(self) -> bool:
        """Whether any instrument gives itself away as simulated: no reading of such a run is real."""
        return any(SIMULATED_MAKER in identity for identity in self.identities.values())


@contextmanager
def open_bench(
    rig: Loaded[Rig],
    operator: Operator,
    alarm: Callable[[str], None],
    *,
    clear: Callable[[str], None] = lambda _: None,
    tell: Callable[[str], None] = lambda _: None,
    seed: int | None = None,
    companion: Companion | None = None,
    notice: Notice = unheard,
) -> Iterator[Assembled]:
    """Open every instrument of *rig*, make sure that nothing is energised, and close all again afterwards.

    Args:
        rig: The checked rig file.
        operator: Who moves leads and types readings where no instrument does.
        alarm: Called with a line that the operator must not miss, and that stands.
        clear: Called with such a line once it is proved to be over.
        tell: Called with what the guard does or finds about heat.
        seed: Replaces the seed of a simulated bench.
        companion: Is shown that the run lives, and asked before anything is switched on; not yet started.
        notice: Called with kind and text of what happens on the wires: lost, found, asked again.

    Raises:
        StartError: An instrument does not answer, or is not what the file says; with file, line and key.
        OutputUnknownError: The supply could not be confirmed off.
    """
    companion = companion or Companion()
    opening = _Opening(rig, seed, companion, notice)
    with ExitStack() as stack:
        talks, identities = opening.talk_to_all(stack)
        asked = BreathingOperator(operator, companion)
        meter: Meter = (
            DialectMeter(talks["meter"], _meter_setup(rig.value)) if "meter" in talks else TypedMeter(asked)
        )
        guard = _guard(rig.value, opening, talks, meter, alarm, clear, tell)
        bench = _assemble(rig.value, opening.clock, talks, asked, guard, meter)
        fits = stack.enter_context(closing(opening.fits()))
        bench = replace(bench, hand=opening.hand, fits=fits)
        opening.bring_to_rest(bench)
        try:
            yield Assembled(bench, identities, talks, opening.seed, opening.script_text)
        finally:
            _leave_at_rest(bench)


def _leave_at_rest(bench: Bench) -> None:
    """Leave nothing on and no contact closed; where the output is not known no contact moves."""
    with shielded():
        bench.guard.leave_safe()
        if not bench.guard.output_unknown:
            with suppress(BenchError):
                bench.harness.release()


@dataclass(frozen=True)
class _Opened:
    """An instrument whose port is open, in the first of its roles."""

    name: str
    instrument: Instrument
    table: LinkTable
    link: Link
    talk: Conversation


class _Opening:
    """What is needed while instruments are opened one by one."""

    def __init__(self, rig: Loaded[Rig], seed: int | None, companion: Companion, notice: Notice) -> None:
        self._rig = rig
        self._notice = notice
        self.haste = Haste()
        #: The instruments that are open, by port: one may have several roles.
        self._open: dict[str, _Opened] = {}
        self.companion = companion
        self._peers: Mapping[str, Peer] = {}
        self.seed: int | None = None
        self.script_text: str | None = None
        self.hand: Hand = PersonsHand()
        self.clock: Clock
        if rig.value.simulation is not None:
            pace = rig.value.simulation.pace
            self.clock = VirtualClock() if pace is None else ScaledClock(pace)
            self._simulate(seed if seed is not None else rig.value.simulation.seed)
        else:
            self.clock = BreathingClock(wall_clock(rig.value), companion, rig.value.time_scale)

    def _simulate(self, seed: int | None) -> None:
        from daq.sim.bench import build  # the simulation is not needed on a real bench

        script = fault_script(self._rig)
        simulated = build(script, clock=self.clock, seed=seed)
        self._peers = simulated.peers
        self.hand = simulated.hand or PersonsHand()
        self.seed = simulated.seed
        self.script_text = script.read_text(encoding="utf-8")

    def fits(self) -> Fits:
        """Return who does the fits: where time is real they are done beside the run."""
        return VirtualFits(self.clock) if isinstance(self.clock, VirtualClock) else FitsBeside()

    def spoken(self) -> dict[str, Instrument]:
        """Return the instruments that are talked to: all but the typed ones."""
        return {name: i for name, i in self._rig.value.instruments().items() if i.resource != TYPED}

    @contextmanager
    def conversation(self, name: str) -> Iterator[Conversation]:
        """Open the link to the instrument in role *name* and hold a conversation over it."""
        instrument = self.spoken()[name]
        dialect = role_dialect(self._rig, name, instrument)
        with ExitStack() as stack:
            try:
                port = port_of(instrument.resource)
                shared = self._open.get(port)
                link = self._link(instrument, dialect.link) if shared is None else shared.link
            except (BenchError, InputError) as exc:
                raise self._start_error(name, "resource", exc) from exc
            if shared is None:
                stack.enter_context(closing(link))
            elif not same_wire(shared.instrument, shared.table, instrument, dialect.link):
                told = (
                    f"is the instrument of {shared.name} too, and its dialect or settings differ on the wire"
                )
                raise StartError(str(self._rig.error(f"{name}.resource", f"{told}; give both the same")))
            talk = stack.enter_context(
                talking(
                    link,
                    dialect,
                    instrument,
                    name=name,
                    clock=self.clock,
                    haste=self.haste,
                    notice=self._notice,
                    beside=None if shared is None else shared.talk,
                )
            )
            if shared is None:
                self._open[port] = _Opened(name, instrument, dialect.link, link, talk)
            yield talk

    def talk_to_all(self, stack: ExitStack) -> tuple[dict[str, Conversation], dict[str, str]]:
        """Open and greet every instrument; return conversations and identities by role.

        Raises:
            NotReadyError: Some do not answer, or are others; all were tried.
        """
        talks: dict[str, Conversation] = {}
        identities: dict[str, str] = {}
        troubles: dict[str, str] = {}
        for name in self.spoken():
            try:
                talks[name] = stack.enter_context(self.conversation(name))
                identities[name] = self.start(name, talks[name])
            except StartError as exc:
                troubles[name] = str(exc)
        if troubles:
            raise NotReadyError(troubles, identities)
        return talks, identities

    def start(self, name: str, talk: Conversation) -> str:
        """Greet the instrument; no answer or another identity is an error of the rig file's line."""
        try:
            return talk.start(self.spoken()[name].identity)
        except IdentityError as exc:
            raise self._start_error(name, "identity", exc) from exc
        except (ReplyError, RefusedError) as exc:
            raise self._start_error(name, "dialect", exc) from exc
        except BenchError as exc:
            raise self._start_error(name, "resource", exc) from exc

    def bring_to_rest(self, bench: Bench) -> None:
        """Supply off, oven off, contacts open, before anything else happens.

        Whether a supply is on is asked first: nothing is set in a dialect that it does not speak.
        """
        if bench.supply is not None:
            try:
                bench.supply.output_is_on()
            except BenchError as exc:
                raise self._dialect_error("supply", exc) from exc
        bench.guard.make_safe()
        if bench.oven is not None:
            try:
                bench.oven.switch_heat(False)
            except BenchError as exc:
                raise self._start_error("oven", "resource", exc) from exc
        try:
            bench.harness.release()
        except BenchError as exc:
            raise self._start_error("switch", "resource", exc) from exc

    def _link(self, instrument: Instrument, table: LinkTable) -> Link:
        if instrument.resource.startswith(SIMULATED):
            peer = self._peers.get(instrument.resource.removeprefix(SIMULATED))
            if peer is None:
                raise LinkClosedError(
                    f"the simulated bench has no {instrument.resource!r}, only {', '.join(self._peers)}"
                )
            return InProcessLink(
                peer,
                instrument.resource,
                table.send_end,
                table.reply_end,
                timeout_s=wire_timeout_s(instrument, table),
                clock=self.clock,
            )
        return BreathingLink(open_wire(instrument, table), self.companion, wire_timeout_s(instrument, table))

    def _dialect_error(self, name: str, exc: BenchError) -> StartError:
        dialect = self.spoken()[name].dialect
        told = f"is {dialect!r}, and the instrument does not speak it so: {exc}. This program has set nothing"
        return StartError(str(self._rig.error(f"{name}.dialect", f"{told}; look at the {name} yourself")))

    def _start_error(self, name: str, key: str, exc: CoilsoakError) -> StartError:
        return StartError(str(self._rig.error(f"{name}.{key}", str(exc))))


def _guard(
    rig: Rig,
    opening: _Opening,
    talks: Mapping[str, Conversation],
    meter: Meter,
    alarm: Callable[[str], None],
    clear: Callable[[str], None],
    tell: Callable[[str], None],
) -> Guard:
    """Give supply and oven, if there are any, to the one who answers for them."""
    return Guard(
        DialectSupply(talks["supply"]) if "supply" in talks else None,
        DialectOven(talks["oven"]) if "oven" in talks else None,
        opening.clock,
        voltage_V=rig.limits.voltage_V,
        current_A=rig.limits.current_A,
        body_degC=rig.limits.body_degC,
        alarm=alarm,
        clear=clear,
        tell=tell,
        watcher=opening.companion,
        cool_within_s=COOL_WITHIN_S if rig.oven is None else rig.oven.cool_within_s,
        over_K=OVER_K if rig.oven is None else rig.oven.over_K,
        # Of the coil at its contacts, whichever that is; nobody is asked to type under power.
        across=partial(meter.voltage, "") if "meter" in talks else None,
        haste=opening.haste,
    )


def _assemble(
    rig: Rig,
    clock: Clock,
    talks: Mapping[str, Conversation],
    operator: Operator,
    guard: Guard,
    meter: Meter,
) -> Bench:
    """Give every role to an instrument."""
    harness = Harness(
        guard,
        clock,
        switch=DialectSwitch(talks["switch"]) if "switch" in talks else None,
        routes=_routes(rig),
        operator=operator,
        announce=not rig.meter_typed,
    )
    return Bench(
        clock=clock,
        guard=guard,
        harness=harness,
        meter=meter,
        probe=_probe(rig, talks, meter, harness, operator),
        operator=operator,
        supply=DialectSupply(talks["supply"]) if "supply" in talks else None,
        oven=DialectOven(talks["oven"]) if "oven" in talks else None,
        wires=rig.meter.wires,
        meter_typed=rig.meter_typed,
        probe_typed=rig.probe.kind == TYPED,
        typed=rig.meter_typed or rig.probe.kind == TYPED,
        probe_needs_meter=rig.probe_on_meter,
        probe_in_volts=rig.probe.kind.startswith("meter-thermocouple"),
    )


def _routes(rig: Rig) -> Routes:
    if rig.switch is None:
        return Routes()
    switch = rig.switch
    return Routes(
        power=switch.power,
        sense=switch.sense,
        probe=switch.probe,
        leak=switch.leak,
        short=switch.short,
        oven=None if rig.oven is None else rig.oven.cut_off,
        break_under_current=switch.break_under_current,
    )


def _meter_setup(rig: Rig) -> MeterSetup:
    meter = rig.meter
    return MeterSetup(
        wires=meter.wires,
        nplc=meter.nplc,
        quick_nplc=meter.quick_nplc,
        mains_Hz=meter.mains_Hz,
        offset_compensation=meter.offset_compensation,
        range_ohm=meter.range_ohm,
        range_V=meter.range_V,
        sensor_range_ohm=SENSOR_RANGE_OHM if rig.probe.kind == "meter-ntc" else PT100_RANGE_OHM,
    )


def _probe_channels(rig: Rig) -> Mapping[str, int | str] | int | str:
    """Return the thermometer's channel of each coil, or the one of them all."""
    if rig.probe.channels is not None:
        return rig.probe.channels
    return rig.switch.probe if rig.switch is not None and rig.switch.probe else 1


def _probe(
    rig: Rig, talks: Mapping[str, Conversation], meter: Meter, contacts: ProbeContacts, operator: Operator
) -> Probe:
    if rig.probe.kind == TYPED:
        return TypedProbe(operator)
    if "probe" in talks:
        return InstrumentProbe(talks["probe"], _probe_channels(rig), rig.probe.offset_K)
    kind = rig.probe.kind.removeprefix("meter-")
    return MeterProbe(
        meter,
        contacts,
        to_degC=_conversion(rig, kind),
        thermocouple=kind.startswith("thermocouple"),
        offset_K=rig.probe.offset_K,
    )


_THERMOCOUPLES: Mapping[str, thermometers.ThermocoupleLetter] = {
    "thermocouple-K": "K",
    "thermocouple-J": "J",
    "thermocouple-T": "T",
}


def _conversion(rig: Rig, kind: str) -> Callable[[float], float]:
    """Return what turns the sensor's ohms or volts into degC."""
    if kind == "pt100":
        return thermometers.pt100_degC
    if kind == "ntc":
        assert rig.probe.ntc is not None
        law = rig.probe.ntc.law()
        assert law is not None
        return law.temperature_degC
    assert rig.probe.cold_junction_degC is not None
    letter = _THERMOCOUPLES[kind]
    junction_degC = rig.probe.cold_junction_degC
    return lambda volts: thermometers.thermocouple_degC(letter, volts * 1e3, junction_degC)
