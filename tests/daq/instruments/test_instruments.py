"""The roles on the bench, each over a conversation in process with its simulated instrument."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest

from analysis.model import MeterUse
from analysis.physics.thermometers import pt100_degC
from daq.bench.operator import AbsentOperator
from daq.bench.typed import TypedMeter
from daq.clock import VirtualClock
from daq.errors import RefusedError
from daq.instruments.dialects.load import load_dialect
from daq.instruments.drivers.meter import DialectMeter, MeterSetup
from daq.instruments.drivers.oven import DialectOven
from daq.instruments.drivers.probe import InstrumentProbe, MeterProbe
from daq.instruments.drivers.supply import DialectSupply
from daq.instruments.drivers.switch import DialectSwitch
from daq.instruments.number import Number
from daq.instruments.talk.conversation import Conversation
from daq.links.inprocess import InProcessLink
from daq.sim.bench import SimBench
from tests.daq.kits.sim import bench as ideal_bench

OPEN = "open or over range"


class Listening:
    """A peer that passes on to another and keeps every line that was sent."""

    def __init__(self, peer: Any) -> None:
        self._peer = peer
        self.sent: list[str] = []

    def feed(self, data: bytes) -> bytes:
        self.sent += [line for line in data.decode().splitlines() if line != "SYST:ERR?"]
        answer: bytes = self._peer.feed(data)
        return answer


@dataclass
class Wired:
    """A simulated bench, its clock, and conversations with its instruments."""

    sim: SimBench
    clock: VirtualClock
    heard: dict[str, Listening]

    def talk(self, instrument: str, role: str | None = None) -> Conversation:
        """Return a started conversation; what was sent to start it is forgotten."""
        dialect = load_dialect("scpi-1999").role(role or instrument)
        link = InProcessLink(
            self.heard[instrument],
            f"sim:{instrument}",
            dialect.link.send_end,
            dialect.link.reply_end,
            timeout_s=1.0,
            clock=self.clock,
        )
        talk = Conversation(link, dialect, name=role or instrument, clock=self.clock)
        assert talk.start("Simulated").startswith("Coilsoak,Simulated")
        self.heard[instrument].sent.clear()
        return talk


def wired(**tables: object) -> Wired:
    """Build the ideal bench of two coils, changed by *tables*."""
    sim, clock = ideal_bench(**tables)
    heard = {name: Listening(peer) for name, peer in sim.peers.items()}
    return Wired(sim, clock, heard)


class Contacts:
    """The way from the meter to each coil's sensor; without a switch there is nothing to move."""

    def __init__(self, switch: DialectSwitch | None) -> None:
        self._switch = switch

    def to_probe(self, coil: str) -> None:
        if self._switch is not None:
            self._switch.close_only(({"Y1": 301, "Y2": 302}[coil],))


def value(reading: Number) -> float:
    """Return the value of a reading that has one."""
    assert reading.status == "ok"
    assert reading.value is not None
    return reading.value


def test_the_supply_sets_reads_back_and_measures() -> None:
    """Protections, limit, voltage and output arrive in the simulation; V and I are what flows there."""
    bench = wired()
    supply, switch = DialectSupply(bench.talk("supply")), DialectSwitch(bench.talk("switch"))
    assert [each.state for each in supply.protect(9.24, 3.85)] == ["armed", "armed"]
    supply.set_current_limit(3.5)
    supply.set_voltage(8.4)
    assert bench.heard["supply"].sent == [
        "VOLT:PROT 9.2400",
        "VOLT:PROT?",
        "VOLT:PROT:STAT ON",
        "VOLT:PROT:STAT?",
        "CURR:PROT 3.8500",
        "CURR:PROT?",
        "CURR:PROT:STAT ON",
        "CURR:PROT:STAT?",
        "CURR 3.5000",
        "CURR?",
        "VOLT 8.4000",
        "VOLT?",
    ]
    assert not supply.output_is_on()
    switch.close_only((101,))
    supply.switch_output(True)
    assert supply.output_is_on()
    bench.clock.sleep(1.0)
    assert value(supply.voltage()) == pytest.approx(8.4, abs=1e-3)
    assert value(supply.current()) == pytest.approx(bench.sim.current_A("Y1"), abs=1e-3)
    assert supply.mode() == "CV"
    assert not supply.tripped()
    supply.switch_output(False)
    bench.clock.sleep(1.0)
    assert not bench.sim.output_on()
    assert value(supply.current()) == pytest.approx(0.0, abs=1e-3)


def test_the_supply_tells_current_limiting_and_tripping() -> None:
    """A limit below what the coil takes shows as CC; a protection below it trips and shows as that."""
    bench = wired()
    supply, switch = DialectSupply(bench.talk("supply")), DialectSwitch(bench.talk("switch"))
    supply.set_current_limit(1.0)
    supply.set_voltage(8.4)
    switch.close_only((101,))
    supply.switch_output(True)
    bench.clock.sleep(1.0)
    assert supply.mode() == "CC"
    assert value(supply.current()) == pytest.approx(1.0, abs=5e-3)
    supply.switch_output(False)
    bench.clock.sleep(1.0)
    supply.protect(20.0, 1.5)
    supply.set_current_limit(3.0)
    supply.switch_output(True)
    bench.clock.sleep(1.0)
    assert supply.tripped()
    assert not bench.sim.output_on()


def test_a_setting_out_of_range_is_an_error_that_names_it() -> None:
    """The supply refuses 40 V; the program says which command was refused and the output stays off."""
    bench = wired()
    with pytest.raises(RefusedError, match=r"supply: 'VOLT 40\.0000' was refused.*-222"):
        DialectSupply(bench.talk("supply")).set_voltage(40.0)
    assert not bench.sim.output_on()


def test_the_switch_moves_only_what_changes() -> None:
    """From one coil to the next: what is no longer wanted opens first, what stays is left alone."""
    bench = wired()
    switch = DialectSwitch(bench.talk("switch"))
    switch.close_only((101, 201))
    switch.close_only((101, 201))
    switch.close_only((201,))
    switch.close_only((102, 202))
    told = [line for line in bench.heard["switch"].sent if not line.startswith("ROUT:CLOS?")]
    assert " ".join(told).split("ROUT:")[1:] == (
        ["OPEN:ALL ", "CLOS (@101,201) ", "OPEN (@101) ", "OPEN (@201) ", "CLOS (@102,202)"]
    )
    assert bench.sim.closed_channels() == {102, 202}
    switch.open_all()
    assert bench.sim.closed_channels() == frozenset()


def test_a_switch_that_refused_is_started_from_all_open() -> None:
    """After an unknown channel nobody knows what is closed: the next move opens everything first."""
    bench = wired()
    switch = DialectSwitch(bench.talk("switch"))
    switch.close_only((201,))
    with pytest.raises(RefusedError, match="switch: "):
        switch.close_only((999,))
    switch.close_only((202,))
    assert bench.heard["switch"].sent[-3:] == ["ROUT:OPEN:ALL", "ROUT:CLOS (@202)", "ROUT:CLOS? (@202)"]
    assert bench.sim.closed_channels() == {202}


def test_the_meter_reads_four_wire_ohms_and_sends_settings_once() -> None:
    """Function, range, integration and compensation go out once; then only READ? is asked."""
    bench = wired()
    switch = DialectSwitch(bench.talk("switch"))
    meter = DialectMeter(bench.talk("meter"), MeterSetup())
    switch.close_only((201,))
    readings = [value(meter.resistance("Y1")) for _ in range(2)]
    assert readings == pytest.approx([bench.sim.resistance_ohm("Y1")] * 2, abs=2e-4)
    assert bench.heard["meter"].sent == [
        'FUNC "FRES"',
        "FRES:RANG 100.0",
        "FRES:NPLC 10.0",
        "FRES:OCOM ON",
        "FUNC?",
        "FRES:OCOM?",
        "READ?",
        "READ?",
    ]


def test_a_quick_reading_is_quick_and_changes_the_integration_only() -> None:
    """One power line cycle in place of ten: nothing else is sent, and it takes a fraction of the time."""
    bench = wired()
    DialectSwitch(bench.talk("switch")).close_only((201,))
    meter = DialectMeter(bench.talk("meter"), MeterSetup())
    meter.resistance("Y1")
    bench.heard["meter"].sent.clear()
    taken_s = {}
    for quick in (True, False):
        began_s = bench.clock.monotonic()
        meter.resistance("Y1", quick=quick)
        taken_s[quick] = bench.clock.monotonic() - began_s
    assert bench.heard["meter"].sent == ["FRES:NPLC 1.0", "READ?", "FRES:NPLC 10.0", "READ?"]
    # Nine power line cycles of 20 ms less, twice because of the offset compensation.
    assert taken_s[False] - taken_s[True] == pytest.approx(2 * 9 * 0.02, abs=1e-9)


@pytest.mark.parametrize(
    ("mains_Hz", "window_s", "quick_s"), [(50.0, 0.2, 0.02), (60.0, 10.0 / 60.0, 1.0 / 60.0)]
)
def test_integration_time_is_cycles_of_the_mains(mains_Hz: float, window_s: float, quick_s: float) -> None:
    """How long a reading looks follows from its power line cycles and the frequency of the mains."""
    meter = DialectMeter(wired().talk("meter"), MeterSetup(mains_Hz=mains_Hz))
    assert meter.use() == MeterUse(pytest.approx(window_s), pytest.approx(quick_s), 100.0)


def test_integration_time_of_a_meter_that_is_not_told_is_not_known() -> None:
    """A dialect without the command, and a hand meter, leave the window open."""
    bench = wired()
    dialect = load_dialect("meter-display").role("meter")
    link = InProcessLink(bench.heard["meter"], "sim:meter", "\n", "\n", timeout_s=1.0, clock=bench.clock)
    talk = Conversation(link, dialect, name="meter", clock=bench.clock)
    assert DialectMeter(talk, MeterSetup(wires=2)).use() == MeterUse(None, None, 100.0)
    assert TypedMeter(AbsentOperator()).use() == MeterUse()


def test_two_wires_show_the_leads_until_they_are_nulled() -> None:
    """Two-wire ohms hold leads and contacts; once measured with the leads joined they are taken off."""
    bench = wired()
    switch = DialectSwitch(bench.talk("switch"))
    meter = DialectMeter(bench.talk("meter"), MeterSetup(wires=2))
    switch.close_only((209,))
    leads_ohm = value(meter.resistance("leads"))
    assert leads_ohm > 0.1
    switch.close_only((201,))
    true_ohm = bench.sim.resistance_ohm("Y1")
    assert value(meter.resistance("Y1")) == pytest.approx(true_ohm + leads_ohm, abs=2e-3)
    meter.null(leads_ohm)
    assert value(meter.resistance("Y1")) == pytest.approx(true_ohm, abs=2e-3)


def test_an_open_coil_reads_as_open() -> None:
    """A coil that has opened with heat is told as open or over range, not as a large number."""
    hot = {"opens_above_degC": 10.0, "closes_below_degC": 5.0}
    coils = [
        {"label": "Y1", "kind": "plain", "heat_open": hot},
        {"label": "Y2", "kind": "plain", "copper_ohm": 500.0},
    ]
    bench = wired(coils=coils)
    bench.clock.sleep(1.0)
    switch = DialectSwitch(bench.talk("switch"))
    meter = DialectMeter(bench.talk("meter"), MeterSetup())
    for channel, label in ((201, "Y1"), (202, "Y2")):
        switch.close_only((channel,))
        assert meter.resistance(label) == Number(None, OPEN)


def test_the_meter_reads_the_voltage_across_a_driven_coil() -> None:
    """Across the coil, not at the supply: the drop in leads and contacts is not in it."""
    bench = wired()
    supply, switch = DialectSupply(bench.talk("supply")), DialectSwitch(bench.talk("switch"))
    meter = DialectMeter(bench.talk("meter"), MeterSetup(range_V=10.0))
    switch.close_only((101, 201))
    supply.set_current_limit(3.5)
    supply.set_voltage(8.4)
    supply.switch_output(True)
    bench.clock.sleep(0.5)
    volts = value(meter.voltage("Y1"))
    assert volts == pytest.approx(bench.sim.current_A("Y1") * bench.sim.resistance_ohm("Y1"), rel=1e-3)
    assert volts < 8.3
    supply.switch_output(False)


def test_insulation_is_read_in_two_wires_on_the_highest_range() -> None:
    """Winding to body of a damp coil is told in ohms, of a sound one as over range."""
    coils = [
        {"label": "Y1", "kind": "plain", "leakage_ohm": 2e6},
        {"label": "Y2", "kind": "plain", "leakage_ohm": 1e12},
    ]
    bench = wired(coils=coils, wiring={"leak": [401, 402]})
    switch = DialectSwitch(bench.talk("switch"))
    meter = DialectMeter(bench.talk("meter"), MeterSetup())
    switch.close_only((401,))
    leak_ohm = bench.sim.coils["Y1"].leakage_at(bench.sim.winding_degC("Y1"))
    assert value(meter.insulation("Y1")) == pytest.approx(leak_ohm, rel=0.01)
    assert 'FUNC "RES"' in bench.heard["meter"].sent
    switch.close_only((402,))
    assert meter.insulation("Y2") == Number(None, OPEN)


def test_the_meter_reads_a_pt100_on_the_body() -> None:
    """Through the probe's contacts the meter's ohms become the body's temperature; the offset comes off."""
    bench = wired(wiring={"probe": [301, 302]}, ambient_degC=31.5)
    switch = DialectSwitch(bench.talk("switch"))
    meter = DialectMeter(bench.talk("meter"), MeterSetup())
    probe = MeterProbe(meter, Contacts(switch), to_degC=pt100_degC, offset_K=0.5)
    assert value(probe.temperature("Y2")) == pytest.approx(bench.sim.body_degC("Y2") - 0.5, abs=0.02)
    assert bench.sim.closed_channels() == {302}


@pytest.mark.parametrize(("sensor", "channels"), [("meter", {"probe": [301, 302]}), ("thermometer", {})])
def test_a_broken_sensor_is_no_temperature(sensor: str, channels: dict[str, object]) -> None:
    """An open probe is 'missing: probe open', whoever reads it."""
    coils = [{"label": "Y1", "kind": "plain", "probe": "open"}, {"label": "Y2", "kind": "plain"}]
    bench = wired(coils=coils, wiring=channels)
    if sensor == "thermometer":
        thermometer = InstrumentProbe(bench.talk("thermometer", "probe"), {"Y1": 1, "Y2": 2})
        assert thermometer.temperature("Y1") == Number(None, "missing: probe open")
        assert thermometer.temperature("Y2").status == "ok"
        return
    switch = DialectSwitch(bench.talk("switch"))
    meter = DialectMeter(bench.talk("meter"), MeterSetup())
    assert MeterProbe(meter, Contacts(switch), to_degC=pt100_degC).temperature("Y1") == Number(
        None, "missing: probe open"
    )


@pytest.mark.parametrize(
    ("shown", "expected"),
    [
        (Number(109.73, "ok"), Number(25.0, "ok")),
        (Number(None, OPEN), Number(None, "missing: probe open")),
        (Number(500.0, "ok"), Number(None, "missing: probe open or shorted")),
        (Number(199.0, "ok"), Number(None, "missing: probe open or shorted")),
        (Number(None, "missing: no reading"), Number(None, "missing: no reading")),
    ],
)
def test_only_what_a_body_can_have_is_a_temperature(shown: Number, expected: Number) -> None:
    """Shorted, broken and absurd sensors give a reason in place of a number."""

    class Shows(TypedMeter):
        """A meter that shows one thing."""

        def sensor_resistance(self) -> Number:
            return shown

    def to_degC(ohm: float) -> float:
        return 265.0 if ohm == 199.0 else pt100_degC(ohm)

    found = MeterProbe(Shows(AbsentOperator()), Contacts(None), to_degC=to_degC).temperature("Y1")
    assert found.status == expected.status
    # IEC 60751: 109.73 ohm at 25 degC.
    assert found.value == (None if expected.value is None else pytest.approx(expected.value, abs=0.02))


def test_the_thermometer_has_a_channel_a_coil() -> None:
    """Each coil's own channel is asked; the known offset is taken off."""
    bench = wired(ambient_degC=24.0)
    probe = InstrumentProbe(bench.talk("thermometer", "probe"), {"Y1": 1, "Y2": 2}, offset_K=-1.0)
    assert value(probe.temperature("Y2")) == pytest.approx(25.0, abs=0.01)
    assert bench.heard["thermometer"].sent == ["MEAS:TEMP? (@2)"]


def test_the_oven_heats_when_told_and_reads_back() -> None:
    """Setpoint and output are set and read back; ten minutes later the air is warm; off is off."""
    bench = wired(oven={})
    oven = DialectOven(bench.talk("oven"))
    oven.set_temperature(60.0)
    oven.switch_heat(True)
    assert bench.heard["oven"].sent == ["SOUR:TEMP:SPO 60.00", "SOUR:TEMP:SPO?", "OUTP ON", "OUTP?"]
    bench.clock.sleep(600.0)
    assert value(oven.temperature()) == pytest.approx(bench.sim.air_degC(), abs=0.2)
    assert bench.sim.air_degC() == pytest.approx(60.0, abs=3.0)
    oven.switch_heat(False)
    assert bench.heard["oven"].sent[-2:] == ["OUTP OFF", "OUTP?"]


def test_a_meter_that_refuses_offset_compensation_is_not_asked_for_it() -> None:
    """Left out by the rig file it is never sent; thermal voltages are then in the reading."""
    bench = wired()
    meter = DialectMeter(bench.talk("meter"), MeterSetup(offset_compensation=False))
    DialectSwitch(bench.talk("switch")).close_only((201,))
    assert value(meter.resistance("Y1")) == pytest.approx(3.3, rel=0.02)
    assert not [line for line in bench.heard["meter"].sent if "OCOM" in line]
