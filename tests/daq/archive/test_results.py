"""A judgement shown: keys for programs, and a table that people can read at 80 columns."""

from __future__ import annotations

import io
import json
import re
from typing import Any

import pytest
from rich.console import Console

from analysis.model import CoilResult, Reason, SetResult, Verdict
from daq.archive.verdict_table import as_object, as_table

LONG = "opens when hot between 72 and 73 degC and closes again between 59 and 61 degC (at the probe)"


def coil(label: str = "Y1", verdict: Verdict = "pass", *reasons: str, **changes: Any) -> CoilResult:
    """Return an invented judgement of one coil."""
    fields: dict[str, Any] = {
        "coil": label,
        "kind": "switching",
        "serial": "",
        "verdict": verdict,
        "reasons": tuple(Reason("code", text) for text in reasons or ("fine",)),
        "criteria": (),
        "r20_ohm": 3.3171,
        "r20_u_ohm": 0.0045,
        "alpha20_per_K": None,
        "alpha20_u_per_K": None,
        "joint_ohm": None,
        "joint_u_ohm": None,
        "method": "line",
        "hottest_degC": 90.0,
        "readings": 7,
    }
    return CoilResult(**(fields | changes))


def drawn(*coils: CoilResult, width: int = 80) -> list[str]:
    """Return the lines of the table on a terminal of *width* columns."""
    console = Console(file=io.StringIO(), width=width)
    console.print(as_table(SetResult(coils)))
    assert isinstance(console.file, io.StringIO)
    return [line.rstrip() for line in console.file.getvalue().splitlines()]


def rows(lines: list[str]) -> list[list[str]]:
    """Return the lines between the rules."""
    found: list[list[str]] = [[]]
    for line in lines:
        if set(line) == {"─"}:
            found.append([])
        else:
            found[-1].append(line)
    return found


def test_json_says_null_for_what_is_not_determined() -> None:
    """Every promised key is there, undetermined numbers are null, and arrays for figures stay out."""
    value = as_object(SetResult((coil(),), notes=("a note",)), run="runs/x", state="cut", problems=["torn"])
    plain = json.loads(json.dumps(value, allow_nan=False))
    assert plain["run"] == "runs/x"
    assert plain["state"] == "cut"
    assert plain["notes"] == ["torn", "a note"]
    (one,) = plain["coils"]
    assert one["reasons"] == [{"code": "code", "text": "fine", "action": "", "criterion": ""}]
    assert one["r20_u_ohm"] == 0.0045
    assert one["alpha20_per_K"] is one["joint_ohm"] is one["joint_u_ohm"] is None
    assert not {"point_degC", "point_ohm"} & one.keys()


def test_json_without_a_run_says_null() -> None:
    """A judgement that belongs to no run has null for run and state."""
    value = as_object(SetResult(()))
    assert (value["run"], value["state"], value["coils"]) == (None, None, [])


def test_a_long_reason_wraps_inside_its_column_and_rows_stay_apart() -> None:
    """At 80 columns nothing is wider, numbers stay whole, and a rule stands between two coils."""
    joint = {"joint_ohm": 0.0131, "joint_u_ohm": 0.0224}
    lines = drawn(coil("Y1", "fail", LONG, **joint), coil("Y2", "retest", LONG, LONG, **joint), coil("Y3"))
    assert max(map(len, lines)) <= 80
    head, first, second, third = rows(lines)
    assert head[0].split("  ")[0] == "coil"
    assert re.split("  +", first[0])[:4] == ["Y1", "x fail", "3.317 ±0.009", "0.013 ±0.045"]
    assert len(first) == 3
    indent = first[0].index("opens")
    assert all(line[:indent].strip() == "" for line in first[1:])
    assert " ".join(line[indent:].strip() for line in first) == LONG
    assert len(second) == 6
    assert re.split("  +", third[0]) == ["Y3", "+ pass", "3.317 ±0.009", "-", "fine"]


@pytest.mark.parametrize(("verdict", "sign"), [("pass", "+"), ("fail", "x"), ("retest", "?")])
def test_each_verdict_has_a_word_and_a_sign(verdict: Verdict, sign: str) -> None:
    """The verdict is told by a word and a sign of its own, so that no colour is needed."""
    assert f"{sign} {verdict} " in drawn(coil("Y1", verdict))[2]


def test_what_is_not_determined_is_a_dash() -> None:
    """A coil without a resistance shows a dash, not a zero."""
    line = drawn(coil("Y1", "retest", "no reading", r20_ohm=None, r20_u_ohm=None))[2]
    assert line.split() == ["Y1", "?", "retest", "-", "no", "reading"]


def test_a_sweep_gives_the_room_of_its_joints_to_the_reasons() -> None:
    """No coil of a sweep has a joint: the column is not there, and a reason takes fewer lines."""
    swept, soaked = (drawn(coil("Y1", "fail", LONG, **joint)) for joint in ({}, {"joint_ohm": 0.1}))
    assert "joint" not in swept[0]
    assert "joint" in soaked[0]
    assert len(swept) < len(soaked)


def test_somebody_elses_words_are_only_words() -> None:
    """Brackets, escape codes and line ends in labels and reasons are shown or blanked, never obeyed."""
    text = "\n".join(drawn(coil("[/bold]", "fail", "[red]hot[/red] \x1b[31m:fire:\nend"), width=120))
    assert "[/bold]" in text
    assert "[red]hot[/red]  [31m:fire: end" in text
    assert "\x1b" not in text


def test_a_very_long_label_leaves_room_for_the_rest() -> None:
    """A label without blanks is broken, so that the verdict beside it is still there at 80 columns."""
    lines = drawn(coil("x" * 60, "fail", LONG))
    assert max(map(len, lines)) <= 80
    assert sum(line.count("x") for line in lines) == 60 + "x fail".count("x")
    assert any("x fail" in line for line in lines)
