"""What the tests of changes share: sweeps of invented coils by a formula of their own, made runs."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import numpy as np

from analysis.history.history import AtStage
from analysis.judge.set import judge_set
from analysis.model import OK, OVER_RANGE, Accuracy, Limits, SetResult, Subject, Trace

ACCURACY = Accuracy(gain_rel=1e-4, offset_ohm=0.002, noise_ohm=5e-4, probe_K=0.3, probe_noise_K=0.05)
SET = "invented manifold"
#: R20 of the usual coils, all of one kind.
SOUND = {"Y1": 3.30, "Y2": 3.31, "Y3": 3.29, "Y4": 3.32, "Y5": 3.28}


def swept(
    r20_ohm: Mapping[str, float],
    degC: float = 20.0,
    *,
    seed: int = 1,
    hotter_K: float = 0.0,
    serials: Mapping[str, str] | None = None,
) -> SetResult:
    """Judge a sweep at *degC*, five readings a coil; windings may be hotter than probes say, inf is open."""
    rng = np.random.default_rng(seed)
    traces = []
    for label, r20 in r20_ohm.items():
        ohm = r20 * (234.5 + degC + hotter_K) / 254.5 + rng.normal(0.0, 3e-4, 5)
        opened = np.isinf(ohm)
        nothing = np.full(5, np.nan)
        traces.append(
            Trace(
                label,
                np.arange(5.0),
                degC + rng.normal(0.0, 0.03, 5),
                np.where(opened, np.nan, ohm),
                nothing,
                nothing,
                np.full(5, "sweep"),
                np.full(5, "ohms"),
                np.where(opened, OVER_RANGE, OK),
            )
        )
    subjects = [Subject(label, "switching", (serials or {}).get(label, "")) for label in r20_ohm]
    limits = {"switching": Limits("switching", r20_ohm=3.3)}
    return judge_set(traces, subjects, limits, ACCURACY)


def run(number: int, result: SetResult, **changes: Any) -> AtStage:
    """Make *result* the run of hour *number*, a sweep with the usual meter and probe."""
    fields: dict[str, Any] = {
        "name": f"run-{number}",
        "result": result,
        "start": datetime(2026, 3, 2, number, tzinfo=UTC),
        "kind": "sweep",
        "stage": "as received",
        "set_name": SET,
        "meter": "meter A",
        "probe": "probe A",
    }
    return AtStage(**(fields | changes))
