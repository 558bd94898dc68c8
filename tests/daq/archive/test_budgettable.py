from __future__ import annotations

import json
from dataclasses import replace
from io import StringIO
from pathlib import Path

import pytest
from click.testing import CliRunner
from rich.console import Console

from analysis.model import CoilResult, SetResult
from analysis.statistics.budget import Source, budget
from daq.archive.budget_table import budget_tables
from daq.commands.group import cli

R20 = budget(
    "R20",
    "ohm",
    3.31692,
    [
        Source("probe offset", "B", "K", 0.3, -0.013),
        Source("noise", "A", "ohm", 0.004, 1.0, 3.0),
        Source("meter gain", "B", "1", 1e-5, 3.3),
    ],
)
COIL = CoilResult("[Y1]", "", "", "pass", (), (), *([None] * 6), "line", None, 0, budgets=(R20,))


def printed(*coils: CoilResult) -> list[str]:
    """The tables as lines of an 80-column terminal."""
    paper = StringIO()
    Console(file=paper, width=80).print(budget_tables(SetResult(coils)))
    return paper.getvalue().splitlines()


def test_budget_is_a_table_with_the_largest_share_first() -> None:
    """Value and uncertainty are rounded together, then each source with its numbers stands in a row."""
    lines = printed(COIL)
    assert max(map(len, lines)) <= 80
    # u = 5.587 mohm with 11.4 degrees of freedom: k = 2.25 by the t distribution with 11.
    assert lines[1] == "[Y1] R20 = 3.3169(56) ohm, U = 0.013 ohm (k = 2.25, 11.4 degrees of freedom)"
    rows = [" ".join(line.split()) for line in lines[2:] if "%" in line]
    assert rows[0] == "noise A 0.004 ohm 3 1 0.004 51.3 %"
    assert rows[1] == "probe offset B 0.3 K - -0.013 0.0039 48.7 %"
    assert rows[2] == "meter gain B 1e-05 - 3.3 3.3e-05 0.0 %"


def test_a_coil_without_a_result_says_so() -> None:
    """A coil with neither R20 nor joint has no table and says so."""
    text = "\n".join(printed(replace(COIL, budgets=()), COIL))
    assert "[Y1]: no budget, neither R20 nor joint is determined" in text
    assert "[Y1] R20 = 3.3169(56) ohm" in text


def test_judge_prints_the_budget_when_asked(tmp_path: Path) -> None:
    """``judge --budget`` adds the tables to the verdicts; without it there are none, with --json always."""
    table = tmp_path / "points.csv"
    rows = [f"{t},{3.3 * (1.0 + 0.00393 * (t - 20.0)):.4f}" for t in (22.0, 50.0, 70.0, 90.0)]
    table.write_text("\n".join(["probe_degC,resistance_ohm", *rows]), encoding="utf-8")

    def judged(*options: str) -> str:
        answer = CliRunner().invoke(cli, ["judge", str(table), *options], catch_exceptions=False)
        assert answer.exit_code == 0
        return answer.stdout

    assert "alpha20 of the wire" in judged("--budget")
    assert "alpha20 of the wire" not in judged()
    (coil,) = json.loads(judged("--json"))["coils"]
    joint = next(each for each in coil["budgets"] if each["result"] == "joint")
    assert joint["u"] == pytest.approx(coil["joint_u_ohm"], rel=1e-9)
    assert joint["components"][0]["name"] == "alpha20 of the wire"
