"""A soak in an oven on the move: the set asks for certainty and for no holds, and nobody waits for rest."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from daq.config.builtin import builtin
from tests.daq.kits.soak import FAULTS, Ran, number, rig_with, run, set_with, small_set
from tests.daq.run.test_resume import cut

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
    assert ramped.coil(label).method == "ramp"
    ramped.assert_figures_hold_truth(label)


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


def resumed(folder: Path, before: Ran, after: str) -> Ran:
    """Cut *before* some time after a part was done, and go on with it."""
    (folder / "runs").mkdir()
    old = cut(before, folder / "old", after, rows=300)
    return run(folder / "runs", resume=old, coil_set=set_with(folder, **TARGETS))


@pytest.mark.slow
def test_a_run_cut_on_its_way_up_begins_again_by_holds(tmp_path: Path, ramped: Ran) -> None:
    """A break is no lag: nothing of the way up is kept, and every coil gets the verdict that it had."""
    ran = resumed(tmp_path, ramped, "cold before")
    assert ran.outcome.state == "complete"
    assert ran.verdicts() == FAULTS
    held = {row["step_degC"] for row in ran.rows("Y1") if row["phase"] == "hold" and row["source"] == "ohms"}
    assert held == {"50.0", "70.0", "90.0"}
    assert ran.coil("Y1").method == "line"


@pytest.mark.slow
def test_a_run_cut_on_its_way_down_is_judged_by_its_way_up(tmp_path: Path, ramped: Ran) -> None:
    """It is not heated again, and joints are what they were, within U."""
    ran = resumed(tmp_path, ramped, "step 90 degC")
    assert ran.outcome.state == "complete"
    heated = [event for event in ran.events() if event["text"].startswith("oven to")]
    assert len(heated) == 1
    for label in ("Y1", "Y5"):
        coil = ran.coil(label)
        assert coil.method == "ramp"
        assert coil.joint_ohm is not None
        assert coil.joint_u_ohm is not None
        assert abs(coil.joint_ohm - ramped.truth.coils[label].joint_ohm) < 2.0 * coil.joint_u_ohm


@pytest.mark.slow
def test_a_dead_coil_does_not_hold_up_the_others(tmp_path: Path) -> None:
    """A coil that is open from the start fails for that, and nobody waits for it."""
    script = builtin("fault_scripts", "groomer_faults").read_text(encoding="utf-8")
    script, opened = re.subn(
        r"opens_above_degC = 72\.?0?, closes_below_degC = 64\.?0?",
        "opens_above_degC = -20, closes_below_degC = -30",
        script,
    )
    assert opened == 1
    (tmp_path / "script.toml").write_text(script, encoding="utf-8")
    ran = run(
        tmp_path, rig=rig_with(tmp_path, "script.toml"), coil_set=small_set(tmp_path, "Y1", "Y2", **TARGETS)
    )
    assert ran.outcome.state == "complete"
    assert ran.verdicts()["Y1"] == FAULTS["Y1"]
    assert ran.coil("Y2").verdict == "fail"
    assert length_s(ran) < 3600.0
