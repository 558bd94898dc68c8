"""R20, slope and joint of one coil, with everything that makes them uncertain.

Noise is averaged by the fit. Errors common to all readings of a run are added after it, with
their correlation: the meter's gain scales R20 and joint, its offset shifts both, the probe's offset
shifts both through the slope, the probe's gain and alpha20 turn the slope and so move the joint.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import hypot, sqrt

import numpy as np

from analysis.arrays import BoolArray, FloatArray, IndexArray, TextArray
from analysis.model import OWN_HEAT, Accuracy
from analysis.physics.copper import (
    ALPHA20_PER_K,
    ALPHA20_U_PER_K,
    REFERENCE_DEGC,
    resistance_factor,
    to_20degC,
)
from analysis.rounding import with_uncertainty
from analysis.statistics.budget import Budget, Source, coverage_factor, effective_dof
from analysis.statistics.line import Line, line_errors_in_both, theil_sen
from analysis.statistics.outliers import MAD_TO_SIGMA
from analysis.thermal.prepare import Lack
from analysis.trace.bend import Bend, Points, find_bend, visits
from analysis.trace.contributions import REST_K, Scatter, Shift, common_shifts, line_budgets, single_budget
from analysis.trace.drift import Drift, ramp_drift
from analysis.trace.leaps import bend_of_leaps, find_leaps
from analysis.trace.ramp import RampFit, fit_ramp
from analysis.trace.rows import SHORT_OHM, Rows, Story, spans
from analysis.trace.self_heated import fit_self_heated, own_covariance
from analysis.words import say

#: Points nearer to each other than this are one step of a soak; a line loses nothing by their mean.
_STEP_WIDTH_K = 1.5
#: A winding trails or leads its probe by up to this long a time while the temperature moves.
_LAG_S = 60.0
#: A reading further than this from the line is a contact that jumped, not the coil.
_JUMP_REL, _JUMP_SIGMAS = 0.01, 6.0
#: Of readings that scatter more at one temperature than elsewhere it has to be further off, by so many of
#: their own standard deviations; beyond the share no scatter excuses it. Fewer readings tell no scatter.
_OWN_SIGMAS, _OWN_MOST_REL, _OWN_ROWS = 8.0, 0.05, 8
#: Rows within this of the coldest are cold where a coil leaves its line.
_COLD_K = 3.0
#: Of fewer visits the line is drawn by their rows: one of two that is wrong would not show.
_LEAST_VISITS = 3
#: More readings in a row off the line than a contact explains.
_CONTACT_ROWS = 3


@dataclass(frozen=True)
class Measured:
    """A value with its standard uncertainty (k = 1).

    *own_u* leaves out what another coil on the same instruments, of the same batch of copper, shares.
    *dof* are the effective degrees of freedom behind *u*, *own_dof* those behind *own_u*; None for endless
    or not known.
    """

    value: float
    u: float
    own_u: float = 0.0
    dof: float | None = None
    own_dof: float | None = None

    @property
    def k(self) -> float:
        """Coverage factor for 95.45 % from the t distribution (JCGM 100, G.4)."""
        return coverage_factor(self.dof)

    @property
    def expanded_u(self) -> float:
        """Expanded uncertainty U."""
        return self.k * self.u

    def __str__(self) -> str:
        return with_uncertainty(self.value, self.u)


@dataclass(frozen=True)
class Parts:
    """What the slope tells: apparent alpha20 in 1/K, copper part (slope over alpha20) and joint in ohms."""

    alpha20: Measured
    copper: Measured
    joint: Measured


@dataclass(frozen=True)
class Estimate:
    """What one coil's trace says.

    Attributes:
        method: ``line``, ``ramp``, ``own heat``, ``single temperature`` or ``none``.
        r20: Resistance at 20 degC in ohms, None where there is none.
        parts: What the slope tells, None where it is not determined.
        lack: Why not; empty where it is.
        caution: What widened the uncertainty beyond noise and instruments; empty if nothing did.
        changed: Whether the coil itself changed during the run, within its limit: no line fits it well.
        point_degC, point_ohm: Settled points, shape (m,).
        jumped: Rows left out because they are too high for the line, shape (n,).
        used: Rows that R20 and slope were made of, shape (n,), or empty.
        set_aside: Why a row at rest is not among them, shape (n,) or empty: ``above``, ``below`` (the line),
            ``hot`` (of a coil that leaves its line), else nothing.
        bend: How the coil leaves its straight line, None where it does not.
        budgets: What the uncertainties of R20 and joint are made of.
        line_cov: Covariance of R20 and slope (ohms a kelvin), shape (2, 2), empty without a slope.
        drift: By how much it changed while it was hot, where the fit itself tells.
        line: The line through points at rest as their stated uncertainties have it; None of any other fit.
        trusted: What it was drawn with; None of any other fit.
    """

    method: str
    r20: Measured | None = None
    parts: Parts | None = None
    lack: str = ""
    caution: str = ""
    changed: bool = False
    point_degC: FloatArray = field(default_factory=lambda: np.empty(0))
    point_ohm: FloatArray = field(default_factory=lambda: np.empty(0))
    jumped: BoolArray = field(default_factory=lambda: np.empty(0, dtype=np.bool_))
    used: BoolArray = field(default_factory=lambda: np.empty(0, dtype=np.bool_))
    set_aside: TextArray = field(default_factory=lambda: np.empty(0, dtype=np.str_))
    bend: Bend | None = None
    budgets: tuple[Budget, ...] = ()
    line_cov: FloatArray = field(default_factory=lambda: np.empty((0, 0)))
    drift: Drift | None = None
    line: Line | None = None
    trusted: Accuracy | None = None


def estimate(rows: Rows, accuracy: Accuracy, settled: BoolArray | None = None) -> Estimate:
    """Find R20, slope and joint in the way that fits the experiment.

    Args:
        rows: The sorted trace.
        accuracy: What the instruments can be trusted to.
        settled: Settled rows to go by, shape (n,), if not all of them.
    """
    chosen = rows.settled if settled is None else settled
    leapt = bend_of_leaps(rows, find_leaps(rows)) if settled is None else None
    if leapt is not None and rows.story is not Story.STEPS:
        return _leapt(leapt, rows, chosen, accuracy)
    probe, ohm = rows.trace.probe_degC[chosen], rows.trace.resistance_ohm[chosen]
    whole = _by_whole_trace(rows, accuracy, probe, ohm) if settled is None else None
    if whole is not None:
        return whole
    if not ohm.size:
        return Estimate("none", lack=say("lack.no-pair"))
    if spans(probe) and float(np.median(ohm)) >= SHORT_OHM:
        return _of_points(rows, chosen, leapt, accuracy)
    lack = "hardly-any" if spans(probe) else "no-ramp" if rows.story is Story.RAMP else "one-temperature"
    return replace(_single(probe, ohm, accuracy, say(f"lack.{lack}")), used=chosen)


def _of_points(rows: Rows, chosen: BoolArray, leapt: Bend | None, accuracy: Accuracy) -> Estimate:
    """The line through rows at several temperatures, where there is one."""
    probe, ohm = rows.trace.probe_degC[chosen], rows.trace.resistance_ohm[chosen]
    trusted = replace(accuracy, gain_rel=accuracy.vi_gain_rel) if rows.driven[chosen].any() else accuracy
    # Where the temperature moves a winding ahead of its probe is off the line, and sound.
    moving = rows.story is Story.COOLING
    points = None if moving else visits(rows, chosen, trusted)
    bend = None if points is None else _one_of(find_bend(rows, points), leapt)
    if bend is not None and points is not None:
        return _bent(bend, rows, chosen, points.member[chosen], trusted)
    member = np.full(ohm.size, -1) if points is None else points.member[chosen]
    away, slope = _away(probe, ohm, points, member)
    keep, aside = away == 0, np.full(chosen.size, "", dtype="<U5")
    jumped = np.zeros_like(chosen)
    lasting = np.zeros(away.size, dtype=np.bool_)
    order = np.arange(away.size) if rows.timed else np.argsort(probe, kind="stable")
    aside[np.flatnonzero(chosen)[away > 0]] = "above"
    aside[np.flatnonzero(chosen)[away < 0]] = "below"
    if not moving:
        above = _lasting(away > 0, order)
        lasting = above | _lasting(away < 0, order)
        jumped[np.flatnonzero(chosen)[(away > 0) & ~above]] = True
    used = np.zeros_like(chosen)
    used[np.flatnonzero(chosen)[keep]] = True
    if spans(probe[keep]):
        lag = _lag(rows.time_s[chosen], probe) if moving else None
        digit = rows.digit_ohm[chosen][keep]
        found = _by_line(_steps(probe[keep], ohm[keep], digit, slope, trusted), trusted, lag)
        if lasting.any():
            found = replace(found, parts=None, lack=say("lack.off-line"))
    else:
        found = _single(probe[keep], ohm[keep], trusted, say("lack.one-temperature"))
    return replace(found, jumped=jumped, used=used, set_aside=aside)


def _one_of(bend: Bend | None, leapt: Bend | None) -> Bend | None:
    """What points and leaps say together: the points how much, the leaps where."""
    if bend is None or leapt is None:
        return bend or leapt
    if (bend.change_rel < 0.0) != (leapt.change_rel < 0.0) or not leapt.sure:
        return bend
    if not bend.sure:
        return leapt
    return replace(bend, between_degC=leapt.between_degC, back_degC=leapt.back_degC)


def _leapt(bend: Bend, rows: Rows, chosen: BoolArray, accuracy: Accuracy) -> Estimate:
    """A coil that leapt on the move or under its own heat, where few rows are at rest: R20 by those, cold."""
    probe, ohm = rows.trace.probe_degC, rows.trace.resistance_ohm
    rest = chosen & ~bend.hot
    if not rest.any():
        return Estimate("none", lack=say("lack.bent"), bend=bend)
    cold = rest & (probe <= float(probe[rest].min()) + _COLD_K)
    aside = np.where(chosen & ~cold, "hot", "")
    return replace(
        _single(probe[cold], ohm[cold], accuracy, say("lack.bent")), bend=bend, used=cold, set_aside=aside
    )


def _bent(bend: Bend, rows: Rows, chosen: BoolArray, member: IndexArray, accuracy: Accuracy) -> Estimate:
    """R20 of a coil that leaves its line: by its cold rows alone, since no line goes through all."""
    at, probe, ohm = np.flatnonzero(chosen), rows.trace.probe_degC, rows.trace.resistance_ohm
    cold = chosen & ~bend.hot & (probe <= float(probe[chosen].min()) + _COLD_K)
    if not cold.any():
        cold = chosen & (probe <= float(probe[chosen].min()) + _COLD_K)
    found = _single(probe[cold], ohm[cold], accuracy, say("lack.bent"))
    level = np.array(
        [float(np.median(ohm[at[member == own]])) if own >= 0 else np.nan for own in range(member.max() + 1)]
    )
    off = ohm[at] / np.maximum(level[np.maximum(member, 0)], SHORT_OHM) - 1.0
    jumped = np.zeros_like(chosen)
    jumped[at] = (member >= 0) & (off > _OWN_MOST_REL)
    aside = np.where(jumped, "above", np.where(chosen & ~cold, "hot", ""))
    return replace(found, bend=bend, used=cold & ~jumped, set_aside=aside, jumped=jumped)


def _lasting(above: BoolArray, order: IndexArray) -> BoolArray:
    """Which rows above the line are too many in a row for a contact: the coil itself changed, shape (n,)."""
    found = np.zeros_like(above)
    run: list[int] = []
    for at in [*order.tolist(), None]:
        if at is not None and above[at]:
            run.append(at)
            continue
        if len(run) > _CONTACT_ROWS:
            found[run] = True
        run = []
    return found


def _away(
    probe_degC: FloatArray, ohm: FloatArray, points: Points | None, member: IndexArray
) -> tuple[FloatArray, float]:
    """How far rows that do not belong to the line are off it in ohms, shape (n,), else 0; and its slope.

    *member* is the visit of a temperature that a row belongs to: what scatters more there is held to that.
    Each visit counts once for the line, or a long hold would draw it by its own noise.
    """
    at_degC, at_ohm = probe_degC, ohm
    if points is not None and points.ohm.size >= _LEAST_VISITS:
        at_degC, at_ohm = points.probe_degC, points.ohm
    order = np.lexsort((at_ohm, at_degC))
    intercept, slope = theil_sen(at_degC[order], at_ohm[order])
    off = ohm - intercept - slope * probe_degC
    scatter = MAD_TO_SIGMA * float(np.median(np.abs(off)))
    near = np.full(ohm.size, max(_JUMP_SIGMAS * scatter, _JUMP_REL * float(np.median(ohm))))
    for own in np.unique(member[member >= 0]):
        here = member == own
        if np.count_nonzero(here) >= _OWN_ROWS:
            own_ohm = MAD_TO_SIGMA * float(np.median(np.abs(off[here] - np.median(off[here]))))
            most = np.maximum(near[here], _OWN_MOST_REL * ohm[here])
            near[here] = np.clip(_OWN_SIGMAS * own_ohm, near[here], most)
    return np.where(np.abs(off) <= near, 0.0, off), slope


@dataclass(frozen=True)
class _Steps:
    """Means over settled steps with their uncertainties, each of shape (m,)."""

    probe_degC: FloatArray
    probe_u_K: FloatArray
    ohm: FloatArray
    ohm_u: FloatArray


def _steps(
    probe_degC: FloatArray, ohm: FloatArray, digit_ohm: FloatArray, slope: float, accuracy: Accuracy
) -> _Steps:
    """Put rows of nearly one temperature together; *slope* in ohms a kelvin is taken out inside a step."""
    order = np.lexsort((ohm, probe_degC))
    probe, ohms, digits = probe_degC[order], ohm[order], digit_ohm[order]
    rows: list[tuple[float, float, float, float]] = []
    first = 0
    while first < probe.size:
        last = int(np.searchsorted(probe, probe[first] + _STEP_WIDTH_K))
        t, r = probe[first:last], ohms[first:last]
        # A reading is as good as stated or as it shows itself to be, whichever is worse.
        noise_K, noise_ohm = accuracy.probe_noise_K, accuracy.noise_ohm
        if t.size > 2:
            leftover = r - slope * t
            # Scatter of the probe is in it too, and is counted with the probe.
            noise_ohm = max(noise_ohm, sqrt(max(float(leftover.var(ddof=1)) - (slope * noise_K) ** 2, 0.0)))
        rows.append(
            (
                float(t.mean()),
                sqrt(noise_K**2 / t.size + REST_K**2),
                float(r.mean()),
                # A digit that does not flicker is off alike in all readings.
                hypot(noise_ohm / sqrt(t.size), float(digits[first:last].mean()) / sqrt(12.0)),
            )
        )
        first = last
    return _Steps(*(np.array(column) for column in zip(*rows, strict=True)))


def _single(probe_degC: FloatArray, ohm: FloatArray, accuracy: Accuracy, lack: str) -> Estimate:
    """R20 by the copper law from one temperature: readings about the median, so a jump does not count."""
    at_20 = to_20degC(ohm, probe_degC)
    median = float(np.sort(at_20)[(at_20.size - 1) // 2])  # one of the readings, however they part
    middle = np.abs(at_20 - median) <= _JUMP_REL * abs(median)
    probes, at_20 = probe_degC[middle], at_20[middle]
    probe, value, count = float(probes.mean()), float(at_20.mean()), at_20.size
    per_K = ALPHA20_PER_K * value / float(resistance_factor(probe))
    # A temperature that stands beside several readings was taken once, and its error is in all of them.
    taken = np.unique(probes).size
    probe_noise_K = accuracy.probe_noise_K / sqrt(taken)
    seen = float(at_20.std(ddof=1)) if count > 1 else 0.0
    if taken > 1:  # the scatter of the probe is in it too, and is counted with the probe
        seen = sqrt(max(seen**2 - (per_K * accuracy.probe_noise_K) ** 2, 0.0))
    scattered = seen > accuracy.noise_ohm
    noise_ohm = max(seen, accuracy.noise_ohm) / sqrt(count)
    source = Source(
        "noise of the readings",
        "A" if scattered else "B",
        "ohm",
        noise_ohm,
        1.0,
        count - 1.0 if scattered else None,
    )
    parts = single_budget(value, probe - REFERENCE_DEGC, per_K, source, probe_noise_K, accuracy)
    own_K = hypot(probe_noise_K, REST_K, accuracy.probe_K)
    own = hypot(noise_ohm, per_K * own_K, accuracy.contact_ohm)
    return Estimate(
        "single temperature",
        r20=Measured(value, parts.u, own, parts.dof),
        lack=lack,
        point_degC=np.array([probe]),
        point_ohm=np.array([float(ohm[middle].mean())]),
        budgets=(parts,),
    )


def _lag(time_s: FloatArray, probe_degC: FloatArray) -> tuple[float, float]:
    """How a lag of unknown length tilts and shifts: kelvin a kelvin, and kelvin at 20 degC."""
    # The trend over a good part of the trace: single differences are mostly noise.
    smooth_s = max(2.0 * _LAG_S, float(np.ptp(time_s)) / 20.0)
    first = np.searchsorted(time_s, time_s - smooth_s)
    last = np.searchsorted(time_s, time_s + smooth_s, side="right") - 1
    span = np.maximum(time_s[last] - time_s[first], 1e-9)
    lag_K = _LAG_S * (probe_degC[last] - probe_degC[first]) / span
    tilt, at_zero = np.polyfit(probe_degC, lag_K, 1).tolist()
    return tilt, at_zero + tilt * REFERENCE_DEGC


def _by_line(steps: _Steps, accuracy: Accuracy, lag: tuple[float, float] | None) -> Estimate:
    line = line_errors_in_both(
        steps.probe_degC, steps.probe_u_K, steps.ohm, steps.ohm_u, reference=REFERENCE_DEGC
    )
    caution, lags = "", []
    if lag is not None:
        # Evenly likely between no lag and the longest: standard uncertainty by the root of three.
        turned = line.slope * np.array([lag[1], lag[0]]) / _LAG_S
        lags.append(Shift("lag of winding and probe", "s", _LAG_S / sqrt(3.0), *turned.tolist()))
        caution = say("lack.moving")
    base = Estimate("line", caution=caution, point_degC=steps.probe_degC, point_ohm=steps.ohm)
    if lag is None:
        base = replace(base, line=line, trusted=accuracy)
    return _with_common(
        base,
        line.intercept,
        line.slope,
        _scatter(line, line.misfit, float(line.dof)),
        accuracy,
        lags,
    )


def with_scatter(found: Estimate, misfit: float, dof: float) -> Estimate:
    """Return an estimate by a line whose points scatter by *misfit*, a chi-square over its *dof*."""
    if found.line is None or found.trusted is None:
        return found
    scatter = _scatter(found.line, misfit, dof)
    return _with_common(found, found.line.intercept, found.line.slope, scatter, found.trusted)


def _scatter(line: Line, misfit: float, dof: float) -> Scatter:
    """Points that scatter more than stated speak for themselves; else the stated noise stands."""
    covariance = line.widened(misfit).covariance
    name = "noise and rest of the settled points"
    return Scatter(name, covariance, "A", dof) if misfit > 1.0 else Scatter(name, covariance, "B")


def _with_common(
    base: Estimate,
    r20_ohm: float,
    slope: float,
    scatter: Scatter,
    accuracy: Accuracy,
    lags: Sequence[Shift] = (),
) -> Estimate:
    """Finish an estimate from intercept at 20 degC, slope in ohms a kelvin, and what the fit leaves open."""
    both = np.array([r20_ohm, slope])
    covariance = scatter.covariance
    for lag in lags:
        turned = lag.u * np.array([lag.r20, lag.slope])
        covariance = covariance + np.outer(turned, turned)
    probe = np.array([[(slope * accuracy.probe_K) ** 2, 0.0], [0.0, (slope * accuracy.probe_gain_rel) ** 2]])
    meter = accuracy.gain_rel**2 * np.outer(both, both) + np.diag(
        [accuracy.offset_ohm**2 + accuracy.leads_ohm**2, 0.0]
    )
    own = covariance + probe + np.diag([accuracy.contact_ohm**2, 0.0])
    total = own + meter
    copper = slope / ALPHA20_PER_K
    by_alpha = copper * ALPHA20_U_PER_K / ALPHA20_PER_K
    to_joint = np.array([1.0, -1.0 / ALPHA20_PER_K])
    to_alpha = np.array([-slope / r20_ohm, 1.0]) / r20_ohm
    at_20, steep = np.array([1.0, 0.0]), np.array([0.0, 1.0]) / ALPHA20_PER_K

    def measured(value: float, of: FloatArray, batch_u: float = 0.0) -> Measured:
        """What *of* makes of R20 and slope; *batch_u* is what the wire's own alpha20 adds."""
        u = hypot(sqrt(float(of @ total @ of)), batch_u)
        by_fit = sqrt(max(float(of @ scatter.covariance @ of), 0.0))
        rest = sqrt(max(u**2 - by_fit**2, 0.0))
        own_u = sqrt(float(of @ own @ of))
        own_rest = sqrt(max(own_u**2 - by_fit**2, 0.0))
        dof, own_dof = (effective_dof([(by_fit, scatter.dof), (each, None)]) for each in (rest, own_rest))
        return Measured(value, u, own_u, dof, own_dof)

    return replace(
        base,
        r20=measured(r20_ohm, at_20),
        parts=Parts(
            measured(slope / r20_ohm, to_alpha),
            measured(copper, steep, by_alpha),
            measured(r20_ohm - copper, to_joint, by_alpha),
        ),
        line_cov=total,
        budgets=line_budgets(r20_ohm, slope, scatter, [*common_shifts(r20_ohm, slope, accuracy), *lags]),
    )


def _by_whole_trace(
    rows: Rows, accuracy: Accuracy, probe_degC: FloatArray, ohm: FloatArray
) -> Estimate | None:
    """What a trace says that is fitted as a whole; None where its rows at rest have to do."""
    if rows.story is Story.SELF_HEATED:
        return _self_heated(rows, accuracy, probe_degC, ohm)
    ramp = fit_ramp(rows) if rows.story is Story.RAMP else None
    if ramp is None or not ramp.follows or (spans(probe_degC) and not ramp.credible):
        return None
    return _by_ramp(ramp, rows, accuracy)


def _by_ramp(ramp: RampFit, rows: Rows, accuracy: Accuracy) -> Estimate:
    """The line through rows on the move; the rows at rest, all of them cold, stand as its points."""
    cold = rows.settled
    probe, ohm = rows.trace.probe_degC[cold], rows.trace.resistance_ohm[cold]
    rest = _steps(probe, ohm, rows.digit_ohm[cold], ramp.slope, accuracy)
    lasting = _lasting(ramp.above, np.flatnonzero(rows.good & ~rows.driven))
    base = Estimate("ramp", point_degC=rest.probe_degC, point_ohm=rest.ohm, jumped=ramp.above & ~lasting)
    left = Scatter("noise and lag of the ramp", ramp.covariance, "A")
    found = replace(_with_common(base, ramp.r20_ohm, ramp.slope, left, accuracy), drift=ramp_drift(ramp))
    if ramp.credible and not lasting.any():
        return found
    return replace(found, parts=None, lack=say("lack.off-line" if lasting.any() else "lack.no-ramp"))


def _self_heated(rows: Rows, accuracy: Accuracy, probe_degC: FloatArray, ohm: FloatArray) -> Estimate:
    """The thermal fit where there is one; else R20 from the rows at rest, and no joint."""
    fit = fit_self_heated(rows, accuracy) if rows.timed else None
    if fit is not None and fit.credible:
        slope = fit.rcu_ohm * ALPHA20_PER_K
        # The fit has the doubt about alpha20 in its covariance; _with_common adds it again, as everywhere.
        turn = np.array([[1.0, 1.0], [ALPHA20_PER_K, 0.0]])
        trusted = replace(accuracy, gain_rel=max(accuracy.gain_rel, accuracy.vi_gain_rel))
        left = Scatter("noise and doubt of the thermal fit", turn @ own_covariance(fit) @ turn.T, "A")
        return _with_common(Estimate(OWN_HEAT), fit.r20_ohm, slope, left, trusted)
    why = (fit.lack if fit is not None else None) or Lack("lack.no-times")
    lack = say("lack.self-heated", why=say(why.key, **why.figures))
    if not ohm.size:
        return Estimate("none", lack=lack)
    return _single(probe_degC, ohm, accuracy, lack)
