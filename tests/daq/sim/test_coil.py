"""The electrical side of a coil: copper, joint, and the ways it goes wrong."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from daq.sim.faults import CoilPart, Drift, Dropouts, HeatOpen, Kind
from daq.sim.world.coil import Coil, copper_factor

KIND = Kind(copper_ohm=3.3, spread_rel=0.0, joint_ohm=0.0)
temperatures_degC = st.floats(-20.0, 140.0)


def coil(seed: int = 0, kind: Kind = KIND, **faults: object) -> Coil:
    """Make a coil of *kind* with *faults* (fields of CoilPart)."""
    return Coil(CoilPart(label="Y1", kind="k", **faults), kind, np.random.default_rng(seed))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("winding_degC", "factor"),
    [
        (0.0, 0.92140),
        (20.0, 1.0),
        (25.0, 1.01965),
        (50.0, 1.11790),
        (65.0, 1.17685),
        (75.0, 1.21615),
        (100.0, 1.31440),
        (120.0, 1.39300),
        (150.0, 1.51090),
    ],
)
def test_copper_follows_the_wire_tables(winding_degC: float, factor: float) -> None:
    """Copper at a temperature over copper at 20 degC, with the coefficient of the wire tables.

    Coefficient 0.00393 /degC: NBS Handbook 100, Copper Wire Tables (1966), 1.1; IEC 60028. Factors
    computed from the definition.
    """
    usual = Kind(copper_ohm=1.0)
    assert copper_factor(winding_degC, usual.alpha20_per_K) == pytest.approx(factor, abs=0.5e-5)


def test_another_batch_of_wire_has_another_coefficient() -> None:
    """Wire of 98 % IACS has 98 % of the coefficient, 0.0038514, and so of the rise from 20 degC."""
    soft, hard = (
        coil(kind=Kind(copper_ohm=1.0, spread_rel=0.0, joint_ohm=0.0, alpha20_per_K=a))
        for a in (0.00393, 0.0038514)
    )
    assert hard.resistance_at(20.0) == soft.resistance_at(20.0) == 1.0
    assert hard.resistance_at(120.0) - 1.0 == pytest.approx(
        0.98 * (soft.resistance_at(120.0) - 1.0), rel=1e-12
    )


def test_the_trade_example_of_a_hot_coil() -> None:
    """A coil of 3.2 ohm at 13 degC has 4.196 ohm at 90 degC (computed from the copper law)."""
    cold_ohm, hot_ohm = (coil().resistance_at(t) for t in (13.0, 90.0))
    assert 3.2 * hot_ohm / cold_ohm == pytest.approx(4.196, abs=0.0005)


@given(st.floats(0.0, 1.0), st.floats(0.0, 0.5), temperatures_degC)
def test_joint_raises_and_shorted_turns_lower(joint_ohm: float, shorted: float, winding_degC: float) -> None:
    """A joint adds the same ohms at any temperature; shorted turns take their share of the copper only."""
    sound = coil().resistance_at(winding_degC)
    faulty = coil(joint_ohm=joint_ohm, shorted_share=shorted).resistance_at(winding_degC)
    assert faulty == pytest.approx(sound * (1.0 - shorted) + joint_ohm, rel=1e-12)


def test_parts_spread_by_what_their_kind_says() -> None:
    """Over many parts the mean is the nominal and the deviation the kind's, its tails cut at two."""
    kind = Kind(copper_ohm=3.3, spread_rel=0.005)
    parts = np.array([coil(seed, kind).copper_ohm for seed in range(400)]) / 3.3 - 1.0
    assert abs(parts.mean()) < 4.0 * 0.005 / math.sqrt(400)
    assert 0.8 < parts.std() / 0.005 < 1.1
    assert np.abs(parts).max() <= 2.0 * 0.005 + 1e-12


def test_heat_opens_and_cooling_closes_with_hysteresis() -> None:
    """Between the two temperatures the coil stays as it was; the log has exactly the open stretch."""
    hot = coil(heat_open=HeatOpen(opens_above_degC=72.0, closes_below_degC=64.0))
    seen = []
    for second, winding_degC in enumerate((20.0, 68.0, 71.9, 72.1, 90.0, 68.0, 64.1, 63.9, 68.0)):
        hot.age(float(second), 1.0, winding_degC)
        seen.append(hot.is_open)
    assert seen == [False, False, False, True, True, True, True, False, False]
    assert hot.opens_s == [[3.0, 7.0]]


@given(st.floats(60.0, 75.0), st.floats(1.0, 30.0), st.lists(temperatures_degC, max_size=40))
def test_hysteresis_remembers_the_last_limit_passed(
    opens_degC: float, width_K: float, path_degC: list[float]
) -> None:
    """For any course of temperature the state is set by whichever limit was passed last."""
    closes_degC = opens_degC - width_K
    hot = coil(heat_open=HeatOpen(opens_above_degC=opens_degC, closes_below_degC=closes_degC))
    expected = False
    for second, winding_degC in enumerate(path_degC):
        hot.age(float(second), 1.0, winding_degC)
        if winding_degC > opens_degC or winding_degC < closes_degC:
            expected = winding_degC > opens_degC
        assert hot.is_open == expected


def telegraph(winding_degC: float, length_s: float, seed: int = 7) -> Coil:
    """Run a coil with dropouts (5 % of the time open at 90 degC) at one temperature."""
    drops = Dropouts(onset_degC=45.0, reference_degC=90.0, open_share=0.05, mean_open_s=0.2)
    loose = coil(seed, dropouts=drops)
    loose.start(0.0)
    while loose.next_event_s < length_s:
        loose.telegraph(winding_degC)
    return loose


@pytest.mark.parametrize(("winding_degC", "odds"), [(90.0, 0.05 / 0.95), (67.5, 0.025 / 0.95)])
def test_dropouts_take_the_share_of_time_they_should(winding_degC: float, odds: float) -> None:
    """Looked at now and then, the coil is open as often as asked for, by the binomial test.

    The odds of being open are rate times mean duration, and the rate grows in proportion above the onset.
    """
    loose = telegraph(winding_degC, 40_000.0)
    # Looks are 5 s apart, 25 mean durations, so they are independent.
    looks = np.arange(5.0, 40_000.0, 5.0)
    starts, ends = np.array(loose.opens_s).T
    which = np.searchsorted(starts, looks) - 1
    is_open = (which >= 0) & (looks < ends[np.maximum(which, 0)])
    share = odds / (1.0 + odds)
    assert stats.binomtest(int(is_open.sum()), looks.size, share).pvalue > 0.001


def test_dropout_durations_are_exponential() -> None:
    """Open times run from milliseconds to seconds with the mean asked for (Kolmogorov-Smirnov)."""
    starts, ends = np.array(telegraph(90.0, 20_000.0).opens_s[:-1]).T
    lasted_s = ends - starts
    assert stats.kstest(lasted_s, stats.expon(scale=0.2).cdf).pvalue > 0.001
    assert lasted_s.min() < 0.005
    assert lasted_s.max() > 0.8


def test_no_dropouts_when_cold() -> None:
    """Below the onset the coil never opens."""
    assert telegraph(44.0, 20_000.0).opens_s == []


@given(
    st.lists(st.floats(0.01, 3.0), max_size=12),
    st.floats(0.0, 20.0),
    st.floats(0.001, 20.0),
)
def test_open_share_of_a_window(gaps_s: list[float], from_s: float, width_s: float) -> None:
    """The share of a window spent open equals the overlap with the logged stretches."""
    edges = np.cumsum(gaps_s)[: len(gaps_s) // 2 * 2]
    part = coil()
    part.opens_s = [list(pair) for pair in edges.reshape(-1, 2)]
    overlap_s = sum(
        max(0.0, min(ended, from_s + width_s) - max(began, from_s)) for began, ended in part.opens_s
    )
    assert part.open_share(from_s, from_s + width_s) == pytest.approx(overlap_s / width_s, abs=1e-9)


def test_drift_adds_up_while_hot_and_stays() -> None:
    """Two hours above the threshold at 3 %/h leave 6 % of the copper; cooling takes nothing back."""
    creeping = coil(joint_ohm=0.1, drift=Drift(above_degC=60.0, rate_rel_per_h=0.03))
    for _ in range(7200):
        creeping.age(0.0, 1.0, 61.0)
    for _ in range(3600):
        creeping.age(0.0, 1.0, 59.0)
    assert creeping.resistance_at(20.0) == pytest.approx(3.3 * 1.06 + 0.1, rel=1e-9)


@given(temperatures_degC, st.floats(0.1, 40.0))
def test_insulation_leaks_more_when_hot(winding_degC: float, rise_K: float) -> None:
    """Resistance to the body falls with heat, by half for each ten kelvin."""
    leaking = coil(leakage_ohm=1e6)
    assert leaking.leakage_at(20.0) == pytest.approx(1e6)
    ratio = leaking.leakage_at(winding_degC + rise_K) / leaking.leakage_at(winding_degC)
    assert ratio == pytest.approx(0.5 ** (rise_K / 10.0), rel=1e-9)
