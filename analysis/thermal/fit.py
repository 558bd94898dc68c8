"""Copper and joint of a coil from the trace of its own heating and cooling.

A winding that heats itself is hotter than the body with the probe, and stays so, in proportion, all through
the cooling: a straight line of resistance on probe temperature is wrong by a joint's worth and shows no
curvature. Here a thermal network driven by the measured power is fitted to the whole trace instead.

Contact resistance, a lag of the probe and shells that differ are always admitted within what is plausible;
masses beside winding and body are added where the evidence pays for them, and where it does not decide, the
orders are pooled by it, so that the doubt about the model is in the uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.arrays import BoolArray, FloatArray
from analysis.thermal.data import Data
from analysis.thermal.least_squares import COPPER, NETWORK, Fitted, least_squares
from analysis.thermal.modes import modes
from analysis.thermal.network import layout
from analysis.thermal.orders import grown, pooled
from analysis.thermal.prepare import Lack, edge_intervals, interval_power, prepare

__all__ = ["ThermalFit", "edge_intervals", "fit_trace", "interval_power"]

#: Above this reduced chi-square the network is not the coil's.
_WORST_MISFIT = 1.5

_OUTLIER = 5.0


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
        runs_z: Runs test of the resistance residuals; below -3 they wander.
        credible: Whether copper and joint may be believed within their uncertainties.
        lack: Why not; None if credible.
        evaluations: How often the network was computed.
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
    runs_z: float
    credible: bool
    lack: Lack | None
    evaluations: int


def fit_trace(
    time_s: FloatArray,
    probe_degC: FloatArray,
    resistance_ohm: FloatArray,
    power_W: FloatArray,
    *,
    noise_ohm: float,
    noise_K: float,
    ambient_degC: float | None = None,
    joint_heat: bool = True,
    edges: BoolArray | None = None,
    by_vi: BoolArray | None = None,
    vi_gain_u: float = 2e-3,
    offset_u_ohm: float = 5e-3,
    alpha20_per_K: float = 0.00393,
    alpha20_u_per_K: float = 0.00002,
) -> ThermalFit:
    """Fit a thermal network to one coil's heating and cooling.

    The trace should start at rest (winding, body and probe alike) and hold a switch-off with cooling after.
    alpha20 of annealed copper: IEC 60028.

    Args:
        time_s: Shape (n,), as all arrays; NaN where missing. Uneven steps are fine.
        probe_degC: Probe on the body.
        resistance_ohm: V/I while driven, ohms while off.
        power_W: Mean power from the row before to this one; see :func:`interval_power`.
        noise_ohm: Standard deviation of one resistance reading; raised where the trace shows more.
        noise_K: The same of the probe.
        ambient_degC: Air temperature if it was measured.
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
        ambient_degC=ambient_degC,
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
        data, tried, full, spent = _without_outliers(rows.data)
    except np.linalg.LinAlgError:  # so few or so odd rows that a step of the search ends nowhere
        return _nothing(winding, Lack("lack.no-joint"))
    winding[rows.kept] = full.winding_degC
    residual = full.residual[0][data.weight[0] > 0]
    (copper, joint), cov = pooled(tried, full)
    cov *= max(1.0, full.misfit, _wander(residual))
    # The trace fixes copper times alpha20, and the sum at 20 degC.
    doubtful = copper * alpha20_u_per_K / alpha20_per_K
    cov += doubtful**2 * np.array([[1.0, -1.0], [-1.0, 1.0]])
    lack = _objection(full, joint, float(np.sqrt(cov[1, 1])))
    rates = modes(full.order, full.value[NETWORK : NETWORK + len(layout(full.order).parameters)])
    share = rates.heat[0] / rates.heat[0].sum()
    return ThermalFit(
        rcu_ohm=copper,
        rcu_u_ohm=float(np.sqrt(cov[0, 0])),
        joint_ohm=joint,
        joint_u_ohm=float(np.sqrt(cov[1, 1])),
        cov=cov,
        r20_ohm=copper + joint,
        r20_u_ohm=float(np.sqrt(max(0.0, cov.sum()))),
        time_constants_s=tuple(float(1 / r) for r in rates.rate[share > 0.02]),
        order=str(replace(full.order, contact=False, lag=False, uneven=False)),
        winding_degC=winding,
        misfit=full.misfit,
        runs_z=_runs_z(residual),
        credible=lack is None,
        lack=lack,
        evaluations=spent,
    )


def _without_outliers(data: Data) -> tuple[Data, list[Fitted], Fitted, int]:
    """The data less what lies far off a first fit, and what :func:`_fit` gives of it."""
    tried, full, spent = _fit(data)
    far = (np.abs(full.residual) > _OUTLIER * np.sqrt(max(1.0, full.misfit))) & (data.weight > 0)
    if 0 < np.count_nonzero(far) < 0.05 * data.count:
        data = replace(data, weight=np.where(far, 0.0, data.weight))
        tried, full, more = _fit(data)
        spent += more
    return data, tried, full, spent


def _fit(data: Data) -> tuple[list[Fitted], Fitted, int]:
    """The likely orders on condensed rows, the best of them on all rows, and the evaluations spent."""
    tried, spent = grown(data.condensed())
    full = least_squares(tried[0].order, tried[0].value, data, most=25)
    return tried, full, spent + full.evaluations


def _objection(full: Fitted, joint: float, u_joint: float) -> Lack | None:
    """Why the fit may not be believed, or None."""
    if not np.isfinite(u_joint):
        return Lack("lack.no-joint")
    if full.misfit > _WORST_MISFIT:
        return Lack("lack.misfit", {"misfit": full.misfit})
    if joint < -3.0 * u_joint - 0.02:
        return Lack("lack.below-nothing", {"joint": joint})
    if u_joint > 0.1 * full.value[COPPER]:
        return Lack("lack.vague", {"u": u_joint})
    return None


def _nothing(winding: FloatArray, lack: Lack | None) -> ThermalFit:
    """A fit that could not be begun."""
    nan = float("nan")
    none = np.full((2, 2), np.nan)
    return ThermalFit(nan, nan, nan, nan, none, nan, nan, (), "none", winding, nan, nan, False, lack, 0)


def _wander(residual: FloatArray, block: int = 20) -> float:
    """How much more the means of *block* residuals scatter than white noise would: about 1 if white."""
    blocks = residual.size // block
    if blocks < 10:
        return 1.0
    means = residual[: blocks * block].reshape(blocks, block).mean(axis=1)
    return float(block * np.mean(means**2))


def _runs_z(residual: FloatArray) -> float:
    """Wald-Wolfowitz runs test on the signs of *residual*; about N(0, 1) for white residuals."""
    above = residual > 0
    up, down = int(above.sum()), int((~above).sum())
    total = up + down
    if up < 2 or down < 2:
        return float("nan")
    runs = 1 + int(np.count_nonzero(above[1:] != above[:-1]))
    mean = 1 + 2 * up * down / total
    variance = (mean - 1) * (mean - 2) / (total - 1)
    return (runs - mean) / float(np.sqrt(variance))
