"""A coil before and after: what is temperature, what is change, and how sure that is."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest
import uncertainties

from analysis.arrays import FloatArray
from analysis.history.change import (
    LASTING,
    Change,
    Shared,
    beyond,
    compare_results,
    difference,
    moved_alike,
    paired,
)
from analysis.judge.set import judge_set
from analysis.model import OK, CoilResult, Subject, Trace
from analysis.statistics.budget import Source, budget
from tests.analysis.kits.history import ACCURACY, swept

SAME, OTHER = Shared(meter=True, probe=True), Shared(meter=False, probe=False)


def change(before: CoilResult, after: CoilResult, shared: Shared = SAME) -> Change:
    """Compare two results as runs 1 and 2."""
    return compare_results(0, before, 1, after, shared)


def one(r20_ohm: float, degC: float = 20.0, seed: int = 1, hotter_K: float = 0.0) -> CoilResult:
    """Sweep one coil."""
    return swept({"Y1": r20_ohm}, degC, seed=seed, hotter_K=hotter_K).coils[0]


def typed(degC: float, ohm: dict[str, float]) -> tuple[CoilResult, ...]:
    """Judge coils read once each, at a temperature read once for all, by a meter that shows 0.01 ohm."""
    once, nothing, fine = np.array([0.0]), np.array([np.nan]), np.array([OK])
    traces = [
        Trace(coil, once, np.array([degC]), np.array([value]), nothing, nothing, np.array(["sweep"]),
              np.array(["typed"]), fine)
        for coil, value in ohm.items()
    ]  # fmt: skip
    subjects = [Subject(coil, "switching", "") for coil in ohm]
    return judge_set(traces, subjects, {}, replace(ACCURACY, noise_ohm=0.005)).coils


def test_noise_of_a_probe_that_was_read_once_does_not_average() -> None:
    """Five readings beside one of the probe have all of its noise in common, five of each a part."""
    shared, each = (
        next(part.u for part in coil.budgets[0].components if part.name == "noise of the probe")
        for coil in (read_five(np.full(5, 22.0)), read_five(22.0 + 0.05 * np.arange(5)))
    )
    assert shared == pytest.approx(ACCURACY.probe_noise_K)
    assert each == pytest.approx(ACCURACY.probe_noise_K / sqrt(5.0))


def read_five(probe_degC: FloatArray) -> CoilResult:
    """Judge a coil of five readings beside these of the probe."""
    nothing, five = np.full(5, np.nan), np.arange(5.0)
    ohm = 3.3 * (234.5 + probe_degC) / 254.5
    trace = Trace("Y1", five, probe_degC, ohm, nothing, nothing, np.full(5, "sweep"), np.full(5, "ohms"),
                  np.full(5, OK))  # fmt: skip
    return judge_set([trace], [Subject("Y1", "switching", "")], {}, ACCURACY).coils[0]


def test_paired_differences_of_the_first_textbook_example() -> None:
    """Hours of sleep gained by ten patients under two drugs: mean 1.58, t 4.0621, 95 % from 0.700 to 2.460.

    Data and mean: Student, The probable error of a mean, Biometrika 6 (1908) 1, after Cushny and Peebles. t
    and interval: as statistics programs print them for these data (all from memory).
    """
    first = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    second = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    found = paired([b - a for a, b in zip(first, second, strict=True)])
    assert (found.n, found.dof) == (10, 9.0)
    assert found.mean == pytest.approx(1.58, abs=1e-9)
    assert found.mean / found.u == pytest.approx(4.0621, abs=5e-5)
    half = 2.262157 * found.u  # Student's t of 9 degrees of freedom at 0.975
    assert (found.mean - half, found.mean + half) == pytest.approx((0.7001142, 2.4598858), abs=1e-6)
    assert found.expanded_u == pytest.approx(2.32 * found.u, abs=5e-3 * found.u)  # JCGM 100, table G.2


def test_what_copper_owes_to_temperature_is_no_change() -> None:
    """From 8 to 28 degC copper gains 262.5/242.5, 8.25 % (NBS Handbook 100: R proportional to T + 234.5)."""
    found = change(one(3.3, 8.0), one(3.3, 28.0, seed=2))
    risen = 3.3 * (262.5 - 242.5) / 254.5
    assert found.read_ohm == pytest.approx(risen, abs=2e-3)
    assert found.by_temperature_ohm == pytest.approx(risen, abs=2e-3)
    assert not beyond(found.r20)
    assert not found.significant


def test_a_change_is_found_beside_a_larger_one_by_temperature() -> None:
    """Of what the meter shows more, temperature's part and the coil's own are told apart."""
    found = change(one(3.3, 15.0), one(3.34, 35.0, seed=2))
    assert found.r20 is not None
    assert found.r20.value == pytest.approx(0.04, abs=2e-3)
    assert found.by_temperature_ohm == pytest.approx(3.3 * 20.0 / 254.5, abs=2e-3)
    assert found.significant


def test_a_difference_has_the_covariance_of_what_is_shared() -> None:
    """Against the law of propagation as the package uncertainties has it, sources correlated by 8/9."""
    before = budget(
        "R20", "ohm", 3.3, [Source("gain", "B", "1", 1e-3, 3.3), Source("noise", "A", "ohm", 2e-3, 1)]
    )
    after = budget(
        "R20", "ohm", 3.5, [Source("gain", "B", "1", 2e-3, 3.5), Source("noise", "A", "ohm", 1e-3, 1)]
    )
    u = np.array([1e-3, 2e-3])
    cov = np.diag(u**2) + LASTING * (1.0 - np.eye(2)) * np.outer(u, u)
    gain1, gain2 = uncertainties.correlated_values([0.0, 0.0], cov.tolist())
    noise1, noise2 = uncertainties.ufloat(0.0, 2e-3), uncertainties.ufloat(0.0, 1e-3)
    expected = (3.5 + 3.5 * gain2 + noise2) - (3.3 + 3.3 * gain1 + noise1)
    found = difference(before, after, {"gain": LASTING})
    assert found.value == pytest.approx(expected.nominal_value)
    assert found.u == pytest.approx(expected.std_dev, rel=1e-12)


def test_one_meter_sees_less_than_two() -> None:
    """With the same meter and probe a third of their errors is left of a change, with others all of it."""
    before, after = one(3.3), one(3.3, seed=2)
    near, far = (change(before, after, shared).r20 for shared in (SAME, OTHER))
    assert near is not None
    assert far is not None
    by_name = [{part.name: part.u for part in each.components} for each in (near, far)]
    assert by_name[1]["meter offset"] == pytest.approx(sqrt(2.0) * ACCURACY.offset_ohm)
    assert by_name[0]["meter offset"] == pytest.approx(sqrt(2.0) / 3.0 * ACCURACY.offset_ohm)
    assert by_name[0]["probe offset"] == pytest.approx(by_name[1]["probe offset"] / 3.0, rel=1e-3)
    assert by_name[0]["winding against probe at rest"] == by_name[1]["winding against probe at rest"]


def test_the_wire_is_the_same_in_both_runs() -> None:
    """Doubt about alpha20 counts for the difference of the temperatures alone, with whatever instruments."""
    for shared in (SAME, OTHER):
        apart = change(one(3.3, 10.0), one(3.3, 30.0), shared).r20
        together = change(one(3.3, 30.0), one(3.3, 30.0), shared).r20
        assert apart is not None
        assert together is not None
        (part,) = (each for each in apart.components if each.name == "alpha20 of the wire")
        assert part.u == pytest.approx(3.3 * 20.0 * 0.00004 / sqrt(3.0), rel=1e-2)
        assert sum(each.u for each in together.components if each.name == "alpha20 of the wire") < 1e-6


@pytest.mark.slow
def test_the_interval_of_a_change_holds_what_it_says() -> None:
    """Of 400 pairs with errors as stated, lasting and anew, U holds the truth in 93 to 98 of 100."""
    rng = np.random.default_rng(20260302)
    lasting, anew = sqrt(LASTING), sqrt(1.0 - LASTING)
    held = 0
    for seed in range(400):
        own = rng.normal(size=3)
        results = []
        for place, r20 in enumerate((3.3, 3.32)):
            gain, offset, probe = lasting * own + anew * rng.normal(size=3)
            hotter = ACCURACY.probe_K * probe + rng.normal(0.0, 0.1)
            shown = r20 * (1.0 + ACCURACY.gain_rel * gain) + ACCURACY.offset_ohm * offset
            results.append(one(shown, 22.0, 2 * seed + place, hotter))
        found = change(*results).r20
        assert found is not None
        held += abs(found.value - 0.02) <= found.expanded_u
    assert 0.93 < held / 400 < 0.98


def test_a_set_that_moved_alike_is_told_from_the_coil_that_changed() -> None:
    """Four coils 3 K warmer than their probes moved together; the fifth changed by itself."""
    sound = {"Y1": 3.30, "Y2": 3.31, "Y3": 3.29, "Y4": 3.32, "Y5": 3.28}
    before = swept(sound).coils
    after = swept(sound | {"Y5": 3.45}, seed=2, hotter_K=3.0).coils
    changes = [change(a, b) for a, b in zip(before, after, strict=True)]
    assert all(each.significant for each in changes)
    found = moved_alike(changes)
    assert found is not None
    share, who = found
    assert who == {0, 1, 2, 3}
    assert share.mean == pytest.approx(3.0 / 254.5, rel=0.05)
    assert share.n == 4


def test_shares_that_agree_better_than_a_digit_leave_nobody_out() -> None:
    """Typed at another temperature, six figures are the same and two a digit up: all moved alike."""
    before = {f"Y{n}": 3.30 + 0.01 * n for n in range(8)}
    after = before | {"Y1": 3.32, "Y4": 3.35}
    changes = [change(a, b) for a, b in zip(typed(20.0, before), typed(29.0, after), strict=True)]
    assert all(each.significant for each in changes)
    found = moved_alike(changes)
    assert found is not None
    assert found[1] == set(range(8))
    assert found[0].mean == pytest.approx(254.5 / 263.5 - 1.0, abs=1e-3)


def test_two_coils_cannot_outvote_and_still_sets_do_not_move() -> None:
    """Two changes alike are two changes; a set that stayed is no move, nor is one coil of five."""
    before = swept({"Y1": 3.3, "Y2": 3.3, "Y3": 3.3, "Y4": 3.3, "Y5": 3.3}).coils
    warm = swept({"Y1": 3.4, "Y2": 3.4}, seed=2).coils
    assert moved_alike([change(a, b) for a, b in zip(before[:2], warm, strict=True)]) is None
    still = swept({"Y1": 3.3, "Y2": 3.3, "Y3": 3.3, "Y4": 3.3, "Y5": 3.5}, seed=3).coils
    assert moved_alike([change(a, b) for a, b in zip(before, still, strict=True)]) is None
