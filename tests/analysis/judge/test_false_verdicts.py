"""Sound coils that something else made look bad: none may fail for it, and no bad one may hide behind it.

Traces are computed from the copper law (alpha20 0.00393, NBS Handbook 100) with noise of a stated seed.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from analysis.arrays import FloatArray
from analysis.judge.set import judge_set
from analysis.model import Accuracy, Limits, SetResult, Subject, Trace

NOMINAL = {"valve": Limits("valve", r20_ohm=3.3)}


def trace(coil: str, time_s: FloatArray, probe_degC: FloatArray, ohm: FloatArray) -> Trace:
    """Return undriven readings of *coil*."""
    n, none = time_s.size, np.full(time_s.size, np.nan)
    words = [np.full(n, word) for word in ("", "ohms", "ok")]
    return Trace(coil, time_s, probe_degC, ohm, none, none, *words)


def copper(ohm_20: float, winding_degC: FloatArray) -> FloatArray:
    """Return the resistance of a winding of copper."""
    return ohm_20 * (1.0 + 0.00393 * (winding_degC - 20.0))


def judged(traces: list[Trace], limits: Mapping[str, Limits] | None = None) -> SetResult:
    """Judge *traces*, as coils of one kind where limits are given."""
    subjects = None if limits is None else [Subject(each.coil, "valve") for each in traces]
    return judge_set(traces, subjects, limits, Accuracy())


def codes(result: SetResult) -> list[list[str]]:
    """Return the reason codes of each coil."""
    return [[reason.code for reason in coil.reasons] for coil in result.coils]


def points(coil: str, ohm_20: float, *, joint_ohm: float = 0.0, probe_scale: float = 1.0) -> Trace:
    """Return settled points, 20 to 90 degC, without time; *probe_scale* is what the probe makes of a rise."""
    winding = np.linspace(20.0, 90.0, 8)
    probe = 20.0 + probe_scale * (winding - 20.0)
    return trace(coil, np.full(8, np.nan), probe, copper(ohm_20, winding) + joint_ohm)


@pytest.mark.parametrize("seed", range(5))
def test_a_sound_cooling_curve_does_not_drift(seed: int) -> None:
    """The noisy top of a cooling curve is no cold reading before heat."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, 1800.0, 2.0)
    body = 22.0 + 50.0 * np.exp(-time_s / 590.0)
    winding = body + 30.0 * np.exp(-time_s / 30.0) + 2.5 * np.exp(-time_s / 590.0)
    probe = body + rng.normal(0.0, 0.3, time_s.size)
    result = judged([trace("A", time_s, probe, copper(3.2, winding))])
    assert result.coils[0].verdict == "retest"
    assert "drift" not in codes(result)[0]


def test_a_coil_that_creeps_up_while_hot_has_no_dropouts() -> None:
    """Readings that stay above the line are a change of the coil, not interruptions of its contact."""
    time_s = np.arange(0.0, 10800.0, 15.0)
    body = np.interp(time_s, [0, 600, 1800, 3600, 4800, 6600, 7800, 10800], [22, 22, 50, 50, 70, 70, 90, 90])
    hot_h = np.cumsum(np.where(body > 60.0, 15.0 / 3600.0, 0.0))
    rng = np.random.default_rng(3)
    probe = body + rng.normal(0.0, 0.05, time_s.size)
    result = judged([trace("H", time_s, probe, copper(3.3, body) * (1.0 + 0.05 * hot_h))], NOMINAL)
    assert result.coils[0].verdict in {"fail", "retest"}
    assert not {"dropouts", "contact"} & set(codes(result)[0])


def test_a_probe_that_exaggerates_convicts_no_sound_coil() -> None:
    """A rise read 8 % too large looks like a joint, but the whole is nominal and the copper part is not."""
    result = judged([points("A", 3.3, probe_scale=1.08)], NOMINAL)
    assert result.coils[0].verdict == "retest"
    assert codes(result) == [["slope-implausible"]]


def test_a_real_joint_still_fails_by_nominal_alone() -> None:
    """Copper at its nominal with 0.35 ohm in series: the copper part agrees, the whole does not."""
    result = judged([points("A", 3.25, joint_ohm=0.35)], NOMINAL)
    assert codes(result) == [["joint"]]


def test_two_coils_with_the_same_joint_do_not_convict_each_other() -> None:
    """What both show may be the thermometer's or the leads'."""
    result = judged([points("A", 3.3, joint_ohm=0.2), points("B", 3.31, joint_ohm=0.2)], None)
    assert [coil.verdict for coil in result.coils] == ["retest", "retest"]
