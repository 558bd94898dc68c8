"""Does one straight line go through all that was read at rest, cold and hot?

Copper and a joint in series give a line. Turns that short above a temperature, or a joint that opens up, put
the hot points on another line; a thermistor in the connector bends it. The points, a mean for each visit of a
temperature, are fitted with the line, with a line that steps by a share above a temperature (which coming
down may be a lower one), and with a curve. A line is given up only for one of these that explains far more
than chance, or where points lie too far off it for everything that is known of their noise.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise
from math import hypot, sqrt

import numpy as np

from analysis.arrays import BoolArray, FloatArray, IndexArray
from analysis.model import Accuracy
from analysis.statistics.outliers import MAD_TO_SIGMA
from analysis.trace.contributions import REST_K
from analysis.trace.rows import Rows, digit_ohm, spans

#: Rows nearer to each other in temperature than this, one after another, are one visit.
_VISIT_K = 1.5
#: More points than this tell nothing more: neighbours in temperature are put together.
_MOST_POINTS = 24
#: A departure below this share of the resistance is none: what a hand thermometer is off by between two
#: readings makes as much.
LEAST_REL = 0.005
#: Chance that a straight coil is called something else, all places for a step together.
_CHANCE = 1e-5
#: How far the stated noise is trusted, as if so many degrees of freedom stood behind it; the points' own
#: scatter counts beside it.
_STATED_DOF = 8
#: A step is sure where what it leaves over is noise (variance over the stated one), or far less than a curve.
_LEFT, _BETTER = 4.0, 9.0
#: Points this many standard deviations and this share off a line that nothing else explains speak against it.
_OFF_SIGMAS, _OFF_REL = 6.0, 0.01


class BendKind(StrEnum):
    """How a coil leaves its line."""

    DROPS = "drops"  # lower above a temperature
    RISES = "rises"  # higher above a temperature
    CURVED = "curved"  # by and by, or in no way that is sure


@dataclass(frozen=True)
class Bend:
    """What takes a coil off its straight line.

    Attributes:
        kind: In which way.
        change_rel: The hot points against the line of the cold ones, relative; of a curve, against its chord.
        u_rel: Standard uncertainty of that.
        dof: Degrees of freedom behind *u_rel*, None for endless.
        between_degC: It happens between these temperatures at the probe on the way up.
        back_degC: The same for the way back, None where nobody saw it.
        sure: Whether nothing else explains the points as well.
        hot: Rows on the far side, shape (n,).
    """

    kind: BendKind
    change_rel: float
    u_rel: float
    dof: float | None
    between_degC: tuple[float, float] | None
    back_degC: tuple[float, float] | None
    sure: bool
    hot: BoolArray
    #: Whether all but this is sure: that its cold side, one visit of one temperature, was at rest at all.
    lone_cold: bool = False
    #: Whether all but this is sure: that its hot side is more than a single reading.
    lone_hot: bool = False
    #: Temperature of a pair that disagrees, and by what share: without that pair the line is straight.
    apart: tuple[float, float] | None = None


@dataclass(frozen=True)
class Points:
    """Means of visits, each of shape (m,), in time order where there are times.

    *member*, shape (n,), is the place of a row's point, -1 for a row of none. *count* is how many readings a
    point is the mean of; *apart_rel* by what share the two of a pair disagree beyond their noise, else 0.
    """

    probe_degC: FloatArray
    ohm: FloatArray
    u_ohm: FloatArray
    member: IndexArray
    count: IndexArray
    apart_rel: FloatArray

    def agreeing(self) -> Points:
        """Return the points without pairs that disagree."""
        kept = self.apart_rel == 0.0
        place = np.append(np.where(kept, np.cumsum(kept) - 1, -1), -1)
        return Points(
            self.probe_degC[kept],
            self.ohm[kept],
            self.u_ohm[kept],
            place[self.member],
            self.count[kept],
            self.apart_rel[kept],
        )


@dataclass(frozen=True)
class _Fit:
    """A least-squares fit: parameters, their covariance by the stated noise, and what is left over."""

    values: FloatArray
    covariance: FloatArray
    chi2: float
    dof: int
    off: FloatArray

    @property
    def left(self) -> float:
        """Variance left over in units of the stated one, at least 1."""
        return max(self.chi2 / self.dof, 1.0) if self.dof > 0 else 1.0


def find_bend(rows: Rows, points: Points) -> Bend | None:
    """Find out whether rows at rest leave a straight line.

    Args:
        rows: The sorted trace.
        points: The visits of its rows at rest.

    Returns:
        None where a line is all that the points ask for, or where they are too few to tell.
    """
    found = _find(rows, points)
    if found is None or not points.apart_rel.any():
        return found
    agreed = _find(rows, points.agreeing())
    if agreed is not None:
        return agreed
    worst = int(np.argmax(points.apart_rel))
    return replace(found, sure=False, apart=(float(points.probe_degC[worst]), float(points.apart_rel[worst])))


def _find(rows: Rows, points: Points) -> Bend | None:
    """As :func:`find_bend`, whether or not single readings are to be trusted."""
    if points.ohm.size < 4:
        return None
    line = _least_squares(points, [])
    steps = [
        (hot, fit) for hot in _sides(points, timed=rows.timed) if (fit := _stepped(points, hot)) is not None
    ]
    middle = points.probe_degC.mean()
    curve = _least_squares(points, [(points.probe_degC - middle) ** 2])
    if line is None:
        return None
    hot, step = min(steps, key=lambda each: each[1].chi2, default=(None, None))
    if step is not None and hot is not None and _explains(line, step, places=len(steps)):
        change_rel = float(step.values[2] / (1.0 - step.values[2]))
        if abs(change_rel) >= LEAST_REL:
            sure = step.left <= _LEFT or curve is None or curve.chi2 > _BETTER * step.chi2
            sure &= curve is None or curve.chi2 - step.chi2 > _BETTER * step.left
            lone = not _confirmed(points.probe_degC[~hot], returned=rows.timed and not hot[-1])
            single = int(points.count[hot].sum()) == 1
            found = _of_step(rows, points, hot, step, change_rel, sure=sure and not lone and not single)
            return replace(found, lone_cold=sure and lone, lone_hot=sure and single and not lone)
    if curve is not None and _explains(line, curve, places=1):
        return _of_curve(points, curve, line)
    return _off(points, line)


def visits(rows: Rows, chosen: BoolArray, accuracy: Accuracy) -> Points:
    """Put rows of one visit of a temperature together; a contact that jumped does not count."""
    at = np.flatnonzero(chosen)
    probe, ohm = rows.trace.probe_degC, rows.trace.resistance_ohm
    if not rows.timed:
        at = at[np.lexsort((ohm[at], probe[at]))]
    groups: list[list[int]] = []
    width_K = max(_VISIT_K, 0.0 if rows.timed else float(np.ptp(probe[at])) / _MOST_POINTS)
    for row in at.tolist():
        if not groups or abs(probe[row] - probe[groups[-1][0]]) > width_K:
            groups.append([])
        groups[-1].append(row)
    if len(groups) > 2 * _MOST_POINTS:
        groups = _longest(groups)
    slope = _rough_slope(probe[at], ohm[at])
    digits = np.maximum(rows.digit_ohm, digit_ohm(ohm[at]))
    member = np.full(chosen.size, -1, dtype=np.intp)
    found: list[tuple[float, float, float, int, float]] = []
    for number, group in enumerate(groups):
        index = np.array(group)
        level = ohm[index] - slope * (probe[index] - probe[index[0]])
        off = np.abs(level - np.median(level))
        kept = index[
            off <= max(6.0 * MAD_TO_SIGMA * float(np.median(off)), 0.01 * abs(float(np.median(level))))
        ]
        member[index] = number
        n, digit = kept.size, float(digits[group].mean())
        noise_K, noise_ohm = accuracy.probe_noise_K, max(accuracy.noise_ohm, digit / sqrt(12.0))
        if n > 2:
            scatter = float((ohm[kept] - slope * probe[kept]).std(ddof=1))
            noise_ohm = max(noise_ohm, sqrt(max(scatter**2 - (slope * noise_K) ** 2, 0.0)))
        # A digit that does not flicker is off alike in all readings.
        u_ohm = sqrt((noise_ohm**2 + (slope * noise_K) ** 2) / n + (slope * REST_K) ** 2 + digit**2 / 12.0)
        middle_ohm = float(ohm[kept].mean())
        apart_ohm = float(np.ptp(level)) if n == index.size == 2 else 0.0
        torn = apart_ohm > max(
            _OFF_SIGMAS * sqrt(2.0) * hypot(noise_ohm, slope * noise_K), _OFF_REL * middle_ohm
        )
        found.append(
            (float(probe[kept].mean()), middle_ohm, u_ohm, n, apart_ohm / middle_ohm if torn else 0.0)
        )
    probes, ohms, u_ohms, counts, apart = (np.array(column) for column in zip(*found, strict=True))
    return Points(probes, ohms, u_ohms, member, counts, apart)


def _longest(groups: list[list[int]]) -> list[list[int]]:
    """The visits of most rows, in their order: what moves on is no visit."""
    least = sorted((len(group) for group in groups), reverse=True)[2 * _MOST_POINTS - 1]
    return [group for group in groups if len(group) >= max(least, 2)][: 2 * _MOST_POINTS] or groups[
        : 2 * _MOST_POINTS
    ]


def _rough_slope(probe_degC: FloatArray, ohm: FloatArray) -> float:
    cold, hot = np.quantile(probe_degC, (0.1, 0.9))
    low, high = probe_degC <= cold, probe_degC >= hot
    apart = float(np.median(probe_degC[high]) - np.median(probe_degC[low]))
    return float(np.median(ohm[high]) - np.median(ohm[low])) / max(apart, 1.0)


def _least_squares(points: Points, more: list[FloatArray]) -> _Fit | None:
    """Fit a line with *more* columns, shape (m,) each; None where the points do not tell them apart."""
    columns = np.column_stack([np.ones_like(points.ohm), points.probe_degC - points.probe_degC.mean(), *more])
    if points.ohm.size < columns.shape[1]:
        return None
    scale = np.linalg.norm(columns, axis=0)
    if not scale.all():
        return None
    weighted, y = columns / scale / points.u_ohm[:, None], points.ohm / points.u_ohm
    if np.linalg.cond(weighted) > 1e6:
        return None
    inverse = np.linalg.inv(weighted.T @ weighted)
    values = inverse @ weighted.T @ y
    off = points.ohm - columns / scale @ values
    chi2 = float(np.sum((off / points.u_ohm) ** 2))
    dof = points.ohm.size - columns.shape[1]
    return _Fit(values / scale, inverse / np.outer(scale, scale), chi2, dof, off)


def _stepped(points: Points, hot: BoolArray) -> _Fit | None:
    """R = (line) (1 + d) where *hot*: linear in d/(1 + d) with the readings themselves as the column."""
    return _least_squares(points, [np.where(hot, points.ohm, 0.0)])


def _sides(points: Points, *, timed: bool) -> Iterator[BoolArray]:
    """Every way of parting the points, shape (m,), in two: up at one temperature, back at a lower one."""
    probe = points.probe_degC
    levels = np.unique(np.round(probe, 1))
    cuts = [(a + b) / 2.0 for a, b in pairwise(levels) if b - a > _VISIT_K]
    top = int(np.argmax(probe))
    later = np.arange(probe.size) > top if timed else np.zeros(probe.size, dtype=np.bool_)
    seen: set[bytes] = set()
    for up in cuts:
        for back in [cut for cut in cuts if cut <= up] if later.any() else [up]:
            hot = np.where(later, probe > back, probe > up)
            if hot.any() and not hot.all() and hot.tobytes() not in seen:
                seen.add(hot.tobytes())
                yield hot


def _explains(line: _Fit, other: _Fit, places: int) -> bool:
    """Whether *other*, with a parameter more and *places* to choose, explains more than chance does."""
    from scipy.special import fdtrc  # loaded where it is asked for: it takes a quarter of a second

    gain, dof = line.chi2 - other.chi2, other.dof + _STATED_DOF
    scale = max(1.0, (other.chi2 + _STATED_DOF) / dof)
    return gain > 0.0 and places * float(fdtrc(1, dof, gain / scale)) < _CHANCE


def _confirmed(cold_degC: FloatArray, *, returned: bool) -> bool:
    """Whether the cold side of a step, visits of shape (m,), is more than one reading not yet at rest.

    It is where it spans a range of temperature by itself, or where the coil came back to it after the heat.
    """
    return spans(cold_degC) or (returned and cold_degC.size > 1)


def _of_step(
    rows: Rows, points: Points, hot: BoolArray, step: _Fit, change_rel: float, *, sure: bool
) -> Bend:
    kind = BendKind.DROPS if change_rel < 0.0 else BendKind.RISES
    u_rel = sqrt(float(step.covariance[2, 2]) * step.left) * (1.0 + change_rel) ** 2
    probe, top = points.probe_degC, int(np.argmax(points.probe_degC))
    on = hot[np.maximum(points.member, 0)] & (points.member >= 0)
    order = np.arange(probe.size)
    before = order <= top if rows.timed else np.ones(probe.size, dtype=np.bool_)
    return Bend(
        kind if sure else BendKind.CURVED,
        change_rel,
        u_rel,
        float(step.dof) if step.left > 1.0 else None,
        _bracket(probe, hot, before),
        _bracket(probe, hot, order >= top) if rows.timed and not hot[-1] else None,
        sure,
        on,
    )


def _bracket(probe: FloatArray, hot: BoolArray, leg: BoolArray) -> tuple[float, float] | None:
    cold_side, hot_side = probe[leg & ~hot], probe[leg & hot]
    if not cold_side.size or not hot_side.size:
        return None
    return float(cold_side.max()), float(hot_side.min())


def _of_curve(points: Points, curve: _Fit, line: _Fit) -> Bend | None:
    """A bend where its curve leaves the chord from coldest to hottest by a share that counts."""
    half_K = float(np.ptp(points.probe_degC)) / 2.0
    middle_ohm = float(np.mean(points.ohm))
    sag_rel = -float(curve.values[2]) * half_K**2 / middle_ohm
    if abs(sag_rel) < LEAST_REL or float(np.abs(line.off).max()) < 0.5 * LEAST_REL * middle_ohm:
        return None
    u_rel = sqrt(float(curve.covariance[2, 2]) * curve.left) * half_K**2 / middle_ohm
    none = np.zeros(points.member.size, dtype=np.bool_)
    dof = float(curve.dof) if curve.left > 1.0 else None
    return Bend(BendKind.CURVED, -sag_rel, u_rel, dof, None, None, False, none)


def _off(points: Points, line: _Fit) -> Bend | None:
    """Points off the line for which there is no law; None where all lie on it within their noise."""
    # Of many points most lie on the line, and tell how far they scatter.
    scatter = MAD_TO_SIGMA * float(np.median(np.abs(line.off / points.u_ohm)))
    near = np.maximum(_OFF_SIGMAS * max(scatter, 1.0) * points.u_ohm, _OFF_REL * points.ohm)
    worst = int(np.argmax(np.abs(line.off) / near))
    if abs(line.off[worst]) <= near[worst]:
        return None
    off = np.abs(line.off) > near
    return Bend(
        BendKind.CURVED,
        float(line.off[worst] / points.ohm[worst]),
        float(points.u_ohm[worst] / points.ohm[worst]),
        None,
        None,
        None,
        False,
        off[np.maximum(points.member, 0)] & (points.member >= 0),
    )
