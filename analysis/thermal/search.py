"""The search for what a self-heated trace says: least squares with priors, and how much the heat wanders.

Levenberg and Marquardt's method, with the second-order step of Transtrum and Sethna (arXiv:1201.5885, from
memory), since copper, core and probe lead along curved valleys. It begins with the readings taken for much
noisier than they are, so that what is plausible leads the way, and ends with them as they are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from analysis.arrays import FloatArray
from analysis.thermal.body_model import R20, SLOPE, Data, Model, Point, first_guess, tight
from analysis.thermal.heat_path import Order

#: How much noisier the readings are taken for, stage by stage.
_TEMPER = (100.0, 10.0, 1.0)
_MOST = 45
#: A build that has not come so near after so many steps with the readings as they are is not the coil's.
_PATIENCE, _ASTRAY = 10, 4.0
#: K/s a root of a second: where the search begins, and where it stays within.
_WANDER, _LEAST, _LARGEST = 3e-4, 1e-6, 0.1
#: Factors by which the wandering is tried anew with each step.
_TRIED = np.array([0.6, 1.0, 1.7, 6.0])
#: The longest step of a logarithm, and the part of a step by which its bend is told.
_STRIDE, _PART = 1.5, 0.1
#: Settled: neither the step nor the next one would lessen the squares by more.
_SETTLED = 0.3
#: Damped by less than this, a step is as long as the squares ask for.
_FREE = 1e-3


@dataclass(frozen=True)
class Fitted:
    """Where a search ended.

    Attributes:
        model, point: The model, and its values there.
        wander: Of the unknown heat, K/s a root of a second.
        covariance: Of all unknowns, shape (p, p).
        doubt: -2 log evidence, up to what all orders share.
        misfit: Squares left over, over the degrees of freedom.
        steps: How many it took.
    """

    model: Model
    point: Point
    wander: float
    covariance: FloatArray
    doubt: float
    misfit: float
    steps: int


class _Priors:
    """What is plausible at one stage, and what it adds to the squares."""

    def __init__(self, sigma: FloatArray, likely: FloatArray) -> None:
        self.sigma, self.likely = sigma, likely
        self.weight = sigma**-2.0

    def squares(self, value: FloatArray) -> float:
        off = (value - self.likely) / self.sigma
        return float(off @ off)

    def normal(self, square: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The normal matrix scaled to a diagonal of ones, and the scale of each unknown."""
        whole = square.copy()
        whole[np.diag_indices_from(whole)] += self.weight
        scale = 1.0 / np.sqrt(np.diag(whole))
        return whole * scale[:, None] * scale, scale


def search(data: Data, order: Order, shared: Model | None = None, begin: Fitted | None = None) -> Fitted:
    """Fit one order.

    Args:
        data: The rows.
        order: The network's.
        shared: A model of the same rows, whose lags need not be made again.
        begin: A fit of the same order, of nearly the same rows, to begin from if not from a first guess.
    """
    model = Model(data, order, shared)
    value = first_guess(data, model) if begin is None else _carried(begin, model)
    stage, wander, damping = (0 if begin is None else len(_TEMPER) - 1), _WANDER, 1e-3
    guess, point = value, model.at(value)
    steps = patience = 0
    while True:
        slopes = model.slopes(point)
        last = stage == len(_TEMPER) - 1
        temper = _TEMPER[stage] ** -2.0
        square, pull = temper * slopes.T @ slopes, temper * slopes.T @ point.residual
        before = wander
        if last:
            wander = _wandering(model, wander, square, pull, point.value)
        priors = _Priors(model.sigma(wander), model.likely())
        if not last:
            priors = _Priors(*tight(model, priors.sigma, priors.likely, guess))
        patience += last
        squares = float(point.residual @ point.residual)
        if steps >= _MOST or (patience > _PATIENCE and squares > _ASTRAY * point.residual.size):
            break
        steps += 1
        here = temper * float(point.residual @ point.residual) + priors.squares(point.value)
        pull -= (point.value - priors.likely) * priors.weight
        normal, scale = priors.normal(square)
        point, there, expected, damping = _step(
            model, point, here, priors, temper, (slopes, normal, pull, scale), damping
        )
        gained = here - there
        if not last and (expected < 0.1 * here or gained < 0.05 * here):
            stage, damping = stage + 1, 1e-3
        elif last and max(expected, gained) < _SETTLED and wander == before and damping < _FREE:
            slopes = model.slopes(point)
            square = slopes.T @ slopes
            break
    return _finished(model, point, wander, square, steps)


def _carried(begin: Fitted, model: Model) -> FloatArray:
    """The values of a fit for a model whose wandering heat may have its knots elsewhere."""
    was, value = begin.model, begin.point.value
    level = np.concatenate(([0.0], np.cumsum(value[was.walk + 1 :])))
    steps = np.diff(np.interp(model.knot_s, was.knot_s, level))
    return np.concatenate((value[: was.walk + 1], steps))


def _step(
    model: Model,
    point: Point,
    here: float,
    priors: _Priors,
    temper: float,
    system: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    damping: float,
) -> tuple[Point, float, float, float]:
    """The next point, its squares, what was expected to be gained, and the damping for the next step."""
    slopes, normal, pull, scale = system
    grow = 2.0
    while True:
        damped = normal.copy()
        damped[np.diag_indices_from(damped)] += damping
        factor = cho_factor(damped, lower=True, overwrite_a=True, check_finite=False)
        step = scale * cho_solve(factor, scale * pull, check_finite=False)
        expected = float(pull @ step)
        longest = float(np.abs(step[: model.size]).max())
        step *= min(1.0, _STRIDE / max(longest, 1e-12))
        if expected > 1.0:
            near = model.at(point.value + _PART * step).residual
            bend = (near - point.residual + _PART * (slopes @ step)) / _PART**2
            turn = scale * cho_solve(factor, scale * (temper * (slopes.T @ bend)), check_finite=False)
            share = float(np.linalg.norm(turn / scale)) / max(float(np.linalg.norm(step / scale)), 1e-12)
            step = step + turn * min(1.0, 0.75 / max(share, 1e-12))
        found = model.at(point.value + step)
        there = temper * float(found.residual @ found.residual) + priors.squares(found.value)
        if there < here * (1.0 + 1e-9) or damping > 1e6:
            break
        damping, grow = damping * grow, grow * 2.0
    quality = min((here - there) / max(expected, 1e-9), 1.0)
    return found, there, expected, max(damping * max(0.1, 1.0 - (2.0 * quality - 1.0) ** 3), 1e-9)


def _wandering(model: Model, wander: float, square: FloatArray, pull: FloatArray, value: FloatArray) -> float:
    """The likeliest wandering near *wander*, the model taken for straight at *value*."""

    def doubt(tried: float) -> float:
        priors = _Priors(model.sigma(tried), model.likely())
        normal, scale = priors.normal(square)
        factor = cho_factor(normal, lower=True, overwrite_a=True, check_finite=False)
        left = pull - (value - priors.likely) * priors.weight
        gain = float(left @ (scale * cho_solve(factor, scale * left, check_finite=False)))
        logs = 2.0 * float(np.log(np.diag(factor[0])).sum() - np.log(scale).sum())
        return priors.squares(value) - gain + logs + 2.0 * (model.knot_s.size - 1) * float(np.log(tried))

    tried: list[float] = np.clip(_TRIED * wander, _LEAST, _LARGEST).tolist()
    return min(tried, key=doubt)


def _finished(model: Model, point: Point, wander: float, square: FloatArray, steps: int) -> Fitted:
    priors = _Priors(model.sigma(wander), model.likely())
    normal, scale = priors.normal(square)
    factor = cho_factor(normal, lower=True, overwrite_a=True, check_finite=False)
    covariance = cho_solve(factor, np.eye(scale.size), check_finite=False) * scale[:, None] * scale
    known = np.isfinite(priors.sigma)
    logs = 2.0 * float(
        np.log(np.diag(factor[0])).sum() - np.log(scale).sum() + np.log(priors.sigma[known]).sum()
    )
    squares = float(point.residual @ point.residual)
    spent = scale.size - float(np.sum(np.diag(covariance) * priors.weight))
    misfit = squares / max(point.residual.size - spent, 1.0)
    return Fitted(
        model, point, wander, covariance, squares + priors.squares(point.value) + logs, misfit, steps
    )


def copper_and_joint(fitted: Fitted) -> tuple[FloatArray, FloatArray]:
    """Copper and joint in ohms, shape (2,), and their covariance in ohm², shape (2, 2)."""
    model, value = fitted.model, fitted.point.value
    pair = [model.size + R20, model.size + SLOPE]
    copper = float(np.exp(value[pair[1]])) / model.data.alpha20_per_K
    turn = np.array([[0.0, copper], [1.0, -copper]])
    cov = turn @ fitted.covariance[np.ix_(pair, pair)] @ turn.T
    return np.array([copper, value[pair[0]] - copper]), np.asarray(cov)
