"""The sweep with a hand meter: what a person types, slips, and figures put right."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pytest

from daq.bench.operator import AbsentOperator, parse_typed
from daq.config.builtin import builtin
from daq.config.load import load_coil_set
from daq.instruments.number import Number
from daq.procedures.sweep.expected_value import Plausible
from daq.record.reader import read_run
from tests.daq.kits.soak import Ran, run
from tests.daq.kits.table import read_csv

GOOD = ("3.6", "3.61", "3.62", "3.6", "3.61", "5.6", "5.61", "5.6")


class Typist(AbsentOperator):
    """Types leads, ambient, one line after another and a last Enter; keeps what was said."""

    def __init__(self, lines: Iterable[str], ambient: str = "22", leads: str = "0.3") -> None:
        self._lines = iter((*lines, ""))
        self._typed = {"degC": iter(ambient.split("|")), "ohm": iter(leads.split("|"))}
        self.said: list[str] = []

    def require(self, what: str) -> None:
        pass

    def ask_number(self, what: str, unit: str) -> Number:
        return parse_typed(next(self._typed[unit]), unit)

    def ask(self, prompt: str) -> str:
        self.said.append(prompt)
        return next(self._lines)

    def tell(self, text: str) -> None:
        self.said.append(text)


def swept(folder: Path, person: Typist) -> Ran:
    """Sweep the invented set with a hand meter."""
    return run(folder, kind="sweep", rig=Path("example_hand"), person=person)


def taken(ran: Ran) -> dict[str, list[float]]:
    """Return what counts of each coil, by its trace."""
    return {t.coil: t.resistance_ohm.round(6).tolist() for t in read_run(ran.outcome.folder).traces()}


def test_eight_readings_eight_lines(tmp_path: Path) -> None:
    """Each coil is asked for once, the leads come off, and the ambient is asked once for all."""
    person = Typist(GOOD)
    ran = swept(tmp_path, person)
    assert taken(ran)["Y1"] == [3.3]
    assert [row["probe_degC"] for row in ran.rows() if row["coil"]] == ["22.0"] * 8
    assert sum("[ohm]" in line for line in person.said) == 8
    assert ran.outcome.state == "complete"


@pytest.mark.parametrize(("typed", "taken_off"), [("OL|0.3", 0.3), ("OL|OL", 0.0)])
def test_leads_that_read_open_are_asked_for_once_more(tmp_path: Path, typed: str, taken_off: float) -> None:
    """They did not touch, or one is broken: that is asked in time, and said in the record if it stays so."""
    person = Typist(GOOD, leads=typed)
    ran = swept(tmp_path, person)
    assert sum("the leads read open: hold their bare ends together" in line for line in person.said) == 1
    assert taken(ran)["Y1"] == [pytest.approx(3.6 - taken_off)]
    assert any("one is broken or they did not touch" in row["text"] for row in ran.events()) == (
        not taken_off
    )


def test_a_slip_is_asked_about_and_the_right_figure_counts(tmp_path: Path) -> None:
    """72 for 7.2 is told as ten times what it should be and not kept."""
    person = Typist((*GOOD[:2], "36", *GOOD[2:]))
    ran = swept(tmp_path, person)
    assert any("36 ohm is ten times its nominal value (3.3 ohm)" in line for line in person.said)
    assert taken(ran)["Y3"] == [3.32]


def test_a_figure_typed_twice_is_believed(tmp_path: Path) -> None:
    """Whoever types the odd figure again means it."""
    person = Typist((*GOOD[:2], "36", "36", *GOOD[3:]))
    ran = swept(tmp_path, person)
    assert taken(ran)["Y3"] == [35.7]
    assert ran.verdicts()["Y3"][0] == "fail"


def test_back_puts_an_earlier_figure_right_and_keeps_both(tmp_path: Path) -> None:
    """The record holds both readings; only the later one counts."""
    ran = swept(tmp_path, Typist((*GOOD[:3], "b", "3.7", *GOOD[3:])))
    assert [row["resistance_ohm"] for row in ran.rows("Y3")] == ["3.32", "", "3.4"]
    assert taken(ran)["Y3"] == [3.4]
    table = {
        each.coil: each.resistance_ohm.tolist() for each in read_csv(ran.outcome.folder / "readings.csv")
    }
    assert table["Y3"] == [3.4]
    assert [row["text"] for row in ran.events() if row["kind"] == "again"] == ["read again; 3.62 ohm before"]


def test_the_last_figure_can_be_put_right_before_the_end(tmp_path: Path) -> None:
    """Behind the last coil there is one more question, at which b goes back."""
    ran = swept(tmp_path, Typist((*GOOD, "b", "5.5")))
    assert taken(ran)["Y8"] == [5.2]
    assert ran.outcome.state == "complete"


def test_the_ambient_is_asked_before_the_leads(tmp_path: Path) -> None:
    """Parts warm up in the hands, so the thermometer is read first."""

    class Noting(Typist):
        def ask_number(self, what: str, unit: str) -> Number:
            self.said.append(unit)
            return super().ask_number(what, unit)

    person = Noting(GOOD)
    swept(tmp_path, person)
    assert person.said[:2] == ["degC", "ohm"]


def test_open_skipped_and_nonsense(tmp_path: Path) -> None:
    """OL is open and no slip; a skipped coil has no row; what is no reading is asked for again."""
    person = Typist(("OL", "s", "three", *GOOD[2:]))
    ran = swept(tmp_path, person)
    assert ran.rows("Y1")[0]["status"] == "open or over range"
    assert ran.rows("Y2") == []
    assert any("'three' is not a reading in ohm" in line for line in person.said)
    assert ran.verdicts()["Y1"][0] != "pass"


@pytest.mark.parametrize(("typed", "degC"), [("71.6 F", "22.0"), ("220|22", "22.0"), ("46|46", "46.0")])
def test_ambient_in_either_unit_and_asked_again_where_it_is_none(
    tmp_path: Path, typed: str, degC: str
) -> None:
    """Fahrenheit is understood; a temperature that no workshop has is asked for twice."""
    ran = swept(tmp_path, Typist(GOOD, ambient=typed))
    assert ran.rows("Y1")[0]["probe_degC"] == degC


def test_without_a_temperature_nothing_passes(tmp_path: Path) -> None:
    """No thermometer: the record says so, and no coil passes at an unknown temperature."""
    ran = swept(tmp_path, Typist(GOOD, ambient="-"))
    assert "pass" not in {verdict for verdict, _ in ran.verdicts().values()}
    assert any("R20 is not known" in row["text"] for row in ran.events())


def test_without_nominal_values_slips_show_against_like_parts(tmp_path: Path) -> None:
    """The first figure of a kind cannot be doubted; it is looked at again once its like are known."""
    text = builtin("coil_sets", "snow_groomer").read_text(encoding="utf-8")
    kept = [line for line in text.splitlines() if not line.startswith(("r20_ohm", "r20_tolerance"))]
    bare = tmp_path / "bare.toml"
    bare.write_text("\n".join(kept), encoding="utf-8")
    person = Typist(("36", "3.6", "3.6", "3.61", "3.62", "5.6", "5.61", "5.6", "", "3.6"))
    ran = run(tmp_path, kind="sweep", rig=Path("example_hand"), coil_set=bare, person=person)
    assert any(line.startswith("Y1: 36 ohm is ten times its like") for line in person.said)
    assert taken(ran)["Y1"] == [3.3]


@pytest.mark.parametrize(
    ("ohm", "word"),
    [
        (3.3, ""),
        (1.2, ""),
        (9.8, ""),
        (33.0, "ten times"),
        (330.0, "a hundred times"),
        (3300.0, "a thousand times"),
        (0.33, "a tenth of"),
        (0.0033, "a thousandth of"),
        (15.0, "4.5 times"),
        (0.0, "0 times"),
    ],
)
def test_factors_as_people_say_them(ohm: float, word: str) -> None:
    """A slip of the decimal point is named as one; what is within a factor of three is none."""
    said = Plausible(load_coil_set(builtin("coil_sets", "snow_groomer")).value).slip("Y1", ohm)
    assert (f"is {word} its nominal value" in said) if word else said == ""
