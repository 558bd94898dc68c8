"""Every row of a coil is accounted for, and what nothing explains forbids a pass."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from analysis.arrays import FloatArray
from analysis.judge.checks.unexplained import AGAINST, RowUse, window_max
from analysis.judge.set import judge_set
from analysis.model import OK, OVER_RANGE, Accuracy, CoilResult, Limits, Subject, Trace
from tests.analysis.conftest import Bench

ACCURACY = Accuracy(noise_ohm=0.001, probe_noise_K=0.1)
LIMITS = {"valve": Limits("valve", r20_ohm=3.3)}


def judged(trace: Trace) -> CoilResult:
    """One coil of a known kind."""
    return judge_set([trace], [Subject(trace.coil, "valve")], LIMITS, ACCURACY).coils[0]


def with_ohms(trace: Trace, ohm: FloatArray) -> Trace:
    """The same trace with other resistances; a NaN is an empty cell."""
    status = np.where(np.isfinite(ohm), trace.status, "missing: no reading")
    return replace(trace, resistance_ohm=ohm, status=status)


def with_drives(trace: Trace, ohm: float, *, at_degC: float = 90.0) -> Trace:
    """A row under current behind each hold at *at_degC*, with V over I of *ohm*."""
    rows = np.flatnonzero(np.abs(trace.probe_degC - at_degC) < 1.0)
    order = np.argsort(np.concatenate((trace.time_s, trace.time_s[rows] + 5.0)), kind="stable")

    def joined(values: FloatArray, more: object) -> FloatArray:
        return np.concatenate((values, np.broadcast_to(np.asarray(more), rows.shape)))[order]

    return Trace(
        trace.coil,
        time_s=joined(trace.time_s, trace.time_s[rows] + 5.0),
        probe_degC=joined(trace.probe_degC, trace.probe_degC[rows]),
        resistance_ohm=joined(trace.resistance_ohm, ohm),
        voltage_V=joined(trace.voltage_V, 2.0 * ohm),
        current_A=joined(trace.current_A, 2.0),
        phase=joined(trace.phase, "drive"),
        source=joined(trace.source, "V/I"),
        status=joined(trace.status, OK),
    )


def test_a_sound_coil_has_every_row_used_or_explained(bench: Bench) -> None:
    """Of a sound coil nothing speaks against it, and the numbers add up to its rows."""
    found = judged(with_drives(bench.soak(readings=20), 4.22))
    assert found.verdict == "pass"
    assert found.account.used == 100
    assert found.account.explained == {RowUse.POWERED: 20}
    assert not found.account.against


@pytest.mark.parametrize(
    ("place", "ohm"), [(RowUse.POWERED_LOW, 0.24), (RowUse.POWERED_LOW, 3.9), (RowUse.POWERED_HIGH, 9.0)]
)
def test_a_coil_that_reads_otherwise_under_current_does_not_pass(
    bench: Bench, place: RowUse, ohm: float
) -> None:
    """V over I far from what the winding reads to the ohmmeter speaks against the coil."""
    found = judged(with_drives(bench.soak(readings=20), ohm))
    assert found.account.against[place] == 20
    assert found.verdict != "pass"


def test_rows_under_current_without_a_figure_are_no_gap(bench: Bench) -> None:
    """Drives of which nothing came speak against the coil; a single one among many does not."""
    trace = with_drives(bench.soak(readings=60), 4.22)
    lost = np.flatnonzero(trace.source == "V/I")
    ohm = trace.resistance_ohm.copy()
    ohm[lost[0]] = np.nan
    assert judged(with_ohms(trace, ohm)).account.explained[RowUse.GAP] == 1
    ohm[lost] = np.nan
    found = judged(with_ohms(trace, ohm))
    assert found.account.against == {RowUse.LACKING: lost.size}
    assert found.verdict == "retest"


@pytest.mark.parametrize("share", [0.985, 1.03])
def test_hot_points_off_the_line_do_not_vanish(bench: Bench, share: float) -> None:
    """Some of the hot readings off the coil's own line, low or high, forbid a pass."""
    trace = bench.soak(readings=20)
    hot = np.flatnonzero(trace.probe_degC > 85.0)[5:13]
    ohm = trace.resistance_ohm.copy()
    ohm[hot] *= share
    assert judged(with_ohms(trace, ohm)).verdict != "pass"


def test_one_reading_alone_may_be_a_slip(bench: Bench) -> None:
    """One low reading of two hundred, on the way to a step, is a slip and told as such; two are not."""
    trace = bench.soak(readings=40)
    phase = trace.phase.copy()
    phase[40:50] = "rise"
    trace, ohm = replace(trace, phase=phase), trace.resistance_ohm.copy()
    ohm[42] *= 0.85
    found = judged(with_ohms(trace, ohm))
    assert found.verdict == "pass"
    assert found.account.explained == {RowUse.TRAILING: 9, RowUse.SLIP: 1}
    ohm[47] *= 0.85
    found = judged(with_ohms(trace, ohm))
    assert found.account.against == {RowUse.LOW: 2}
    assert found.verdict == "retest"


def test_cells_left_empty_where_the_coil_was_not_read_count_against_it(bench: Bench) -> None:
    """A recorder leaves the cells of a hot open empty: no reading above 70 degC is no sound coil."""
    trace = bench.soak(readings=20)
    ohm = np.where(trace.probe_degC > 80.0, np.nan, trace.resistance_ohm)
    found = judged(with_ohms(trace, ohm))
    assert found.account.against == {RowUse.BLANK: 20}
    assert found.account.against_degC == pytest.approx((90.0, 90.0), abs=0.5)
    assert found.verdict == "retest"


def test_a_long_hold_without_a_reading_is_no_gap(bench: Bench) -> None:
    """A coil that was read on the way to the hold and after it, and never during it, does not pass."""
    trace = bench.soak(readings=40)
    hold = np.flatnonzero(trace.probe_degC > 80.0)
    ohm = trace.resistance_ohm.copy()
    ohm[hold[1:-1]] = np.nan
    found = judged(with_ohms(trace, ohm))
    assert found.account.against == {RowUse.BLANK: 34}
    assert found.verdict == "retest"


def test_cells_left_empty_between_others_are_a_gap(bench: Bench) -> None:
    """A recorder that writes the probe more often than the coil leaves nothing out."""
    trace = bench.soak(readings=20)
    ohm = np.where(np.arange(100) % 2, np.nan, trace.resistance_ohm)
    found = judged(with_ohms(trace, ohm))
    assert (found.verdict, found.account.explained) == ("pass", {RowUse.GAP: 50})


_NUMBERS = st.one_of(st.just(float("nan")), st.floats(-50.0, 150.0, width=32))


@given(
    data=st.data(),
    size=st.integers(0, 40),
    phase=st.sampled_from(["", "ambient", "hold", "heat", "cool", "ramp", "sweep"]),
    timed=st.booleans(),
)
def test_the_sum_is_the_number_of_rows_whatever_they_hold(
    data: st.DataObject, size: int, phase: str, *, timed: bool
) -> None:
    """Whatever a trace holds, used, explained and counted against add up, and nothing against is a pass."""
    column = arrays.arrays(np.float64, size, elements=_NUMBERS)
    ohm = data.draw(column)
    opened = data.draw(arrays.arrays(np.bool_, size))
    status = np.where(opened, OVER_RANGE, np.where(np.isfinite(ohm), OK, "missing: no reading"))
    trace = Trace(
        "Y1",
        time_s=10.0 * np.arange(size) if timed else np.full(size, np.nan),
        probe_degC=data.draw(column),
        resistance_ohm=np.where(opened, np.nan, ohm),
        voltage_V=np.full(size, np.nan),
        current_A=data.draw(column),
        phase=np.full(size, phase),
        source=data.draw(arrays.arrays("<U9", size, elements=st.sampled_from(["ohms", "V/I", "switching"]))),
        status=status.astype(np.str_),
    )
    found = judged(trace)
    told = found.account
    assert told.used + sum(told.explained.values()) + told.speaks_against == told.rows == size
    assert not set(told.explained) & set(AGAINST)
    assert set(told.against) <= set(AGAINST)
    assert found.verdict != "pass" or not told.against


@given(
    values=arrays.arrays(np.float64, st.integers(1, 60), elements=st.floats(-1e3, 1e3)),
    data=st.data(),
)
def test_the_highest_of_a_window_is_that_of_a_plain_loop(values: FloatArray, data: st.DataObject) -> None:
    """Maxima over powers of two give what looking at each value gives."""
    first = np.array([data.draw(st.integers(0, i)) for i in range(values.size)])
    expected = [values[start : i + 1].max() for i, start in enumerate(first)]
    assert window_max(values, first).tolist() == expected


@pytest.mark.parametrize("ohm", [-2.5, 0.0])
def test_a_reading_below_nothing_beside_an_open_is_judged(bench: Bench, ohm: float) -> None:
    """No temperature of a winding follows from it, and the coil is judged all the same."""
    trace = bench.soak(readings=20)
    hot = np.flatnonzero(trace.probe_degC > 85.0)
    readings, status = trace.resistance_ohm.copy(), trace.status.copy()
    readings[hot[3]], readings[hot[4:]], status[hot[4:]] = ohm, np.nan, OVER_RANGE
    assert judged(replace(trace, resistance_ohm=readings, status=status)).verdict == "fail"
