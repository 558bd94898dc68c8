"""What readings now and then can have missed: by hand, by chance, and by a simulated meter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.arrays import FloatArray
from analysis.judge.checks.interruptions import watch_notes
from analysis.model import MeterUse, Trace, Watch
from analysis.trace.interruptions import find_opens
from analysis.trace.rows import sort_rows
from analysis.trace.sampling import LENGTHS_S, Windows, certain_s, missed_share, open_time
from tests.analysis.conftest import Bench

#: 10 power line cycles of 50 Hz on the 100 ohm range; 1 cycle in haste.
METER = MeterUse(0.2, 0.02, 100.0)
NO_JUMPS = np.empty(0, dtype=np.bool_)


def every(spacing_s: float, width_s: float, least_s: float, count: int = 200) -> Windows:
    """Readings at even distances."""
    return Windows(
        spacing_s * np.arange(count) - width_s / 2.0, np.full(count, width_s), np.full(count, least_s)
    )


def sound(spacing_s: float, span_s: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Times, body that is cold at the ends and else at 80 degC, and its resistance."""
    time_s = np.arange(0.0, span_s, spacing_s)
    body = np.where((time_s < 100.0) | (time_s > span_s - 100.0), 22.0, 80.0)
    return time_s, body, 3.3 * (1.0 + (body - 20.0) / 254.4529)


def test_share_missed_by_hand() -> None:
    """Readings every 15 s that look for 0.2 s: of 1 s interruptions (0.2 + 1.0 - 2 x 0.01)/15 are seen."""
    seen = every(15.0, 0.2, 0.01)
    assert missed_share([seen], 1.0) == pytest.approx(1.0 - 1.18 / 15.0, abs=1e-12)
    assert missed_share([seen], 0.005) == 1.0  # too short to raise any reading by the jump
    # From the end of one window, less what is needed there, into the next by what is needed there.
    assert certain_s(seen) == pytest.approx(15.0 - 0.2 + 2 * 0.01)


def test_open_time_by_hand() -> None:
    """One reading: up to the windows beside it. A lasting open: at least from its first to its last."""
    seen = every(10.0, 0.2, 0.01, 20)
    least, most = open_time(seen, [(5, 5)], [])
    assert (least, most) == pytest.approx((0.01, 20.0 - 0.2 + 0.02))
    least, most = open_time(seen, [(5, 9)], [(5, 9)])
    assert (least, most) == pytest.approx((40.0 - 0.2 + 0.02, 60.0 - 0.2 + 0.02))
    # Open until the record ends: no more than that is known.
    assert open_time(seen, [(18, 19)], [])[1] == pytest.approx(20.0 + 0.01)


def test_share_missed_by_chance() -> None:
    """Of interruptions thrown at uneven readings the computed share overlaps no window enough."""
    rng = np.random.default_rng(5)
    starts = np.cumsum(rng.uniform(0.3, 4.0, 400))
    widths = rng.choice([0.0, 0.02, 0.2], 400)
    seen = Windows(starts, widths, 0.1 * widths)
    first, last = starts[0] + 0.9 * widths[0], starts[-1] + 0.9 * widths[-1]
    for length_s in (0.001, 0.015, 0.3, 2.0):
        begins = rng.uniform(first, last, 20_000)[:, None]
        overlap = np.minimum(begins + length_s, starts + widths) - np.maximum(begins, starts)
        # Of an instant it is enough to lie within.
        missed = 1.0 - float((overlap >= 0.1 * widths).any(axis=1).mean())
        # Four standard deviations of a share of 20,000.
        assert missed_share([seen], length_s) == pytest.approx(missed, abs=4.0 * 0.5 / np.sqrt(20_000))


@pytest.mark.parametrize("length_s", [0.01, 0.1, 1.0])
def test_share_missed_by_a_simulated_meter(bench: Bench, length_s: float) -> None:
    """A meter that averages over its window, its input clipped while open, misses the share that is told."""
    rng = np.random.default_rng(int(1000 * length_s))
    time_s, body, ohm = sound(2.0, 40_000.0)
    begins = np.arange(150.0, 39_800.0, 20.0) + rng.uniform(0.0, 14.0, 1983)
    at = np.searchsorted(time_s, begins)
    seen_ohm = ohm.copy()
    for near in (-1, 0, 1, 2):
        row = at + near
        from_s, to_s = time_s[row] - 0.1, time_s[row] + 0.1
        overlap = np.minimum(begins + length_s, to_s) - np.maximum(begins, from_s)
        share = np.clip(overlap / 0.2, 0.0, 1.0)
        read = (1.0 - share) * ohm[row] + share * 125.0
        seen_ohm[row] = np.where(share > 0.0, np.where(read > 120.0, np.inf, read), seen_ohm[row])
    opens = find_opens(sort_rows(bench.trace("Y1", time_s, body, seen_ohm)), NO_JUMPS, METER)
    assert opens.watch is not None
    told = {missed.length_s: missed.share for missed in opens.watch.missed}[length_s]
    deviation = np.sqrt(told * (1.0 - told) / begins.size)
    assert 1.0 - opens.count / begins.size == pytest.approx(told, abs=4.0 * deviation)
    assert opens.open_s is not None
    assert opens.open_s[0] <= opens.count * length_s <= opens.open_s[1]


@given(st.lists(st.floats(0.01, 50.0), min_size=2, max_size=30), st.floats(0.0, 0.5), st.floats(0.0, 1.0))
def test_none_is_missed_from_the_certain_length_on(
    gaps_s: list[float], width_s: float, needed: float
) -> None:
    """From the certain length on nothing is missed; longer interruptions are never missed more."""
    starts = np.cumsum(gaps_s)
    seen = Windows(starts, np.full(starts.size, width_s), np.full(starts.size, needed * width_s))
    certain = certain_s(seen)
    assert missed_share([seen], certain * (1.0 + 1e-9)) == pytest.approx(0.0, abs=1e-6)
    shares = [missed_share([seen], part * certain) for part in (0.1, 0.5, 0.9, 2.0)]
    assert shares == sorted(shares, reverse=True)


def test_driven_and_typed_readings_count_as_instants(bench: Bench) -> None:
    """Without a known window, the row spacing alone says what is certain, and no shares are told."""
    time_s, body, ohm = sound(10.0, 2000.0)
    bare = find_opens(sort_rows(bench.trace("Y1", time_s, body, ohm)), NO_JUMPS).watch
    assert bare is not None
    assert (bare.certain_s, bare.window_s, bare.least_s, bare.missed) == (10.0, None, None, ())
    typed = replace(bench.trace("Y1", time_s, body, ohm), source=np.full(time_s.size, "typed"))
    watch = find_opens(sort_rows(typed), NO_JUMPS, METER).watch
    assert watch is not None
    assert watch.certain_s == 10.0
    assert [each.share for each in watch.missed] == pytest.approx(
        [1.0 - each / 10.0 for each in LENGTHS_S], abs=1e-12
    )


def test_cold_readings_watch_nothing(bench: Bench) -> None:
    """A coil that was never warm was not watched for what heat does."""
    trace = bench.trace("Y1", np.arange(10.0), np.full(10, 22.0), np.full(10, 3.3))
    assert find_opens(sort_rows(trace), NO_JUMPS, METER).watch is None


def test_one_sentence_for_all_watched_alike() -> None:
    """Coils watched alike share a sentence with the worst of them; others get their own, by name."""
    watch = Watch(1000.0, 15.0, 15.0, 0.2, 0.001, ())
    slower = replace(watch, certain_s=16.0)
    (note,) = watch_notes({"Y1": slower, "Y2": watch, "Y3": None})
    assert note == "while warm, an interruption was certain to show if it lasted 16 s"
    notes = watch_notes({"Y1": replace(watch, certain_s=150.0, window_s=None, least_s=None), "Y2": watch})
    assert [note[:4] for note in notes] == ["Y2: ", "Y1: "]
    assert "if it lasted 2.5 min; how many shorter ones were missed cannot be told" in notes[1]


def heated(bench: Bench, looked_s: float | None) -> Trace:
    """A coil that heats itself in ten pulses of ten rows, read in ohms between them and while it cools."""
    time_s, source, phase = [0.0], ["ohms"], ["ambient"]
    for pulse in range(10):
        on_s = 20.0 + 13.0 * pulse
        time_s += [on_s, *(on_s + 0.5 + np.arange(10.0)), on_s + 10.0, on_s + 11.5]
        source += ["switching", *["V/I"] * 10, "switching", "ohms"]
        phase += ["heat"] * 13
    time_s += list(200.0 + 15.0 * np.arange(10.0))
    source, phase = [*source, *["ohms"] * 10], [*phase, *["cool"] * 10]
    body = np.where(np.array(phase) == "ambient", 22.0, 80.0)
    ohm = np.where(np.array(source) == "switching", np.nan, 3.3 * (1.0 + (body - 20.0) / 254.4529))
    trace = bench.trace("Y1", np.array(time_s), body, ohm)
    return replace(trace, source=np.array(source), phase=np.array(phase), looked_s=looked_s)


def test_looks_between_rows_under_power_count_and_pauses_do_not(bench: Bench) -> None:
    """Rows a second apart miss what looks every 50 ms do not; what is certain in all is the cooling's."""
    watches = {
        each: find_opens(sort_rows(heated(bench, each)), NO_JUMPS, METER).watch for each in (None, 0.05)
    }
    rows, looks = watches[None], watches[0.05]
    assert rows is not None
    assert looks is not None
    assert (rows.powered_s, looks.powered_s) == pytest.approx((1.0, 0.05))
    # From the last pulse to the first reading of the cooling; windows are those of haste.
    assert rows.certain_s == looks.certain_s
    assert looks.certain_s > 15.0 - 0.02
    share = {each.length_s: each.share for each in looks.missed}
    # Nine seconds of ten pulses are watched each 50 ms, so of 10 ms there a fifth shows.
    watched_s = looks.watched_s
    shown_s = 10 * 9.0 * 0.01 / 0.05
    assert share[0.01] == pytest.approx(1.0 - shown_s / watched_s, abs=0.03)
    assert share[0.1] < {each.length_s: each.share for each in rows.missed}[0.1] - 0.2


def test_a_coil_that_cools_beside_pulses_is_read_in_haste(bench: Bench) -> None:
    """Its rows do not tell which of them took the full time, so none is said to have looked that long."""
    watch = find_opens(sort_rows(heated(bench, None)), NO_JUMPS, METER).watch
    assert watch is not None
    assert watch.window_s == 0.02


def test_a_damaged_record_cannot_ask_for_endless_looks(bench: Bench) -> None:
    """Looks closer than any run has are as if there were none."""
    watch = find_opens(sort_rows(heated(bench, 1e-9)), NO_JUMPS, METER).watch
    assert watch is not None
    assert watch.powered_s == pytest.approx(1.0)
