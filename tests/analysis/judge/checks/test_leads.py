"""Two-wire leads: what they add to the uncertainty, and when nothing can be judged through them."""

from __future__ import annotations

from math import sqrt

import pytest

from analysis.judge.checks.leads import trusted
from analysis.judge.set import judge_set
from analysis.model import Accuracy, CoilResult, Limits, MeterUse, Subject
from tests.analysis.conftest import Bench

NOMINAL = {"valve": Limits("valve", r20_ohm=3.30)}
TWO_WIRES = Accuracy(contact_ohm=0.015)


def judged(
    bench: Bench, meter: MeterUse, *, copper_ohm: float = 3.3, leads_ohm: float = 0.0, nominal: bool = True
) -> CoilResult:
    """Judge one sound coil whose readings hold leads that nobody took off."""
    trace = bench.soak(copper_ohm=copper_ohm, joint_ohm=leads_ohm)
    limits, subjects = (NOMINAL, [Subject("Y1", "valve")]) if nominal else (None, None)
    return judge_set([trace], subjects, limits, TWO_WIRES, meter=meter).coils[0]


def codes(coil: CoilResult) -> set[str]:
    """The codes of a coil's reasons."""
    return {reason.code for reason in coil.reasons}


@pytest.mark.parametrize("leads_ohm", [0.0, 0.3, 0.5])
def test_leads_that_nobody_measured_convict_nobody(bench: Bench, leads_ohm: float) -> None:
    """Up to half an ohm of leads in every reading is no bad joint and no high resistance: null them first."""
    coil = judged(bench, MeterUse(wires=2), leads_ohm=leads_ohm)
    assert coil.verdict == "retest"
    assert "leads-not-nulled" in codes(coil)
    assert coil.joint_ohm is not None
    assert coil.joint_u_ohm is not None
    assert abs(coil.joint_ohm) < 2.0 * coil.joint_u_ohm


def test_what_leads_add_has_its_line_in_the_budget(bench: Bench) -> None:
    """Leads not nulled lead the budgets: half an ohm as a limit of error (JCGM 100, 4.3.7)."""
    coil = judged(bench, MeterUse(wires=2))
    for each in coil.budgets:
        assert each.components[0].name == "leads not nulled"
        assert each.components[0].u == pytest.approx(0.5 / sqrt(3.0))
    nulled = judged(bench, MeterUse(wires=2, leads_ohm=0.4))
    for each in nulled.budgets:
        contacts = next(part for part in each.components if part.name == "two-wire contacts")
        assert contacts.u == pytest.approx(sqrt(0.015**2 + 0.02**2))


@pytest.mark.parametrize(
    ("leads_ohm", "copper_ohm", "enough"),
    [(0.17, 3.3, True), (0.49, 3.3, True), (0.51, 3.3, False), (0.51, 50.0, True), (5.2, 50.0, False)],
)
def test_nulled_leads_are_judged_by_their_share(
    bench: Bench, leads_ohm: float, copper_ohm: float, enough: bool
) -> None:
    """Nulled leads up to half an ohm, or a tenth of a large coil, will do; larger ones ask for four wires."""
    coil = judged(bench, MeterUse(wires=2, leads_ohm=leads_ohm), copper_ohm=copper_ohm, nominal=False)
    assert ("leads-too-large" not in codes(coil)) is enough
    found = next(each.outcome for each in coil.criteria if each.code == "leads")
    assert found == ("pass" if enough else "retest")


def test_four_wires_and_unknown_wiring_have_no_leads(bench: Bench) -> None:
    """Four wires see no leads, and of a bare table nobody knows."""
    for meter in (MeterUse(wires=4), MeterUse()):
        assert trusted(TWO_WIRES, meter) == TWO_WIRES
        coil = judged(bench, meter)
        assert (coil.verdict, codes(coil)) == ("pass", {"within-limits"})
        assert not any(each.code == "leads" for each in coil.criteria)


def test_leads_of_a_short_are_no_division_by_nothing(bench: Bench) -> None:
    """A coil of no resistance at all is a short, whatever its leads."""
    trace = bench.points("Y1", [22.0, 90.0], [0.0, 0.0])
    meter = MeterUse(wires=2, leads_ohm=0.6)
    (coil,) = judge_set([trace], None, None, TWO_WIRES, meter=meter).coils
    assert (coil.verdict, codes(coil)) == ("fail", {"short"})


def test_a_fault_beyond_the_leads_still_fails(bench: Bench) -> None:
    """What no half ohm of leads explains convicts the coil all the same."""
    coil = judged(bench, MeterUse(wires=2), leads_ohm=2.0)
    assert (coil.verdict, codes(coil) <= {"joint", "resistance-high"}) == ("fail", True)
