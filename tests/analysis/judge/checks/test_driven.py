"""Under power against the ohmmeter: what only a drive tells is judged, and no sound coil is the worse."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.judge.set import judge_set
from analysis.model import Accuracy, CoilResult, DiodeFitted, Limits, Subject, Trace
from tests.analysis.kits.evidence import Part, driven_rows, oven_set, settled_points

VOLT = 8.4


def judged(parts: list[Part], diode: DiodeFitted = "unknown", *, timed: bool = False) -> list[CoilResult]:
    """Judge a table of like parts, of a kind of which nothing but *diode* is known."""
    traces = [part.trace(timed=timed) for part in parts]
    subjects = [Subject(trace.coil, "valve") for trace in traces]
    return list(judge_set(traces, subjects, {"valve": Limits("valve", diode=diode)}, Accuracy()).coils)


def powered(seed: int, *, points: bool = True, **fault: float | bool) -> list[Part]:
    """A set with a drive at the end of each hold; *fault* is what Y3 does under power."""
    rng = np.random.default_rng(seed)
    parts = oven_set(rng, 4, every_s=60.0)
    parts = settled_points(parts) if points else parts
    driven = []
    for number, part in enumerate(parts):
        limit_A = 1.3 * VOLT / float(np.nanmin(part.ohm))
        own = fault if number == 2 else {}
        driven.append(driven_rows(part, part.ends, VOLT, rng, limit_A=limit_A, **own))  # type: ignore[arg-type]
    return driven


def codes(coil: CoilResult) -> list[str]:
    """Return the codes of a coil's reasons."""
    return [reason.code for reason in coil.reasons]


@pytest.mark.parametrize(
    ("diode", "verdict", "code", "points", "says_limit"),
    [
        ("unknown", "retest", "driven-diode", True, False),
        ("fitted", "retest", "driven-diode", True, True),
        ("none", "fail", "driven-short", True, False),
        ("none", "fail", "driven-short", True, True),
        pytest.param("unknown", "retest", "driven-diode", False, True, marks=pytest.mark.slow),
    ],
)
def test_a_coil_that_is_a_short_when_driven_never_passes(
    diode: DiodeFitted, verdict: str, code: str, points: bool, says_limit: bool
) -> None:
    """Where a diode may be fitted its leads are to be swapped, else it is bad; with a status and without."""
    coils = judged(powered(1, points=points, diode_V=0.72, says_limit=says_limit), diode, timed=not points)
    assert (coils[2].verdict, code in codes(coils[2])) == (verdict, True)
    assert all("driven" not in each for other in (0, 1, 3) for each in codes(coils[other]))


@pytest.mark.parametrize(
    ("seed", "points"), [(0, True), (1, True), pytest.param(2, False, marks=pytest.mark.slow)]
)
def test_what_conducts_beside_the_winding_under_voltage_is_seen(seed: int, points: bool) -> None:
    """A tenth more current than the ohms allow asks for another test, with what to look at."""
    coil = judged(powered(seed, points=points, conducts_S=0.03), timed=not points)[2]
    assert coil.verdict == "retest"
    assert "driven-low" in codes(coil)


def test_a_supply_at_its_limit_is_evidence_even_if_the_ohms_agree() -> None:
    """A record's status is enough: the voltage asked for was never there."""
    parts = powered(2)
    held = parts[2]
    held.status = ["current limit" if np.isfinite(volt) else word
                   for volt, word in zip(held.volt, held.status, strict=True)]  # fmt: skip
    held.ohm = np.where(np.isfinite(held.volt), np.nan, held.ohm)
    coils = judged(parts)
    assert codes(coils[2]) == ["drive-limited"]


@pytest.mark.parametrize(
    ("word", "code"),
    [
        ("missing: the supply is limiting current where constant voltage is expected", "drive-limited"),
        ("missing: a protection of the supply has tripped", "drive-tripped"),
    ],
)
def test_what_older_records_say_of_it_counts_too(word: str, code: str) -> None:
    """Before there was a status for it, a row was missing with a sentence as its reason."""
    parts = powered(2)
    traces = [part.trace(timed=False) for part in parts]
    old = traces[2]
    under = np.isfinite(old.voltage_V)
    status = np.where(under, word, old.status.astype("<U120"))
    traces[2] = replace(old, status=status, resistance_ohm=np.where(under, np.nan, old.resistance_ohm))
    subjects = [Subject(trace.coil, "valve") for trace in traces]
    coil = judge_set(traces, subjects, {"valve": Limits("valve")}, Accuracy()).coils[2]
    assert (coil.verdict, codes(coil)) == ("retest", [code])


def test_an_ohmmeter_beside_voltage_and_current_in_one_row_is_held_against_them() -> None:
    """A table may have all three in a row: 3.3 ohm by the meter, 0.72 V and 3 A by the supply."""
    degC = np.array([22.0, 50.0, 70.0, 90.0])
    n, ohm = degC.size, 3.3 * (234.5 + degC) / 254.5
    for volt, ampere, verdict in (
        (np.full(n, 0.72), np.full(n, 3.0), "fail"),
        (np.full(n, 8.4), 8.4 / ohm, "pass"),
    ):
        trace = Trace("Y1", np.full(n, np.nan), degC, ohm, volt, ampere, np.full(n, ""), np.full(n, "V/I"),
                      np.full(n, "ok"))  # fmt: skip
        limits = {"valve": Limits("valve", diode="none", r20_ohm=3.3)}
        assert judge_set([trace], [Subject("Y1", "valve")], limits, Accuracy()).coils[0].verdict == verdict


def test_a_coil_that_was_not_driven_says_so() -> None:
    """An ohmmeter alone sees no diode: that is said, and nothing is held against the coil."""
    part = settled_points(oven_set(np.random.default_rng(3), 1, every_s=60.0))[0]
    (coil,) = judged([part])
    (found,) = [each for each in coil.criteria if each.code == "driven"]
    assert (found.outcome, "not driven" in found.note) == ("not determined", True)
