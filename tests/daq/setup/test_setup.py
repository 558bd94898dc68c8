"""From a box of instruments to a bench that `check` finds good, by a person's keys or an answers file."""

from __future__ import annotations

from pathlib import Path

import pytest

from daq.config.load import load_inputs
from daq.errors import InputError
from daq.setup.desk import Desk
from daq.setup.existing import answers_of
from daq.setup.files import rig_text, set_text
from daq.setup.interview import QUESTIONS, Looker
from daq.setup.meet.trial import known_dialects
from daq.setup.meet.wire import harmless
from daq.setup.parse import channels_or_none
from daq.setup.session import ask_all
from tests.daq.kits.cli import COIL_SET, RIG, say
from tests.daq.kits.strange_bench import METER_BAUD, StrangeBench, strange_bench
from tests.daq.kits.terminal import Terminal, terminal

#: Somebody who types with two fingers (common practice, no source).
KEYS_A_SECOND = 2.0
MOST_TYPING_S = 180.0


class Typist:
    """Types at a terminal and counts the keys, Enter among them."""

    def __init__(self, person: Terminal) -> None:
        self._person = person
        self.keys = 0

    def __call__(self, at: str, line: str = "") -> None:
        """Wait for the question *at* and type *line*."""
        self._person.type(line, at)
        self.keys += len(line) + 1


def answer_all(types: Typist, bench: StrangeBench) -> None:
    """Set up the whole box, with every wrong turn that it offers."""
    at = bench.addresses
    types("ohmmeter or multimeter: ", at["dead"])
    types("ohmmeter or multimeter: ", at["meter"])
    types("2 or 4 [4]")
    types("60 Hz [50]")
    types("how good is it [5]", "6")
    types("bench supply that drives a coil:", at["unheard"])
    types("Enter to choose another")
    types("bench supply that drives a coil:", at["supply"])
    types("which [scpi-channel-select]", "scpi-1999")
    types("switch unit between coils and meter:", at["switch"])
    types("oven or bath:", at["oven"])
    types("thermometer on the coils:")
    types("limit of error with")
    types("set of coils is called", "b")  # one question back
    types("limit of error with", "0.4")
    types("set of coils is called")
    types("ohms at 20 degC", "Y1-Y5 3.3, Y6-Y8 5.3")
    for question in ("made for, V [12]", "most current", "diode across", "hottest", "insulation", "get hot"):
        types(question)
    types("switch unit: channel from the meter to Y1")
    types("from the supply to Y1")
    types("to the thermometer at Y1")
    types("winding and body", "401")
    types("joins the meter", "209")
    for question in ("never more on this bench", "and, A", "from its nominal ohms", "like coils lie apart"):
        types(question)
    types("an answer to change: ", "2")  # leads: to be asked again
    types("2 or 4 [4]")
    types("an answer to change: ")


@pytest.mark.slow
def test_from_a_box_of_instruments_to_check_all_green(tmp_path: Path) -> None:
    """Sockets, a serial line of another speed, one dead, one unknown, one of two: 3 min of typing."""
    rig, coil_set = tmp_path / "rig.toml", tmp_path / "set.toml"
    with strange_bench() as bench:
        with terminal("setup", "--no-look", "--rig", rig, "--set", coil_set) as person:
            types = Typist(person)
            answer_all(types, bench)
            status = person.end()
        assert status == 0, person.text
        assert "LOOK" not in person.text
        assert "nobody answers; check that it is on" in person.text
        assert "Unheard Works,Model 7,0042,1.0. no dialect fits" in " ".join(person.text.split())
        assert "8 coils read" in person.text
        assert types.keys / KEYS_A_SECOND < MOST_TYPING_S, types.keys
        found = load_inputs(rig, coil_set)[0].value
        assert found.meter.baud == METER_BAUD
        assert found.supply is not None
        assert found.supply.dialect == "scpi-1999"
        assert found.probe.accuracy_K == 0.4
        assert all(harmless(line) for name in ("dead", "unheard") for line in bench.noted[name].heard)
        assert not bench.simulated.output_on()


HAND = """\
meter = "hand"
meter_class = "{meter}"
coils = "Y1-Y5 3.3, Y6-Y8 5.3"
"""
#: What a hand meter shows of eight sound coils behind leads, by the class of the meter.
SHOWN = {
    "c": ("0.11", "3.40 3.42 3.41 3.39 3.43 5.45 5.46 5.42"),
    "h": ("0.1", "3.4 3.5 3.4 3.4 3.5 5.4 5.5 5.4"),
}


@pytest.mark.slow
@pytest.mark.parametrize("meter", ["c", "h"])
def test_a_hand_meter_has_a_set_that_it_can_pass(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], meter: str
) -> None:
    """Limits are proposed that the meter can tell, so eight sound coils read by hand pass all."""
    answers = tmp_path / "answers.toml"
    answers.write_text(HAND.format(meter=meter), encoding="utf-8")
    files = ("--rig", tmp_path / "rig.toml", "--set", tmp_path / "set.toml")
    said = say(capsys, "setup", "--no-look", "--answers", answers, *files)
    assert said.status == 0, said
    leads, readings = SHOWN[meter]
    with terminal("sweep", *files, "--out", tmp_path / "runs") as person:
        person.type("22", "[degC]: ")
        person.type(leads, "[ohm]: ")
        for shown in readings.split():
            person.type(shown, "[ohm]: ")
        person.type("", "Enter: judge them.")
        assert person.end() == 0
    assert person.text.count("+ pass") == 8, person.text


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('metre = "hand"\n', "answer 'metre' is to no question, expected one of meter, "),
        ('meter = "hand"\n', "answer 'coils' is missing: coils and their ohms"),
        ('meter = "hand"\ncoils = "Y1 Y2"\n', "answer 'coils' = 'Y1 Y2': 'Y1 Y2': expected labels and ohms"),
        ('meter = "hand"\ncoils = "Y1-Y3 3.3, y2 5"\n', "a label stands there twice"),
        ('meter = "hand"\nmeter_class = "7"\n', "answer 'meter_class' = '7': '7': expected 6, 5, 4"),
        ('meter = "/dev/ttyUSB77"\n', "No such file or directory"),
        ('meter = "127.0.0.1:9"\n', "port 9 was tried"),
        ("meter = true\n", "answer 'meter' is True, expected a text or a number"),
        ("meter\n", "expected lines key = "),
    ],
)
def test_answers_that_cannot_be_are_told_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, expected: str
) -> None:
    """What, where, what was expected; nothing is written."""
    answers = tmp_path / "answers.toml"
    answers.write_text(text, encoding="utf-8")
    rig = tmp_path / "rig.toml"
    complaint = say(capsys, "setup", "--no-look", "--answers", answers, "--rig", rig).complaint()
    assert expected in complaint
    assert not rig.exists()


def test_a_file_that_is_replaced_is_kept_beside(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Whoever wrote a rig file by hand finds it again."""
    answers, rig = tmp_path / "answers.toml", tmp_path / "rig.toml"
    answers.write_text(HAND.format(meter="c"), encoding="utf-8")
    rig.write_text("# mine\n", encoding="utf-8")
    files = ("--rig", rig, "--set", tmp_path / "set.toml")
    assert say(capsys, "setup", "--no-look", "--answers", answers, *files).status == 0
    assert (tmp_path / "rig.toml.bak").read_text(encoding="utf-8") == "# mine\n"
    load_inputs(rig, tmp_path / "set.toml")


def test_answers_kept_give_the_same_files_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What was answered is kept beside the rig file, and is all that the next setup needs."""
    answers, files = tmp_path / "answers.toml", ("--rig", tmp_path / "a.toml", "--set", tmp_path / "as.toml")
    answers.write_text(HAND.format(meter="h"), encoding="utf-8")
    assert say(capsys, "setup", "--no-look", "--answers", answers, *files).status == 0
    kept, again = tmp_path / "a-answers.toml", ("--rig", tmp_path / "b.toml", "--set", tmp_path / "bs.toml")
    assert say(capsys, "setup", "--no-look", "--answers", kept, *again).status == 0
    for first, second in (("a.toml", "b.toml"), ("as.toml", "bs.toml")):
        assert (tmp_path / first).read_bytes() == (tmp_path / second).read_bytes()


def test_files_that_are_there_answer_for_themselves(tmp_path: Path) -> None:
    """The answers read out of two files by hand lead to files that say the same."""
    rig, coil_set = load_inputs(RIG, COIL_SET)
    answers = answers_of(rig.value, coil_set.value)
    assert answers["coils"] == "Y1 Y2 Y3 Y4 Y5 3.3, Y6 Y7 Y8 5.3"
    assert answers["channel_power"] == "101, 102, 103, 104, 105, 106, 107, 108"
    assert set(answers) <= set(QUESTIONS)
    answers |= {
        "meter": "hand",
        "supply": "none",
        "switch": "none",
        "oven": "none",
        "probe": "hand",
        "heat": "hand",
    }
    plan = ask_all(Desk(None, answers), Looker(known_dialects()))
    bench, under_test = tmp_path / "rig.toml", tmp_path / "set.toml"
    bench.write_text(rig_text(plan), encoding="utf-8")
    under_test.write_text(set_text(plan), encoding="utf-8")
    again = answers_of(*(each.value for each in load_inputs(bench, under_test)))  # type: ignore[arg-type]
    assert {key: again[key] for key in again if key in answers and not key.startswith("meter_")} == {
        key: answers[key] for key in again if key in answers and not key.startswith("meter_")
    }


@pytest.mark.parametrize(
    ("typed", "understood"),
    [
        ("201", tuple(range(201, 209))),
        ("1,3,5,7,9,11,13,15", (1, 3, 5, 7, 9, 11, 13, 15)),
        ("1,2", None),
        ("1,1,2,3,4,5,6,7", None),
        ("none", ()),
    ],
)
def test_channels_follow_on_or_are_all_named(typed: str, understood: tuple[int, ...] | None) -> None:
    """A row of channels is never guessed at from too few or from one named twice."""
    if understood is None:
        with pytest.raises(InputError, match="expected one channel, or 8 different ones"):
            channels_or_none(8)(typed)
    else:
        assert channels_or_none(8)(typed) == understood


def test_without_a_terminal_and_answers_nobody_is_asked(capsys: pytest.CaptureFixture[str]) -> None:
    """It says so at once, and looks at nothing."""
    assert "give --answers FILE" in say(capsys, "setup").complaint()
