"""Sums of exponentials against certified fits, from a starting guess of their own."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from analysis.arrays import FloatArray
from analysis.statistics.exponentials import Columns, SumOfExponentials, fit_rates, offset_and_falls

Table = Callable[[str], dict[str, FloatArray]]


def rises(time_s: FloatArray, rates: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Columns of sum of b (1 - exp(-rate t))."""
    matrix, derivatives = falls(time_s, rates)
    return 1.0 - matrix, -derivatives


def falls(time_s: FloatArray, rates: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Columns of sum of b exp(-rate t), without an offset."""
    matrix, derivatives = offset_and_falls(time_s, rates)
    return matrix[:, 1:], derivatives[:, :, 1:]


def grown(t: FloatArray, y: FloatArray, terms: int, columns: Columns = offset_and_falls) -> SumOfExponentials:
    """A fit of several terms, grown one by one."""
    fit = None
    for _ in range(terms):
        fit = fit_rates(t, y, columns=columns, fewer=fit)
        assert fit is not None
    assert fit is not None
    return fit


def deviations(fit: SumOfExponentials | None) -> FloatArray:
    """Standard deviations of coefficients and rates, shape (m + p,)."""
    assert fit is not None
    return np.sqrt(np.diag(fit.covariance))


@pytest.mark.parametrize(
    ("name", "b", "s", "squares"),
    [
        (
            "misra1a",
            (2.3894212918e02, 5.5015643181e-04),
            (2.7070075241e00, 7.2668688436e-06),
            1.2455138894e-01,
        ),
        (
            "boxbod",
            (2.1380940889e02, 5.4723748542e-01),
            (1.2354515176e01, 1.0455993237e-01),
            1.1680088766e03,
        ),
    ],
)
def test_rise_from_nothing(
    table: Table, name: str, b: tuple[float, float], s: tuple[float, float], squares: float
) -> None:
    """NIST StRD Misra1a and BoxBOD: certified parameters, deviations and sum of squares."""
    data = table(name)
    fit = fit_rates(data["x"], data["y"], columns=rises)
    assert fit is not None
    assert [*fit.linear, *fit.rates_per_s] == pytest.approx(b, rel=1e-6)
    assert deviations(fit) == pytest.approx(s, rel=1e-6)
    assert fit.squares == pytest.approx(squares, rel=1e-9)
    assert fit.dof == data["x"].size - 2


def test_two_falls_and_an_offset(table: Table) -> None:
    """NIST StRD MGH17: certified parameters, deviations and sum of squares."""
    data = table("mgh17")
    fit = grown(data["x"], data["y"], 2)
    assert fit.linear == pytest.approx([0.37541005211, -1.4646871366, 1.9358469127], rel=1e-6)
    assert fit.rates_per_s == pytest.approx([0.022122699662, 0.012867534640], rel=1e-6)
    s = [0.0020723153551, 0.22175707739, 0.22031669222, 8.9471996575e-04, 4.4861358114e-04]
    assert deviations(fit) == pytest.approx(s, rel=1e-6)
    assert fit.squares == pytest.approx(5.4648946975e-05, rel=1e-9)
    assert (fit.squares / fit.dof) ** 0.5 == pytest.approx(1.3970497866e-03, rel=1e-9)


def test_three_falls(table: Table) -> None:
    """NIST StRD Lanczos3: certified parameters and sum of squares of three exponentials much alike."""
    data = table("lanczos3")
    fit = grown(data["x"], data["y"], 3, falls)
    assert fit.linear == pytest.approx([1.5825685901, 0.84400777463, 0.086816414977], rel=1e-4)
    assert fit.rates_per_s == pytest.approx([4.9863565084, 2.9515951832, 0.95498101505], rel=1e-4)
    assert fit.squares == pytest.approx(1.6117193594e-08, rel=1e-8)
    assert (fit.squares / fit.dof) ** 0.5 == pytest.approx(2.9923229172e-05, rel=1e-8)


def test_cooling_water_by_one_exponential(table: Table) -> None:
    """Measured cooling in a cup: one exponential of 47.70(74) min leaves 1.477 K; two leave 0.166 K.

    Figures computed from the data of mosaicData's CoolingWater.
    """
    data = table("cooling_water")
    one, two = (grown(data["time_min"], data["temperature_degC"], terms) for terms in (1, 2))
    tau = 1.0 / one.rates_per_s[0]
    assert tau == pytest.approx(47.70, abs=0.005)
    assert deviations(one)[2] * tau**2 == pytest.approx(0.74, abs=0.005)
    assert (one.squares / 222) ** 0.5 == pytest.approx(1.477, abs=6e-4)
    assert (two.squares / 222) ** 0.5 == pytest.approx(0.166, abs=5e-4)
    assert two.bic(0.0) < one.bic(0.0) - 100.0


def test_capacitor_with_and_without_offset(table: Table) -> None:
    """Measured discharge: 0.43777(72) s with an offset of 0.28861 V, 0.47238 s without one.

    Figures computed from the data of Stat2Data's Volts.
    """
    data = table("rc_discharge")
    with_offset = fit_rates(data["time_s"], data["voltage_V"])
    without = fit_rates(data["time_s"], data["voltage_V"], columns=falls)
    assert with_offset is not None
    assert without is not None
    tau_s = 1.0 / with_offset.rates_per_s[0]
    assert tau_s == pytest.approx(0.43777, abs=5e-6)
    assert with_offset.linear[0] == pytest.approx(0.28861, abs=5e-6)
    assert deviations(with_offset)[2] * tau_s**2 == pytest.approx(0.00072, abs=6e-6)
    assert (with_offset.squares / 50) ** 0.5 == pytest.approx(0.00668, abs=5e-6)
    assert 1.0 / without.rates_per_s[0] == pytest.approx(0.47238, abs=5e-6)
    rest = data["voltage_V"] - falls(data["time_s"], without.rates_per_s)[0] @ without.linear
    assert np.std(rest) == pytest.approx(0.0460, abs=5e-5)


def test_three_equal_steps_back_to_switching_off() -> None:
    """Readings at 30, 60 and 90 s after switching off give 12.5 ohm at 0 s, 10 ohm in the end, 300 s between.

    IEC 60034-1 has a winding's resistance extrapolated to the instant of switching off; synthetic values,
    computed from the definition, and the closed form for three equal steps beside the fit.
    """
    t = np.array([30.0, 60.0, 90.0])
    r1, r2, r3 = 10.0 + 2.5 * np.exp(-t / 300.0)
    assert (r1, r2, r3) == pytest.approx((12.26209355, 12.04682688, 11.85204555), abs=5e-9)
    ratio = (r3 - r2) / (r2 - r1)
    final = r1 - (r2 - r1) ** 2 / (r3 - 2.0 * r2 + r1)
    closed = (final, -30.0 / np.log(ratio), final + (r1 - final) / ratio)
    assert closed == pytest.approx((10.0, 300.0, 12.5), abs=1e-9)
    fit = fit_rates(t, np.array([r1, r2, r3]))
    assert fit is not None
    assert (fit.linear[0], 1.0 / fit.rates_per_s[0], fit.linear.sum()) == pytest.approx(closed, rel=1e-9)
    # Taken as it was read after 30 s instead, the winding seems 6.2 K cooler: (k + 25)/10 ohm, k = 235.
    assert (12.5 - r1) * (235.0 + 25.0) / 10.0 == pytest.approx(6.186, abs=5e-4)
    assert np.isnan(fit.covariance).all()
    assert fit.dof == 0


@pytest.mark.slow
def test_deviations_are_those_seen() -> None:
    """Over 200 noisy repetitions offset and rate scatter as their standard deviations say, within a fifth."""
    rng = np.random.default_rng(11)
    t = np.linspace(0.0, 600.0, 40)
    y = 4.2 + 0.8 * np.exp(-t / 180.0)
    fits = [fit_rates(t, y + rng.normal(0.0, 0.002, t.size)) for _ in range(200)]
    seen = np.std([[fit.linear[0], fit.rates_per_s[0]] for fit in fits if fit is not None], axis=0)
    said = np.median([deviations(fit)[[0, 2]] for fit in fits], axis=0)
    assert seen == pytest.approx(said, rel=0.2)


def test_no_fit_with_more_parameters_than_readings() -> None:
    """Four readings tell no two exponentials with an offset."""
    t = np.arange(4.0)
    one = fit_rates(t, np.exp(-t))
    assert one is not None
    assert fit_rates(t, np.exp(-t), fewer=one) is None
