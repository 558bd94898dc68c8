"""The whole bench: repeatable, true to its script, and honest about what it knows."""

from __future__ import annotations

import math
import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.clock import VirtualClock
from daq.errors import InputError
from daq.sim.bench import SimBench, build
from tests.daq.kits.sim import OVERLOAD, SCRIPTS, ask, bench, tell

FAULTS = SCRIPTS / "groomer_faults.toml"


def conversation(script: Path, seed: int | None) -> bytes:
    """Have a warm half hour with the default bench; return every byte it answered."""
    clock = VirtualClock()
    built = build(script, clock=clock, seed=seed)
    said = built.peers["oven"].feed(b"SOUR:TEMP:SPO 90;:OUTP ON\n")
    said += built.peers["meter"].feed(b'FUNC "FRES";FRES:RANG 10;NPLC 1\n')
    for round_ in range(60):
        clock.sleep(30.0)
        n = round_ % 8 + 1
        said += built.peers["switch"].feed(f"ROUT:CLOS (@10{n},20{n})\n".encode())
        said += built.peers["meter"].feed(b"READ?\n")
        said += built.peers["thermometer"].feed(f"MEAS:TEMP? (@{n})\n".encode())
        said += built.peers["supply"].feed(b"VOLT 8.4;OUTP ON\n")
        clock.sleep(2.0)
        said += built.peers["supply"].feed(b"MEAS:VOLT?;CURR?;:OUTP OFF\n")
        clock.sleep(0.2)
        said += built.peers["switch"].feed(b"ROUT:OPEN:ALL\n")
        said += built.peers["oven"].feed(b"MEAS:TEMP?;:SYST:ERR?\n")
    return said


@pytest.mark.slow
def test_the_same_seed_gives_the_same_bytes() -> None:
    """Two runs of one seed answer byte for byte alike; another seed answers otherwise."""
    first = conversation(FAULTS, None)
    assert conversation(FAULTS, None) == first
    assert conversation(FAULTS, 20260105) == first
    assert conversation(FAULTS, 3) != first


def soak(built: SimBench, clock: VirtualClock, setpoint_degC: float, hold_s: float = 1500.0) -> None:
    """Hold the oven at a setpoint."""
    tell(built, "oven", f"SOUR:TEMP:SPO {setpoint_degC};:OUTP ON")
    clock.sleep(hold_s)


@pytest.mark.slow
def test_the_default_script_does_what_it_says() -> None:
    """A soak shows every fault of the script at its temperature and leaves the sound coils alone."""
    clock = VirtualClock()
    built = build(FAULTS, clock=clock)
    cold_ohm = {label: built.resistance_ohm(label) for label in built.coils}
    assert cold_ohm["Y5"] - built.resistance_ohm("Y1") > 0.2
    assert cold_ohm["Y7"] / cold_ohm["Y6"] == pytest.approx(0.94, abs=0.02)
    soak(built, clock, 70.0)
    assert built.resistance_ohm("Y2") < math.inf
    soak(built, clock, 90.0, 3000.0)
    assert built.resistance_ohm("Y2") == math.inf
    assert built.opens_s("Y4")
    soak(built, clock, 22.0, 3000.0)
    assert built.resistance_ohm("Y2") < math.inf
    returned = {label: built.resistance_ohm(label) / cold_ohm[label] - 1.0 for label in built.coils}
    for label in ("Y1", "Y2", "Y3", "Y5", "Y6", "Y7"):
        assert abs(returned[label]) < 1e-3, label
    assert 0.02 < returned["Y8"] < 0.05
    assert all(not built.opens_s(label) for label in ("Y1", "Y3", "Y5", "Y6", "Y7", "Y8"))


@pytest.mark.slow
def test_the_heat_open_acts_at_its_temperatures() -> None:
    """Y2 opens as its winding passes 72 degC and closes as it passes 64 degC, and its log says when."""
    clock = VirtualClock()
    built = build(FAULTS, clock=clock)
    tell(built, "oven", "SOUR:TEMP:SPO 90;:OUTP ON")
    temperatures_degC = {False: 0.0, True: 200.0}
    while built.air_degC() < 89.0 or clock.monotonic() < 2000.0:
        clock.sleep(1.0)
        is_open = built.resistance_ohm("Y2") == math.inf
        winding_degC = built.winding_degC("Y2")
        pick = min if is_open else max
        temperatures_degC[is_open] = pick(temperatures_degC[is_open], winding_degC)
    assert temperatures_degC[False] == pytest.approx(72.0, abs=0.2)
    assert temperatures_degC[True] == pytest.approx(72.0, abs=0.2)
    tell(built, "oven", "OUTP OFF")
    while built.resistance_ohm("Y2") == math.inf:
        clock.sleep(1.0)
    assert built.winding_degC("Y2") == pytest.approx(64.0, abs=0.2)
    ((_, closed_s),) = built.opens_s("Y2")
    assert closed_s == pytest.approx(clock.monotonic(), abs=1.1)


@pytest.mark.slow
def test_a_driven_coil_heats_itself() -> None:
    """About 18 W lift the winding 30-45 K above the body, and less current flows at the same voltage."""
    clock = VirtualClock()
    built = build(SCRIPTS / "groomer_healthy.toml", clock=clock)
    tell(built, "switch", "ROUT:CLOS (@103)")
    tell(built, "supply", "VOLT 8.8;OUTP ON")
    clock.sleep(1.0)
    cold_A = built.current_A("Y3")
    clock.sleep(300.0)
    power_W = built.current_A("Y3") ** 2 * built.resistance_ohm("Y3")
    assert 16.0 < power_W < 20.0
    assert 30.0 < built.winding_degC("Y3") - built.body_degC("Y3") < 45.0
    assert built.current_A("Y3") < 0.9 * cold_A


@pytest.mark.slow
@given(st.lists(st.floats(0.001, 400.0), min_size=1, max_size=6))
def test_looking_changes_nothing(waits_s: list[float]) -> None:
    """A bench that was looked at on the way is where one is that was only looked at in the end."""
    watched, watched_clock = bench(oven={})
    left, left_clock = bench(oven={})
    for built in (watched, left):
        tell(built, "oven", "SOUR:TEMP:SPO 80;:OUTP ON")
    for wait_s in waits_s:
        watched_clock.sleep(wait_s)
        left_clock.sleep(wait_s)
        watched.air_degC()
    # Within a second the air is taken as a straight line, so where it is cut shows in the microkelvins.
    assert watched.winding_degC("Y1") == pytest.approx(left.winding_degC("Y1"), abs=1e-4)
    assert watched.air_degC() == pytest.approx(left.air_degC(), abs=1e-7)


def test_leads_moved_by_hand() -> None:
    """Without a switch supply, meter and probe are on one coil; moving them under current is noted."""
    built, clock = bench(
        ambient_degC=20.0,
        wiring={
            "switch": False,
            "direct": "Y1",
            "power": [],
            "sense": [],
            "probe": [],
            "leak": [],
            "short": None,
        },
        coils=[{"label": "Y1", "kind": "plain"}, {"label": "Y2", "kind": "plain", "joint_ohm": 0.5}],
    )
    assert sorted(built.peers) == ["meter", "supply", "thermometer"]
    tell(built, "meter", 'FUNC "FRES";FRES:RANG 10')
    assert float(ask(built, "meter", "READ?")) == pytest.approx(3.3, abs=1e-4)
    built.move_leads("Y2")
    assert float(ask(built, "meter", "READ?")) == pytest.approx(3.8, abs=1e-4)
    built.move_leads(None)
    assert float(ask(built, "meter", "READ?")) == OVERLOAD
    built.short_leads()
    assert float(ask(built, "meter", "READ?")) == 0.0
    assert built.contacts_moved_under_current == 0
    built.move_leads("Y1")
    tell(built, "supply", "VOLT 8;OUTP ON")
    clock.sleep(60.0)
    assert float(ask(built, "thermometer", "MEAS:TEMP? (@1)")) > 22.0
    built.move_leads("Y2")
    assert built.contacts_moved_under_current == 1


def test_hands_stay_off_a_wired_bench() -> None:
    """With a switch there are no loose leads; an unknown coil is named with those there are."""
    built, _ = bench()
    with pytest.raises(InputError, match="wired to the switch"):
        built.move_leads("Y2")
    with pytest.raises(InputError, match=r"'Y9'.*Y1, Y2"):
        built.winding_degC("Y9")


def test_peers_follow_the_script() -> None:
    """No oven in the script, no oven on the bench; the default bench has all five instruments."""
    built, _ = bench()
    assert sorted(built.peers) == ["meter", "supply", "switch", "thermometer"]
    assert sorted(build(FAULTS, clock=VirtualClock()).peers) == [
        "meter",
        "oven",
        "supply",
        "switch",
        "thermometer",
    ]


class AskingClock(VirtualClock):
    """A clock that lets another thread ask the supply while somebody waits."""

    def __init__(self) -> None:
        super().__init__()
        self.built: SimBench | None = None
        self.answers: list[str] = []

    def sleep(self, seconds: float) -> None:
        """Advance, and have the supply asked meanwhile."""
        super().sleep(seconds)
        if self.built is None:
            return
        built = self.built
        other = threading.Thread(target=lambda: self.answers.append(ask(built, "supply", "OUTP?")))
        other.start()
        other.join(timeout=5.0)


def test_a_measurement_does_not_hold_up_the_other_instruments() -> None:
    """While the meter integrates, the supply answers: nobody waits for a reading to switch off."""
    clock = AskingClock()
    built = build(FAULTS, clock=clock)
    clock.built = built
    ask(built, "meter", "READ?")
    assert clock.answers
    assert set(clock.answers) == {"0"}


def test_instruments_may_be_used_from_several_threads() -> None:
    """Threads on different instruments, and on one, each get their own whole answers."""
    built, _ = bench(oven={})
    expected = {name: ask(built, name, "*IDN?") for name in built.peers}
    wrong: list[str] = []

    def talk(name: str) -> None:
        for _ in range(200):
            if ask(built, name, "*IDN?;*OPC?") != f"{expected[name]};1":
                wrong.append(name)
            if name == "meter":
                ask(built, name, "READ?")

    threads = [threading.Thread(target=talk, args=(name,)) for name in [*built.peers, "meter"]]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []
