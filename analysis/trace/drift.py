"""Has a coil changed: cold before against cold after heat, and during the hottest hold.

During a hold a coil can creep (a joint that works loose, insulation that gives way slowly) or step (a
turn that shorts, a contact that lets go). A step is told from a creep by which of the two leaves less
over: the straight line, or two means.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, inf, log, sqrt

import numpy as np

from analysis.arrays import BoolArray, FloatArray, IndexArray
from analysis.model import Accuracy
from analysis.physics.copper import ALPHA20_PER_K, ALPHA20_U_PER_K, to_20degC
from analysis.statistics.budget import effective_dof
from analysis.statistics.changepoint import Step, best_split
from analysis.statistics.outliers import MAD_TO_SIGMA, running_median
from analysis.trace.ramp import RampFit
from analysis.trace.rows import SHORT_OHM, Rows, Story, spans

#: How well winding and probe agree at rest, before against after (standard uncertainty, common practice):
#: where nobody saw whether the probe stood still, and where it did.
_REST_K, _CALM_K = 0.15, 0.07
#: It is seen by so many readings over this long before the last; a winding trails by up to a minute.
_CALM_ROWS, _CALM_S, _LAG_S = 8, 300.0, 60.0
#: By how much they agree less or more from the beginning of a hold to its end (the same).
_HOLD_K = 0.1
#: A cold reading further off the middle one is a contact that jumped.
_JUMP_SIGMAS = 6.0
#: After heat a coil counts as cold again within this of where it began.
_COLD_BELOW_K = 10.0
_COLD_K = 6.0
#: A hold shorter than this, or of fewer readings, tells no trend.
_HOLD_S, _HOLD_ROWS = 60.0, 6
#: A step needs so many readings on either side, and to be less likely than this without one. Noise of a real
#: oven is not quite independent, so the usual 5 % would see steps everywhere.
_STEP_ROWS, _STEP_CHANCE = 3, 1e-4
#: A reading further than this off its neighbours is a dropout or a digit gone wrong, not a change.
_SPIKE_REL, _NEIGHBOURS = 0.02, 9

#: So many coils that changed by the same within this share of it, or within this, did so by the meter.
_LEAST_ALIKE, _ALIKE_SHARE, _ALIKE_REL = 3, 0.05, 0.001


@dataclass(frozen=True)
class Stepped:
    """A step during a hold.

    *change_ohm* is its height at the temperature of the hold, *u_ohm* its uncertainty, *at_s* the time
    of the first reading after it; the instant lies between *from_s* and *to_s* with 95 %.
    """

    change_ohm: float
    u_ohm: float
    at_s: float
    from_s: float
    to_s: float


@dataclass(frozen=True)
class Drift:
    """A relative change of resistance at 20 degC, upward positive, and its standard uncertainty.

    *stepped* says where it happened at once, if it did. *dof* are the effective degrees of freedom
    behind *u_rel*, None for endless.
    """

    change_rel: float
    u_rel: float
    stepped: Stepped | None = None
    dof: float | None = None


def common_change(changes_rel: Sequence[float | None]) -> float | None:
    """By what share all coils of a set changed alike, None where they did not, or not all are known.

    Coils that age, open up or short do so each by itself; a meter, a lead that all share or whoever writes
    the temperatures down does it to all of them.
    """
    known = [each for each in changes_rel if each is not None]
    if len(known) < _LEAST_ALIKE or len(known) < len(changes_rel):
        return None
    middle = float(np.median(known))
    alike = max(known) - min(known) <= max(_ALIKE_SHARE * abs(middle), _ALIKE_REL)
    return middle if alike and min(abs(each) for each in known) > _ALIKE_REL else None


def before_heat(rows: Rows) -> BoolArray:
    """Settled rows, shape (n,), taken cold before the coil was heated."""
    return _cold_parts(rows)[0]


def cold_drift(rows: Rows, accuracy: Accuracy) -> Drift | None:
    """Cold after heat against cold before, referred to 20 degC by the copper law; None without both."""
    before, after = _cold_parts(rows)
    if not before.any() or not after.any():
        return None
    first, u_first, dof_first = _at_20(rows, before, accuracy)
    second, u_second, dof_second = _at_20(rows, after, accuracy)
    if first < SHORT_OHM:
        return None
    # What the two have in common cancels, but for what it makes of the difference of their temperatures.
    probe = rows.trace.probe_degC
    apart_K = float(np.median(probe[after]) - np.median(probe[before]))
    u_apart_rel = abs(apart_K) * hypot(ALPHA20_U_PER_K, ALPHA20_PER_K * accuracy.probe_gain_rel)
    return _drift(
        second / first - 1.0,
        [
            (u_first / first, dof_first),
            (u_second / first, dof_second),
            (ALPHA20_PER_K * (rest_u_K(rows, after) if rows.timed else _REST_K), None),
            (u_apart_rel, None),
        ],
    )


def ramp_drift(fit: RampFit) -> Drift | None:
    """What a fit on the move tells of a change while the coil was hot; None where it tells nothing."""
    change_rel, u_rel = fit.changed
    return Drift(change_rel, hypot(u_rel, ALPHA20_PER_K * _CALM_K)) if fit.follows and u_rel < inf else None


def _drift(
    change_rel: float, parts: list[tuple[float, float | None]], stepped: Stepped | None = None
) -> Drift:
    """Put independent parts of the uncertainty together, each with its degrees of freedom."""
    return Drift(change_rel, hypot(*(u for u, _ in parts)), stepped, effective_dof(parts))


def rest_u_K(rows: Rows, after: BoolArray) -> float:
    """How far winding and probe may differ, before against after heat: by how fast the probe still moved.

    Args:
        rows: The trace, timed.
        after: Rows after heat, shape (n,), at least one.
    """
    last_s = float(rows.time_s[after].max())
    seen = ~rows.driven & np.isfinite(rows.trace.probe_degC)
    seen &= (rows.time_s >= last_s - _CALM_S) & (rows.time_s <= last_s)
    time_s, probe = rows.time_s[seen], rows.trace.probe_degC[seen]
    if time_s.size < _CALM_ROWS or np.ptp(time_s) < _CALM_S / 2.0:
        return _REST_K
    t = time_s - time_s.mean()
    rate_K_per_s = float(t @ probe) / float(t @ t)
    left_K = probe - probe.mean() - rate_K_per_s * t
    u_rate = sqrt(float(left_K @ left_K) / (t.size - 2) / float(t @ t))
    # Evenly likely between no lag and the longest: standard uncertainty by the root of three.
    return hypot(_CALM_K, (abs(rate_K_per_s) + u_rate) * _LAG_S / sqrt(3.0))


def hot_drift(rows: Rows, accuracy: Accuracy) -> Drift | None:
    """Change over the hottest hold, by a step or by a trend; None without such a hold."""
    probe = rows.trace.probe_degC
    settled = rows.settled & ~rows.driven
    if not rows.timed or rows.story is not Story.STEPS or not spans(probe[settled]):
        return None
    hold = np.flatnonzero(settled & (probe > probe[settled].max() - 2.0))
    if hold.size < _HOLD_ROWS:
        return None
    at_20 = to_20degC(rows.trace.resistance_ohm[hold], probe[hold])
    middle = float(np.median(at_20))
    if middle < SHORT_OHM:
        return None
    # A median of neighbours follows a step or a creep, and no spike.
    belongs = np.abs(at_20 - running_median(at_20, _NEIGHBOURS)) < _SPIKE_REL * middle
    hold, y = hold[belongs], at_20[belongs] / middle
    if hold.size < _HOLD_ROWS or np.ptp(rows.time_s[hold]) < _HOLD_S:
        return None
    t = rows.time_s[hold] - rows.time_s[hold].mean()
    slope = float(t @ y) / float(t @ t)
    residual = y - y.mean() - slope * t
    squares = float(residual @ residual)
    stated_rel = _noise_ohm(middle, accuracy) / middle
    rest = (ALPHA20_PER_K * _HOLD_K, None)
    step = best_split(y, least=_STEP_ROWS, least_scatter=stated_rel)
    if step is not None and step.chance < _STEP_CHANCE and _better(step, squares, y.size):
        before = max(step.before, SHORT_OHM / middle)
        seen = (step.u / before, y.size - 3.0)
        return _drift(step.size / before, [seen, rest], _stepped(step, rows, hold))
    scatter_rel = sqrt(squares / (t.size - 2))
    noise_rel, dof = max((stated_rel, None), (scatter_rel, t.size - 2.0), key=lambda each: each[0])
    span_s = float(np.ptp(t))
    return _drift(slope * span_s, [(noise_rel * span_s / sqrt(float(t @ t)), dof), rest])


def _better(step: Step, line_squares: float, n: int) -> bool:
    """Whether two means leave less over than a line, which has no place of its own to choose (BIC)."""
    return n * log(max(step.squares, 1e-300)) + log(n) < n * log(max(line_squares, 1e-300))


def _stepped(step: Step, rows: Rows, hold: IndexArray) -> Stepped:
    time_s, ohm = rows.time_s[hold], float(np.median(rows.trace.resistance_ohm[hold]))
    return Stepped(
        change_ohm=step.size * ohm,
        u_ohm=step.u * ohm,
        at_s=float(time_s[step.at]),
        from_s=float(time_s[step.earliest - 1]),
        to_s=float(time_s[step.latest]),
    )


def _cold_parts(rows: Rows) -> tuple[BoolArray, BoolArray]:
    """Settled rows before and after heat, each of shape (n,), by phase or else by time."""
    none = np.zeros_like(rows.settled)
    phase = rows.trace.phase
    if (phase != "").any():
        return rows.settled & (phase == "ambient"), rows.settled & (phase == "return")
    if not rows.timed or not rows.heated or not rows.settled.any() or rows.story is Story.COOLING:
        return none, none
    probe = rows.trace.probe_degC
    # What precedes the top must have been cold, or noise on a cooling curve makes a 'before' of its peak.
    top_s = rows.time_s[int(np.nanargmax(probe))]
    early = rows.settled & (rows.time_s < top_s)
    if not early.any():
        return none, none
    start_degC = float(probe[early].min())
    if start_degC > float(np.nanmax(probe)) - _COLD_BELOW_K:
        return none, none
    cold = rows.settled & (np.abs(probe - start_degC) < _COLD_K)
    return cold & early, cold & (rows.time_s > top_s)


def _at_20(rows: Rows, chosen: BoolArray, accuracy: Accuracy) -> tuple[float, float, float | None]:
    """Mean resistance at 20 degC of the chosen rows, its standard uncertainty by noise, and its dof.

    Contacts that jumped are left out.
    """
    at_20: FloatArray = to_20degC(rows.trace.resistance_ohm[chosen], rows.trace.probe_degC[chosen])
    middle, stated = float(np.median(at_20)), _noise_ohm(float(np.median(at_20)), accuracy)
    scatter = max(stated, MAD_TO_SIGMA * float(np.median(np.abs(at_20 - middle))))
    kept = at_20[np.abs(at_20 - middle) <= _JUMP_SIGMAS * scatter]
    seen = float(kept.std(ddof=1)) if kept.size > 1 else 0.0
    dof = None if seen <= stated else kept.size - 1.0
    # A digit that does not flicker is off alike in all readings.
    digit = float(rows.digit_ohm[chosen].mean())
    return float(kept.mean()), hypot(max(seen, stated) / sqrt(kept.size), digit / sqrt(12.0)), dof


def _noise_ohm(r20_ohm: float, accuracy: Accuracy) -> float:
    return sqrt(accuracy.noise_ohm**2 + (ALPHA20_PER_K * r20_ohm * accuracy.probe_noise_K) ** 2)
