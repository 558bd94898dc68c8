"""'ok' is said of what was tried: each op that a run will use is asked before anything is driven."""

from __future__ import annotations

import io
import re
import socket
from collections.abc import Callable
from pathlib import Path

import pytest
from rich.console import Console

import daq.sim.bench
from daq.bench.bench import Bench
from daq.config.builtin import builtin
from daq.errors import StartError
from daq.instruments.number import Number
from daq.links.base import Peer
from daq.run.check import check_bench
from daq.sim.bench import SimBench
from daq.tables import CheckLine
from tests.daq.kits.cli import RIG
from tests.daq.kits.rig import spoil as spoiled
from tests.daq.kits.soak import run, small_set
from tests.daq.kits.wire import bench_on

Spoil = Callable[[SimBench], None]


class DeafTo:
    """A peer that hears nothing of lines that begin with one of *words*: it does not know them."""

    def __init__(self, peer: Peer, *words: str) -> None:
        self._peer = peer
        self._words = words
        self.heard: list[str] = []

    def feed(self, data: bytes) -> bytes:
        line = data.decode().strip()
        self.heard.append(line)
        return b"" if line.startswith(self._words) else self._peer.feed(data)


@pytest.fixture
def spoil(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, str], list[DeafTo]]:
    """Make an instrument of the next simulated bench deaf to a word; give it and what it hears."""

    def deaf(name: str, word: str) -> list[DeafTo]:
        built: list[DeafTo] = []
        build = daq.sim.bench.build

        def deafened(script: Path, **more: object) -> SimBench:
            bench = build(script, **more)  # type: ignore[arg-type]
            built.append(DeafTo(bench.peers[name], word))
            bench.peers[name] = built[-1]  # type: ignore[index]
            return bench

        monkeypatch.setattr(daq.sim.bench, "build", deafened)
        return built

    return deaf


def hand_rig(folder: Path, *changes: tuple[str, str]) -> Path:
    """Write the rig file of leads in a hand, in virtual time and with *changes*."""
    text = builtin("rigs", "simulated_hand").read_text(encoding="utf-8")
    for old, new in (("pace = 1.0\n", ""), *changes):
        text = spoiled(text, old, new)
    path = folder / "rig.toml"
    path.write_text(text, encoding="utf-8")
    return path


def checked(rig: Path | None = None) -> dict[str, CheckLine]:
    """Return the findings by what was looked at."""
    return {each.what: each for each in check_bench(rig, None, None, Console(file=io.StringIO()))}


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("supply", "VOLT:PROT:TRIP?"),
        ("supply", "CURR:PROT:TRIP?"),
        ("supply", "STAT:OPER:COND?"),
        ("meter", "READ?"),
        ("oven", "MEAS:TEMP?"),
        ("oven", "SOUR:TEMP:SPO?"),
    ],
)
def test_an_op_that_the_instrument_does_not_know_is_found(
    spoil: Callable[[str, str], list[DeafTo]], name: str, word: str
) -> None:
    """Whatever a run will ask is asked here; what gets no answer is named with its command."""
    spoil(name, word)
    commands = checked()[f"{name} commands"]
    assert commands.good is False
    assert word in commands.found


@pytest.mark.parametrize("word", ["VOLT:PROT:TRIP?", "STAT:OPER:COND?"])
def test_a_soak_meets_no_op_for_the_first_time_under_power(
    tmp_path: Path, spoil: Callable[[str, str], list[DeafTo]], word: str
) -> None:
    """A supply that does not know a question ends the start, with its line of the rig, nothing driven."""
    heard = spoil("supply", word)
    with pytest.raises(
        StartError, match=r"simulated\.toml:\d+: key 'supply\.dialect': supply: .*before anything"
    ):
        run(tmp_path, coil_set=small_set(tmp_path, "Y1"), heat="supply")
    assert word in heard[0].heard
    assert "OUTP ON" not in heard[0].heard
    assert not list(tmp_path.glob("*/readings.csv"))


def test_ohms_are_tried_without_a_switch_unit(
    tmp_path: Path, spoil: Callable[[str, str], list[DeafTo]]
) -> None:
    """Nobody moves leads for a check; the meter is asked wherever they are."""
    meter = spoil("meter", "nothing")
    assert checked(hand_rig(tmp_path))["meter commands"].good
    assert 'FUNC "RES"' in meter[0].heard
    assert "READ?" in meter[0].heard


def test_a_meter_that_cannot_read_ohms_is_not_ok_without_a_switch_unit(
    tmp_path: Path, spoil: Callable[[str, str], list[DeafTo]]
) -> None:
    """One that answers to its name and to no reading is no meter that a sweep can use."""
    spoil("meter", "READ?")
    commands = checked(hand_rig(tmp_path))["meter commands"]
    assert commands.good is False
    assert "READ?" in commands.found


def test_a_probe_that_has_said_nothing_is_not_ok(tmp_path: Path) -> None:
    """In a dialect that cannot ask who it is, an instrument is there when it has answered something."""
    meter, thermometer = 'identity = "Simulated 6.5-digit meter"\n', 'identity = "Simulated thermometer"\n'
    dialect = 'dialect = "thermometer-label"\n'
    rig = hand_rig(tmp_path, ('"sim:meter"', '"typed"'), (meter, ""), (thermometer, dialect))
    found = checked(rig)
    assert found["probe"].good is False
    assert "has answered nothing" in found["probe"].found
    assert found["probes"].good is False
    assert "'T1?'" in found["probes"].found


def test_what_was_not_tried_is_said() -> None:
    """Heat is not tried, nor a trip cleared that is none; all else of this bench is."""
    found = checked()
    assert "not tried: output on (it would heat)" in found["oven commands"].found
    assert "not tried: clear_trip (nothing has tripped)" in found["supply commands"].found
    assert "not tried" not in found["meter commands"].found + found["switch commands"].found
    assert found["ways to the supply"].found == "8 channels moved, with the output off"


def test_an_output_that_could_not_be_tried_is_no_ok(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no coil can be read the meter sees no zero: the output stays off, and the supply is not 'ok'."""
    monkeypatch.setattr(Bench, "resistance", lambda *_, **__: Number(None, "open or over range"))
    found = checked()
    assert "output at zero volts" not in found
    assert found["supply commands"].good is None
    assert "output on (no way to try it without harm)" in found["supply commands"].found


@pytest.mark.parametrize(
    ("ohm", "good"), [(0.0, False), (-0.0004, False), (0.32, False), (0.34, True), (3.3, True)]
)
def test_a_way_that_reads_nothing_leads_to_no_coil(
    monkeypatch: pytest.MonkeyPatch, ohm: float, good: bool
) -> None:
    """A scanner that closes nothing reads 0.000 ohm: a tenth of what the coil should have is no coil."""
    resistance = Bench.resistance

    def read(self: Bench, coil: str, *, quick: bool = False) -> Number:
        return Number(ohm, "ok") if coil == "Y3" else resistance(self, coil, quick=quick)

    monkeypatch.setattr(Bench, "resistance", read)
    ways = checked()["ways to the coils"]
    assert ways.good is good
    if not good:
        assert f"Y3 {ohm:.3f} ohm: no coil reads that" in ways.found


def test_every_dead_instrument_is_in_one_table(tmp_path: Path) -> None:
    """One that is off, one on a port that is gone: each with its line and what to do, beside who answers."""
    with bench_on(tmp_path, scale=50.0, serial=()) as (_, rig):
        text = rig.read_text(encoding="utf-8")
        resources = dict(re.findall(r'\[(\w+)\]\s*(?:#.*\n)*resource = "([^"]+)"', text))
        with socket.create_server(("127.0.0.1", 0)) as free:
            closed = f"TCPIP0::127.0.0.1::{free.getsockname()[1]}::SOCKET"
        text = text.replace(resources["meter"], closed).replace(
            resources["oven"], "ASRL/dev/pts/99999::INSTR"
        )
        rig.write_text(text, encoding="utf-8")
        found = checked(rig)
        with pytest.raises(
            StartError, match=r"key 'meter\.resource': .*; 1 more: `coilsoak check` lists them"
        ):
            run(tmp_path, rig=rig, kind="sweep")
    assert "takes no connection: is the port right" in found["meter"].found
    assert "is the adapter plugged in" in found["oven"].found
    assert [what for what, finding in found.items() if finding.good] == ["supply", "switch"]
    assert found["the rest"].good is None


def test_a_wrong_dialect_is_named_first_and_nothing_is_shouted(
    tmp_path: Path, spoil: Callable[[str, str], list[DeafTo]]
) -> None:
    """A supply that speaks another dialect was set to nothing, so there is no alarm about its output."""
    heard = spoil("supply", "nothing")
    other = 'dialect = "scpi-source-number"\n'
    rig = tmp_path / "rig.toml"
    text = RIG.read_text(encoding="utf-8")
    rig.write_text(spoiled(text, 'dialect = "scpi-1999"\n', other), encoding="utf-8")
    with pytest.raises(StartError, match=r"rig\.toml:\d+: key 'supply\.dialect': is 'scpi-source-n") as said:
        checked(rig)
    assert "NOT KNOWN" not in str(said.value)
    assert "':OUTP1?'" in str(said.value)
    assert "it may not know this command" in str(said.value)
    assert {line for line in heard[0].heard if "?" not in line} == {"SYST:REMOTE", "SYST:LOCAL"}


def test_a_dialect_with_another_line_end_shows_what_came(
    tmp_path: Path, spoil: Callable[[str, str], list[DeafTo]]
) -> None:
    """Whose replies never end is no dead instrument: what came is shown, and the dialect doubted."""
    spoil("supply", "nothing")
    rig = tmp_path / "rig.toml"
    text = RIG.read_text(encoding="utf-8")
    rig.write_text(spoiled(text, 'dialect = "scpi-1999"\n', 'dialect = "word-number"\n'), encoding="utf-8")
    supply = checked(rig)["supply"]
    assert supply.good is False
    assert "Simulated DC supply" in supply.found
    assert "whether its dialect fits" in supply.found


def test_a_sensor_that_hands_would_have_to_reach_is_said_to_be_unread(
    tmp_path: Path, spoil: Callable[[str, str], list[DeafTo]]
) -> None:
    """With nobody there the leads stay where they are; what the meter does for the sensor is tried."""
    heard = spoil("meter", "nothing")
    thermometer = 'resource = "sim:thermometer"\nkind = "instrument"\nidentity = "Simulated thermometer"\n'
    found = checked(hand_rig(tmp_path, (thermometer, 'kind = "meter-pt100"\n')))
    assert found["probes"].good is None
    assert "not read" in found["probes"].found
    assert found["meter commands"].good
    assert "RES:RANG 1000.0" in heard[0].heard
