"""A soak in an oven on the move: the set asks for certainty and for no holds, and nobody waits for rest."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.daq.soak_helpers import FAULTS, Ran, number, run, set_with, small_set

TARGETS = {"hold_s": 0, "joint_u_ohm": 0.01, "r20_u_rel": 0.001, "drift_u_rel": 0.002}


@pytest.fixture(scope="module")
def ramped(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """The invented set with targets, once."""
    folder = tmp_path_factory.mktemp("ramp")
    return run(folder, coil_set=set_with(folder, **TARGETS))


def length_s(ran: Ran) -> float:
    """Return when the last reading was taken."""
    return number(ran.rows()[-1]["time_s"])


@pytest.mark.slow
def test_every_fault_is_found_on_the_move(ramped: Ran) -> None:
    """An open above 72 degC, dropouts, joint, turns and drift, in less than half of what holds would take."""
    assert ramped.outcome.state == "complete"
    assert ramped.verdicts() == FAULTS
    ramped.assert_left_safe()
    assert length_s(ramped) < 3600.0
    resting = [row for row in ramped.rows() if row["phase"] == "hold" and row["source"] == "ohms"]
    assert resting == []


@pytest.mark.slow
def test_the_open_is_bracketed_by_its_winding_and_not_by_a_lagging_probe(ramped: Ran) -> None:
    """Y2 opens above 72 degC and closes below 64 degC of its winding, which trails the probe both ways."""
    opens = ramped.coil("Y2").interruptions
    assert opens.before_degC is not None
    assert opens.after_degC is not None
    assert 72.0 - 3.0 < opens.before_degC[0] < 72.0
    assert 64.0 - 3.0 < opens.after_degC[0] < 64.0


@pytest.mark.slow
@pytest.mark.parametrize("label", ["Y1", "Y2", "Y3", "Y5", "Y6"])
def test_joint_and_r20_are_inside_their_uncertainty(ramped: Ran, label: str) -> None:
    """What was fitted on the move lies within U (k = 2) of the simulation's own, sound or not."""
    coil, truth = ramped.coil(label), ramped.truth.coils[label]
    assert coil.method == "ramp"
    assert coil.r20_ohm is not None
    assert coil.r20_u_ohm is not None
    assert coil.joint_ohm is not None
    assert coil.joint_u_ohm is not None
    assert abs(coil.r20_ohm - (truth.copper_at(20.0) + truth.joint_ohm)) < 2.0 * coil.r20_u_ohm
    assert abs(coil.joint_ohm - truth.joint_ohm) < 2.0 * coil.joint_u_ohm


@pytest.mark.slow
def test_drift_is_what_the_copper_did(ramped: Ran) -> None:
    """Read before they are quite cold, coils have changed by what the simulation says, within U."""
    for label in ("Y1", "Y8"):
        criterion = next(each for each in ramped.coil(label).criteria if each.code == "drift")
        assert criterion.value is not None
        assert criterion.expanded_u is not None
        assert abs(criterion.value - ramped.truth.coils[label].drift_rel) < criterion.expanded_u


@pytest.mark.slow
def test_every_coil_came_to_the_last_step_and_was_driven_there(ramped: Ran) -> None:
    """Faults wait for the last kelvins: no body turned back more than 1 K below, and each was driven hot."""
    for label in FAULTS:
        rows = ramped.rows(label)
        hottest = max(number(row["probe_degC"]) for row in rows if row["probe_degC"])
        assert hottest > 89.0
        assert any(row["phase"] == "drive" for row in rows)
        insulation = [row for row in rows if row["source"] == "insulation"]
        assert [row["phase"] for row in insulation] == ["sweep", "hold", "sweep"]


@pytest.mark.slow
def test_what_cannot_be_known_on_the_move_is_held(tmp_path: Path) -> None:
    """Where the target is out of reach, the last step is read at rest as always, and the soak ends well."""
    asked = small_set(tmp_path, "Y1", "Y3", hold_s=0, joint_u_ohm=1e-5)
    ran = run(tmp_path, coil_set=asked)
    assert ran.outcome.state == "complete"
    resting = [row for row in ran.rows("Y1") if row["phase"] == "hold" and row["source"] == "ohms"]
    assert len(resting) == 5
    assert {row["step_degC"] for row in resting} == {"90.0"}
    assert not [event for event in ran.events() if event["kind"] == "known"]
    assert ran.verdicts() == {label: FAULTS[label] for label in ("Y1", "Y3")}
