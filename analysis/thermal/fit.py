"""Copper and joint of a coil from the trace of its own heating and cooling.

A winding that heats itself is hotter than the body with the probe, and stays so, in proportion, all through
the cooling: a straight line of resistance on probe temperature is wrong by a joint's worth and shows no
curvature. Here the way of the heat from the copper to the measured body is fitted to the whole trace instead,
and whatever the body loses to air, neighbours or a draught is left open.

Contact resistance, a lag of the probe and shells that differ are always admitted within what is plausible.
A mass behind the body and a core inside the winding are tried, and pooled with the fits without them by what
the readings say for each, so that the doubt about the build is in the uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.arrays import BoolArray, FloatArray
from analysis.thermal.body_model import Data
from analysis.thermal.heat_path import Order, answers
from analysis.thermal.prepare import Lack, edge_intervals, interval_power, prepare
from analysis.thermal.search import Fitted, copper_and_joint, search

__all__ = ["ThermalFit", "edge_intervals", "fit_trace", "interval_power"]

#: Above this reduced chi-square the network is not the coil's.
_WORST_MISFIT = 1.5

_OUTLIER = 5.0

#: A fit worse than this lacks something: a build with more inside is tried.
_GOOD = 1.3
#: A mass whose evidence (-2 log) is better by more is there, and another one beside it is looked for. Misfit
#: does not tell: where readings are better than stated it is low whatever is missing.
_SURE = 6.0
#: Real windings are built unlike any of ours: by so much more than stated the joints of invented coils of
#: other builds are off, without a core and with one.
_UNLIKE, _UNLIKE_CORED = 1.3, 1.7


@dataclass(frozen=True)
class ThermalFit:
    """What a trace says about copper and joint; all uncertainties are standard (k = 1).

    Attributes:
        rcu_ohm: Copper part at 20 degC; NaN, as every number here, if nothing could be fitted.
        rcu_u_ohm: Its uncertainty, that of alpha20 included.
        joint_ohm: Everything in series that does not follow the copper's temperature law.
        joint_u_ohm: Its uncertainty, that of alpha20 included.
        cov: Covariance of (rcu, joint) in ohm², shape (2, 2).
        r20_ohm: The coil at 20 degC, copper and joint.
        r20_u_ohm: Its uncertainty.
        time_constants_s: Of the modes that matter to the winding, slowest first.
        order: The masses the evidence asked for, in words.
        winding_degC: Mean temperature of the winding, shape (n,); NaN at rows without a place in time.
        misfit: Reduced chi-square.
        credible: Whether copper and joint may be believed within their uncertainties.
        lack: Why not; None if credible.
    """

    rcu_ohm: float
    rcu_u_ohm: float
    joint_ohm: float
    joint_u_ohm: float
    cov: FloatArray
    r20_ohm: float
    r20_u_ohm: float
    time_constants_s: tuple[float, ...]
    order: str
    winding_degC: FloatArray
    misfit: float
    credible: bool
    lack: Lack | None


def fit_trace(
    time_s: FloatArray,
    probe_degC: FloatArray,
    resistance_ohm: FloatArray,
    power_W: FloatArray,
    *,
    noise_ohm: float,
    noise_K: float,
    joint_heat: bool = True,
    edges: BoolArray | None = None,
    by_vi: BoolArray | None = None,
    vi_gain_u: float = 2e-3,
    offset_u_ohm: float = 5e-3,
    alpha20_per_K: float = 0.00393,
    alpha20_u_per_K: float = 0.00002,
) -> ThermalFit:
    """Fit one coil's heating and cooling.

    The trace should start at rest (winding, body and probe alike) and hold a switch-off with cooling after.
    alpha20 of annealed copper: IEC 60028.

    Args:
        time_s: Shape (n,), as all arrays; NaN where missing. Uneven steps are fine.
        probe_degC: Probe on the body.
        resistance_ohm: V/I while driven, ohms while off.
        power_W: Mean power from the row before to this one; see :func:`interval_power`.
        noise_ohm: Standard deviation of one resistance reading; raised where the trace shows more.
        noise_K: The same of the probe.
        joint_heat: Take the joint's share of the power out of the winding.
        edges: Intervals with an unknown switching instant, see :func:`edge_intervals`; None if known.
        by_vi: Rows read as V/I where others were read by an ohmmeter; None if one instrument read them all.
        vi_gain_u: How far V/I may be off the ohmmeter in proportion, standard uncertainty.
        offset_u_ohm: Standard uncertainty of the ohmmeter's offset, which V/I does not share.
        alpha20_per_K: Temperature coefficient of the winding at 20 degC.
        alpha20_u_per_K: Its standard uncertainty.

    Returns:
        The fit; ``credible`` is False, with what is lacking, where the trace cannot support one. Bad data
        raises nothing.
    """
    rows = prepare(
        *(np.asarray(a, dtype=np.float64) for a in (time_s, probe_degC, resistance_ohm, power_W)),
        noise_ohm=noise_ohm,
        noise_K=noise_K,
        joint_heat=joint_heat,
        edges=edges,
        by_vi=by_vi,
        vi_gain_u=vi_gain_u,
        offset_u_ohm=offset_u_ohm,
        alpha20_per_K=alpha20_per_K,
    )
    winding = np.full(np.shape(time_s), np.nan)
    if rows.data is None:
        return _nothing(winding, rows.lack)
    try:
        tried = _without_outliers(rows.data)
    except np.linalg.LinAlgError:  # so few or so odd rows that a step of the search ends nowhere
        return _nothing(winding, Lack("lack.no-joint"))
    best = tried[0]
    winding[rows.kept] = best.model.of_rows(best.point)[0]
    (copper, joint), cov = _pooled(tried)
    cov *= max(1.0, best.misfit)
    # The trace fixes copper times alpha20, and the sum at 20 degC.
    doubtful = copper * alpha20_u_per_K / alpha20_per_K
    cov += doubtful**2 * np.array([[1.0, -1.0], [-1.0, 1.0]])
    lack = _objection(best, copper, joint, float(np.sqrt(cov[1, 1])))
    lags = answers(best.point.value[None, : best.model.size], best.model.order)
    share = lags.gain[0, 0] / lags.tau_s[0]
    return ThermalFit(
        rcu_ohm=copper,
        rcu_u_ohm=float(np.sqrt(cov[0, 0])),
        joint_ohm=joint,
        joint_u_ohm=float(np.sqrt(cov[1, 1])),
        cov=cov,
        r20_ohm=copper + joint,
        r20_u_ohm=float(np.sqrt(max(0.0, cov.sum()))),
        time_constants_s=tuple(lags.tau_s[0][share > 0.02 * share.sum()].tolist()),
        order=str(best.model.order),
        winding_degC=winding,
        misfit=best.misfit,
        credible=lack is None,
        lack=lack,
    )


def _without_outliers(data: Data) -> list[Fitted]:
    """What :func:`_builds` gives of the data less what lies far off a first fit."""
    tried = _builds(data)
    best = tried[0]
    seen = np.stack((data.resistance_ohm, data.probe_degC))
    off = np.abs(seen - np.stack(best.model.readings(best.point))) * data.weight
    far = off > _OUTLIER * np.sqrt(max(1.0, best.misfit))
    if 0 < np.count_nonzero(far) < 0.05 * np.count_nonzero(data.weight):
        data = replace(data, weight=np.where(far, 0.0, data.weight))
        first = search(data, best.model.order, None, best)
        rest = [search(data, each.model.order, first.model, each) for each in tried[1:]]
        tried = [first, *rest]
    return _sorted(tried)


def _builds(data: Data) -> list[Fitted]:
    """Fits of the builds that a coil may have, the likeliest first."""
    plain = search(data, Order())
    # Each from a guess of its own: begun from the plain fit, a mass may stay small beside the right one.
    tried = [plain, *(search(data, order, plain.model) for order in (Order(hidden=True), Order(core=True)))]
    best = min(tried, key=lambda each: each.doubt)
    if best.misfit > _GOOD or best.doubt < plain.doubt - _SURE:
        tried.append(search(data, Order(hidden=True, core=True), plain.model))
    return _sorted(tried)


def _sorted(tried: list[Fitted]) -> list[Fitted]:
    return sorted(tried, key=lambda each: each.doubt)


def _pooled(tried: list[Fitted]) -> tuple[tuple[float, float], FloatArray]:
    """Copper and joint in ohm and their covariance in ohm², shape (2, 2), over all builds."""
    share = np.exp(-0.5 * (np.array([each.doubt for each in tried]) - tried[0].doubt))
    share /= share.sum()
    values, covs = (np.array(each) for each in zip(*map(copper_and_joint, tried), strict=True))
    mean = share @ values
    cov = np.zeros((2, 2))
    for part, own, off in zip(share, covs, values - mean, strict=True):
        cov += part * (own + np.outer(off, off))
    cov *= (_UNLIKE_CORED if tried[0].model.order.core else _UNLIKE) ** 2
    return (float(mean[0]), float(mean[1])), cov


def _objection(best: Fitted, copper: float, joint: float, u_joint: float) -> Lack | None:
    """Why the fit may not be believed, or None."""
    if not np.isfinite(u_joint):
        return Lack("lack.no-joint")
    if best.misfit > _WORST_MISFIT:
        return Lack("lack.misfit", {"misfit": best.misfit})
    if joint < -3.0 * u_joint - 0.02:
        return Lack("lack.below-nothing", {"joint": joint})
    if u_joint > 0.1 * copper:
        return Lack("lack.vague", {"u": u_joint})
    return None


def _nothing(winding: FloatArray, lack: Lack | None) -> ThermalFit:
    """A fit that could not be begun."""
    nan = float("nan")
    none = np.full((2, 2), np.nan)
    return ThermalFit(nan, nan, nan, nan, none, nan, nan, (), "none", winding, nan, False, lack)
