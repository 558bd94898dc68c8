"""Other units, currents below nothing, readings by turns: the meter's, and never a fault of the coil."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.arrays import FloatArray
from analysis.judge.checks.misread import as_meant
from analysis.judge.set import judge_set
from analysis.model import Accuracy, CoilResult, Limits, Subject, Trace
from tests.analysis.kits.evidence import driven_rows, oven_set, settled_points

VOLT = 8.4


def traces(seed: int = 3, *, timed: bool = False, driven: bool = False) -> list[Trace]:
    """A sound set of four in an oven."""
    rng = np.random.default_rng(seed)
    parts = oven_set(rng, 4, every_s=60.0)
    parts = parts if timed else settled_points(parts)
    if driven:
        parts = [driven_rows(part, part.ends, VOLT, rng, limit_A=9.0) for part in parts]
    return [part.trace(timed=timed) for part in parts]


def with_ohms(trace: Trace, ohm: FloatArray) -> Trace:
    """The trace with other readings."""
    return replace(trace, resistance_ohm=ohm)


def judged(of: list[Trace], limits: Limits | None = None) -> list[CoilResult]:
    """Judge as like parts of *limits*, else as a bare table."""
    subjects = [Subject(trace.coil, "valve") for trace in of] if limits else None
    return list(judge_set(of, subjects, {"valve": limits} if limits else None, Accuracy()).coils)


def codes(coil: CoilResult) -> list[str]:
    """Codes of a coil's reasons."""
    return [reason.code for reason in coil.reasons]


@pytest.mark.parametrize("times", [10.0, 100.0, 1e4])
def test_a_lost_point_is_a_slip_of_the_recorder_and_no_interruption(times: float) -> None:
    """Two hot readings a power of ten too large, to the last figure, are asked about and convict nobody."""
    of = traces(timed=True)
    hot = np.flatnonzero(of[1].probe_degC > 80.0)[[2, 9]]
    ohm = np.round(of[1].resistance_ohm, 3)
    ohm[hot] *= times
    of[1] = with_ohms(of[1], ohm)
    coils = judged(of)
    assert (coils[1].verdict, codes(coils[1])) == ("retest", ["unit"])
    assert f"{times:.0f} times" in coils[1].reasons[0].text
    assert {coil.verdict for coil in (coils[0], *coils[2:])} == {"pass"}


@pytest.mark.parametrize("factor", [7.0, 13.0, 85.0, 2500.0])
def test_what_is_no_power_of_ten_stays_an_interruption(factor: float) -> None:
    """Readings that jump to anything else are a contact that lets go."""
    of = traces(timed=True)
    ohm = of[1].resistance_ohm.copy()
    ohm[np.flatnonzero(of[1].probe_degC > 80.0)[[2, 9]]] *= factor
    of[1] = with_ohms(of[1], ohm)
    assert (judged(of)[1].verdict, codes(judged(of)[1])[0]) == ("fail", "dropouts")


def test_what_is_ten_times_too_large_now_and_again_is_a_contact() -> None:
    """One reading in eight at ten times the ohms is no slip of a recorder."""
    of = traces(timed=True)
    ohm = of[1].resistance_ohm.copy()
    ohm[np.flatnonzero(of[1].probe_degC > 60.0)[::4]] *= 10.0
    of[1] = with_ohms(of[1], ohm)
    assert judged(of)[1].verdict == "fail"


@pytest.mark.parametrize("hot_only", [False, True])
@pytest.mark.parametrize("figures", [6, 3])
def test_kilohms_are_another_unit_and_no_short(hot_only: bool, figures: int) -> None:
    """A thousandth of what all else makes is asked to be judged again in ohms; the others pass."""
    of = traces()
    hot = of[1].probe_degC > 80.0
    kilo = np.round(of[1].resistance_ohm / 1000.0, figures)
    of[1] = with_ohms(of[1], np.where(hot | (not hot_only), kilo, of[1].resistance_ohm))
    coils = judged(of)
    if figures == 3 and not hot_only:
        # Nothing but thousandths, and of one figure each: that may as well be a short.
        assert coils[1].verdict == "fail"
    else:
        assert (coils[1].verdict, "unit" in codes(coils[1])) == ("retest", True)
    assert all("unit" not in codes(coil) and coil.verdict != "fail" for coil in (coils[0], *coils[2:]))


def test_a_set_in_milliohms_is_told_by_its_nominal_value() -> None:
    """A thousand times too much in all coils is their unit where the maker says what is right."""
    of = [with_ohms(trace, trace.resistance_ohm * 1000.0) for trace in traces()]
    nominal = float(np.nanmedian(of[0].resistance_ohm[:3])) / 1000.0
    coils = judged(of, Limits("valve", r20_ohm=round(nominal, 1), r20_tolerance_rel=0.1))
    assert [(coil.verdict, codes(coil)[0]) for coil in coils] == [("retest", "unit")] * 4


@pytest.mark.parametrize("ohm", [0.012, 0.03, 0.0])
def test_a_short_is_no_unit(ohm: float) -> None:
    """Leads that touch or a coil that is dead read some milliohms, cold as hot: it fails as before."""
    of = traces()
    n = of[1].resistance_ohm.size
    of[1] = with_ohms(of[1], np.round(ohm + np.random.default_rng(1).normal(0.0, 0.0008, n), 3))
    coil = judged(of)[1]
    assert (coil.verdict, "unit" in codes(coil)) == ("fail", False)


def test_a_reversed_ammeter_is_said_and_changes_nothing() -> None:
    """All currents below zero: the same verdict and figures as with its leads the right way."""
    of = traces(driven=True)
    limits = Limits("valve", diode="none")
    plain = judged(of, limits)
    under = np.isfinite(of[2].current_A)
    backward = replace(
        of[2],
        current_A=-of[2].current_A,
        resistance_ohm=np.where(under, -of[2].resistance_ohm, of[2].resistance_ohm),
    )
    of[2] = backward
    subjects = [Subject(trace.coil, "valve") for trace in of]
    found = judge_set(of, subjects, {"valve": limits}, Accuracy())
    assert (found.coils[2].verdict, found.coils[2].r20_ohm) == (plain[2].verdict, plain[2].r20_ohm)
    assert any("Y3: the current is below zero" in note for note in found.notes)


def test_readings_by_turns_convict_nobody_and_pass_nobody() -> None:
    """The mean of neighbours is what the coil has; noise alone is never taken for that."""
    of = traces(timed=True)
    turned = np.where(np.arange(of[1].time_s.size) % 2, 0.2, -0.2)
    meant = as_meant([with_ohms(of[1], of[1].resistance_ohm + turned)], None, None, Accuracy())
    assert [finding.reason.code for finding in meant.findings["Y2"] if finding.reason] == ["alternates"]
    inner = slice(1, -1)
    left = meant.traces[0].resistance_ohm - of[1].resistance_ohm
    assert float(np.abs(left[inner]).max()) < 0.03
    noisy = of[1].resistance_ohm + np.random.default_rng(5).normal(0.0, 0.2, turned.size)
    assert not as_meant([with_ohms(of[1], noisy)], None, None, Accuracy()).findings


def test_a_sound_set_is_left_as_it_is() -> None:
    """Nothing is mended where nothing is plainly wrong."""
    of = traces(driven=True)
    meant = as_meant(of, None, None, Accuracy())
    assert meant.traces == of
    assert not meant.findings
    assert not meant.reversed_current
