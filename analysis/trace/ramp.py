"""Resistance against temperature while both move: the winding's lag behind its probe is fitted with the line.

In an oven nothing but the air heats. Winding and probe then follow the same body, each in its own time, and
agree once all stands still. What the winding does beside its probe is a sum of first-order lags of the probe,
whatever the build, so a row says::

    R = R20 + slope (T - 20) + sum over k of c_k (T lagged by tau_k - T)

One time constant or two, by Schwarz's criterion. Rows up and down are fitted together, and lag opens a loop
between them. So does a coil that changed while it was hot; that it may have done so, at once or by and by,
is in the fit as well, or a change of 0.2 % would be taken for lag and make 50 mohm of joint. A winding that
opens at one temperature and closes at another has no resistance in between that could be taken for either.

Noise of the probe goes through the lags and comes out alike from row to row. So the covariance is not had
from the scatter about the fit, but by carrying the noise of both readings through it (JCGM 100, 5.1.2).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, sqrt

import numpy as np
from scipy.linalg import solve_banded

from analysis.arrays import BoolArray, FloatArray, IndexArray
from analysis.physics.copper import REFERENCE_DEGC, resistance_factor, to_20degC
from analysis.statistics.exponentials import SumOfExponentials, fit_rates
from analysis.statistics.outliers import MAD_TO_SIGMA, running_median
from analysis.trace.rows import RELAXED_S, SHORT_OHM, Rows, seconds_since, spans

#: Rows that are gone by: from rest, and in one unbroken run of the clock.
_PHASES = ("ambient", "ramp", "hold")
_LEAST_ROWS = 30
#: Rows on the move that are nearer to each other than this are passed over. A short lag would be told by the
#: noise of single probe readings, which no covariance knows of: read every 4 s, 95 % intervals held 87 %.
_APART_S = 12.0
#: A coil may change by and by above these shares of the way up (and at once at the top); a way down that does
#: not come below the middle tells nothing of that.
_CHANGES_ABOVE, _BACK = (0.6, 0.9), 0.5
#: Columns of a fit that are nearer to each other than this are one.
_SEEN = 1e-3
#: A time constant longer than this share of the rows' span cannot be told from a coil that drifts.
_SLOWEST = 0.3
#: One shorter than this share of the time between rows would be told by their noise alone.
_FASTEST = 0.5
#: A row further off than this is a contact that jumped.
_JUMP_REL, _JUMP_SIGMAS, _NEIGHBOURS, _ROUNDS = 0.01, 6.0, 9, 4
#: A change of so many standard uncertainties is one, and blurs the slope: when it came is not known well.
_MOST_CHANGE_U = 4.0
#: Variance about the fit over that of the readings: beyond this the coil follows no such law.
_MOST_MISFIT = 9.0


@dataclass(frozen=True)
class RampFit:
    """Resistance against temperature of a coil on the move.

    Attributes:
        r20_ohm: Resistance at 20 degC.
        slope: Ohms a kelvin.
        covariance: Of R20 and slope, shape (2, 2), by the noise of probe and ohmmeter as the rows show it,
            widened where more is left over.
        changed: Relative change while it was hot and its standard uncertainty; 0, inf where nothing tells.
        lag_s: By how long the winding trails its probe while both move steadily.
        misfit: Variance about the fit over that of the readings' noise.
        above: Rows of the trace that are too high for the fit, shape (n,).
    """

    r20_ohm: float
    slope: float
    covariance: FloatArray
    changed: tuple[float, float]
    lag_s: float
    misfit: float
    above: BoolArray

    @property
    def follows(self) -> bool:
        """Whether the coil follows such a law."""
        return self.slope > 0.0 and self.misfit <= _MOST_MISFIT

    @property
    def credible(self) -> bool:
        """Whether it does, and stayed the coil that it was."""
        change_rel, u_rel = self.changed
        return self.follows and abs(change_rel) <= _MOST_CHANGE_U * u_rel


def fit_ramp(rows: Rows) -> RampFit | None:
    """Fit a trace of an oven's ramp; None where its rows tell no slope and lag.

    Args:
        rows: The trace, timed, at rest when it begins.
    """
    trace = rows.trace
    seen = np.isfinite(trace.probe_degC) & ~rows.driven & np.isin(trace.phase, _PHASES)
    seen &= (trace.phase == "ambient") | _apart(rows.time_s, seen)
    told = seen & rows.good & (seconds_since(rows.time_s, rows.driven) > RELAXED_S)
    if np.count_nonzero(told) < _LEAST_ROWS or not spans(trace.probe_degC[told]):
        return None
    ohm = trace.resistance_ohm[told]
    if float(np.median(ohm)) < SHORT_OHM:
        return None
    at = np.flatnonzero(told[seen])
    ramp = _Ramp(rows.time_s[seen], trace.probe_degC[seen], at)
    kept = _near(to_20degC(ohm, trace.probe_degC[told]))
    fit, off = None, ohm
    for _ in range(_ROUNDS):
        fit = _best(ramp, at[kept], ohm[kept]) if np.count_nonzero(kept) >= _LEAST_ROWS else None
        if fit is None:
            return None
        off = ohm - ramp.columns(fit.rates_per_s)[0][at] @ fit.linear
        scatter = MAD_TO_SIGMA * float(np.median(np.abs(off[kept])))
        near, before = max(_JUMP_SIGMAS * scatter, _JUMP_REL * float(fit.linear[0])), kept
        kept = np.abs(off) <= near
        if (kept == before).all():
            break
    assert fit is not None
    covariance, misfit = _propagated(ramp, at[kept], ohm[kept], fit)
    above = np.zeros_like(told)
    above[told] = ~kept & (off > 0.0)
    slope = float(fit.linear[1])
    return RampFit(
        r20_ohm=float(fit.linear[0]),
        slope=slope,
        covariance=covariance[:2, :2],
        changed=_changed(fit, covariance),
        lag_s=float(_lags(fit) @ (1.0 / fit.rates_per_s)) / slope,
        misfit=misfit,
        above=above,
    )


def _apart(time_s: FloatArray, seen: BoolArray) -> BoolArray:
    """Which of the *seen* rows are far enough from the one before that counts, shape (n,)."""
    found, last_s = np.zeros_like(seen), -np.inf
    for at in np.flatnonzero(seen):
        if time_s[at] - last_s >= _APART_S:
            found[at], last_s = True, time_s[at]
    return found


class _Ramp:
    """What the probe showed, joined by straight lines and at rest before the first, and what follows from it.

    *at* are the rows that have a resistance.
    """

    def __init__(self, time_s: FloatArray, probe_degC: FloatArray, at: IndexArray) -> None:
        self.time_s, self.probe_degC = time_s, probe_degC
        self._step_s = np.maximum(np.diff(time_s), 1e-3)
        self._line = np.column_stack([np.ones_like(time_s), probe_degC - REFERENCE_DEGC])
        for change in self._changes():
            more = np.column_stack([self._line, change])
            # Of an open coil nothing is read while it is hot: at once and by and by then look the same.
            size = np.linalg.svd(more[at] / np.linalg.norm(more, axis=0), compute_uv=False)
            if size[-1] > _SEEN * size[0]:
                self._line = more

    def _changes(self) -> list[FloatArray]:
        """What a coil that changed by one ohm at 20 degC while it was hot would show, shape (n,) each."""
        up = (self.probe_degC - self.probe_degC[0]) / float(np.ptp(self.probe_degC))
        if up[-1] > _BACK:
            return []
        found = [np.arange(up.size) > int(np.argmax(up))]
        for share in _CHANGES_ABOVE:
            hot_s = np.concatenate(([0.0], np.cumsum(self._step_s * (up[1:] > share))))
            found.append(hot_s / hot_s[-1])
        return [resistance_factor(self.probe_degC) * each for each in found]

    def columns(self, rates_per_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Columns of the fit, shape (n, m), the lags last, and their derivatives by each rate, (p, n, m)."""
        first = self._line.shape[1]
        matrix = np.column_stack([self._line, np.zeros((self.time_s.size, rates_per_s.size))])
        derivatives = np.zeros((rates_per_s.size, *matrix.shape))
        step_s, moved = self._step_s, np.diff(self.probe_degC)
        for k, rate in enumerate(rates_per_s):
            left, share = self._response(rate)
            behind = self._through(left, -share * moved)
            by_share = (left - share) / rate  # of share, by the rate
            matrix[:, first + k] = behind
            derivatives[k, :, first + k] = self._through(
                left, -by_share * moved - left * step_s * behind[:-1]
            )
        return matrix, derivatives

    def back(self, weights: FloatArray, fit: SumOfExponentials) -> FloatArray:
        """What each probe reading weighs in sums of predictions, shape (n, m), given *weights* of those."""
        found: FloatArray = fit.linear[1] * weights
        for rate, part in zip(fit.rates_per_s, _lags(fit), strict=True):
            left, share = self._response(rate)
            band = np.ones((2, self.time_s.size))
            band[0, 1:] = -left
            moved = -share[:, None] * solve_banded((0, 1), band, weights)[1:]
            found[1:] += part * moved
            found[:-1] -= part * moved
        return found

    def _response(self, rate_per_s: float) -> tuple[FloatArray, FloatArray]:
        """What is left of a lag after each step, and what a kelvin over it adds, shape (n - 1,)."""
        left = np.exp(-rate_per_s * self._step_s)
        return left, (1.0 - left) / (rate_per_s * self._step_s)

    def _through(self, left: FloatArray, added: FloatArray) -> FloatArray:
        """Sum up: behind[i + 1] = left[i] behind[i] + added[i], from zero."""
        band = np.ones((2, self.time_s.size))
        band[1, :-1] = -left
        return np.asarray(solve_banded((1, 0), band, np.concatenate(([0.0], added))))


def _lags(fit: SumOfExponentials) -> FloatArray:
    """Coefficients of the lags, shape (p,)."""
    return fit.linear[-fit.rates_per_s.size :]


def _best(ramp: _Ramp, at: IndexArray, ohm: FloatArray) -> SumOfExponentials | None:
    """Fit one lag and two to rows *at*, and take the better of those that the span can tell."""
    time_s = ramp.time_s[at] - ramp.time_s[at[0]]

    def columns(_: FloatArray, rates_per_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        matrix, derivatives = ramp.columns(rates_per_s)
        return matrix[at], derivatives[:, at]

    one = fit_rates(time_s, ohm, columns=columns)
    two = fit_rates(time_s, ohm, columns=columns, fewer=one) if one is not None else None
    slowest = 1.0 / (_SLOWEST * float(time_s[-1]))
    fastest = 1.0 / (_FASTEST * float(np.median(np.diff(ramp.time_s))))
    fits = [fit for fit in (one, two) if fit is not None and _within(fit.rates_per_s, slowest, fastest)]
    return min(fits, key=lambda fit: fit.bic(0.0), default=None)


def _within(rates_per_s: FloatArray, slowest: float, fastest: float) -> bool:
    return float(rates_per_s.min()) >= slowest and float(rates_per_s.max()) <= fastest


def _changed(fit: SumOfExponentials, covariance: FloatArray) -> tuple[float, float]:
    parts, of = fit.linear[2 : covariance.shape[0]], covariance[2:, 2:]
    if not parts.size:
        return 0.0, inf
    return float(parts.sum() / fit.linear[0]), sqrt(float(of.sum())) / float(fit.linear[0])


def _propagated(
    ramp: _Ramp, at: IndexArray, ohm: FloatArray, fit: SumOfExponentials
) -> tuple[FloatArray, float]:
    """Covariance of all but the lags by the noise of both readings, and the misfit that it is widened by."""
    matrix, derivatives = ramp.columns(fit.rates_per_s)
    whole = np.column_stack([matrix[at], *(derivatives[:, at] @ fit.linear)])
    scale = np.linalg.norm(whole, axis=0)
    to_line = (np.linalg.pinv(whole / scale) / scale[:, None])[: fit.linear.size - fit.rates_per_s.size]
    weights = np.zeros((ramp.time_s.size, to_line.shape[0]))
    weights[at] = to_line.T
    by_probe = ramp.back(weights, fit)
    noise_ohm, noise_K = _noise(ohm), _noise(ramp.probe_degC)
    covariance = noise_ohm**2 * to_line @ to_line.T + noise_K**2 * by_probe.T @ by_probe
    # One row in the middle stands for all: what the noise of the probe readings before it does to it.
    one = np.zeros((ramp.time_s.size, 1))
    one[at[at.size // 2]] = 1.0
    expected = noise_ohm**2 + noise_K**2 * float(np.sum(ramp.back(one, fit) ** 2))
    misfit = fit.squares / fit.dof / expected
    return covariance * max(misfit, 1.0), misfit


def _noise(values: FloatArray) -> float:
    """Standard deviation of single readings of something smooth, by third differences (of 20 variances)."""
    return MAD_TO_SIGMA * float(np.median(np.abs(np.diff(values, 3)))) / sqrt(20.0)


def _near(at_20: FloatArray) -> BoolArray:
    """Which resistances at 20 degC are near those of their neighbours, shape (n,)."""
    off = np.abs(at_20 - running_median(at_20, _NEIGHBOURS))
    return np.asarray(off <= _JUMP_REL * float(np.median(at_20)))
