"""Risks of decisions against published figures, and what the rules do to verdicts.

JCGM 106:2012 is cited from memory to the digits it prints; further digits are computed from the stated
definition.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import multivariate_normal, norm, t

from analysis.judge.rules.verdict import decide, judged, rule_name
from analysis.judge.set import judge_set
from analysis.model import Accuracy, Limits, SetResult, Subject
from analysis.statistics.decision import (
    GlobalRisks,
    Process,
    Zone,
    combined_risk,
    conformance,
    global_risks,
    nonconformance,
    wrong_risk,
)
from tests.analysis.conftest import Bench

RESISTOR, RESISTOR_U = Process(1500.0, 0.12), 0.04
TOLERANCE = Zone(1499.8, 1500.2)


@pytest.mark.parametrize(
    ("value", "u", "tolerance", "printed", "computed"),
    [
        # JCGM 106:2012, breakdown voltage of a diode, at most -5.40 V.
        (-5.47, 0.05, Zone(high=-5.40), 0.92, 0.919243),
        # JCGM 106:2012, viscosity of an oil.
        (13.6, 1.8, Zone(12.5, 16.3), 0.66, 0.662630),
    ],
)
def test_conformance_of_one_item(
    value: float, u: float, tolerance: Zone, printed: float, computed: float
) -> None:
    """The examples of JCGM 106 (from memory) come out as printed, and as computed from the definition."""
    assert conformance(value, u, tolerance) == pytest.approx(printed, abs=5e-3)
    assert conformance(value, u, tolerance) == pytest.approx(computed, abs=5e-7)


def test_guarded_speed_limit() -> None:
    """At 100 km/h, 2 % and 99.9 %, a speed of 107 km/h (JCGM 106, from memory) proves a breach.

    Computed from the definition: 106.588 km/h.
    """
    assert nonconformance(106.588, 0.02 * 106.588, Zone(high=100.0)) == pytest.approx(0.999, abs=1e-6)
    assert nonconformance(107.0, 0.02 * 107.0, Zone(high=100.0)) > 0.999


@pytest.mark.parametrize(
    ("guard", "risks"),
    [
        (0.02, GlobalRisks(0.00987829, 0.06902651)),  # JCGM 106 prints 0.01 and 0.07 (from memory)
        (0.0, GlobalRisks(0.01894221, 0.03720780)),
        (0.08, GlobalRisks(0.00046863, 0.24766964)),
        (-0.08, GlobalRisks(0.06940461, 0.00068060)),
    ],
)
def test_global_risks_of_resistors(guard: float, risks: GlobalRisks) -> None:
    """The resistors of JCGM 106, 9.5: inputs from a public copy, figures computed from the definition."""
    found = global_risks(RESISTOR, RESISTOR_U, TOLERANCE, TOLERANCE.drawn_in(guard))
    assert found.false_accept == pytest.approx(risks.false_accept, abs=1e-8)
    assert found.false_reject == pytest.approx(risks.false_reject, abs=1e-8)
    assert conformance(RESISTOR.mean, RESISTOR.sd, TOLERANCE) == pytest.approx(0.904419, abs=5e-7)


@pytest.mark.parametrize(
    ("ratio", "factor", "risks"), [(4.0, 1.0, (0.008, 0.015)), (2.0, 0.91, (0.008, 0.066))]
)
def test_false_accept_by_test_uncertainty_ratio(
    ratio: float, factor: float, risks: tuple[float, float]
) -> None:
    """Limits at two standard deviations of the process, by ratio of limit to U and guard band factor.

    Deaver, as quoted in a public program's tests.
    """
    found = global_risks(Process(0.0, 0.5), 0.5 / ratio, Zone(-1.0, 1.0), Zone(-factor, factor))
    assert (found.false_accept, found.false_reject) == pytest.approx(risks, abs=5e-4)


@pytest.mark.parametrize(
    ("multiple", "at_most", "computed"),
    [
        # ILAC-G8:09/2019, table of guard bands, from a laboratory's transcription: 0.16 % and 2.5 % are
        # printed rounded up. Computed from the definition: one limit, k = 2.
        (3.0, 1e-6, 9.866e-10),
        (1.5, 0.0016, 0.0013499),
        (1.0, 0.025, 0.0227501),
        (0.83, 0.05, 0.0484572),
        (0.825, 0.05, 0.0494715),  # ISO 14253-1:2017: 1.65 u at 95 %
        (0.0, 0.5, 0.5),
    ],
)
def test_risk_at_the_edge_of_a_pass(multiple: float, at_most: float, computed: float) -> None:
    """A value that just passes is beyond its limit with no more than the rule's stated probability."""
    edge = 1.0 - multiple * 2.0 * 0.1
    inside, outside = edge - 1e-9, edge + 1e-9
    assert decide(inside, 0.1, None, 1.0, guard_band_U=multiple) == "pass"
    assert decide(outside, 0.1, None, 1.0, guard_band_U=multiple) != "pass"
    risk = judged("x", "x", "", inside, 0.1, high=1.0, guard_band_U=multiple).wrong_risk
    assert risk is not None
    assert risk <= at_most
    assert risk == pytest.approx(computed, rel=1e-4)


@pytest.mark.parametrize(
    ("probability", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)]
)
def test_guard_in_standard_uncertainties(probability: float, z: float) -> None:
    """The one-sided table of JCGM 106 (from memory): so many u inside the limit for that probability."""
    assert conformance(-z, 1.0, Zone(high=0.0)) == pytest.approx(probability, abs=1.5e-3)


@given(st.floats(-3.0, 3.0), st.floats(0.05, 2.0), st.floats(0.02, 2.0), st.floats(-0.4, 0.4), st.booleans())
def test_global_risks_agree_with_the_joint_distribution(
    mean: float, sd: float, u: float, guard: float, one_sided: bool
) -> None:
    """The risks are those of the joint normal distribution of truth and reading, by another library."""
    tolerance = Zone(high=1.0) if one_sided else Zone(-1.0, 1.0)
    acceptance = tolerance.drawn_in(guard)
    found = global_risks(Process(mean, sd), u, tolerance, acceptance)

    def conforms_and_accepted() -> float:
        joint = multivariate_normal([mean, mean], [[sd**2, sd**2], [sd**2, sd**2 + u**2]])
        if one_sided:
            return float(joint.cdf([tolerance.high, acceptance.high]))
        low = [tolerance.low, acceptance.low]
        return float(joint.cdf([tolerance.high, acceptance.high], lower_limit=low))

    both = conforms_and_accepted()
    accepted = conformance(mean, (sd**2 + u**2) ** 0.5, acceptance)
    assert found.false_accept == pytest.approx(accepted - both, abs=1e-6)
    assert found.false_reject == pytest.approx(conformance(mean, sd, tolerance) - both, abs=1e-6)


def test_sharp_measurement_of_a_wide_process() -> None:
    """An uncertainty far below the spread of the process is still resolved: against adaptive quadrature."""
    found = global_risks(Process(0.0, 1.0), 1e-4, Zone(-1.0, 1.0), Zone(-1.0, 1.0))
    one, _ = quad(lambda x: norm.pdf(x) * norm.sf((x - 1.0) / 1e-4), 1.0, 1.001, epsabs=1e-13)
    assert found.false_accept == pytest.approx(2.0 * one, rel=1e-6)


def test_few_degrees_of_freedom_have_long_tails() -> None:
    """Few degrees of freedom mean a t distribution, with whole ones (JCGM 100, G.4.1)."""
    for dof in (1.0, 4.0, 30.0):
        assert nonconformance(0.0, 1.0, Zone(high=3.0), dof + 0.9) == pytest.approx(t.sf(3.0, dof), rel=1e-12)
        assert conformance(5.0, 1.0, Zone(0.0, 2.0), dof) == pytest.approx(
            t.cdf(-3.0, dof) - t.cdf(-5.0, dof), rel=1e-9
        )
    assert nonconformance(0.0, 1.0, Zone(high=3.0), 1e5) == pytest.approx(norm.sf(3.0), rel=1e-3)


@given(st.floats(-5.0, 5.0), st.floats(0.0, 3.0))
def test_conformance_and_its_opposite(value: float, u: float) -> None:
    """What does not conform does not: the two add up to one, also for a perfect measurement."""
    total = conformance(value, u, Zone(-1.0, 1.0)) + nonconformance(value, u, Zone(-1.0, 1.0))
    assert total == pytest.approx(1.0, abs=1e-12)


def test_small_risks_keep_their_digits() -> None:
    """Ten standard uncertainties away the risk is 7.6e-24 (normal law), and not lost in rounding."""
    assert nonconformance(0.0, 1.0, Zone(high=10.0)) == pytest.approx(norm.sf(10.0), rel=1e-12)
    assert conformance(20.0, 1.0, Zone(0.0, 10.0)) == pytest.approx(norm.sf(10.0), rel=1e-12)


def test_no_risk_of_no_decision() -> None:
    """A retest claims nothing and cannot be wrong."""
    assert wrong_risk("retest", 0.0, 1.0, Zone(-1.0, 1.0)) is None
    assert combined_risk("retest", [("retest", None), ("pass", 0.1)]) is None


def test_risk_of_a_whole_coil() -> None:
    """A pass adds its risks up, a fail is as sure as its surest fail; counts bring no probability."""
    passed = [("pass", 0.01), ("pass", 0.02), ("pass", None)]
    assert combined_risk("pass", passed) == pytest.approx(0.03)
    assert combined_risk("fail", [*passed, ("fail", 0.02), ("fail", 1e-9)]) == 1e-9
    assert combined_risk("fail", [*passed, ("fail", None)]) is None
    assert combined_risk("pass", [("pass", 0.7), ("pass", 0.8)]) == 1.0


def test_impossible_spreads_are_refused() -> None:
    """Negative uncertainty and processes without spread are refused with what was expected."""
    with pytest.raises(ValueError, match="at least 0"):
        conformance(0.0, -1.0, Zone())
    with pytest.raises(ValueError, match="positive"):
        global_risks(Process(0.0, 0.0), 1.0, Zone(), Zone())


def test_rules_have_names() -> None:
    """The usual multiples of U are called after their source, others by their number."""
    assert "simple acceptance" in rule_name(0.0)
    assert "ILAC-G8" in rule_name(1.0)
    assert "ISO 14253-1" in rule_name(0.83)
    assert rule_name(1.5) == "guard band 1.5 U"


def judged_with(bench: Bench, joint_ohm: float, **limits: float) -> SetResult:
    """One coil of 3.3 ohm with a joint, held to a kind of its own."""
    trace = bench.soak("Y1", joint_ohm=joint_ohm)
    kind = replace(Limits("valve", r20_ohm=3.3 + joint_ohm), **limits)
    return judge_set([trace], [Subject("Y1", "valve")], {"valve": kind}, Accuracy())


def test_the_rule_decides_what_is_near(bench: Bench) -> None:
    """A joint within U of its limit is a retest by the usual rule and decided without a guard band."""
    usual, simple = judged_with(bench, 0.09), judged_with(bench, 0.09, guard_band_U=0.0)
    assert [reason.code for reason in usual.coils[0].reasons] == ["joint-unsure"]
    assert usual.coils[0].wrong_risk is None
    assert simple.coils[0].verdict == "pass"
    risk = simple.coils[0].wrong_risk
    assert risk is not None
    assert 0.05 < risk < 0.5
    assert not any("decision rule" in note for note in usual.notes)
    assert "decision rule: simple acceptance, no guard band (JCGM 106:2012, 8.2.1)" in simple.notes


def test_a_fail_carries_its_risk(bench: Bench) -> None:
    """A joint of 0.35 ohm fails with next to no doubt, and no criterion left open has a risk."""
    coil = judged_with(bench, 0.35, r20_ohm=3.3).coils[0]
    assert coil.verdict == "fail"
    assert coil.wrong_risk is not None
    assert coil.wrong_risk < 1e-6
    open_ones = [each for each in coil.criteria if each.outcome in {"retest", "not determined"}]
    assert open_ones
    assert all(each.wrong_risk is None for each in open_ones)


def test_spread_of_the_makers_parts_tells_how_often(bench: Bench) -> None:
    """With the maker's spread given, a note says how many parts in a million the rule takes wrongly."""
    notes = judged_with(bench, 0.0, r20_spread_rel=0.05).notes
    (said,) = [note for note in notes if "in a million" in note]
    assert said.startswith("valve: of parts spread by 5 % about 3.3 ohm, ")
    assert not any("in a million" in note for note in judged_with(bench, 0.0).notes)
