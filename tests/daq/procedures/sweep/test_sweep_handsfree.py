"""The sweep that follows the leads: what it takes, what it says, what the keys do, and when it ends."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daq.bench.operator import AbsentOperator
from daq.errors import InputError
from daq.procedures.sweep.hands_free import LAST_WORD_S
from daq.procedures.sweep.leads import GOOD, LOOK_AGAIN, TROUBLE
from daq.procedures.sweep.sweep import OPEN_READINGS
from daq.record.reader import read_run
from daq.sim.world.hand import SimHand
from tests.daq.kits.hand import Person, hand_rig, sweep_by_hand
from tests.daq.kits.soak import HEALTHY, Ran, number, run

SETTLED = 3
QUIET = ("wobbles_s = { Y5 = 7.0 }", "wobble_s = 0.0")
OPEN_Y2 = ('label = "Y2"\nkind = "switching"', 'label = "Y2"\nkind = "switching"\ncopper_ohm = 1e9')
SLOW_HAND = ("wobbles_s = { Y5 = 7.0 }", "wobble_s = 0.0\nreaction_s = 3.0")


def taken(ran: Ran) -> dict[str, list[float]]:
    """Return the readings that count of each coil."""
    return {t.coil: t.resistance_ohm.tolist() for t in read_run(ran.outcome.folder).traces()}


def assert_right(ran: Ran, coil: str, of: str | None = None) -> None:
    """What counts of *coil* is what the coil *of*, or itself, really has, within what two wires leave."""
    readings = taken(ran)[coil]
    assert len(readings) == SETTLED
    assert np.mean(readings) == pytest.approx(ran.truth.resistance_ohm(of or coil), abs=0.02)


def test_a_set_is_read_without_a_key(tmp_path: Path) -> None:
    """Leads nulled tip to tip, eight coils in order, each read three times, with a tone for each."""
    person = Person()
    ran = sweep_by_hand(tmp_path, hand_rig(tmp_path), person)
    assert ran.outcome.state == "complete"
    rows = ran.rows()
    assert (rows[0]["source"], rows[0]["coil"]) == ("leads", "")
    assert number(rows[0]["resistance_ohm"]) == pytest.approx(0.12, abs=0.02)
    assert [row["coil"] for row in rows[1:]] == [label for label in HEALTHY for _ in range(SETTLED)]
    for label in HEALTHY:
        assert_right(ran, label)
    assert all(abs(number(row["probe_degC"]) - 22.0) < 0.6 for row in rows[1:])
    failed = {label for label, (verdict, _) in ran.verdicts().items() if verdict == "fail"}
    assert failed == {"Y5", "Y7"}
    assert person.said[0] == "tips: hold the two tips together"
    assert person.said[-1].startswith("done: look again at Y7; ends in")
    ran.assert_left_safe()


def test_the_tones_tell_good_from_look_again_from_trouble(tmp_path: Path) -> None:
    """One for a good reading, two for one to look at again, three for a contact that does not settle."""
    person = Person()
    ran = sweep_by_hand(tmp_path, hand_rig(tmp_path), person)
    heard = {coil: [times for each, times in person.heard if each == coil] for coil in ("tips", "Y1", "Y5")}
    assert heard == {"tips": [GOOD], "Y1": [GOOD], "Y5": [TROUBLE, LOOK_AGAIN]}
    assert any(s.startswith("Y5: no firm contact") and "use clips" in s for s in person.said)
    assert any(s.startswith("Y5: look again, 0.2") and "above its like" in s for s in person.said)
    (named,) = [(row["coil"], row["text"]) for row in ran.events() if row["kind"] == "contact"]
    assert named[0] == "Y5"
    assert named[1].startswith("contact does not settle, 3.")


def test_the_same_sweep_twice_is_the_same_to_the_byte(tmp_path: Path) -> None:
    """A hand in virtual time is as exact as a switch unit."""
    both = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        both.append(sweep_by_hand(tmp_path / name, hand_rig(tmp_path / name)).bytes_of("readings.csv"))
    assert both[0] == both[1]


def test_without_a_terminal_plain_lines_say_the_same(tmp_path: Path) -> None:
    """Nobody at a keyboard: what is due and what was read stands in lines of their own."""
    ran = sweep_by_hand(tmp_path, hand_rig(tmp_path, QUIET))
    assert "Y3: put the leads on it\nY3: hold still\nY3: good, 3.27" in ran.screen
    assert "\a" not in ran.screen


def test_again_reads_the_coil_once_more_and_the_later_counts(tmp_path: Path) -> None:
    """With the leads still on, and from the air; by Space, Enter, or whatever a foot switch sends."""
    person = Person((" ", "^Y1: good"), ("\r", "^Y3: put"), ("\x1b", "^Y4: put"))
    ran = sweep_by_hand(tmp_path, hand_rig(tmp_path, QUIET), person)
    assert person.pressed_all
    again = [row["coil"] for row in ran.rows() if row["source"] == "again"]
    assert again == ["Y1", "Y2", "Y3"]
    assert [len(ran.rows(label)) for label in ("Y1", "Y2", "Y3", "Y4")] == [7, 7, 7, 3]
    for label in HEALTHY:
        assert_right(ran, label)


def test_skip_back_and_the_number_of_a_coil(tmp_path: Path) -> None:
    """Y2 is skipped, Y5 is taken before its turn, back from Y6 goes to Y5 once more, Y3 and Y4 come later."""
    person = Person(("s", "^Y2: put"), ("5", "^Y3: put"), ("b", "^Y6: put"))
    ran = sweep_by_hand(tmp_path, hand_rig(tmp_path, QUIET), person)
    assert person.pressed_all
    order = [row["coil"] for row in ran.rows() if row["source"] == "ohms"][::SETTLED]
    assert order == ["Y1", "Y5", "Y5", "Y6", "Y7", "Y8", "Y3", "Y4"]
    assert "Y2" not in taken(ran)
    assert [row["coil"] for row in ran.events() if row["kind"] == "skipped"] == ["Y2"]
    assert ran.verdicts()["Y2"][0] == "retest"


def test_a_reading_that_was_another_coils_is_given_to_it(tmp_path: Path) -> None:
    """Leads still on: '4' says that this is Y4, and Y1, for which it was taken, is due again."""
    person = Person(("4", "^Y1: good"))
    ran = sweep_by_hand(tmp_path, hand_rig(tmp_path, SLOW_HAND), person)
    assert_right(ran, "Y4", of="Y1")
    assert_right(ran, "Y1")
    assert [row["source"] for row in ran.rows("Y1")] == [*["ohms"] * 3, "again", *["ohms"] * 3]
    assert person.said[-1].startswith("done: ")


def test_a_coil_taken_for_another_is_told_and_put_right_by_a_number(tmp_path: Path) -> None:
    """Y6 touched for Y3 reads like the other kind: '6' gives it the reading, and Y3 is due again."""
    person = Person(("6", "^Y3: look again, outside 3.3 ohm ±10 %, like a proportional coil"))
    mistaken = ("wobbles_s = { Y5 = 7.0 }", 'mistakes = { Y3 = "Y6" }\nreaction_s = 3.0')
    ran = sweep_by_hand(tmp_path, hand_rig(tmp_path, mistaken), person)
    assert person.pressed_all
    for label in HEALTHY:
        assert_right(ran, label)


def test_skip_with_the_leads_on_takes_nothing(tmp_path: Path) -> None:
    """A coil that is skipped while it is touched is not read, nor is the next one before the leads lift."""
    person = Person(("s", "^Y2: hold still"))
    ran = sweep_by_hand(tmp_path, hand_rig(tmp_path, SLOW_HAND), person)
    assert "Y3: lift, then put the leads on it" in person.said
    assert "Y2" not in taken(ran)
    assert_right(ran, "Y3")


def test_an_open_coil_is_told_by_a_key(tmp_path: Path) -> None:
    """An open coil looks like leads in the air: 'o' has the meter look at it, and keeps what it shows."""
    person = Person(("o", "^Y2: put"))
    ran = sweep_by_hand(tmp_path, hand_rig(tmp_path, QUIET, OPEN_Y2), person)
    rows = ran.rows("Y2")
    assert [row["status"] for row in rows] == ["open or over range"] * OPEN_READINGS
    assert ran.verdicts()["Y2"][0] == "fail"
    assert ("Y2", LOOK_AGAIN) in person.heard
    assert_right(ran, "Y3")


def test_a_coil_that_reads_is_not_recorded_as_open(tmp_path: Path) -> None:
    """'o' on a contact that shows ohms is refused, and the coil is then read."""
    person = Person(("o", "^Y2: hold still"))
    ran = sweep_by_hand(tmp_path, hand_rig(tmp_path, QUIET), person)
    assert any(s.startswith("Y2: not open, the meter reads 3.3") for s in person.said)
    assert_right(ran, "Y2")


def test_the_last_coil_can_be_put_right_before_the_end(tmp_path: Path) -> None:
    """Five seconds after the last lift the sweep is over; until then 'a' and 'b' go back."""
    person = Person(("a", "^done"), ("b", "^done"))
    ran = sweep_by_hand(tmp_path, hand_rig(tmp_path, QUIET), person)
    assert person.pressed_all
    assert len(ran.rows("Y8")) == 3 + 4 + 4
    last_s = number(ran.rows()[-1]["time_s"])
    assert LAST_WORD_S < ran.truth.world.clock.monotonic() - last_s < LAST_WORD_S + 3.0


def test_leads_left_on_the_last_coil_do_not_hold_up_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who walks away with the clips on has the verdicts all the same."""
    lift = SimHand.lift
    monkeypatch.setattr(
        SimHand, "lift", lambda hand: None if hand._target == len(HEALTHY) - 1 else lift(hand)
    )
    person = Person()
    ran = sweep_by_hand(tmp_path, hand_rig(tmp_path, QUIET), person)
    assert ran.outcome.state == "complete"
    assert len(taken(ran)) == len(HEALTHY)
    assert [line.split(":")[0] for line in person.said[-2:]] == ["Y8", "done"]


@pytest.mark.slow
def test_a_sweep_that_nobody_goes_on_with_ends(tmp_path: Path) -> None:
    """An open coil and nobody to say so: after ten minutes it ends, with what was not read."""
    ran = sweep_by_hand(tmp_path, hand_rig(tmp_path, QUIET, OPEN_Y2))
    assert ran.outcome.state == "complete"
    assert list(taken(ran)) == ["Y1"]
    (event,) = [row["text"] for row in ran.events() if row["kind"] == "contact"]
    assert event == "no leads on anything for 600 s; not read: Y2, Y3, Y4, Y5, Y6, Y7, Y8"


def test_leads_that_are_too_much_are_asked_about_once(tmp_path: Path) -> None:
    """More than half an ohm tip to tip may be a coil between them: doubted, then taken and told."""
    heavy = ("switch = false", "switch = false\nmeter_lead_ohm = 0.8")
    person = Person()
    ran = sweep_by_hand(
        tmp_path, hand_rig(tmp_path, QUIET, heavy, ("[hand]\n", "[hand]\nreach_s = 0.5\n")), person
    )
    assert "much for leads" in " ".join(person.said)
    assert ran.outcome.state == "complete"


class Mover(AbsentOperator):
    """Moves the leads of the simulated hand as the questions ask, and presses Enter."""

    def __init__(self) -> None:
        self.heard: list[str] = []
        self.hand: SimHand | None = None

    def require(self, what: str) -> None:
        self.heard.append(what)

    def confirm(self, text: str) -> None:
        assert self.hand is not None
        self.heard.append(text)
        moved = re.fullmatch(r"Move the leads to coil (\w+)", text)
        self.hand.put_on(moved[1] if moved else "")


def test_who_rather_answers_is_asked_for_each_coil(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """--ask: one question a coil and pass instead of following the leads, and an operator is needed."""
    at_once = ("wobbles_s = { Y5 = 7.0 }", "wobble_s = 0.0\nreaction_s = 0.0\nreach_s = 0.0")
    rig = hand_rig(tmp_path, at_once)
    with pytest.raises(InputError, match="needs an operator at a terminal, to move the leads"):
        sweep_by_hand(tmp_path / "nobody", rig, ask=True)
    mover = Mover()
    made = SimHand.__init__

    def remember(hand: SimHand, *args: Any) -> None:
        made(hand, *args)
        mover.hand = hand

    monkeypatch.setattr(SimHand, "__init__", remember)
    ran = run(tmp_path / "asked", kind="sweep", rig=rig, person=mover, ask=True)
    assert mover.heard[0] == "move the leads"
    assert [text for text in mover.heard if text.endswith(tuple(HEALTHY))] == [
        f"Move the leads to coil {label}" for label in HEALTHY
    ] * 2
    assert {label for label, (verdict, _) in ran.verdicts().items() if verdict == "fail"} == {"Y5", "Y7"}
