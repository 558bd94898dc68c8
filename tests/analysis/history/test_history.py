"""Which coil is which from run to run, and what is said of it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.history.history import AtStage, CoilHistory, History, history
from analysis.history.observations import DEMAGNETISED, DONE, REPLACED, Observation
from analysis.history.standing import standing
from analysis.history.words import notes, rechecking, remarks, state
from analysis.physics.copper import ALPHA20_PER_K
from tests.analysis.kits.history import ACCURACY, SOUND, run, swept


def of(found: History, name: str) -> CoilHistory:
    """Return the coil of that label; the last one that had it."""
    return [coil for coil in found.coils if coil.name == name][-1]


def keys(found: History, name: str) -> list[str]:
    """Keys of what is said of a coil."""
    return [each.key.removeprefix("history.") for each in remarks(of(found, name), found.runs)]


def done(coil: str, what: str) -> Observation:
    """Return that something was done to a coil."""
    return Observation(coil, DONE, what)


def test_labels_pair_coils_of_one_set_and_job() -> None:
    """The same labels in the same set are the same coils, and runs are taken in the order of time."""
    found = history([run(2, swept(SOUND, seed=2)), run(1, swept(SOUND))])
    assert [each.name for each in found.runs] == ["run-1", "run-2"]
    assert [coil.name for coil in found.common] == list(SOUND)
    assert {state(coil, found.runs) for coil in found.coils} == {"same"}


def test_of_runs_of_one_minute_the_stage_tells_the_order() -> None:
    """Runs of the simulated bench all begin at once, and a shell names them by the alphabet."""
    stages = ("after cleaning", "as received", "before refit", "as received")
    runs = [run(1, swept(SOUND, seed=n), stage=stage, name=f"{n}") for n, stage in enumerate(stages)]
    later = run(2, swept(SOUND, seed=9), name="later")
    assert [each.name for each in history([later, *runs]).runs] == ["1", "3", "0", "2", "later"]


@pytest.mark.parametrize("other", [{"job": "J-2"}, {"set_name": "another manifold", "job": "J-1"}])
def test_a_label_of_another_job_or_set_is_another_coil(other: dict[str, str]) -> None:
    """Y1 of one customer is not Y1 of the next."""
    found = history([run(1, swept(SOUND), job="J-1"), run(2, swept(SOUND, seed=2), **other)])
    assert not found.common
    assert len(found.coils) == 2 * len(SOUND)


def test_a_serial_number_finds_its_coil_in_whatever_job_and_place() -> None:
    """Serial wins over label: two coils that changed places are followed, in another job and spelling too."""
    before = swept(SOUND, serials={"Y1": "SN 1", "Y2": "SN 2"})
    after = swept({"Y2": 3.30, "Y1": 3.31}, seed=2, serials={"Y2": "sn1", "Y1": "SN 2"})
    found = history([run(1, before, job="J-1"), run(2, after, job="J-2")])
    assert [(coil.name, coil.serial) for coil in found.common] == [("Y2", "SN 1"), ("Y1", "SN 2")]
    assert keys(found, "Y2") == ["moved"]
    assert state(of(found, "Y2"), found.runs) == "same"


def test_a_label_with_another_serial_number_is_another_part() -> None:
    """It is not compared with the part whose place it took, and that is said."""
    before = swept(SOUND, serials={"Y1": "SN 1"})
    after = swept(SOUND, seed=2, serials={"Y1": "SN 9"})
    found = history([run(1, before), run(2, after)])
    assert "Y1" not in {coil.name for coil in found.common}
    assert [str(each) for each in remarks(of(found, "Y1"), found.runs)] == [
        "another part since run 2, in the place of SN 1, and not compared with it"
    ]


def test_a_coil_on_record_as_replaced_is_another_part_after_that() -> None:
    """Without serial numbers the observation parts the label."""
    found = history(
        [run(1, swept(SOUND), observations=(done("Y3", REPLACED),)), run(2, swept(SOUND, seed=2))]
    )
    assert "Y3" not in {coil.name for coil in found.common}
    assert keys(found, "Y3") == ["replaced"]


def test_a_serial_number_that_is_learned_later_belongs_to_the_label() -> None:
    """A label without a serial number in one run is the coil that has one in the next."""
    found = history([run(1, swept(SOUND)), run(2, swept(SOUND, serials={"Y1": "SN 1"}, seed=2))])
    assert of(found, "Y1").serial == "SN 1"
    assert len(found.common) == len(SOUND)


def test_temperature_alone_is_no_change() -> None:
    """Ten kelvin move every reading and no R20."""
    found = history([run(1, swept(SOUND, 15.0)), run(2, swept(SOUND, 25.0, seed=2))])
    assert {state(coil, found.runs) for coil in found.coils} == {"temperature"}
    assert not found.together


def test_a_changed_coil_is_named_with_what_was_read() -> None:
    """Beyond U: by how much, from which run to which, and what of the reading was temperature."""
    found = history([run(1, swept(SOUND, 20.0)), run(2, swept(SOUND | {"Y2": 3.51}, 30.0, seed=2))])
    assert state(of(found, "Y2"), found.runs) == "changed"
    (said,) = [each for each in remarks(of(found, "Y2"), found.runs) if each.key == "history.rose"]
    assert said.startswith("R20 rose by 0.2")
    assert "of which +0.130 ohm is temperature, 20.0 to 30.0 degC" in said
    assert keys(found, "Y1") == []


def test_an_open_that_appeared_is_told_first() -> None:
    """A coil that was whole and has no reading now: broken in between, and its verdict turned."""
    after = swept(SOUND | {"Y4": math.inf}, seed=2)
    found = history([run(1, swept(SOUND)), run(2, after)])
    assert state(of(found, "Y4"), found.runs) == "open"
    assert keys(found, "Y4") == ["opened", "verdict"]
    back = history([*found.runs, run(3, swept(SOUND, seed=3))])
    assert keys(back, "Y4") == ["opened", "verdict", "closed", "verdict"]


def test_a_set_at_another_temperature_than_its_probes_is_no_set_of_changed_coils() -> None:
    """Just washed: all moved alike, with the paired mean and its kelvins; one really changed."""
    after = swept(SOUND | {"Y5": 3.45}, seed=2, hotter_K=3.0)
    found = history([run(1, swept(SOUND)), run(2, after)])
    assert [state(coil, found.runs) for coil in found.coils] == ["with the set"] * 4 + ["changed"]
    (said,) = [each for each in notes(found) if each.key == "history.together"]
    assert said.startswith("Y1, Y2, Y3, Y4 moved alike from run 1 to run 2, by 1.1")
    assert "+3.0 K" in said


def test_a_creep_that_no_step_shows_is_seen_from_end_to_end() -> None:
    """Small steps within U add up to a change beyond it."""
    found = history([run(n, swept(SOUND | {"Y1": 3.30 + 0.005 * n}, seed=n)) for n in range(4)])
    assert not any(step.significant for step in of(found, "Y1").steps)
    assert state(of(found, "Y1"), found.runs) == "changed"
    assert keys(found, "Y1") == ["crept"]


@pytest.mark.slow
def test_of_sound_coils_one_in_twenty_at_most_seems_changed() -> None:
    """However many runs there are: here four, with errors as stated, a common one of the probe among them."""
    rng = np.random.default_rng(20260303)
    third = 1.0 / 3.0  # of an instrument's error this is anew in each run
    changed = []
    for seed in range(60):
        runs = []
        for n in range(4):
            offset_ohm = third * ACCURACY.offset_ohm * rng.normal()
            own_K = rng.normal(0.0, 0.1, len(SOUND))  # winding against probe at rest
            read = {
                coil: r20 * (1.0 + ALPHA20_PER_K * off) + offset_ohm
                for (coil, r20), off in zip(SOUND.items(), own_K, strict=True)
            }
            hotter_K = third * ACCURACY.probe_K * float(rng.normal())
            runs.append(run(n, swept(read, seed=4 * seed + n, hotter_K=hotter_K)))
        found = history(runs)
        changed += [state(coil, found.runs) == "changed" for coil in found.coils]
    assert 0.005 < np.mean(changed) < 0.06


def test_instruments_that_are_not_known_to_be_the_same_are_said() -> None:
    """Another meter, and thermometers of which nothing is known."""
    found = history([run(1, swept(SOUND), probe=""), run(2, swept(SOUND), meter="meter B", probe="")])
    assert [each.key for each in notes(found)] == ["history.other-meter", "history.other-probe"]


def test_energised_coils_wait_for_their_recheck() -> None:
    """Demagnetised, and swept before refit after that: only both together are enough."""
    soak = run(1, swept(SOUND), kind="soak", energised=frozenset(SOUND))
    demagnetised = tuple(done(coil, DEMAGNETISED) for coil in SOUND)
    washed = run(2, swept(SOUND, seed=2), stage="after cleaning")
    plain, noted = (
        run(3, swept(SOUND, seed=3), stage="before refit", observations=seen) for seen in ((), demagnetised)
    )

    def due(*runs: AtStage) -> str:
        found = history(runs)
        said = {rechecking(coil, found.runs) for coil in found.coils}
        assert len(said) == 1
        (each,) = said
        return each.key.removeprefix("history.") if each else ""

    assert due(soak, washed) == "not-rechecked"
    assert due(soak, plain) == "not-demagnetised"
    assert due(soak, noted) == ""
    on_soak = run(1, swept(SOUND), kind="soak", energised=frozenset(SOUND), observations=demagnetised)
    assert due(on_soak, washed) == "only-demagnetised"
    assert due(on_soak, washed, plain) == ""
    again = run(4, swept(SOUND, seed=4), kind="soak", energised=frozenset(SOUND))
    assert due(on_soak, plain, again) == "not-rechecked"


def test_a_cold_sweep_takes_nothing_back_of_a_failed_soak() -> None:
    """What failed in heat and passes cold stands as failed, and is said so."""
    soak = run(1, swept(SOUND | {"Y1": 3.9}), kind="soak")
    found = history([soak, run(2, swept(SOUND, seed=2))])
    one, other = (standing(of(found, coil), found.runs) for coil in ("Y1", "Y2"))
    assert (one.verdict, one.earlier, {issue.run for issue in one.issues}) == ("fail", True, {0})
    assert (other.verdict, other.earlier, other.issues) == ("pass", False, ())
    assert keys(found, "Y1") == ["fell", "verdict-stands"]
