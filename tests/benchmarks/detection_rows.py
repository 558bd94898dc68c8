"""One soaked set judged in every way that is compared: coilsoak, and what a user would do instead."""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from analysis.judge.set import judge_set
from analysis.model import OK, OVER_RANGE, Accuracy, Trace
from daq.config.builtin import builtin
from daq.config.load import load_coil_set, load_rig
from daq.record.reader import read_run
from tests.benchmarks.detection_sets import NOMINAL_OHM, SWITCHING, Part, draw, soak
from tests.benchmarks.detection_traces import traces

ALPHA20_PER_K = 0.00393
TOLERANCE_REL, JOINT_MAX_OHM = 0.10, 0.10

#: Limits put in place of the set file's, by kind.
SETTINGS: dict[str, dict[str, dict[str, float]]] = {
    "as the file": {},
    "joint 0.02 ohm": {"joint_max_ohm": {"switching": 0.02, "proportional": 0.02}},
    "peers 1 %": {"peer_max_ohm": {"switching": 0.033, "proportional": 0.053}},
    "drift 0.15 %": {"drift_max_rel": {"switching": 0.0015, "proportional": 0.0015}},
}
INSTEAD = ("cold ohms", "spreadsheet line", "one hot reading")


@dataclass(frozen=True)
class Row:
    """One coil: the truth, verdict and reason codes by setting, and which simple methods reject it."""

    part: Part
    faulty_set: bool
    spread_rel: float
    kind: str
    verdicts: dict[str, tuple[str, tuple[str, ...]]]
    rejected_by: tuple[str, ...]


def by_bench(runs: Path, number: int, seed: int, *, faulty: bool) -> list[Row]:
    """Judge a set soaked on the simulated bench, end to end; soak it first where *runs* does not hold it."""
    folder = runs / f"{'faulty' if faulty else 'sound'}-{number:05d}"
    told = folder / "truth.json"
    if not told.exists():  # written last: what is there without it was cut off
        shutil.rmtree(folder, ignore_errors=True)
        soak(draw(number, seed, faulty=faulty), folder)
    truth = json.loads(told.read_text(encoding="utf-8"))
    run = read_run(next(path for path in folder.iterdir() if path.is_dir()))
    parts = [Part(**part) for part in truth["parts"]]
    return _judged(run.traces(), run.header.accuracy, parts, truth["spread_rel"], faulty)


def by_formula(number: int, seed: int, *, faulty: bool) -> list[Row]:
    """Judge the same set by readings from the benchmark's own formulas."""
    drawn = draw(number, seed, faulty=faulty)
    accuracy = load_rig(builtin("rigs", "simulated")).value.accuracy()
    rng = np.random.default_rng([seed, number, int(faulty), 1])
    return _judged(traces(drawn, rng), accuracy, drawn.parts, drawn.spread_rel, faulty)


def _judged(
    readings: Sequence[Trace], accuracy: Accuracy, parts: Sequence[Part], spread_rel: float, faulty_set: bool
) -> list[Row]:
    coil_set = load_coil_set(builtin("coil_sets", "snow_groomer")).value
    verdicts: dict[str, dict[str, tuple[str, tuple[str, ...]]]] = {}
    for name, changed in SETTINGS.items():
        limits = {
            kind: replace(usual, **{key: of_kind[kind] for key, of_kind in changed.items()})
            for kind, usual in coil_set.kind_limits().items()
        }
        hottest_degC = max(coil_set.test.steps_degC)
        result = judge_set(readings, coil_set.subjects(), limits, accuracy, soak_degC=hottest_degC)
        for coil in result.coils:
            codes = tuple(reason.code for reason in coil.reasons)
            verdicts.setdefault(coil.coil, {})[name] = (coil.verdict, codes)
    of_coil = {trace.coil: trace for trace in readings}
    rows = []
    for part in parts:
        kind = "switching" if part.coil in SWITCHING else "proportional"
        rejected = _rejected(of_coil[part.coil], NOMINAL_OHM[kind])
        rows.append(Row(part, faulty_set, spread_rel, kind, verdicts[part.coil], rejected))
    return rows


def _rejected(trace: Trace, nominal_ohm: float) -> tuple[str, ...]:
    """Which of the simple methods reject a coil, each with nothing but the readings it looks at."""
    ways = (_cold_ohms, _spreadsheet_line, _one_hot_reading)
    return tuple(name for name, way in zip(INSTEAD, ways, strict=True) if not way(trace, nominal_ohm))


def _within(ohm: float, nominal_ohm: float) -> bool:
    return abs(ohm - nominal_ohm) <= TOLERANCE_REL * nominal_ohm


def _cold_ohms(trace: Trace, nominal_ohm: float) -> bool:
    """The first reading on the bench, as it stands, within tolerance of nominal."""
    first = int(np.flatnonzero(trace.phase == "ambient")[0])
    return bool(trace.status[first] == OK) and _within(float(trace.resistance_ohm[first]), nominal_ohm)


def _spreadsheet_line(trace: Trace, nominal_ohm: float) -> bool:
    """A straight line through every row with both numbers: R20 within tolerance, joint below its limit."""
    both = np.isfinite(trace.probe_degC) & np.isfinite(trace.resistance_ohm) & (trace.status == OK)
    slope, at_20_ohm = np.polyfit(trace.probe_degC[both] - 20.0, trace.resistance_ohm[both], 1).tolist()
    return _within(at_20_ohm, nominal_ohm) and at_20_ohm - slope / ALPHA20_PER_K <= JOINT_MAX_OHM


def _one_hot_reading(trace: Trace, nominal_ohm: float) -> bool:
    """One reading amid the hottest hold, referred to 20 degC by the copper law, within tolerance."""
    told = (trace.status == OK) | (trace.status == OVER_RANGE)
    hold = np.flatnonzero((trace.phase == "hold") & told & (trace.probe_degC > 85.0))
    if not hold.size:  # the soak ended before: nothing to reject it by
        return True
    at = int(hold[hold.size // 2])
    if trace.status[at] != OK:
        return False
    return _within(
        float(trace.resistance_ohm[at]) / (1.0 + ALPHA20_PER_K * (float(trace.probe_degC[at]) - 20.0)),
        nominal_ohm,
    )
