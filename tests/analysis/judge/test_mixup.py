"""Labels mixed up between kinds: asked about, named, and never a reason to throw a good part away."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.judge.set import judge_set
from analysis.model import Accuracy, CoilResult, Limits, Subject, Trace
from tests.analysis.conftest import Bench

NOMINAL = {
    "switching": Limits("switching", r20_ohm=3.30),
    "proportional": Limits("proportional", r20_ohm=5.30),
}
BARE = {kind: Limits(kind) for kind in NOMINAL}
LABELLED = {f"Y{n}": "switching" if n < 6 else "proportional" for n in range(1, 9)}


def coils(bench: Bench, **copper_ohm: float) -> list[Trace]:
    """Soak traces of the invented set; *copper_ohm* by label stands before what the label says."""
    usual = {"switching": 3.30, "proportional": 5.30}
    return [
        bench.soak(label, copper_ohm.get(label, usual[kind] + 0.005 * seed), seed=seed)
        for seed, (label, kind) in enumerate(LABELLED.items())
    ]


def cold(trace: Trace) -> Trace:
    """What a sweep sees of *trace*."""
    names = ("time_s", "probe_degC", "resistance_ohm", "voltage_V", "current_A", "phase", "source", "status")
    return replace(trace, **{name: getattr(trace, name)[:6] for name in names})


def judged(traces: list[Trace], limits: dict[str, Limits]) -> dict[str, CoilResult]:
    """Judge *traces* as labelled."""
    subjects = [Subject(label, kind) for label, kind in LABELLED.items()]
    return {each.coil: each for each in judge_set(traces, subjects, limits, Accuracy()).coils}


def codes(result: CoilResult) -> list[str]:
    """The codes of the reasons of *result*."""
    return [reason.code for reason in result.reasons]


@pytest.mark.parametrize("limits", [NOMINAL, BARE], ids=["nominal", "like parts"])
@pytest.mark.parametrize("hot", [True, False], ids=["soak", "sweep"])
def test_two_swapped_labels_are_named_and_nothing_fails(
    bench: Bench, limits: dict[str, Limits], hot: bool
) -> None:
    """Y3 and Y7 swapped: both are asked about, each with the other's name, and their like pass as before."""
    traces = coils(bench, Y3=5.31, Y7=3.31)
    found = judged(traces if hot else [cold(trace) for trace in traces], limits)
    assert {label for label, each in found.items() if "label-mixed-up" in codes(each)} == {"Y3", "Y7"}
    assert found["Y3"].verdict == found["Y7"].verdict == "retest"
    assert "swapped with Y7?" in found["Y3"].reasons[0].text
    assert "swapped with Y3?" in found["Y7"].reasons[0].text
    assert {found[label].verdict for label in LABELLED if label not in {"Y3", "Y7"}} == {"pass"}
    assert found["Y3"].kind == "switching"


def test_one_wrong_part_is_named_without_a_partner(bench: Bench) -> None:
    """One proportional coil among the switching ones has nobody to have been swapped with."""
    found = judged(coils(bench, Y3=5.31), NOMINAL)
    assert codes(found["Y3"]) == ["label-mixed-up"]
    assert "swapped" not in found["Y3"].reasons[0].text
    assert "proportional coils read (4.77 to 5.83 ohm), and not switching ones" in found["Y3"].reasons[0].text


def test_three_mixed_up_are_no_pair(bench: Bench) -> None:
    """Two one way and one the other: who was swapped with whom nobody knows."""
    found = judged(coils(bench, Y2=5.31, Y3=5.32, Y7=3.31), NOMINAL)
    assert "swapped" not in " ".join(reason.text for each in found.values() for reason in each.reasons)


def test_a_bad_joint_of_two_ohms_is_no_mixed_up_label_when_soaked(bench: Bench) -> None:
    """Hot, the slope tells copper from joint: 3.3 ohm of copper behind 2 ohm of joint is a bad coil."""
    traces = coils(bench)
    traces[2] = bench.soak("Y3", 3.3, joint_ohm=2.0, seed=2)
    found = judged(traces, NOMINAL)["Y3"]
    assert found.verdict == "fail"
    assert "label-mixed-up" not in codes(found)


@pytest.mark.parametrize("ohm", [2.5, 3.9, 4.4, 6.5])
def test_what_fits_no_kind_is_no_mix_up(bench: Bench, ohm: float) -> None:
    """Outside its own kind and outside every other: its resistance is wrong, not its label."""
    found = judged(coils(bench, Y3=ohm), NOMINAL)["Y3"]
    assert found.verdict == "fail"
    assert "label-mixed-up" not in codes(found)


def test_a_mixed_up_coil_that_opens_still_fails(bench: Bench) -> None:
    """The label is no excuse: what is wrong with the part as such convicts it."""
    traces = coils(bench, Y3=5.31)
    hot = traces[2]
    status = hot.status.astype("U30")
    ohm = hot.resistance_ohm.copy()
    status[18:24], ohm[18:24] = "open or over range", float("nan")
    traces[2] = replace(hot, status=status, resistance_ohm=ohm)
    assert judged(traces, NOMINAL)["Y3"].verdict == "fail"


def bare(*copper_ohm: float) -> dict[str, CoilResult]:
    """Judge a table without a set."""
    traces = [Bench().soak(f"Y{n}", ohm, seed=n) for n, ohm in enumerate(copper_ohm, start=1)]
    return {each.coil: each for each in judge_set(traces, None, None, Accuracy()).coils}


def test_a_lone_part_below_its_like_does_not_pass_as_a_kind_of_its_own() -> None:
    """17 % below three like parts in a bare table: another part, or a sixth of its turns is lost."""
    found = bare(3.3, 3.31, 3.29, 0.83 * 3.3)
    assert found["Y4"].verdict == "retest"
    assert codes(found["Y4"]) == ["alone-of-its-kind"]
    assert "-17 % from Y1, Y2, Y3 (3.3 ohm)" in found["Y4"].reasons[0].text
    assert {found[label].verdict for label in ("Y1", "Y2", "Y3")} == {"pass"}


def test_a_part_of_a_quite_different_kind_stands_alone_in_peace() -> None:
    """Nobody takes a coil of 12 ohm for a bad one of 3.3."""
    assert bare(3.3, 3.31, 3.29, 12.0)["Y4"].verdict == "pass"


def test_two_lone_parts_say_nothing_of_each_other() -> None:
    """Without a group of like parts there is nothing to belong to."""
    assert "alone-of-its-kind" not in [code for each in bare(3.3, 4.0).values() for code in codes(each)]


def exchanged(bench: Bench, ohms: tuple[float, float], back: float = 1.0) -> dict[str, CoilResult]:
    """Two like parts of which each reads as the other after the heat, the second *back* times as much."""
    first, second = (bench.soak(f"Y{n}", ohm, seed=n) for n, ohm in enumerate(ohms, start=1))
    after = first.time_s >= first.time_s[first.phase == "return"].min()
    rows = first.resistance_ohm, second.resistance_ohm
    traces = [
        replace(first, resistance_ohm=np.where(after, rows[1], rows[0])),
        replace(second, resistance_ohm=np.where(after, back * rows[0], rows[1])),
        bench.soak("Y3", sum(ohms) / 2.0, seed=3),
    ]
    return {coil.coil: coil for coil in judge_set(traces, None, None, Accuracy()).coils}


@pytest.mark.parametrize("ohms", [(3.30, 3.40), (3.45, 3.35), (5.30, 5.20)])
def test_parts_that_changed_places_during_a_run_convict_nobody(
    bench: Bench, ohms: tuple[float, float]
) -> None:
    """What one gained the other lost, and it is what they differ by: both are asked for again."""
    found = exchanged(bench, ohms)
    for one, other in (("Y1", "Y2"), ("Y2", "Y1")):
        assert found[one].verdict == "retest"
        assert codes(found[one]).count("changed-places") == 1
        assert other in found[one].reasons[0].text
    assert found["Y3"].verdict == "pass"


def test_coils_that_change_each_by_itself_did_not_change_places(bench: Bench) -> None:
    """One rises to where the other was, and that one does not come down to it."""
    found = exchanged(bench, (3.30, 3.40), back=1.015)
    assert found["Y1"].verdict == "fail"
    assert "changed-places" not in codes(found["Y1"])
