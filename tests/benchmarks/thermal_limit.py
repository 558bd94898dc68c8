"""How close does the thermal fit come to the least variance any fit could have?

One invented coil, built as the fit builds a winding, is read many times with fresh noise. The Cramér-Rao
bound of its joint is computed here from the simulation alone: central differences of the noiseless rows to
every property of the coil, no code of the fit. Two fits are held against it::

    python tests/benchmarks/thermal_limit.py --traces 300

*plainest build*: winding, body and probe, and a loss of which nothing is known; the bound knows that it is
constant. *as shipped*: the whole fit, which does not know the build either and pays for its doubts.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.invented_coils import Coil, Rows, ladder, simulate

FloatArray = NDArray[np.float64]

NOISE_OHM, NOISE_K = 0.001, 0.1


def heated_by(rows: Rows, coil: Coil, air_degC: float, start_degC: float) -> tuple[FloatArray, FloatArray]:
    """Winding and probe of *coil* under the power that *rows* counted, by dense steps of its own equation."""
    from scipy.linalg import expm

    n = coil.capacity.size
    a = np.zeros((n + 2, n + 2))
    a[:n, :n] = (coil.link - np.diag(coil.link.sum(axis=1) + coil.loss)) / coil.capacity[:, None]
    a[:n, n], a[:n, n + 1] = coil.share / coil.capacity, coil.loss / coil.capacity
    state = np.full(n, start_degC)
    power, seen = rows.power_W(), []
    step_s = np.diff(rows.time_s, prepend=rows.time_s[0])
    known = {step: expm(a * step) for step in np.unique(step_s)}
    square = np.concatenate(([0.0], rows.current_A[1:] ** 2))
    for step, watts, amps2 in zip(step_s, power, square, strict=True):
        heat = watts - (coil.joint_ohm * amps2 if watts > 0 else 0.0)
        state = (known[step] @ np.concatenate((state, [heat, air_degC])))[:n]
        seen.append((float(coil.share @ state), state[coil.body]))
    winding, probe = np.array(seen).T
    return winding, probe


#: The coil that is read again and again, and one like those of the simulated bench.
LADDER = {"winding": 14.0, "body": 80.0, "lead": 1.9, "loss": 0.16, "copper_ohm": 3.2, "joint_ohm": 0.1}
BENCH = {"winding": 18.0, "body": 134.0, "lead": 2.0, "loss": 0.26, "copper_ohm": 3.3, "joint_ohm": 0.01}


def slopes(rows: Rows, build: dict[str, float], noise_ohm: float) -> tuple[FloatArray, int]:
    """Return what each unknown does to both readings of each row, shape (n, 2, 8), and where the joint is.

    In units of the noise. The power is given, as it is to the fit; unknown are the coil's six properties, the
    air and the start.
    """
    true = build | {"air": 22.0, "start": 22.0}

    def seen(at: dict[str, float]) -> FloatArray:
        coil = ladder(**{k: v for k, v in at.items() if k not in {"air", "start"}})
        winding, probe = heated_by(rows, coil, at["air"], at["start"])
        ohm = at["copper_ohm"] * (1 + 0.00393 * (winding - 20)) + at["joint_ohm"]
        return np.stack((ohm / noise_ohm, probe / NOISE_K), axis=-1)

    columns = []
    for name, value in true.items():
        h = 1e-4 * value
        high, low = (seen(true | {name: value + s * h}) for s in (1, -1))
        columns.append((high - low) / (2 * h))
    return np.stack(columns, axis=-1), list(true).index("joint_ohm")


def least_u(slope: FloatArray, at: int) -> float:
    """Return the least standard deviation of unknown *at* (Cramér-Rao) by rows of :func:`slopes`."""
    flat = slope.reshape(-1, slope.shape[-1])
    size = np.linalg.norm(flat, axis=0)
    inverse = np.linalg.inv((flat / size).T @ (flat / size)) / np.outer(size, size)
    return float(np.sqrt(inverse[at, at]))


def bound() -> tuple[float, Rows]:
    """Least standard deviation of the joint in ohm (Cramér-Rao), and the noiseless rows."""
    rows = simulate(ladder(**LADDER), np.random.default_rng(0), noise_ohm=0.0, noise_K=0.0)
    return least_u(*slopes(rows, LADDER, NOISE_OHM)), rows


def bounds_by_time(
    joint_ohm: float, noise_ohm: float = 0.0005, heat_W: float = 30.0
) -> list[tuple[float, float]]:
    """Return pulses (s) and the shortest cooling after each (s) by which a joint can be known to *joint_ohm*.

    For a coil of the simulated bench, read once a second with the rig's noise.
    """
    found = []
    for heat_s in np.arange(20.0, 320.0, 20.0):
        rows = simulate(
            ladder(**BENCH),
            np.random.default_rng(0),
            heat_s=float(heat_s),
            cool_s=720.0,
            heat_W=heat_W,
            noise_ohm=0.0,
            noise_K=0.0,
        )
        slope, at = slopes(rows, BENCH, noise_ohm)
        for cool_s in np.arange(5.0, 720.0, 5.0):
            if least_u(slope[rows.time_s <= 20.0 + heat_s + cool_s], at) <= joint_ohm:
                found.append((float(heat_s), float(cool_s)))
                break
    return found


def noisy(rows: Rows, seed: int) -> Rows:
    """The same trace read once more."""
    rng = np.random.default_rng(seed)
    n = rows.time_s.size
    return replace(
        rows,
        probe_degC=rows.probe_degC + rng.normal(0, NOISE_K, n),
        resistance_ohm=rows.resistance_ohm + rng.normal(0, NOISE_OHM, n),
    )


def joints(rows: Rows) -> tuple[tuple[float, float], tuple[float, float]]:
    """Joint and its uncertainty in ohm, by the plainest build alone and by the fit as shipped."""
    from analysis.thermal.fit import fit_trace
    from analysis.thermal.heat_path import Order
    from analysis.thermal.prepare import prepare
    from analysis.thermal.search import copper_and_joint, search

    given = (rows.time_s, rows.probe_degC, rows.resistance_ohm, rows.power_W())
    made = prepare(
        *given,
        noise_ohm=NOISE_OHM,
        noise_K=NOISE_K,
        joint_heat=True,
        edges=None,
        by_vi=None,
        vi_gain_u=1.0,
        offset_u_ohm=1.0,
        alpha20_per_K=0.00393,
    )
    assert made.data is not None
    (_, joint), cov = copper_and_joint(search(made.data, Order()))
    shipped = fit_trace(*given, noise_ohm=NOISE_OHM, noise_K=NOISE_K, alpha20_u_per_K=0.0)
    return (float(joint), float(np.sqrt(cov[1, 1]))), (shipped.joint_ohm, shipped.joint_u_ohm)


def main() -> None:
    """Print efficiency (bound² over mean squared error) of the plainest build, and as shipped."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--traces", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    least, rows = bound()
    print(f"Cramér-Rao bound of the joint: {1e3 * least:.3f} mohm")  # noqa: T201
    found = np.array([joints(noisy(rows, asked.seed + k)) for k in range(asked.traces)])
    for name, (joint, u) in zip(("plainest build", "as shipped"), found.transpose(1, 2, 0), strict=True):
        off = joint - 0.1
        scatter = float(np.var(joint, ddof=1))
        print(  # noqa: T201
            f"{name}: {asked.traces} traces, bias {1e3 * off.mean():.3f} mohm,"
            f" standard deviation {1e3 * np.sqrt(scatter):.3f} mohm (stated {1e3 * np.median(u):.3f}),"
            f" efficiency {least**2 / np.mean(off**2):.3f} +- {np.sqrt(2 / asked.traces):.3f},"
            f" 95 % interval holds {100 * np.mean(np.abs(off) < 1.96 * u):.1f} %"
        )


if __name__ == "__main__":
    main()
