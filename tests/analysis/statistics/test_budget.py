"""Uncertainty budgets against published examples, independent referees and the estimates they explain."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, inf, sqrt

import GTC
import numpy as np
import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import umath

from analysis.arrays import FloatArray
from analysis.judge.set import judge_set
from analysis.model import Accuracy, CoilResult, Limits, Subject
from analysis.statistics.budget import Budget, Source, budget, coverage_factor, effective_dof
from tests.analysis.conftest import Bench, Table
from tests.analysis.kits.line import scattered_line

#: JCGM 100:2008, H.2: volts, milliamperes and radians of five simultaneous observations.
VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERES = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1e3
RADIANS = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])

STEPS_DEGC = [22.0, 50.0, 70.0, 90.0]
SOURCES = st.lists(
    st.tuples(st.floats(0.0, 10.0), st.floats(-10.0, 10.0), st.floats(1.0, 50.0) | st.none()),
    min_size=1,
    max_size=6,
)


def impedance() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Means, standard uncertainties of the means and correlations of H.2."""
    observed = np.array([VOLTS, AMPERES, RADIANS])
    return observed.mean(axis=1), observed.std(axis=1, ddof=1) / sqrt(5.0), np.corrcoef(observed)


@pytest.mark.parametrize(
    ("result", "value", "printed_u", "computed_u"),
    [("R", 127.732, 0.071, 0.071071), ("X", 219.847, 0.295, 0.295582), ("Z", 254.260, 0.236, 0.236336)],
)
def test_correlated_impedance(result: str, value: float, printed_u: float, computed_u: float) -> None:
    """JCGM 100, H.2 (print from memory; more digits computed): correlated inputs, by partial derivatives.

    The guide prints u(X) as 0.295, cut and not rounded.
    """
    (v, i, phi), u, correlation = impedance()
    along, across = np.cos(phi), np.sin(phi)
    slopes = {
        "R": (along / i, -v * along / i**2, -v * across / i),
        "X": (across / i, -v * across / i**2, v * along / i),
        "Z": (1.0 / i, -v / i**2, 0.0),
    }
    values = {"R": v * along / i, "X": v * across / i, "Z": v / i}
    sources = [
        Source(name, "A", unit, float(size), float(slope), 4.0)
        for name, unit, size, slope in zip("VIP", ("V", "A", "rad"), u, slopes[result], strict=True)
    ]
    found = budget(result, "ohm", float(values[result]), sources, correlation=correlation)
    assert found.value == pytest.approx(value, abs=5.1e-4)
    assert found.u == pytest.approx(printed_u, abs=1e-3)
    assert found.u == pytest.approx(computed_u, abs=1e-6)
    assert sum(part.share for part in found.components) == pytest.approx(1.0)
    if result == "R":
        # What leaving the correlations out would give (computed): a trap.
        assert budget("R", "ohm", 0.0, sources).u == pytest.approx(0.19, abs=0.01)


def test_correlated_impedance_agrees_with_another_library() -> None:
    """R and X of H.2 as the package uncertainties has them, which differentiates by itself."""
    means, u, correlation = impedance()
    covariance = correlation * np.outer(u, u)
    volts, amperes, radians = uncertainties.correlated_values(means, covariance)
    referee = volts / amperes * umath.cos(radians)
    v, i, phi = means
    own = [np.cos(phi) / i, -v * np.cos(phi) / i**2, -v * np.sin(phi) / i]
    direct = [Source("x", "A", "1", float(a), float(b)) for a, b in zip(u, own, strict=True)]
    assert budget("R", "ohm", 0.0, direct, correlation=correlation).u == pytest.approx(
        referee.std_dev, rel=1e-9
    )


def test_correction_of_a_thermometer(table: Table) -> None:
    """JCGM 100, H.3: the correction at 30 degC is -0.1494 with u 0.0041 and 9 degrees of freedom."""
    points = table("gum_h3")
    x, y = points.values()
    line = scattered_line(x, y, reference=20.0)
    u = np.sqrt(np.diag(line.covariance))
    sources = [
        Source("y1", "A", "K", float(u[0]), 1.0, 9.0),
        Source("y2", "A", "1", float(u[1]), 10.0, 9.0),
    ]
    found = budget(
        "b(30)",
        "K",
        line.intercept + 10.0 * line.slope,
        sources,
        correlation=line.covariance / np.outer(u, u),
        dof=line.dof,
    )
    assert (round(found.value, 4), round(found.u, 4), found.dof) == (-0.1494, 0.0041, 9)
    assert found.u == pytest.approx(0.00413859575285, rel=1e-9)


def test_common_offset_of_a_thermometer_is_merged(table: Table) -> None:
    """H.3 with a common offset of 0.005: u 0.00576893138 at 145.38 degrees of freedom (the GTC manual's)."""
    x, y = table("gum_h3").values()
    line = scattered_line(x, y, reference=20.0)
    merged = budget(
        "y1",
        "K",
        line.intercept,
        [
            Source("fit", "A", "K", sqrt(line.covariance[0, 0]), 1.0, float(line.dof)),
            Source("reference", "B", "K", 0.005, 1.0),
        ],
    )
    assert merged.u == pytest.approx(0.00576893138, rel=1e-8)
    assert merged.dof == pytest.approx(145.38, abs=5e-3)


def test_calibrated_resistor() -> None:
    """EA-4/02, example S3, 10 kohm: u = 0.008328 ohm (figure of a public program's page, tolerance 1e-6).

    Inputs from memory; they reproduce 10000.1780008 and 0.0083274.
    """
    standard, drift = 10000.053, 0.020
    value = (standard + drift) * 1.0000105
    found = budget(
        "R_X",
        "ohm",
        value,
        [
            Source("standard", "B", "ohm", 0.005 / 2.0, 1.0000105),
            Source("drift", "B", "ohm", 0.010 / sqrt(3.0), 1.0000105),
            Source("standard's temperature", "B", "ohm", 0.00275 / sqrt(3.0), 1.0000105),
            Source("temperature", "B", "ohm", 0.0055 / sqrt(3.0), -1.0),
            Source("leak and resolution", "B", "1", 1.0e-6 / sqrt(6.0), value),
            Source("ratio", "A", "1", 0.07e-6, standard + drift, 4.0),
        ],
    )
    assert found.value == pytest.approx(10000.1780008, abs=1e-6)
    assert found.u == pytest.approx(0.008328, abs=1e-6)
    assert found.components[0].name == "drift"
    assert found.k == pytest.approx(2.0, abs=1e-3)


@pytest.mark.parametrize(
    ("dof", "k"),
    [
        (1, 13.97),
        (2, 4.53),
        (3, 3.31),
        (4, 2.87),
        (5, 2.65),
        (6, 2.52),
        (10, 2.28),
        (20, 2.13),
        (50, 2.05),
        (None, 2.00),
    ],
)
def test_coverage_factors(dof: float | None, k: float) -> None:
    """JCGM 100, table G.2, 95.45 % (from memory, and computed)."""
    assert coverage_factor(dof) == pytest.approx(k, abs=5.1e-3)


@pytest.mark.parametrize(("dof", "t"), [(1, 12.706), (2, 4.303), (9, 2.262), (30, 2.042), (None, 1.960)])
def test_coverage_factors_of_another_level(dof: float | None, t: float) -> None:
    """Student's t at 95 %, two-sided, as in any printed table."""
    assert coverage_factor(dof, 0.95) == pytest.approx(t, abs=5e-4)


def test_end_gauge_has_sixteen_degrees_of_freedom() -> None:
    """JCGM 100, H.1 (from memory): 16.7 effective degrees of freedom, cut to 16, t = 2.92 at 99 %.

    The guide rounds its four parts to 25, 9.7, 2.9 and 16.6 nm.
    """
    dof = effective_dof([(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)])
    assert dof == pytest.approx(16.7, abs=0.1)
    assert coverage_factor(dof, 0.99) == pytest.approx(2.92, abs=5e-3)


@pytest.mark.slow
@given(SOURCES)
def test_independent_sources_agree_with_another_library(
    sources: list[tuple[float, float, float | None]],
) -> None:
    """Combined u and effective degrees of freedom are those of the package GTC."""
    inputs = [
        c * GTC.ureal(1.0, u, inf if dof is None else dof) if u > 0.0 else GTC.constant(1.0)
        for u, c, dof in sources
    ]
    referee = sum(inputs[1:], start=inputs[0])
    found = budget("y", "1", 1.0, [Source("x", "A", "1", u, c, dof) for u, c, dof in sources])
    assert found.u == pytest.approx(GTC.uncertainty(referee), rel=1e-9, abs=1e-150)
    if found.u > 1e-70:
        assert (found.dof or inf) == pytest.approx(GTC.dof(referee), rel=1e-6) or (found.dof or inf) > 1e6


def test_what_changes_nothing_is_left_out() -> None:
    """A source without uncertainty or effect takes no line, and no uncertainty at all is no error."""
    found = budget("y", "1", 1.0, [Source("a", "B", "1", 0.0, 1.0), Source("b", "B", "1", 1.0, 0.0)])
    assert (found.components, found.u, found.dof, found.expanded_u) == ((), 0.0, None, 0.0)


def test_impossible_budgets_are_refused() -> None:
    """A negative uncertainty and correlations that do not belong are refused."""
    with pytest.raises(ValueError, match="at least 0"):
        budget("y", "1", 1.0, [Source("a", "B", "1", -1.0, 1.0)])
    for correlation in (np.eye(2), np.array([[2.0]])):
        with pytest.raises(ValueError, match="correlations"):
            budget("y", "1", 1.0, [Source("a", "B", "1", 1.0, 1.0)], correlation=correlation)


def explained(coil: CoilResult) -> dict[str, Budget]:
    """The budgets of a coil, each shown to add up to what the coil states."""
    found = {each.result: each for each in coil.budgets}
    stated = {"R20": (coil.r20_ohm, coil.r20_u_ohm), "joint": (coil.joint_ohm, coil.joint_u_ohm)}
    assert set(found) == {name for name, (value, _) in stated.items() if value is not None}
    for name, each in found.items():
        value, u = stated[name]
        assert each.value == pytest.approx(value, abs=1e-12)
        assert each.u == pytest.approx(u, rel=1e-9)
        assert each.u == pytest.approx(hypot(*(part.sensitivity * part.u for part in each.components)))
        assert sum(part.share for part in each.components) == pytest.approx(1.0)
    return found


def test_budget_explains_the_line(bench: Bench) -> None:
    """The parts of R20 and joint of a soak in steps add up to what is stated, alpha20 leads the joint."""
    (coil,) = judge_set([bench.soak("Y1")], None, None, Accuracy()).coils
    found = explained(coil)
    assert found["joint"].components[0].name == "alpha20 of the wire"
    assert found["R20"].components[0].name in {"meter offset", "probe offset"}
    assert "alpha20 of the wire" not in {part.name for part in found["R20"].components}


def test_sensitivities_are_those_of_the_experiment(bench: Bench) -> None:
    """A probe, meter or wire that is off by its u moves R20 and joint by sensitivity times u."""
    trace = bench.soak("Y1", joint_ohm=0.2)
    accuracy = Accuracy()
    (plain,) = judge_set([trace], None, None, accuracy).coils
    moved = {
        "meter gain": replace(trace, resistance_ohm=trace.resistance_ohm * (1.0 + accuracy.gain_rel)),
        "meter offset": replace(trace, resistance_ohm=trace.resistance_ohm + accuracy.offset_ohm),
        "probe offset": replace(trace, probe_degC=trace.probe_degC + accuracy.probe_K),
        "probe gain": replace(
            trace, probe_degC=20.0 + (trace.probe_degC - 20.0) * (1.0 + accuracy.probe_gain_rel)
        ),
    }
    parts = {(each.result, part.name): part for each in plain.budgets for part in each.components}
    for name, other in moved.items():
        (shifted,) = judge_set([other], None, None, accuracy).coils
        for result, before, after in (
            ("R20", plain.r20_ohm, shifted.r20_ohm),
            ("joint", plain.joint_ohm, shifted.joint_ohm),
        ):
            part = parts.get((result, name))
            expected = part.sensitivity * part.u if part else 0.0
            assert before is not None
            assert after is not None
            assert after - before == pytest.approx(expected, rel=0.02, abs=2e-5)


def test_budget_explains_one_temperature(bench: Bench) -> None:
    """Readings at one temperature have a budget of R20 and none of a joint."""
    trace = bench.points("Y1", [35.0] * 5, [3.50, 3.501, 3.499, 3.500, 3.502])
    (coil,) = judge_set([trace], None, None, Accuracy()).coils
    found = explained(coil)
    assert set(found) == {"R20"}
    assert "alpha20 of the wire" in {part.name for part in found["R20"].components}


def test_scattered_points_have_few_degrees_of_freedom(bench: Bench) -> None:
    """Where the points' own scatter decides, their number limits the degrees of freedom and k exceeds 2."""
    off = np.array([0.005, -0.010, 0.006, -0.001])
    ohm = [3.3 * (1.0 + (t - 20.0) / 254.4529) + d for t, d in zip(STEPS_DEGC, off, strict=True)]
    accuracy = Accuracy(noise_ohm=1e-4, probe_noise_K=0.0, offset_ohm=1e-4, probe_K=0.01)
    (coil,) = judge_set([bench.points("Y1", STEPS_DEGC, ohm)], None, None, accuracy).coils
    found = explained(coil)
    scatter = next(part for part in found["R20"].components if part.kind == "A")
    assert scatter.dof == 2.0
    assert found["R20"].dof is not None
    assert found["R20"].k > 3.0
    assert found["R20"].expanded_u == pytest.approx(found["R20"].k * found["R20"].u)


def test_criteria_are_judged_by_the_k_of_the_budget(bench: Bench) -> None:
    """U of R20 and joint in the verdict is that of the budget, with its degrees of freedom and k from t."""
    rng = np.random.default_rng(5)
    ohm = 3.3 * (1.0 + (np.array(STEPS_DEGC) - 20.0) / 254.4529) + rng.normal(0.0, 0.035, 4)
    limits = {"valve": Limits("valve", r20_ohm=3.3, joint_max_ohm=1.0)}
    trace = bench.points("Y1", STEPS_DEGC, ohm.tolist())
    (coil,) = judge_set([trace], [Subject("Y1", "valve")], limits, Accuracy()).coils
    criteria = {criterion.code: criterion for criterion in coil.criteria}
    for name, code, k in (("R20", "resistance", coil.r20_k), ("joint", "joint", coil.joint_k)):
        found = next(each for each in coil.budgets if each.result == name)
        assert found.dof is not None
        assert found.dof < 3.0
        assert criteria[code].dof == pytest.approx(found.dof, rel=1e-9)
        assert criteria[code].expanded_u == pytest.approx(found.expanded_u, rel=1e-9)
        assert (criteria[code].k, k) == (found.k, found.k)
    assert criteria["slope"].k == coil.alpha20_k > 2.0
    assert coil.alpha20_u_per_K is not None
    assert criteria["slope"].expanded_u == pytest.approx(coil.alpha20_k * coil.alpha20_u_per_K)


@pytest.mark.slow
def test_budget_explains_the_thermal_fit(bench: Bench) -> None:
    """A coil that heated itself has its fit in the budget, and the parts add up to what is stated."""
    (coil,) = judge_set([bench.self_heated("Y1")], None, None, Accuracy()).coils
    assert coil.method == "own heat"
    found = explained(coil)
    assert any(part.name.startswith("noise and doubt") for part in found["joint"].components)


def test_lag_of_a_moving_coil_has_its_line(bench: Bench) -> None:
    """A coil read while it cools owes most of its joint's uncertainty to the lag nobody knows."""
    time_s = np.arange(0.0, 3600.0, 10.0)
    body = 22.0 + 68.0 * np.exp(-time_s / 1200.0)
    trace = bench.trace("Y1", time_s, body, 3.3 * (1.0 + (body - 20.0) / 254.4529))
    (coil,) = judge_set([trace], None, None, Accuracy()).coils
    assert explained(coil)["joint"].components[0].name == "lag of winding and probe"
