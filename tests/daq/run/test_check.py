"""Is the bench what its rig file says: what is good, what must be looked at; no coil is energised."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest
from rich.console import Console

import daq.sim.bench
from daq.bench.bench import Bench
from daq.config.builtin import builtin
from daq.instruments.drivers.supply import DialectSupply
from daq.instruments.number import Number
from daq.instruments.roles import Protection
from daq.run.check import check_bench
from daq.sim.bench import SimBench
from daq.tables import CheckLine, findings_table
from tests.daq.kits.cli import RIG, say, spoiled

#: Not connected, as a meter reads it.
OPEN = Number(None, "open or over range")


@pytest.fixture(autouse=True)
def bench(monkeypatch: pytest.MonkeyPatch) -> list[SimBench]:
    """Return where the simulated benches that a check opens are kept."""
    built: list[SimBench] = []
    build = daq.sim.bench.build

    def remember(script: Path, **more: object) -> SimBench:
        built.append(build(script, **more))  # type: ignore[arg-type]
        return built[-1]

    monkeypatch.setattr(daq.sim.bench, "build", remember)
    return built


def checked(rig: Path | None = None, coil_set: Path | None = None) -> dict[str, CheckLine]:
    """Return the findings on a simulated bench by what was looked at."""
    return {
        finding.what: finding for finding in check_bench(rig, coil_set, None, Console(file=io.StringIO()))
    }


def test_a_good_bench_is_found_good(bench: list[SimBench]) -> None:
    """Every instrument says who it is; supply off, limits held, leads, ways and probes as they should be."""
    found = checked()
    assert {what for what, finding in found.items() if not finding.good} == {"off, seen by"}
    assert "Simulated oven" in found["oven"].found
    assert found["supply output"].found == "off, read back"
    assert found["supply limits"].found == (
        "14 V and 5 A; over-voltage armed, read back; over-current armed, read back"
    )
    assert found["off, seen by"].good is None
    assert "not tried here" in found["off, seen by"].found
    assert found["ways to the coils"].found == "8 coils read"
    assert "on 8 coils" in found["probes"].found
    (simulated,) = bench
    assert not simulated.output_on()
    assert simulated.closed_channels() == frozenset()
    assert simulated.contacts_moved_under_current == 0


def test_no_coil_is_ever_energised(monkeypatch: pytest.MonkeyPatch, bench: list[SimBench]) -> None:
    """The output goes on once, at zero volts and with no contact of its own closed, and off again."""
    switched: list[tuple[bool, float, set[int]]] = []
    switch = DialectSupply.switch_output

    def seen(self: DialectSupply, on: bool) -> None:
        stage = bench[-1].world.stage
        switched.append((on, stage.set_V, {*bench[-1].closed_channels()} & {*range(101, 109)}))
        switch(self, on)

    monkeypatch.setattr(DialectSupply, "switch_output", seen)
    assert checked()["output at zero volts"].good
    assert [each for each in switched if each[0]] == [(True, 0.0, set())]
    assert not switched[-1][0]
    assert not bench[-1].output_on()


def test_an_instrument_expected_by_nobody_is_good_but_said(tmp_path: Path) -> None:
    """Without an identity in the rig file whoever answers is taken, and the finding says so."""
    rig = spoiled(tmp_path, RIG, 'identity = "Simulated oven"\n', "")
    oven = checked(rig)["oven"]
    assert oven.good
    assert "expects no one in particular" in oven.found


def test_open_ways_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Coils that read open are named: a lead is off, or the coil is gone."""
    resistance = Bench.resistance

    def broken(self: Bench, coil: str, *, quick: bool = False) -> Number:
        return OPEN if coil in {"Y2", "Y7"} else resistance(self, coil, quick=quick)

    monkeypatch.setattr(Bench, "resistance", broken)
    ways = checked()["ways to the coils"]
    assert not ways.good
    assert ways.found == "Y2, Y7 read open or over range"


@pytest.mark.parametrize(
    ("reading", "good", "expected"),
    [
        (None, True, "names no channel that joins them"),
        (OPEN, False, "open or over range"),
        (Number(0.004, "ok"), True, "0.0040 ohm joined, 4-wire"),
        (Number(0.35, "ok"), False, "at most 0.02 ohm: look at contacts"),
        (Number(-0.35, "ok"), False, "at most 0.02 ohm: look at contacts"),
    ],
)
def test_joined_leads_must_read_nothing(
    monkeypatch: pytest.MonkeyPatch, reading: Number | None, good: bool, expected: str
) -> None:
    """Leads joined at their far end read zero four-wire; else contacts are bad or a terminal is off."""
    monkeypatch.setattr(Bench, "lead_resistance", lambda _self: reading)
    leads = checked()["meter leads"]
    assert leads.good == good
    assert expected in leads.found


@pytest.mark.parametrize(
    ("wrong", "what", "expected"),
    [
        (OPEN, "probe Y5", "open or over range"),
        (Number(78.2, "ok"), "probe Y5", "78.2 degC: hot, or not connected as the file says"),
        (Number(-242.0, "ok"), "probe Y5", "-242.0 degC: hot, or not connected"),
        (Number(31.0, "ok"), "probes", "22.1 to 31.0 degC on 8 coils"),
    ],
)
def test_a_probe_that_cannot_be_right_is_named(
    monkeypatch: pytest.MonkeyPatch, wrong: Number, what: str, expected: str
) -> None:
    """A probe open, hot, impossibly cold, or away from its neighbours must be looked at before heating."""
    monkeypatch.setattr(
        Bench, "temperature", lambda _self, coil: wrong if coil == "Y5" else Number(22.1, "ok")
    )
    finding = checked()[what]
    assert not finding.good
    assert expected in finding.found


@pytest.mark.parametrize(("takes_s", "slow"), [(0.9, False), (1.4, True)])
def test_an_instrument_too_slow_for_a_driven_coil_is_named(
    monkeypatch: pytest.MonkeyPatch, bench: list[SimBench], takes_s: float, slow: bool
) -> None:
    """However long the rig file would wait: under current nobody does, and the run would end by it."""

    def late(_supply: DialectSupply) -> Number:
        bench[-1].world.clock.sleep(takes_s)
        return Number(0.0, "ok")

    monkeypatch.setattr(DialectSupply, "current", late)
    found = checked()
    assert ("pace of supply" in found) == slow
    if slow:
        assert not found["pace of supply"].good
        assert "needs 1.4 s for an answer; while current flows" in found["pace of supply"].found
    assert not {"pace of probe", "pace of meter"} & found.keys()


@pytest.mark.parametrize(
    ("states", "good", "expected"),
    [
        (("missing", "armed"), None, "no over-voltage protection; over-current armed, read back"),
        (
            ("missing", "missing"),
            True,
            "no over-voltage protection; no over-current protection: the current limit stands alone",
        ),
        (("not read back", "armed"), None, "over-voltage told to act, not read back; over-current armed"),
        (("armed", "unknown"), None, "over-current not armed: this dialect has no command for it"),
        (("not armed", "armed"), None, "over-voltage not armed: refused"),
    ],
)
def test_a_protection_is_called_armed_only_where_that_was_read_back(
    monkeypatch: pytest.MonkeyPatch, states: tuple[str, str], good: bool | None, expected: str
) -> None:
    """A level that reads back is not a protection that acts: each is said to be what it is known to be."""
    names = ("over-voltage", "over-current")
    protections = tuple(
        Protection(name, state, "refused" if state == "not armed" else "")  # type: ignore[arg-type]
        for name, state in zip(names, states, strict=True)
    )
    monkeypatch.setattr(DialectSupply, "protect", lambda *_: protections)
    limits = checked()["supply limits"]
    assert limits.good is good
    assert expected in limits.found
    assert "held" not in limits.found


def test_another_instrument_is_named_with_its_line(tmp_path: Path) -> None:
    """Who is not who the rig file names stands in the table with file, line and key, beside the others."""
    rig = spoiled(tmp_path, RIG, '"Simulated switch unit"', '"Somebody"')
    found = checked(rig)
    assert found["switch"].good is False
    assert re.search(r"simulated\.toml:\d+: key 'switch\.identity': .*'Somebody'", found["switch"].found)
    assert "Simulated oven" in found["oven"].found
    assert found["the rest"].good is None
    assert set(found) == {"supply", "meter", "switch", "oven", "the rest"}


def test_a_meter_too_coarse_for_the_limits_is_said_before_anybody_reads(tmp_path: Path) -> None:
    """3 digits of 0.1 ohm and 0.9 % are more than 10 % of 3.3 ohm, and two digits are enough."""
    text, rig = builtin("rigs", "example_hand").read_text(encoding="utf-8"), tmp_path / "rig.toml"
    rig.write_text(text, encoding="utf-8")
    (coarse,) = (each for each in checked(rig).values() if not each.good)
    assert coarse.what == "limits of switching"
    assert "known to 0.35 ohm at best, too little for 3.3 ohm +-0.33: no coil can pass" in coarse.found
    rig.write_text(text.replace("offset_ohm = 0.3", "offset_ohm = 0.2"), encoding="utf-8")
    assert all(each.good for each in checked(rig).values())


def test_a_bench_without_instruments_asks_nobody() -> None:
    """Meter and thermometer that a person reads are listed as such, and nobody is asked anything."""
    found = checked(builtin("rigs", "example_hand"))
    assert [found[what].found for what in ("meter", "probe")] == ["read by the operator and typed in"] * 2


def test_what_must_be_looked_at_ends_with_status_2(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One bad finding is LOOK in the table, false under --json, and exit status 2 in both."""
    monkeypatch.setattr(Bench, "lead_resistance", lambda _self: Number(0.35, "ok"))
    said = say(capsys, "check")
    assert (said.status, said.err) == (2, "")
    assert next(line for line in said.out.splitlines() if "LOOK" in line).startswith("meter leads")
    said = say(capsys, "check", "--json")
    assert (said.status, said.err) == (2, "")
    assert [f["what"] for f in said.json()["findings"] if f["good"] is False] == ["meter leads"]


def test_the_table_fits_and_obeys_nobody() -> None:
    """A long answer wraps in its column at 80 columns; brackets and escape codes in it are only shown."""
    console = Console(file=io.StringIO(), width=80)
    console.print(findings_table([CheckLine("supply", True, "[/red]\x1b[31m" + "x" * 100)]))
    assert isinstance(console.file, io.StringIO)
    text = console.file.getvalue()
    assert max(map(len, text.splitlines())) <= 80
    assert "[/red]" in text
    assert "\x1b" not in text
    assert text.count("x") == 100
