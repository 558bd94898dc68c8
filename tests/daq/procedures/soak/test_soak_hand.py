"""The soak by hand: prompts, typed readings, hand-moved leads, and heat from wherever the operator has it."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

import daq.sim.bench
from daq.bench.operator import AbsentOperator, parse_typed
from daq.errors import InputError
from daq.instruments.number import Number
from daq.record.reader import read_run
from daq.sim.bench import SimBench
from tests.daq.kits.sim import SCRIPTS
from tests.daq.kits.soak import FAULTS, Ran, ask, number, rig_with, run, set_with

HAND_RIG = """\
name = "hand bench (invented)"
[limits]
voltage_V = 14.0
current_A = 5.0
body_degC = 110.0
winding_degC = 150.0
[meter]
resource = "typed"
wires = 4
range_ohm = 100.0
[meter.accuracy]
reading_rel = 0.0002
offset_ohm = 0.002
noise_ohm = 0.001
[probe]
kind = "typed"
accuracy_K = 0.5
noise_K = 0.1
single = true
"""
AMBIENT_DEGC = 22.0
#: Copper of each coil at 20 degC and what is in series with it, as the person below reads them.
COPPER_OHM = {"Y1": 3.310, "Y2": 3.300, "Y3": 3.290, "Y4": 3.305, "Y5": 3.220}
COPPER_OHM |= {"Y6": 5.300, "Y7": 4.980, "Y8": 5.310}
JOINT_OHM = {"Y5": 0.35}


class Person(AbsentOperator):
    """Somebody with a hand meter and a hand thermometer: hears prompts, types what the displays show."""

    def __init__(self) -> None:
        self.heard: list[str] = []
        self.asked: list[str] = []
        self.temperature_degC = AMBIENT_DEGC
        self.drift_rel = 0.0

    def confirm(self, text: str) -> None:
        self.heard.append(text)
        if found := re.search(r"to about (\d+) degC", text):
            self.temperature_degC = float(found[1]) - 0.4
            self.drift_rel = 0.03 if self.temperature_degC > 60.0 else self.drift_rel
        elif "come back to room temperature" in text:
            self.temperature_degC = AMBIENT_DEGC + 0.6

    def ask_number(self, what: str, unit: str) -> Number:
        self.asked.append(f"{what} [{unit}]")
        coil, _, quantity = what.partition(": ")
        if quantity == "body temperature":
            return parse_typed(f"{self.temperature_degC:.1f} degC".replace(".", ","), unit)
        if coil == "Y2" and self.temperature_degC > 72.0:
            return parse_typed("OL", unit)
        drift_rel = self.drift_rel if coil == "Y8" else 0.0
        # Copper: 0.00393 per kelvin at 20 degC (IEC 60028).
        factor = (1.0 + drift_rel) * (1.0 + 0.00393 * (self.temperature_degC - 20.0))
        return parse_typed(f"{COPPER_OHM[coil] * factor + JOINT_OHM.get(coil, 0.01):.3f}", unit)


@pytest.fixture(scope="module")
def typed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Ran, Person]:
    """A whole soak with every reading typed."""
    folder, person = tmp_path_factory.mktemp("typed"), Person()
    rig = folder / "rig.toml"
    rig.write_text(HAND_RIG, encoding="utf-8")
    return run(folder, rig=rig, heat="hand", person=person), person


def test_typed_readings_find_the_faults(typed: tuple[Ran, Person]) -> None:
    """Joint, shorted turns and drift show in single typed readings too, an open asks for another look."""
    ran, _ = typed
    assert ran.outcome.error is None
    # One reading a step: that of Y4 came between two dropouts, and a single OL may be a slipped clip.
    expected = FAULTS | {"Y2": ("retest", "opens-hot-once"), "Y4": ("pass", "within-limits")}
    assert ran.verdicts() == expected
    joint = ran.coil("Y5")
    assert joint.joint_ohm is not None
    assert joint.joint_u_ohm is not None
    assert abs(joint.joint_ohm - 0.35) < 2.0 * joint.joint_u_ohm


def test_the_operator_is_led_through_the_soak(typed: tuple[Ran, Person]) -> None:
    """Cautions first, then each step once, then back to cold; no prompt for leads that a question names."""
    _, person = typed
    assert person.heard == [
        "Stay with the bench until it is cold",
        *(
            f"Heat the coils to about {step} degC and keep them there (never leave them alone)"
            for step in (50, 70, 90)
        ),
        "Stop heating and let the coils come back to room temperature",
    ]


def test_each_typed_reading_is_asked_for_once(typed: tuple[Ran, Person]) -> None:
    """Two questions a coil, cold, at three steps and cold again: nobody types a number five times."""
    ran, person = typed
    questions = [
        question
        for _ in range(5)
        for coil in FAULTS
        for question in (f"{coil}: body temperature [degC]", f"{coil}: resistance [ohm]")
    ]
    assert person.asked == questions
    rows = ran.rows()
    assert [row["phase"] for row in rows] == ["ambient"] * 8 + ["hold"] * 24 + ["return"] * 8
    assert {row["source"] for row in rows} == {"typed"}


def test_the_record_of_a_hand_bench_names_no_simulation(typed: tuple[Ran, Person]) -> None:
    """Typed readings come from a real bench: no seed, no fault script, nothing says simulated."""
    ran, _ = typed
    read = read_run(ran.outcome.folder)
    assert not read.header.simulated
    assert read.header.seed is None
    assert read.header.fault_script is None
    assert not (read.folder / "fault_script.toml").exists()


def test_nobody_there_means_no_run(tmp_path: Path) -> None:
    """Without an operator a hand bench refuses with the first thing it would have asked."""
    rig = tmp_path / "rig.toml"
    rig.write_text(HAND_RIG, encoding="utf-8")
    with pytest.raises(InputError, match="needs an operator at a terminal"):
        run(tmp_path / "runs", rig=rig, heat="hand")
    assert not (tmp_path / "runs").exists()


class AtTheOven(AbsentOperator):
    """Somebody who heats in an oven that the program knows nothing of, and moves the leads by hand."""

    def __init__(self) -> None:
        self.heard: list[str] = []
        self.bench: SimBench | None = None

    def confirm(self, text: str) -> None:
        assert self.bench is not None
        self.heard.append(text)
        if found := re.search(r"to about (\d+) degC", text):
            for line in (f"SOUR:TEMP:SPO {found[1]}", "OUTP ON"):
                assert ask(self.bench, "oven", line) == ""
        elif "come back to room temperature" in text:
            assert ask(self.bench, "oven", "OUTP OFF") == ""
        elif found := re.fullmatch(r"Move the leads to coil (\w+)", text):
            self.bench.move_leads(found[1])


def at_the_oven(monkeypatch: pytest.MonkeyPatch) -> AtTheOven:
    """Return an operator who stands at the bench that the next run builds."""
    person = AtTheOven()
    build: Callable[..., SimBench] = daq.sim.bench.build

    def remember(*args: object, **kwargs: object) -> SimBench:
        person.bench = build(*args, **kwargs)
        return person.bench

    monkeypatch.setattr(daq.sim.bench, "build", remember)
    return person


@pytest.mark.slow
def test_by_hand_on_instruments_gets_the_verdicts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Switch, meter and supply but no oven of the program's: prompts heat, the program waits and judges."""
    person = at_the_oven(monkeypatch)
    rig = rig_with(tmp_path, "groomer_faults.toml", without=("oven",))
    ran = run(tmp_path, rig=rig, heat="hand", person=person)
    assert ran.outcome.error is None
    assert {label: verdict for label, (verdict, _) in ran.verdicts().items()} == {
        label: verdict for label, (verdict, _) in FAULTS.items()
    }
    assert len(person.heard) == 4
    assert {row["phase"] for row in ran.rows()} >= {"ambient", "rise", "hold", "drive", "cool", "return"}
    ran.assert_left_safe()


def loose_script(folder: Path) -> Path:
    """Write the healthy script with leads moved by hand in place of the switch unit."""
    text = (SCRIPTS / "groomer_healthy.toml").read_text(encoding="utf-8")
    text, found = re.subn(
        r"\[wiring\]\n(?:\w.*\n)+", '[wiring]\nswitch = false\ndirect = "Y1"\n', text, count=1
    )
    assert found == 1
    path = folder / "loose.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.slow
def test_without_a_switch_the_probe_travels_with_the_leads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One thermometer, leads moved by hand: each row holds the temperature of its own coil's body."""
    person = at_the_oven(monkeypatch)
    probe = '[probe]\nkind = "instrument"\nresource = "sim:thermometer"\naccuracy_K = 0.5\nsingle = true'
    rig = rig_with(tmp_path, loose_script(tmp_path), without=("oven", "switch", "supply"), probe=probe)
    ran = run(tmp_path, rig=rig, coil_set=set_with(tmp_path, heat='"hand"'), person=person)
    assert ran.outcome.error is None
    assert {verdict for verdict, _ in ran.verdicts().values()} == {"pass"}
    moves = [text for text in person.heard if text.startswith("Move the leads")]
    # Cold, three steps, cold again; at each step the first coil is watched while all of them warm.
    assert moves == [f"Move the leads to coil {label}" for _ in range(5) for label in FAULTS]
    assert ran.truth.contacts_moved_under_current == 0
    for row in ran.rows():
        if row["phase"] == "hold":
            assert number(row["probe_degC"]) == pytest.approx(float(row["step_degC"]), abs=1.5)


class Leaver(Person):
    """Goes home when asked to heat to 70 degC."""

    def confirm(self, text: str) -> None:
        if "about 70 degC" in text:
            raise KeyboardInterrupt
        super().confirm(text)


def test_a_soak_by_hand_is_taken_up_where_the_operator_left_it(tmp_path: Path) -> None:
    """What was typed cold and at 50 degC is kept and not asked again; the verdicts are those of one go."""
    rig = tmp_path / "rig.toml"
    rig.write_text(HAND_RIG, encoding="utf-8")
    left = run(tmp_path / "runs", rig=rig, heat="hand", person=Leaver(), job="J-7", operator="A. Tester")
    assert left.outcome.state == "stopped"
    person = Person()
    ran = run(tmp_path / "runs", rig=rig, resume=left.outcome.folder, person=person)
    assert ran.outcome.error is None
    assert ran.verdicts() == FAULTS | {"Y2": ("retest", "opens-hot-once"), "Y4": ("pass", "within-limits")}
    assert len(person.asked) == 2 * 8 * 3
    assert person.heard[1].startswith("Heat the coils to about 70 degC")
    assert [row["phase"] for row in ran.rows()] == ["ambient"] * 8 + ["hold"] * 24 + ["return"] * 8
    header = read_run(ran.outcome.folder).header
    assert (header.job, header.operator) == ("J-7", "A. Tester")
