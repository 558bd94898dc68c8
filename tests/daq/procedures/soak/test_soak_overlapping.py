"""With a switch unit one coil is heated while others cool: on the simulated bench, against its truth."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from tests.daq.kits.soak import FAULTS, Ran, Row, number, run, small_set

LABELS = ("Y4", "Y5", "Y6")
#: Y4 loses contact when hot, Y5 has a bad joint; Y6 takes less current than the others. By its own heat a
#: joint convicts beside two sound like parts only, and here is none.
VERDICTS = {label: FAULTS[label] for label in LABELS} | {"Y5": ("retest", "joint-own-heat")}
SHORT = {"steps_degC": "[60]", "hold_s": 0, "joint_u_ohm": 0.02, "cool_s": 600}


def soaked(folder: Path, **changed: object) -> Ran:
    """Soak three coils of the default bench by their own heat, as short as enough is known allows."""
    return run(folder, heat="supply", coil_set=small_set(folder, *LABELS, **{**SHORT, **changed}))


@pytest.fixture(scope="module")
def overlapping(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """The soak in which coils overlap, once."""
    return soaked(tmp_path_factory.mktemp("overlapping"))


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """The same bench and seed, one coil after another."""
    return soaked(tmp_path_factory.mktemp("alone"), one_at_a_time="true")


def pulses(rows: list[Row]) -> Iterator[list[Row]]:
    """Return the rows from each switching on to its switching off."""
    inside: list[Row] | None = None
    for row in rows:
        if row["source"] == "switching":
            if inside is not None:
                yield inside
            inside = [] if inside is None else None
        elif inside is not None:
            inside.append(row)


@pytest.mark.slow
def test_verdicts_are_those_of_one_coil_after_another(overlapping: Ran, alone: Ran) -> None:
    """The same bench, seed and set: the same verdict for the same reason, by either way."""
    assert overlapping.outcome.state == alone.outcome.state == "complete"
    assert overlapping.verdicts() == alone.verdicts() == VERDICTS


@pytest.mark.slow
def test_coils_overlap_in_much_less_time(overlapping: Ran, alone: Ran) -> None:
    """While one is heated the one before cools and is read, and the whole takes less than three quarters."""
    assert number(overlapping.rows()[-1]["time_s"]) < 0.75 * number(alone.rows()[-1]["time_s"])
    heated = {label: [r for r in overlapping.rows(label) if r["phase"] == "heat"] for label in LABELS}
    cooled = {label: [r for r in overlapping.rows(label) if r["phase"] == "cool"] for label in LABELS}
    order = sorted(LABELS, key=lambda label: number(heated[label][0]["time_s"]))
    assert order == ["Y6", "Y4", "Y5"]  # the largest current last
    for before, after in pairwise(order):
        began_s, ended_s = (number(heated[after][at]["time_s"]) for at in (0, -1))
        assert number(heated[before][-1]["time_s"]) < began_s
        assert sum(began_s < number(row["time_s"]) < ended_s for row in cooled[before]) > 100
    (row,) = [event for event in overlapping.events() if event["kind"] == "saved"]
    assert "min by heating one coil while others cooled" in row["text"]


@pytest.mark.slow
def test_nothing_else_is_read_while_a_coil_is_driven(overlapping: Ran) -> None:
    """From switching on to switching off each row is of the driven coil; no contact moves under current."""
    driven = list(pulses(overlapping.rows()))
    assert len(driven) > 80
    for rows in driven:
        assert {(row["source"], row["coil"]) for row in rows} == {("V/I", rows[0]["coil"])}
    overlapping.assert_left_safe()


@pytest.mark.slow
def test_joint_and_r20_hold_the_truth(overlapping: Ran, alone: Ran) -> None:
    """Known well enough and left: joint and R20 of either way lie within their uncertainty (k = 2)."""
    for ran in (overlapping, alone):
        for label in ("Y5", "Y6"):
            coil, truth = ran.coil(label), ran.truth.coils[label]
            assert coil.joint_ohm is not None
            assert coil.joint_u_ohm is not None
            assert abs(coil.joint_ohm - truth.joint_ohm) < 2.0 * coil.joint_u_ohm
            assert coil.r20_ohm is not None
            assert coil.r20_u_ohm is not None
            assert abs(coil.r20_ohm - truth.copper_at(20.0) - truth.joint_ohm) < 2.0 * coil.r20_u_ohm


@pytest.mark.slow
def test_a_coil_is_left_when_it_is_known_and_not_before_three_minutes(overlapping: Ran) -> None:
    """Each that can be known says so with its uncertainties; one that drops out cools for its full time."""
    known = {event["coil"]: event for event in overlapping.events() if event["kind"] == "known"}
    assert known.keys() == {"Y5", "Y6"}
    for label, event in known.items():
        off_s = max(number(r["time_s"]) for r in overlapping.rows(label) if r["phase"] == "heat")
        assert number(event["time_s"]) - off_s >= 180.0
        assert event["text"].startswith("joint known to ")
    texts = [event["text"] for event in overlapping.events() if event["coil"] == "Y4"]
    assert "not back to cold yet; drift was not checked" in texts


@pytest.mark.slow
def test_cold_against_cold_is_waited_for_where_it_is_asked(tmp_path: Path) -> None:
    """With drift_u_rel a coil cools until it can be told: its drift is judged though it is not quite cold."""
    coil_set = small_set(tmp_path, "Y8", **SHORT | {"drift_u_rel": 0.003, "cool_s": 3600})
    ran = run(tmp_path, heat="supply", coil_set=coil_set)
    rows = [row for row in ran.rows("Y8") if row["probe_degC"]]
    first, last = number(rows[0]["probe_degC"]), number(rows[-1]["probe_degC"])
    assert rows[-1]["phase"] == "return"
    assert 1.5 < last - first < 6.0
    drift = next(each for each in ran.coil("Y8").criteria if each.code == "drift")
    assert drift.value is not None
    assert drift.expanded_u is not None
    true_rel = ran.truth.coils["Y8"].drift_rel
    assert abs(drift.value - true_rel) < drift.expanded_u
