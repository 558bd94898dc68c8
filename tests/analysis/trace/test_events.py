"""Opens, dropouts and drift in single traces."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.arrays import FloatArray
from analysis.model import Accuracy, OpenKind, Opens, Trace
from analysis.trace.drift import before_heat, cold_drift, hot_drift
from analysis.trace.interruptions import find_opens
from analysis.trace.rows import Story, sort_rows
from tests.analysis.conftest import Bench

NO_JUMPS = np.empty(0, dtype=np.bool_)


def up_and_down(opened: FloatArray | None = None) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Times, body temperature up to 90 degC and back, resistance; infinite where *opened* is True."""
    time_s = np.arange(0.0, 3600.0, 15.0)
    body = 22.0 + 68.0 * np.minimum(time_s, 3600.0 - time_s) / 1800.0
    ohm = 3.3 * (1.0 + (body - 20.0) / 254.4529)
    return time_s, body, ohm if opened is None else np.where(opened, np.inf, ohm)


def seen(bench: Bench, opened: FloatArray) -> Opens:
    """What is found in an up and down with these readings open."""
    return find_opens(sort_rows(bench.trace("Y1", *up_and_down(opened))), NO_JUMPS)


def test_open_by_heat_is_bracketed(bench: Bench) -> None:
    """A coil that opens above 72 degC and closes below 64 degC is found with the readings about both."""
    time_s, body, _ = up_and_down()
    rising = time_s < 1800.0
    opens = seen(bench, np.where(rising, body > 72.0, body > 64.0))
    assert (opens.kind, opens.count) == (OpenKind.HOT, 1)
    assert opens.opened_degC is not None
    assert opens.closed_degC is not None
    assert opens.opened_degC[0] <= 72.0 < opens.opened_degC[1]
    assert opens.closed_degC[1] <= 64.0 < opens.closed_degC[0]
    assert opens.opened_degC[1] - opens.opened_degC[0] < 0.6


def test_contact_closing_during_a_reading_does_not_unsay_the_open(bench: Bench) -> None:
    """An open that ends in a reading of some tens of ohms, half way between open and closed, is an open."""
    time_s, body, ohm = up_and_down()
    ohm[(time_s > 1300.0) & (time_s < 2100.0)] = np.inf
    ohm[np.flatnonzero(np.isinf(ohm))[-1]] = 62.6
    opens = find_opens(sort_rows(bench.trace("Y1", time_s, body, ohm)), NO_JUMPS)
    assert (opens.kind, opens.count) == (OpenKind.HOT, 1)


def test_open_that_stays_has_no_closing(bench: Bench) -> None:
    """A coil that does not close again says so."""
    time_s, _, _ = up_and_down()
    opens = seen(bench, time_s > 1500.0)
    assert (opens.kind, opens.closed_degC) == (OpenKind.HOT, None)


def test_scattered_opens_are_dropouts(bench: Bench) -> None:
    """Single open readings while hot, some of them in a row, are counted as dropouts."""
    _, body, _ = up_and_down()
    opened = np.zeros(body.size, dtype=np.bool_)
    opened[[80, 100, 101, 130, 140]] = True
    opens = seen(bench, opened)
    assert (opens.kind, opens.count, opens.warm_count) == (OpenKind.DROPOUTS, 4, 4)
    assert opens.cold_share == 0.0
    warm = np.count_nonzero(body >= 32.0)
    assert opens.warm_share == pytest.approx(5 / warm)


def test_reading_interrupted_half_way_is_a_dropout(bench: Bench) -> None:
    """A dropout inside the integration time shows as a reading too high, not as over range."""
    time_s, body, ohm = up_and_down()
    ohm[[90, 120]] += [0.5, 30.0]
    opens = find_opens(sort_rows(bench.trace("Y1", time_s, body, ohm)), NO_JUMPS)
    assert (opens.kind, opens.count) == (OpenKind.DROPOUTS, 2)


def test_open_while_cold(bench: Bench) -> None:
    """A lasting open without heat is not blamed on heat."""
    time_s, _, _ = up_and_down()
    assert seen(bench, (time_s > 30.0) & (time_s < 150.0)).kind is OpenKind.COLD


def test_winding_opens_while_its_body_is_still_cold(bench: Bench) -> None:
    """A coil that heats itself and opens is opened by its winding's heat, however cold the probe."""
    whole = bench.self_heated()
    hot = (whole.time_s > 170.0) & (whole.time_s < 300.0)
    assert (whole.probe_degC[hot][:20] < 22.0 + 10.0).all()
    trace = replace(
        whole,
        resistance_ohm=np.where(hot, np.nan, whole.resistance_ohm),
        status=np.where(hot, "open or over range", "ok"),
    )
    opens = find_opens(sort_rows(trace), NO_JUMPS)
    assert opens.kind is OpenKind.HOT
    assert opens.before_ohm == pytest.approx(whole.resistance_ohm[170])


def test_nothing_seen_in_a_sound_coil(bench: Bench) -> None:
    """Heating and cooling alone are no event."""
    opens = seen(bench, np.zeros(240, dtype=np.bool_))
    assert replace(opens, watch=None) == Opens()


def test_bracket_holds_the_temperature_where_the_probe_was_not_read(bench: Bench) -> None:
    """Without a probe reading at the open row, the next one bounds the bracket, not the last."""
    time_s, body, ohm = up_and_down()
    rising = time_s < 1800.0
    ohm = np.where(np.where(rising, body > 72.0, body > 64.0), np.inf, ohm)
    probe = np.where(np.arange(body.size) % 10 == 0, body, np.nan)
    opens = find_opens(sort_rows(bench.trace("Y1", time_s, probe, ohm)), NO_JUMPS)
    assert opens.opened_degC is not None
    assert opens.closed_degC is not None
    assert opens.opened_degC[0] <= 72.0 < opens.opened_degC[1]
    assert opens.closed_degC[1] <= 64.0 < opens.closed_degC[0]


@pytest.mark.parametrize("order", [[0, 1, 2, 3, 4, 5, 6, 7], [7, 2, 5, 0, 3, 6, 1, 4]])
def test_bracket_without_times_claims_no_order(bench: Bench, order: list[int]) -> None:
    """Untimed points of a coil that opens at 85 and closes at 60 degC: all that holds is 75 to 90 degC.

    The open readings at 80 and 70 degC were taken on the way down, which nobody told.
    """
    probe = np.array([22.0, 50.0, 75.0, 90.0, 90.2, 80.0, 70.0, 22.1])[order]
    ohm = np.array([3.32, 3.69, 4.01, np.inf, np.inf, np.inf, np.inf, 3.32])[order]
    opens = find_opens(sort_rows(bench.points("Y1", probe.tolist(), ohm.tolist())), NO_JUMPS)
    assert opens.kind is OpenKind.HOT
    assert (opens.opened_degC, opens.closed_degC, opens.ordered) == ((75.0, 90.2), None, False)


def test_point_without_a_temperature_takes_no_other(bench: Bench) -> None:
    """An untimed open row without a probe reading is an interruption, but at no temperature."""
    opens = find_opens(
        sort_rows(bench.points("Y1", [22.0, 90.0, np.nan, np.nan], [3.3, 4.2, np.inf, np.inf])), NO_JUMPS
    )
    assert (opens.kind, opens.count, opens.warm_count) == (OpenKind.DROPOUTS, 1, 0)


def typed(bench: Bench, steps_degC: list[float], ohm: list[float]) -> Opens:
    """What is found in readings typed in, a step every twenty minutes."""
    time_s = 1200.0 * np.arange(len(ohm))
    trace = bench.trace("Y1", time_s, np.array(steps_degC), np.array(ohm))
    return find_opens(sort_rows(replace(trace, source=np.full(len(ohm), "typed"))), NO_JUMPS)


def test_typed_open_at_the_hottest_step(bench: Bench) -> None:
    """One reading that a person waited for, open where it was hottest, is told as such with its bracket."""
    opens = typed(bench, [22.0, 50.0, 70.0, 90.0, 22.5], [3.33, 3.69, 3.95, np.inf, 3.33])
    assert (opens.kind, opens.opened_degC, opens.closed_degC) == (
        OpenKind.ONCE_HOT,
        (70.0, 90.0),
        (90.0, 22.5),
    )


def test_two_typed_opens_while_hot_convict(bench: Bench) -> None:
    """Two such readings in a row are an open that lasts, at one step or at two."""
    for steps in ([22.0, 50.0, 90.0, 90.0, 22.5], [22.0, 50.0, 70.0, 90.0, 22.5]):
        opens = typed(bench, steps, [3.33, 3.69, np.inf, np.inf, 3.33])
        assert (opens.kind, opens.opened_degC) == (OpenKind.HOT, (50.0, steps[2]))


def test_typed_open_that_is_not_at_the_hottest_step_is_a_contact(bench: Bench) -> None:
    """Open once at a step where it also read well, or below one where it did, or cold: heat is not blamed."""
    assert typed(bench, [22.0, 90.0, 90.3, 22.5], [3.33, 4.2, np.inf, 3.33]).kind is OpenKind.DROPOUTS
    assert typed(bench, [22.0, 70.0, 90.0, 22.5], [3.33, np.inf, 4.2, 3.33]).kind is OpenKind.DROPOUTS
    assert typed(bench, [22.0, 70.0, 90.0, 22.5], [np.inf, 3.95, 4.2, 3.33]).kind is OpenKind.DROPOUTS


def test_a_short_look_at_the_hottest_is_no_open_by_heat(bench: Bench) -> None:
    """One open reading of a logger at the very top, with readings beside it, is a dropout."""
    opened = np.zeros(240, dtype=np.bool_)
    opened[120] = True
    assert seen(bench, opened).kind is OpenKind.DROPOUTS


def drifting(bench: Bench, grown_rel: float, *, phased: bool = True) -> Trace:
    """A soak after which the copper has grown."""
    return bench.soak(grown_rel=grown_rel, phased=phased)


@pytest.mark.parametrize("phased", [True, False])
@pytest.mark.parametrize("grown_rel", [0.0, 0.02, -0.01])
def test_cold_drift(bench: Bench, grown_rel: float, phased: bool) -> None:
    """The change from cold before to cold after is found within twice its uncertainty, phases or not."""
    rows = sort_rows(drifting(bench, grown_rel, phased=phased))
    drift = cold_drift(rows, Accuracy())
    assert drift is not None
    assert drift.change_rel == pytest.approx(grown_rel, abs=2.0 * drift.u_rel)
    assert drift.u_rel < 0.001
    assert before_heat(rows)[:6].all()
    assert not before_heat(rows)[6:].any()


def test_drift_while_hot(bench: Bench) -> None:
    """A climb during the hottest hold is found as the change over the hold."""
    trace = bench.soak(readings=40)
    hot = trace.probe_degC > 80.0
    start_s = trace.time_s[hot][0]
    climb = np.where(hot, 0.01 * (trace.time_s - start_s) / np.ptp(trace.time_s[hot]), 0.0)
    drift = hot_drift(
        sort_rows(replace(trace, resistance_ohm=trace.resistance_ohm * (1.0 + climb))), Accuracy()
    )
    assert drift is not None
    assert drift.change_rel == pytest.approx(0.01, abs=2.0 * drift.u_rel)


def test_drift_by_few_scattered_readings_has_few_degrees_of_freedom(bench: Bench) -> None:
    """Readings that scatter beyond what is stated set the uncertainty, and so few of them widen k."""
    trace = bench.soak()
    quiet = cold_drift(sort_rows(trace), Accuracy(noise_ohm=0.01))
    noise = np.random.default_rng(3).normal(0.0, 0.03, trace.resistance_ohm.size)
    noisy = cold_drift(sort_rows(replace(trace, resistance_ohm=trace.resistance_ohm + noise)), Accuracy())
    assert quiet is not None
    assert noisy is not None
    assert quiet.dof is None
    assert noisy.dof is not None
    assert 1.0 <= noisy.dof < 10.0


def test_cold_at_another_temperature_is_less_sure(bench: Bench) -> None:
    """Cold again 5 K above cold before, the wire's own alpha20 and the probe's gain do not cancel."""
    here, there = bench.soak(), bench.soak()
    warm = there.time_s > 3.9 * 3600.0
    there = replace(
        there,
        probe_degC=there.probe_degC + np.where(warm, 5.0, 0.0),
        resistance_ohm=there.resistance_ohm + np.where(warm, 3.3 * 5.0 / 254.4529, 0.0),
    )
    near, far = (cold_drift(sort_rows(trace), Accuracy()) for trace in (here, there))
    assert near is not None
    assert far is not None
    # 5 K times u(alpha20) of 0.00004/sqrt(3), and 5 K times 0.2 % of alpha20.
    more = 5.0**2 * ((0.00004**2) / 3.0 + (0.002 / 254.4529) ** 2)
    assert far.u_rel**2 - near.u_rel**2 == pytest.approx(more, rel=0.5)
    assert far.change_rel == pytest.approx(0.0, abs=2.0 * far.u_rel)


def test_no_drift_without_both_cold_readings(bench: Bench) -> None:
    """Points without order or time tell no drift."""
    rows = sort_rows(bench.points("Y1", [22.0, 90.0, 22.0], [3.33, 4.2, 3.33]))
    assert cold_drift(rows, Accuracy()) is None
    assert hot_drift(rows, Accuracy()) is None


def test_stories(bench: Bench) -> None:
    """What kind of experiment a bare table is, is found from its times, currents and temperatures."""
    assert sort_rows(bench.soak(phased=False)).story is Story.STEPS
    assert sort_rows(bench.self_heated()).story is Story.SELF_HEATED
    assert sort_rows(bench.trace("Y1", *up_and_down())).story is Story.COOLING
    assert sort_rows(bench.points("Y1", [22.0, 90.0], [3.3, 4.2])).story is Story.STEPS
    assert sort_rows(bench.points("Y1", [], [])).story is Story.NOTHING


def test_few_patient_readings_are_settled_points(bench: Bench) -> None:
    """Readings ten minutes apart that go up and down were waited for; those that only fall were not."""
    every = 600.0 * np.arange(5.0)
    steps = np.array([22.0, 50.0, 70.0, 90.0, 22.0])
    ohm = 3.3 * (1.0 + (steps - 20.0) / 254.4529)
    assert sort_rows(bench.trace("Y1", every, steps, ohm)).settled.all()
    falling = np.sort(steps)[::-1]
    assert sort_rows(bench.trace("Y1", every, falling, np.sort(ohm)[::-1])).story is Story.COOLING


def test_peak_after_switch_off_is_not_settled(bench: Bench) -> None:
    """At its peak just after switch-off the body stands still while the winding is far above it: no point."""
    rows = sort_rows(bench.self_heated())
    assert rows.settled[:100].all()
    assert not rows.settled[600:900].any()
