"""How fast is the thermal fit, and how much memory does a long record take to be judged?

The same invented traces of about 1,200 rows are given to the shipped fit, to one curve_fit call of the plain
winding-and-body network a coil (numeric derivatives, good first guess), and to one ODRPACK straight line a
coil. Then one coil's trace of a million rows is judged and the memory above its own columns is measured::

    python tests/benchmarks/thermal_speed.py

Times are ratios within one run. The error of the joint stands beside each: the quick ones pay with it.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
from odrpack import odr_fit
from scipy.optimize import curve_fit
from scipy.signal import lfilter

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from analysis.judge.set import judge_set
from analysis.model import OK, Accuracy, Trace
from analysis.thermal.fit import fit_trace
from tests.benchmarks.invented_coils import ALPHA20, FloatArray, Rows, random_coil, simulate

COILS, MILLION = 20, 1_000_000


def traces() -> list[tuple[Rows, float]]:
    """Traces of random coils, a row a second, 20 minutes, and the joint of each in ohms."""
    made = []
    for seed in range(COILS):
        rng = np.random.default_rng(7000 + seed)
        coil = random_coil(rng)
        made.append((simulate(coil, rng, cool_s=880.0), coil.joint_ohm))
    return made


def shipped(rows: Rows) -> float:
    """The whole fit with its choice of order."""
    given = (rows.time_s, rows.probe_degC, rows.resistance_ohm, rows.power_W())
    return fit_trace(*given, noise_ohm=0.001, noise_K=0.1).joint_ohm


def two_masses(rows: Rows) -> float:
    """Winding and body as one lump each, by curve_fit on resistance and probe together."""
    step_s = float(np.median(np.diff(rows.time_s)))
    power = rows.power_W()

    def model(_: FloatArray, *p: float) -> FloatArray:
        c_w, c_b, g, loss, copper, joint = p
        # Explicit steps of the two lumps, written as filters of second order.
        a, b, c = 1 - step_s * g / c_w, step_s * g / c_w, step_s * g / c_b
        d = 1 - step_s * (g + loss) / c_b
        poles = [1.0, -(a + d), a * d - b * c]
        winding = 22.0 + lfilter([0.0, step_s / c_w, -d * step_s / c_w], poles, power)
        body = 22.0 + lfilter([0.0, 0.0, c * step_s / c_w], poles, power)
        return np.concatenate(((copper * (1 + ALPHA20 * (winding - 20)) + joint) / 0.001, body / 0.1))

    seen = np.concatenate((rows.resistance_ohm / 0.001, rows.probe_degC / 0.1))
    cold = float(rows.resistance_ohm[:10].mean())
    found, _ = curve_fit(model, rows.time_s, seen, p0=(16.0, 80.0, 0.5, 0.15, cold, 0.0), maxfev=2000)
    return float(found[-1])


def line(rows: Rows) -> float:
    """One straight line with errors in both axes, through the cooling from three minutes after switch-off."""
    off = rows.time_s > rows.time_s[rows.current_A > 0].max() + 180.0

    def straight(x: FloatArray, beta: FloatArray) -> FloatArray:
        return np.asarray(beta[0] + beta[1] * x)

    found = odr_fit(
        straight,
        rows.probe_degC[off],
        rows.resistance_ohm[off],
        beta0=np.array([3.0, 0.01]),
        weight_x=100.0,
        weight_y=1e6,
    ).beta
    return float(found[0] + 20.0 * found[1] - found[1] / ALPHA20)


def measured(work: Callable[[Rows], float], made: list[tuple[Rows, float]]) -> tuple[float, float]:
    """Median processor time in seconds of *work* over the traces, and its median error in ohms."""
    spent, off = [], []
    for rows, joint_ohm in made:
        begun = time.process_time()
        off.append(abs(work(rows) - joint_ohm))
        spent.append(time.process_time() - begun)
    return float(np.median(spent)), float(np.median(off))


def a_million() -> Trace:
    """A coil that is read for 14 hours, a reading in 50 ms, in an oven between 22 and 90 degC."""
    rng = np.random.default_rng(1)
    time_s = 0.05 * np.arange(MILLION)
    probe = 22.0 + 68.0 * np.clip(np.sin(time_s / 8000.0), 0.0, 1.0)
    ohm = 3.3 * (1 + ALPHA20 * (probe - 20)) + rng.normal(0, 0.001, MILLION)
    none = np.full(MILLION, np.nan)
    words = (np.full(MILLION, word) for word in ("", "ohms", OK))
    return Trace("Y1", time_s, probe + rng.normal(0, 0.1, MILLION), ohm, none, none, *words)


def main() -> None:
    """Print the table."""
    made = traces()
    shipped(made[0][0])
    rows = np.mean([r.time_s.size for r, _ in made])
    print(f"{COILS} traces of {rows:.0f} rows, median processor time a coil and error of the joint")  # noqa: T201
    ours_s, _ = measured(shipped, made)
    for name, work in (
        ("thermal fit, as shipped", shipped),
        ("curve_fit, winding + body", two_masses),
        ("ODRPACK straight line", line),
    ):
        each_s, off_ohm = measured(work, made)
        print(  # noqa: T201
            f"  {name:26s} {1e3 * each_s:7.1f} ms  {1 / each_s:6.1f} coils/s  x {each_s / ours_s:5.2f}"
            f"  {1e3 * off_ohm:6.1f} mohm"
        )
    trace = a_million()
    own = sum(column.nbytes for column in vars(trace).values() if isinstance(column, np.ndarray))
    tracemalloc.start()
    begun = time.process_time()
    judge_set([trace], None, {}, Accuracy())
    spent = time.process_time() - begun
    _, peak = tracemalloc.get_traced_memory()
    print(  # noqa: T201
        f"a million readings judged in {spent:.1f} s, memory {peak / 2**20:.0f} MiB above the trace's"
        f" own {own / 2**20:.0f} MiB ({peak / own:.1f} times)"
    )


if __name__ == "__main__":
    main()
