"""Published tables and invented traces for the tests of the analysis."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from analysis.arrays import FloatArray
from analysis.model import OK, OVER_RANGE, Trace

TABLES = Path(__file__).parents[2] / "fixtures" / "tables"

Table = Callable[[str], dict[str, FloatArray]]


@pytest.fixture(scope="session")
def table() -> Table:
    """Read a published table by name: one array a column, NaN where a cell is empty."""

    def read(name: str) -> dict[str, FloatArray]:
        with (TABLES / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            head, *rows = csv.reader(file)
        return {key: np.array([float(row[k] or "nan") for row in rows]) for k, key in enumerate(head)}

    return read


class Bench:
    """Makes invented traces of coils whose truth is known, by formulas of its own."""

    steps_degC = (22.0, 50.0, 70.0, 90.0, 22.5)
    phases = ("ambient", "hold", "hold", "hold", "return")

    def soak(
        self,
        coil: str = "Y1",
        copper_ohm: float = 3.3,
        joint_ohm: float = 0.0,
        *,
        seed: int = 1,
        readings: int = 6,
        grown_rel: float = 0.0,
        phased: bool = True,
    ) -> Trace:
        """A soak in steps, an hour each; *grown_rel* is what the copper gains after the hottest step."""
        rng = np.random.default_rng(seed)
        body = np.repeat(self.steps_degC, readings)
        time_s = (3600.0 * np.arange(5.0)[:, None] + 30.0 * np.arange(readings)).ravel()
        growth = np.where(time_s > 3.9 * 3600.0, grown_rel, 0.0)
        ohm = copper_ohm * (1.0 + growth) * (1.0 + (body - 20.0) / 254.4529) + joint_ohm
        return self.trace(
            coil,
            time_s,
            body + rng.normal(0.0, 0.1, body.size),
            ohm + rng.normal(0.0, 0.001, body.size),
            phase=np.repeat(self.phases, readings) if phased else None,
        )

    def points(self, coil: str, probe_degC: list[float], ohm: list[float]) -> Trace:
        """Settled points without time or power; an infinite resistance is over range."""
        n = len(ohm)
        return self.trace(coil, np.full(n, np.nan), np.array(probe_degC), np.array(ohm))

    def trace(
        self,
        coil: str,
        time_s: FloatArray,
        probe_degC: FloatArray,
        ohm: FloatArray,
        *,
        phase: FloatArray | None = None,
        voltage_V: FloatArray | None = None,
        current_A: FloatArray | None = None,
    ) -> Trace:
        """A trace from its columns; an infinite resistance is over range, NaN is missing."""
        n = ohm.size
        opened = np.isinf(ohm)
        amperes = np.full(n, np.nan) if current_A is None else current_A
        return Trace(
            coil,
            time_s,
            probe_degC,
            np.where(opened, np.nan, ohm),
            np.full(n, np.nan) if voltage_V is None else voltage_V,
            amperes,
            np.full(n, "") if phase is None else phase,
            np.where(np.nan_to_num(amperes) > 0.05, "V/I", "ohms"),
            np.where(opened, OVER_RANGE, np.where(np.isnan(ohm), "missing: no reading", OK)),
        )

    def self_heated(
        self, coil: str = "Y1", copper_ohm: float = 3.2, joint_ohm: float = 0.0, *, seed: int = 1
    ) -> Trace:
        """Two minutes at rest, eight at 8.4 V, half an hour of cooling, a reading a second."""
        rng = np.random.default_rng(seed)
        winding = body = 22.0
        rows: list[tuple[float, float, float, float]] = []
        for second in range(2400):
            ohm = copper_ohm * (1.0 + 0.00393 * (winding - 20.0)) + joint_ohm
            volts = 8.4 if 120 <= second < 600 else 0.0
            rows.append((body, ohm, volts, volts / ohm))
            for _ in range(20):  # Euler steps of 50 ms, far below the time constant of 20 s
                heat_W = (volts / ohm) ** 2 * (ohm - joint_ohm)
                flow_W = (winding - body) / 0.8
                winding += 0.05 * (heat_W - flow_W) / 25.0
                body += 0.05 * (flow_W - 0.25 * (body - 22.0)) / 120.0
        probe, ohms, volts_V, amperes = np.array(rows).T
        return self.trace(
            coil,
            np.arange(2400.0),
            probe + rng.normal(0.0, 0.1, 2400),
            ohms + rng.normal(0.0, 0.001, 2400),
            voltage_V=volts_V,
            current_A=amperes,
        )


@pytest.fixture(scope="session")
def bench() -> Bench:
    """The maker of invented traces."""
    return Bench()
