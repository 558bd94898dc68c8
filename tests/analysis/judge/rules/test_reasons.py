"""What to change before a retest: every reason that asks for one says it."""

from __future__ import annotations

import ast
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import analysis
from analysis.arrays import FloatArray
from analysis.judge.rules.reasons import DEPENDING, USUAL, largest_change, retest
from analysis.judge.set import judge_set
from analysis.model import Accuracy, Limits, MeterUse, Reason, SetResult, Subject, Trace
from analysis.statistics.budget import Source, budget
from analysis.words import catalogue, say
from tests.analysis.conftest import Bench
from tests.analysis.kits.table import Logger, Part, drops, timed
from tests.benchmarks.oven_truth import fitted

ACTIONS = (*USUAL, *DEPENDING)
CHANGES = catalogue("en").group("change")
NOMINAL = {"valve": Limits("valve", r20_ohm=3.30)}
ACCURACY = Accuracy()
inf, nan = np.inf, np.nan


def judged(
    *traces: Trace,
    limits: Limits | None = None,
    accuracy: Accuracy = ACCURACY,
    soak_degC: float | None = None,
    meter: MeterUse | None = None,
) -> SetResult:
    """Judge like parts against *limits*, else as a bare table."""
    subjects = [Subject(trace.coil, "valve") for trace in traces] if limits else None
    return judge_set(
        traces, subjects, {"valve": limits} if limits else None, accuracy, soak_degC=soak_degC, meter=meter
    )


def joints(bench: Bench) -> SetResult:
    """A joint at its limit, in company."""
    return judged(bench.soak(), bench.soak("Y2", joint_ohm=0.1, seed=2), limits=NOMINAL["valve"])


def unfinished(bench: Bench) -> SetResult:
    """A soak without its cold end."""
    whole = bench.soak()
    names = ("time_s", "probe_degC", "resistance_ohm", "voltage_V", "current_A", "phase", "source", "status")
    return judged(replace(whole, **{name: getattr(whole, name)[:24] for name in names}))


def self_heated(bench: Bench) -> SetResult:
    """A coil that heats itself, of which too little was recorded to be fitted."""
    whole = bench.self_heated()
    names = ("time_s", "probe_degC", "resistance_ohm", "voltage_V", "current_A", "phase", "source", "status")
    return judged(replace(whole, **{name: getattr(whole, name)[100:200] for name in names}))


def fretting(bench: Bench) -> SetResult:
    """Readings in succession that scatter when hot."""
    trace = bench.soak(readings=40)
    noise = np.random.default_rng(2).normal(0.0, 0.02, trace.time_s.size)
    noisy = trace.resistance_ohm + np.where(trace.probe_degC > 80.0, noise, 0.0)
    return judged(replace(trace, resistance_ohm=noisy))


def swapped(bench: Bench) -> SetResult:
    """A valve of one kind under the label of another."""
    soaks = [bench.soak(f"Y{n}", ohm, seed=n) for n, ohm in enumerate((3.3, 3.3, 5.3), start=1)]
    kinds = {"valve": NOMINAL["valve"], "big": Limits("big", r20_ohm=5.3)}
    subjects = [Subject("Y1", "valve"), Subject("Y2", "valve"), Subject("Y3", "valve"), Subject("Y4", "big")]
    return judge_set(soaks, subjects, kinds, ACCURACY)


def places_changed(bench: Bench) -> SetResult:
    """Two like parts whose rows after the heat are each other's."""
    first, second = bench.soak("Y1", 3.30, seed=1), bench.soak("Y2", 3.40, seed=2)
    after = first.time_s >= first.time_s[first.phase == "return"].min()
    ohms = first.resistance_ohm, second.resistance_ohm
    return judged(
        replace(first, resistance_ohm=np.where(after, ohms[1], ohms[0])),
        replace(second, resistance_ohm=np.where(after, ohms[0], ohms[1])),
        bench.soak("Y3", 3.32, seed=3),
    )


def slips(bench: Bench) -> SetResult:
    """Two readings on the way to a step that are lower than any heat explains."""
    trace = bench.soak(readings=40)
    ohm, phase = trace.resistance_ohm.copy(), trace.phase.copy()
    ohm[[42, 47]] *= 0.85
    phase[40:50] = "rise"
    return judged(replace(trace, resistance_ohm=ohm, phase=phase))


def fretting_cold_as_hot(bench: Bench) -> SetResult:
    """Four coils on one meter, one of which scatters cold as hot."""
    soaks = [bench.soak(f"Y{n}", seed=n, readings=40) for n in range(1, 5)]
    noise = np.random.default_rng(3).normal(0.0, 0.012, soaks[0].time_s.size)
    return judged(replace(soaks[0], resistance_ohm=soaks[0].resistance_ohm + noise), *soaks[1:])


def alone(bench: Bench) -> SetResult:
    """Three like parts and one a fifth below them, of which nobody says what it is."""
    return judged(*(bench.soak(f"Y{n}", ohm, seed=n) for n, ohm in enumerate((3.3, 3.3, 3.3, 2.7))))


def washed(bench: Bench) -> SetResult:
    """Three cold readings and three more half a minute later, of a coil that loses a kelvin meanwhile."""
    time_s = np.array([0.0, 0.4, 0.8, 30.0, 30.4, 30.8])
    names = ("probe_degC", "resistance_ohm", "voltage_V", "current_A", "phase", "source", "status")
    trace = bench.soak()
    cut = replace(trace, time_s=time_s, **{name: getattr(trace, name)[:6] for name in names})
    ohm = 3.33 * (1.0 - 0.00393 * time_s / 30.0)
    return judged(replace(cut, phase=np.array(["sweep"] * 6), resistance_ohm=ohm))


def nothing_beside(bench: Bench) -> SetResult:
    """One cold coil of which nobody says what it should read."""
    trace = replace(bench.points("Y1", [22.0] * 5, [3.33] * 5), phase=np.full(5, "sweep"))
    return judge_set([trace], [Subject("Y1", "valve")], {"valve": Limits("valve")}, ACCURACY)


def powered(bench: Bench, volt: float, ampere: float, status: str = "ok") -> SetResult:
    """A soak with one drive at its end: voltage and current, as a record has them."""
    whole, n = bench.soak(), 3
    drive = bench.trace(
        "Y1",
        14500.0 + 0.3 * np.arange(n),
        np.full(n, nan),
        np.full(n, volt / ampere),
        phase=np.full(n, "drive"),
        voltage_V=np.full(n, volt),
        current_A=np.full(n, ampere),
    )
    if status != "ok":
        drive = replace(drive, status=np.full(n, status), resistance_ohm=np.full(n, nan))
    return judged(joined(whole, drive))


def driven_like_parts(bench: Bench, *courses: tuple[float, float]) -> SetResult:
    """Soaks with a drive of two seconds each: V/I over the ohms as it begins, and its rise a second."""
    traces, since_s = [], 0.25 * np.arange(9)
    for number, (begins, per_s) in enumerate(courses, start=1):
        whole, n = bench.soak(f"Y{number}", seed=number), since_s.size
        ohm = float(whole.resistance_ohm[-1]) * (begins + (0.001 + per_s) * since_s)
        drive = bench.trace(
            f"Y{number}",
            14500.0 + since_s,
            np.full(n, nan),
            ohm,
            phase=np.full(n, "drive"),
            voltage_V=np.full(n, 8.4),
            current_A=8.4 / ohm,
        )
        traces.append(joined(whole, drive))
    return judged(*traces)


def joined(first: Trace, then: Trace) -> Trace:
    """Rows of one coil after others of it."""
    names = ("time_s", "probe_degC", "resistance_ohm", "voltage_V", "current_A", "phase", "source", "status")
    both = {name: np.concatenate([getattr(first, name), getattr(then, name)]) for name in names}
    return replace(first, **both)


def two_ways(bench: Bench) -> SetResult:
    """Two drives, between which the ammeter's leads were changed."""
    whole, since_s, volt = bench.soak(), np.arange(4.0), np.full(4, 8.4)
    for begin_s, ampere in ((14500.0, 2.5), (14600.0, -2.5)):
        flowing = {"voltage_V": volt, "current_A": np.full(4, ampere), "source": np.full(4, "V/I")}
        drive = bench.trace(
            "Y1", begin_s + since_s, np.full(4, nan), volt / ampere, phase=np.full(4, "drive")
        )
        whole = joined(whole, replace(drive, **flowing))
    return judged(whole)


def by_turns(bench: Bench) -> SetResult:
    """Readings that lie above and below, row for row."""
    trace = bench.soak(readings=40)
    turned = np.where(np.arange(trace.time_s.size) % 2, 0.02, -0.02)
    return judged(replace(trace, resistance_ohm=trace.resistance_ohm + turned))


def in_kilohm(bench: Bench) -> SetResult:
    """A coil whose hot readings are a thousandth of the others."""
    trace = bench.soak()
    factor = np.where(trace.probe_degC > 80.0, 1e-3, 1.0)
    return judged(replace(trace, resistance_ohm=trace.resistance_ohm * factor))


def loose_probe(bench: Bench) -> SetResult:
    """A probe that says 30 degC all of a sudden while its winding stays at 90."""
    whole = bench.soak(readings=12)
    fell = (whole.time_s > 3.04 * 3600.0) & (whole.time_s < 3.9 * 3600.0)
    return judged(replace(whole, probe_degC=np.where(fell, 30.0, whole.probe_degC)))


def by_hand(bench: Bench, *off_rel: float) -> SetResult:
    """Settled points of copper, each off its line by a share."""
    degC = [22.0, 35.0, 50.0, 60.0, 70.0, 80.0, 90.0]
    ohm = [3.3 * (1.0 + 0.00393 * (t - 20.0)) * (1.0 + off) for t, off in zip(degC, off_rel, strict=True)]
    # Each read four times, two hundredths of a kelvin apart.
    return judged(
        bench.points("Y1", [t + 0.02 * n for t in degC for n in range(4)], np.repeat(ohm, 4).tolist())
    )


def hot_by_hand(bench: Bench, label: str, *hot_ohm: float) -> Trace:
    """Settled points of copper, a pair at each temperature, but for what is read at 90 degC."""
    degC = [22.0, 22.1, 50.0, 50.1, 70.0, 70.1]
    cold = [3.3 * (1.0 + 0.00393 * (t - 20.0)) for t in degC]
    return bench.points(label, degC + [90.0 + 0.1 * n for n in range(len(hot_ohm))], cold + list(hot_ohm))


def leaping(share: float) -> SetResult:
    """A logged coil that loses a share of its resistance above 70 degC, too near what is allowed."""
    part = Part("A", fault=drops(share, 70.0))
    return judged(*timed([part], Logger(), np.random.default_rng(1)), limits=NOMINAL["valve"])


def warm_start(bench: Bench) -> Trace:
    """A sound coil whose winding was 8 K above its body when it was first read."""
    body = np.array([22.0, 35.0, 50.0, 60.0, 70.0, 90.0])
    winding = body + np.array([8.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    return bench.points("Y1", body.tolist(), np.round(3.3 * copper(winding) + 0.01, 3).tolist())


def cooling(bench: Bench, factor: float) -> Trace:
    """A coil read while it cools, three readings of it *factor* times what they should be."""
    time_s = np.arange(0.0, 3600.0, 10.0)
    body = 22.0 + 68.0 * np.exp(-time_s / 1200.0)
    ohm = 3.3 * copper(body)
    ohm[[40, 120, 200]] *= factor
    return bench.trace("Y1", time_s, body, ohm)


def copper(degC: FloatArray) -> FloatArray:
    """Return the resistance of copper over that at 20 degC, shape (n,)."""
    return 1.0 + 0.00393 * (degC - 20.0)


SCENES: dict[str, Callable[[Bench], SetResult]] = {
    "drops-hot-unsure": lambda _: leaping(0.0095),
    "rises-hot-unsure": lambda _: leaping(-0.0095),
    "not-straight": lambda bench: by_hand(
        bench, *(-0.06 * ((t - 55.0) / 35.0) ** 2 for t in range(20, 90, 10))
    ),
    "changed-places": places_changed,
    "lone-hot": lambda bench: judged(hot_by_hand(bench, "Y1", 4.0)),
    "pair-apart": lambda bench: judged(hot_by_hand(bench, "Y1", 4.209, 52.0)),
    "bend-alike": lambda bench: judged(*(hot_by_hand(bench, f"Y{n}", 4.0, 4.001) for n in (1, 2, 3))),
    "first-unlike": lambda bench: judged(warm_start(bench), limits=NOMINAL["valve"]),
    "reads-high": lambda bench: judged(cooling(bench, 1.05)),
    "reads-low": lambda bench: judged(
        bench.points("Y1", [22.0] * 9 + [90.0] * 9, [3.326] * 9 + [4.208] * 8 + [4.0])
    ),
    "not-copper": lambda bench: judged(bench.points("Y1", [20.0, 90.0], [3.3, 3.3 * 1.2849])),
    "not-at-rest": washed,
    "alone-of-its-kind": alone,
    "label-mixed-up": swapped,
    "nothing-beside": nothing_beside,
    "blank": lambda bench: judged(bench.points("Y1", [22.0, 50.0, 90.0], [3.33, 3.69, nan])),
    "drive-limited": lambda bench: powered(bench, 4.33, 1.3, "current limit"),
    "drive-tripped": lambda bench: powered(bench, 0.0, 1e-4, "protection tripped"),
    "alternates": by_turns,
    "current-sign": two_ways,
    "unit": in_kilohm,
    "driven-alike": lambda bench: driven_like_parts(bench, *[(1.08, 0.0)] * 3),
    "driven-rising": lambda bench: driven_like_parts(bench, (1.0, 0.006), *[(1.0, 0.0)] * 3),
    "driven-unlike": lambda bench: driven_like_parts(bench, (1.012, 0.0), *[(1.0, 0.0)] * 3),
    "driven-diode": lambda bench: powered(bench, 0.72, 3.0),
    "driven-high": lambda bench: powered(bench, 8.4, 1.2),
    "driven-low": lambda bench: powered(bench, 8.4, 2.8),
    "probe": loose_probe,
    "broken-off": lambda bench: judged(bench.points("Y1", [22.0, 50.0], [3.326, 3.689])),
    "contact": lambda bench: judged(bench.points("Y1", [22.0, 50.0, 90.0, 50.1], [3.33, 3.69, 4.2, inf])),
    "drift-unsure": lambda bench: judged(bench.soak(grown_rel=0.01)),
    "drift-alike": lambda bench: judged(
        *(bench.soak(f"Y{n}", grown_rel=0.03, seed=n) for n in (1, 2, 3)),
    ),
    "joint-unsure": joints,
    "leakage-unsure": lambda bench: judged(replace(bench.soak(), leakage_ohm=np.array([1.02e6]))),
    "leads-not-nulled": lambda bench: judged(bench.soak(), meter=MeterUse(wires=2)),
    "leads-too-large": lambda bench: judged(bench.soak(), meter=MeterUse(wires=2, leads_ohm=0.6)),
    "no-reading": lambda bench: judged(bench.points("Y1", [22.0], [nan])),
    "not-read": lambda bench: judged(bench.points("Y1", [], [])),
    "no-temperature": lambda bench: judged(bench.points("Y1", [nan, nan], [3.3, 3.3])),
    "not-hot-enough": lambda bench: judged(bench.soak(), soak_degC=120.0),
    "noisy-beside": fretting_cold_as_hot,
    "noisy-when-hot": fretting,
    "one-temperature": lambda bench: judged(bench.points("Y1", [22.0], [3.3])),
    "opens-hot-once": lambda bench: judged(bench.points("Y1", [22.0, 50.0, 90.0], [3.33, 3.69, inf])),
    "peers-disagree": lambda bench: judged(bench.soak(), bench.soak("Y2", copper_ohm=3.1, seed=2)),
    "peers-unsure": lambda bench: judged(
        bench.soak(),
        bench.soak("Y2", seed=2),
        bench.soak("Y3", copper_ohm=3.2, seed=3),
        limits=NOMINAL["valve"],
    ),
    "resistance-unsure": lambda bench: judged(bench.soak(copper_ohm=3.63), limits=NOMINAL["valve"]),
    "self-heated": self_heated,
    "joint-own-heat": lambda bench: judged(bench.self_heated("Y1", joint_ohm=0.3)),
    "slope-implausible": lambda bench: judged(bench.points("Y1", [22.0, 90.0], [4.2, 3.3])),
    "unexplained": slips,
    "unfinished": unfinished,
}


@pytest.mark.parametrize("code", ACTIONS)
def test_each_retest_says_what_to_change(bench: Bench, code: str) -> None:
    """Each reason of the table is reached by some coil, asks for a retest, and ends with what to change."""
    coils = [coil for coil in SCENES[code](bench).coils if coil.verdict == "retest"]
    reasons = [reason for coil in coils for reason in coil.reasons if reason.code == code]
    assert reasons
    for reason in (reason for coil in coils for reason in coil.reasons):
        assert reason.code in ACTIONS
        assert reason.action
        assert reason.text.endswith(f"; {reason.action}")


def test_no_retest_is_given_past_the_table() -> None:
    """Nowhere is a reason built by hand for a code of the table, so none can come without its action."""
    made: list[str] = []
    for path in Path(analysis.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Reason":
                made += [str(arg.value) for arg in node.args[:1] if isinstance(arg, ast.Constant)]
    assert made
    assert not set(made) & set(ACTIONS)


def test_a_reason_without_an_action_is_refused() -> None:
    """A code that is not in the table, or has no words there and gets none, is a mistake of the program."""
    for code in ("unheard-of", "joint-unsure"):
        with pytest.raises(KeyError, match="expected an action"):
            retest(code, say("reason.no-reading"))
    action = "clean the contacts and test again"
    assert retest("contact", "one") == Reason("contact", f"one; {action}", action)


def test_limits_that_an_uncertainty_fills_are_not_called_near(bench: Bench) -> None:
    """Where no reading whatever could pass, that is said, and not that this one lies too near a limit."""
    result = judged(*(bench.points(f"Y{n}", [22.0], [3.325]) for n in (1, 2, 3)),
                    limits=NOMINAL["valve"], accuracy=Accuracy(offset_ohm=0.2, noise_ohm=0.1))  # fmt: skip
    texts = {reason.code: reason.text for reason in result.coils[0].reasons}
    coarse = "too coarse for limits of 2.97 to 3.63 ohm, whatever the coil reads"
    assert coarse in texts["resistance-unsure"]
    assert "too coarse to compare like parts within 0.1 ohm" in texts["peers-unsure"]
    near = judged(bench.soak(copper_ohm=3.63), limits=NOMINAL["valve"]).coils[0]
    assert any("is too near its limits 2.97 to 3.63 ohm" in reason.text for reason in near.reasons)


@pytest.mark.parametrize(
    ("accuracy", "change"),
    [
        (Accuracy(offset_ohm=0.2), "meter offset"),
        (Accuracy(probe_gain_rel=0.03), "probe gain"),
        (Accuracy(probe_K=5.0), "probe offset"),
        (Accuracy(noise_ohm=0.5), "noise and rest of the settled points"),
        (ACCURACY, "alpha20 of the wire"),
    ],
)
def test_the_largest_uncertainty_says_what_to_change(bench: Bench, accuracy: Accuracy, change: str) -> None:
    """A joint too near its limit asks for the one thing that would decide it."""
    result = judged(bench.soak(joint_ohm=0.1), accuracy=accuracy).coils[0]
    assert [reason.action for reason in result.reasons if reason.code == "joint-unsure"] == [CHANGES[change]]


def test_a_resistance_near_its_limit_asks_for_a_better_meter(bench: Bench) -> None:
    """Where the meter's gain makes R20 uncertain, another meter is what would decide it."""
    coil = judged(bench.soak(), limits=NOMINAL["valve"], accuracy=Accuracy(gain_rel=0.06)).coils[0]
    assert [(reason.code, reason.action) for reason in coil.reasons] == [
        ("resistance-unsure", CHANGES["meter gain"])
    ]


def named_sources(results: Sequence[SetResult]) -> set[str]:
    """What the budgets of these results name."""
    coils = [coil for result in results for coil in result.coils]
    return {part.name for coil in coils for each in coil.budgets for part in each.components}


@pytest.mark.slow
def test_every_source_of_uncertainty_can_be_bettered(bench: Bench) -> None:
    """Whatever a budget names has its line in the table, and the table names nothing else."""
    whole = bench.self_heated()
    cooling = {
        name: getattr(whole, name)[640:]
        for name in ("time_s", "probe_degC", "resistance_ohm", "phase", "source", "status")
    }
    nothing = np.full(1760, nan)
    results = [scene(bench) for scene in SCENES.values()]
    results += [judged(whole), judged(replace(whole, **cooling, voltage_V=nothing, current_A=nothing))]
    results.append(judged(fitted(12)[2]))
    assert named_sources(results) == set(CHANGES) - {"other"}


def test_without_a_budget_the_change_is_general() -> None:
    """Where nobody knows the largest part, the advice is to measure with less uncertainty."""
    assert largest_change([], "R20") == "measure with less uncertainty"
    only = budget("R20", "ohm", 3.3, [Source("probe gain", "B", "1", 0.01, 1.0)])
    assert largest_change([only], "joint") == "measure with less uncertainty"
    assert largest_change([only], "R20") == CHANGES["probe gain"]
