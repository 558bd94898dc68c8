"""The cold sweep: what it reads, what it says, and what it cannot know."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from daq.bench.bench import Bench
from daq.bench.guard.guard import Guard
from daq.bench.harness import Harness, Routes
from daq.bench.operator import AbsentOperator
from daq.bench.typed import TypedMeter, TypedProbe
from daq.clock import VirtualClock
from daq.config.builtin import builtin
from daq.instruments.number import Number
from daq.procedures.procedure import Procedure
from daq.procedures.sweep.sweep import AMBIENT_SPREAD_K, PATIENCE, READINGS, read_cold, warn_if_not_at_ambient
from daq.record.reader import read_run
from daq.record.writer import Reading
from tests.daq.kits.soak import HEALTHY, Ran, number, rig_with, run

OPEN = Number(None, "open or over range")


class Answers(AbsentOperator):
    """An operator who moves no leads but reads the meter: one resistance after another, always 21.5 degC."""

    def __init__(self, ohms: Iterable[Number]) -> None:
        self._ohms: Iterator[Number] = iter(ohms)

    def require(self, what: str) -> None:
        pass

    def ask_number(self, what: str, unit: str) -> Number:
        return next(self._ohms) if unit == "ohm" else Number(21.5, "ok")


class Notes:
    """A record and a screen that keep what they are given."""

    def __init__(self) -> None:
        self.rows: list[Reading] = []
        self.events: list[tuple[str, str, str]] = []

    def row(self, reading: Reading) -> None:
        self.rows.append(reading)

    def event(self, kind: str, text: str, coil: str = "") -> None:
        self.events.append((kind, text, coil))


class Blind:
    """A screen that shows nothing."""

    def row(self, reading: Reading) -> None:
        pass

    def event(self, kind: str, text: str, coil: str) -> None:
        pass

    def progress(
        self, stage: str, done: float, left_s: float, coil: str = "", coil_left_s: float | None = None
    ) -> None:
        pass


def procedure(ohms: Iterable[Number], *, typed: bool = False) -> tuple[Procedure, Notes]:
    """Return a procedure on a bench whose meter shows *ohms* in turn."""
    operator, clock, notes = Answers(ohms), VirtualClock(), Notes()
    guard = Guard(None, None, clock, voltage_V=12, current_A=4, body_degC=120, alarm=print)
    harness = Harness(guard, clock, switch=None, routes=Routes(), operator=operator, announce=False)
    bench = Bench(
        clock=clock,
        guard=guard,
        harness=harness,
        meter=TypedMeter(operator),
        probe=TypedProbe(operator),
        operator=operator,
        typed=typed,
        meter_typed=typed,
    )
    return Procedure(bench, notes, Blind()), notes


def steady(ohm: float, count: int) -> list[Number]:
    """Return *count* equal readings."""
    return [Number(ohm, "ok")] * count


def test_steady_contact_takes_three_readings() -> None:
    """A coil that reads the same each time is read three times, and every row is kept."""
    made, notes = procedure(steady(3.3, 100))
    readings = read_cold(made, "Y1", "sweep", READINGS)
    assert [r.resistance_ohm for r in readings] == [3.3] * 3
    assert notes.rows == readings
    assert {(r.coil, r.phase, r.step_degC, r.probe_degC) for r in readings} == {("Y1", "sweep", None, 21.5)}
    assert notes.events == []


def test_a_contact_that_comes_to_rest_is_waited_for() -> None:
    """Readings go on until three in a row agree; the unsteady ones stay in the record."""
    wobble = [Number(value, "ok") for value in (4.1, 3.4, 3.9, 3.5)]
    made, notes = procedure([*wobble, *steady(3.3, 100)])
    readings = read_cold(made, "Y1", "sweep", READINGS)
    assert len(readings) == 4 + 3
    assert notes.rows == readings
    assert notes.events == []


def test_a_contact_that_never_rests_is_said() -> None:
    """After 23 readings without agreement the operator hears it, and the readings stand as they are."""
    made, notes = procedure(Number(3.3 + 0.2 * (n % 2), "ok") for n in range(100))
    readings = read_cold(made, "Y3", "sweep", READINGS)
    assert len(readings) == READINGS + PATIENCE == 23
    assert notes.events == [("contact", "readings do not settle after 23: look at the contacts", "Y3")]


def test_an_open_coil_is_not_waited_for() -> None:
    """Five readings without a resistance are enough: waiting makes no coil whole."""
    made, notes = procedure([OPEN] * 100)
    readings = read_cold(made, "Y2", "sweep", READINGS)
    assert [r.status for r in readings] == [OPEN.status] * 5
    assert notes.events == []


def test_a_contact_made_late_counts() -> None:
    """Three opens and then a steady reading: the steady one is waited for, the opens are kept."""
    made, _ = procedure([OPEN] * 3 + steady(3.3, 100))
    readings = read_cold(made, "Y2", "sweep", READINGS)
    assert [r.resistance_ohm for r in readings] == [None] * 3 + [3.3] * 3


def test_a_typed_reading_is_asked_for_once() -> None:
    """A person has waited for the display already, and is not asked five times."""
    made, _ = procedure(steady(3.3, 1), typed=True)
    (reading,) = read_cold(made, "Y1", "ambient", READINGS)
    assert reading.source == "typed"
    assert reading.resistance_ohm == 3.3


@pytest.mark.parametrize(("spread_K", "said"), [(0.0, 0), (AMBIENT_SPREAD_K, 0), (AMBIENT_SPREAD_K + 0.1, 1)])
def test_parts_of_different_temperature_are_said(spread_K: float, said: int) -> None:
    """Parts more than 2 K apart were not all at ambient."""
    made, notes = procedure([])
    warn_if_not_at_ambient(made, [20.0, 20.0 + spread_K, 20.5])
    assert [kind for kind, _, _ in notes.events] == ["ambient"] * said


def test_no_temperature_at_all_is_no_complaint() -> None:
    """Without a single probe reading there is nothing to compare."""
    made, notes = procedure([])
    warn_if_not_at_ambient(made, [])
    assert notes.events == []


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """A sweep of the default bench."""
    return run(tmp_path_factory.mktemp("sweep"), kind="sweep")


def test_a_sweep_finds_what_shows_cold_and_says_that_heat_was_not_tested(swept: Ran) -> None:
    """Y5 and Y7 differ from their like already cold; what fails only when hot passes with a reservation."""
    failed = {label for label, (verdict, _) in swept.verdicts().items() if verdict == "fail"}
    assert failed == {"Y5", "Y7"}
    assert {verdict for verdict, _ in swept.verdicts().values()} == {"pass", "fail"}
    assert swept.verdicts()["Y7"] == ("fail", "shorted-turns")
    for label in ("Y2", "Y4", "Y8"):
        opens = next(c for c in swept.coil(label).criteria if c.code == "open")
        assert opens.note == "cold only: heat not tested"
    rows = 5 * len(HEALTHY)
    assert swept.outcome.result.notes == (
        f"{', '.join(HEALTHY)}: cold only: heat not tested",
        (
            f"All {rows} readings are accounted for: {rows} behind the figures, 0 others as they should be, "
            "0 against their coil."
        ),
    )


def test_a_sweep_reads_each_coil_in_two_passes_and_its_insulation_once(swept: Ran) -> None:
    """Three ohms readings and one of insulation, then two more in a second pass, in the order of the set."""
    rows = swept.rows()
    first, second = rows[: 4 * len(HEALTHY)], rows[4 * len(HEALTHY) :]
    assert [row["coil"] for row in first] == [label for label in HEALTHY for _ in range(4)]
    assert [row["source"] for row in first] == ["ohms", "ohms", "ohms", "insulation"] * len(HEALTHY)
    assert [row["coil"] for row in second] == [label for label in HEALTHY for _ in range(2)]
    assert {row["source"] for row in second} == {"ohms"}
    assert {row["phase"] for row in rows} == {"sweep"}
    for row in rows:
        if row["source"] == "ohms":
            assert number(row["probe_degC"]) == pytest.approx(22.0, abs=0.5)
            assert row["current_A"] == row["voltage_V"] == ""


def test_a_sweep_energises_nothing(swept: Ran) -> None:
    """No coil took any energy, no contact moved under current, everything ends open."""
    assert {swept.truth.energy_J(label) for label in HEALTHY} == {0.0}
    swept.assert_left_safe()


def test_a_sweep_takes_as_long_as_its_readings(swept: Ran) -> None:
    """Each coil takes the same virtual time to the millisecond: same settings, same settling."""
    starts_s = [number(row["time_s"]) for row in swept.rows()[: 4 * len(HEALTHY) : 4]]
    lengths_s = {round(after_s - before_s, 3) for before_s, after_s in pairwise(starts_s[1:])}
    assert len(lengths_s) == 1
    assert 1.3 < lengths_s.pop() < 2.0


def test_a_sweep_needs_no_oven_and_no_supply(tmp_path: Path) -> None:
    """A rig with meter and switch only sweeps a set that is to be soaked in an oven."""
    rig = rig_with(tmp_path, "groomer_healthy.toml", without=("supply", "oven"))
    swept = run(tmp_path, kind="sweep", rig=rig, stage="before refit", job="J-77", operator="A. Nobody")
    assert {verdict for verdict, _ in swept.verdicts().values()} == {"pass"}
    header = read_run(swept.outcome.folder).header
    assert (header.stage, header.job, header.operator) == ("before refit", "J-77", "A. Nobody")
    assert swept.outcome.folder.name == "20260105T080000Z-J-77-sweep-before-refit"


@pytest.mark.parametrize(("start_degC", "word"), [(60.0, "cools"), (-15.0, "warms")])
def test_a_part_that_was_just_washed_is_asked_to_lie(tmp_path: Path, start_degC: float, word: str) -> None:
    """A coil out of a hot washer or a cold store: it moves, is told by how much, and does not pass."""
    script = tmp_path / "washed.toml"
    text = builtin("fault_scripts", "groomer_healthy.toml").read_text(encoding="utf-8")
    script.write_text(
        text.replace('label = "Y3"', f'label = "Y3"\nstart_degC = {start_degC}'), encoding="utf-8"
    )
    ran = run(tmp_path, kind="sweep", rig=rig_with(tmp_path, script))
    assert ran.verdicts()["Y3"][0] == "retest"
    reason = next(r for r in ran.coil("Y3").reasons if r.code == "not-at-rest")
    assert f"its winding still {word} by" in reason.text
    assert {ran.verdicts()[label][0] for label in HEALTHY if label != "Y3"} == {"pass"}
    assert any("not all at ambient" in row["text"] for row in ran.events())
