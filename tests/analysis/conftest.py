"""Published tables for the tests of the analysis."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from analysis.model import FloatArray

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
