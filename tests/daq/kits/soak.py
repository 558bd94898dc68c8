"""Whole runs in this process, in virtual time, with the simulation's own truth at hand."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

import daq.run.execute
import daq.sim.bench
from analysis.model import CoilResult
from daq.archive.judgement import Judged
from daq.archive.verdict_table import as_object
from daq.config.builtin import builtin
from daq.run.execute import Outcome, RunRequest, execute
from daq.sim.bench import SimBench

#: What the default fault script is about: verdict and reason code of each coil.
FAULTS = {
    "Y1": ("pass", "within-limits"),
    "Y2": ("fail", "opens-hot"),
    "Y3": ("pass", "within-limits"),
    "Y4": ("fail", "dropouts"),
    "Y5": ("fail", "joint"),
    "Y6": ("pass", "within-limits"),
    "Y7": ("fail", "shorted-turns"),
    "Y8": ("fail", "drift"),
}
HEALTHY = dict.fromkeys(FAULTS, ("pass", "within-limits"))
#: Resolution of time_s in the record.
TICK_S = 0.001

Row = dict[str, str]


@dataclass(frozen=True)
class Ran:
    """A finished run: what the program gave, what it said, and the bench that it ran on."""

    outcome: Outcome
    screen: str
    bench: SimBench | None

    @property
    def truth(self) -> SimBench:
        """The simulated bench."""
        assert self.bench is not None
        return self.bench

    def coil(self, label: str) -> CoilResult:
        """Return the judgement of *label*."""
        return next(coil for coil in self.outcome.result.coils if coil.coil == label)

    def verdicts(self) -> dict[str, tuple[str, str]]:
        """Return verdict and reason codes, joined by blanks, of each coil."""
        return {
            coil.coil: (coil.verdict, " ".join(reason.code for reason in coil.reasons))
            for coil in self.outcome.result.coils
        }

    def rows(self, coil: str | None = None) -> list[Row]:
        """Return the rows of readings.csv, of *coil* only if given."""
        return [row for row in table(self.outcome.folder / "readings.csv") if coil in {None, row["coil"]}]

    def events(self) -> list[Row]:
        """Return the rows of events.csv."""
        return table(self.outcome.folder / "events.csv")

    def bytes_of(self, name: str) -> bytes:
        """Return the content of a file of the record."""
        return (self.outcome.folder / name).read_bytes()

    def assert_figures_hold_truth(self, label: str) -> None:
        """R20 and joint of *label* lie within U (k = 2) of the simulation's own."""
        coil, truth = self.coil(label), self.truth.coils[label]
        assert coil.r20_ohm is not None
        assert coil.r20_u_ohm is not None
        assert coil.joint_ohm is not None
        assert coil.joint_u_ohm is not None
        assert abs(coil.r20_ohm - (truth.copper_at(20.0) + truth.joint_ohm)) < 2.0 * coil.r20_u_ohm
        assert abs(coil.joint_ohm - truth.joint_ohm) < 2.0 * coil.joint_u_ohm

    def assert_left_safe(self) -> None:
        """No contact ever moved under current, and everything is off in the end."""
        bench = self.truth
        assert bench.contacts_moved_under_current == 0
        assert bench.sense_moved_on_live_coil == 0
        assert not bench.output_on()
        assert bench.output_V() == 0.0
        assert bench.closed_channels() == frozenset()
        if "oven" in bench.peers:
            assert ask(bench, "oven", "OUTP?") == "0"


def table(path: Path) -> list[Row]:
    """Return the rows of a CSV file."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def ask(bench: SimBench, instrument: str, text: str) -> str:
    """Send one line to a simulated instrument; return what it answers."""
    return bench.peers[instrument].feed(text.encode() + b"\n").decode().strip()


def run(out: Path, *, person: object = None, drawn: bool = False, **asked: Any) -> Ran:
    """Do a run as the command line does.

    Args:
        out: Where the run folder goes.
        person: Stands in for the operator who is absent without a terminal.
        drawn: Also draw curves and report, which take as long as the run.
        asked: Fields of the request.
    """
    built: list[SimBench] = []
    build = daq.sim.bench.build

    def remember(*args: Any, **kwargs: Any) -> SimBench:
        built.append(build(*args, **kwargs))
        return built[-1]

    request = RunRequest(**{"kind": "soak", "command": "coilsoak soak", "out": out, **asked})
    console = Console(file=io.StringIO(), width=200)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(daq.sim.bench, "build", remember)
        if person is not None:
            patch.setattr(daq.run.execute, "AbsentOperator", lambda: person)
        if not drawn:
            patch.setattr(daq.run.execute, "judgement_files", only_judged)
        outcome = execute(request, console)
    assert isinstance(console.file, io.StringIO)
    return Ran(outcome, console.file.getvalue(), built[0] if built else None)


def only_judged(_folder: Path, judged: Judged, _paper: str) -> dict[str, object]:
    """Judge, and draw nothing: figures and report take longer than the soak."""
    return as_object(judged.result)


def rig_with(folder: Path, script: str | Path, *, without: tuple[str, ...] = (), **changed: str) -> Path:
    """Write the simulated rig file with another fault script.

    Args:
        folder: Where to.
        script: Path or name of the fault script.
        without: Names of tables that are left out with all under them.
        changed: Table name -> the lines that stand in its place.
    """
    kept = []
    dropped = False
    for line in builtin("rigs", "simulated").read_text(encoding="utf-8").splitlines():
        if line.startswith("["):
            dropped = line.split("]")[0].lstrip("[").split(".")[0] in {*without, *changed}
        if not dropped:
            kept.append(line)
    text = "\n".join([*kept, *changed.values()]) + "\n"
    old = 'fault_script = "groomer_faults.toml"'
    assert text.count(old) == 1
    path = folder / "rig.toml"
    path.write_text(text.replace(old, f'fault_script = "{script}"'), encoding="utf-8")
    return path


def set_with(folder: Path, **changed: object) -> Path:
    """Write the invented coil set with other values for keys that begin one line, or one comment."""
    text = builtin("coil_sets", "snow_groomer").read_text(encoding="utf-8")
    lines = text.splitlines()
    for key, value in changed.items():
        at = [index for index, line in enumerate(lines) if line.removeprefix("# ").startswith(f"{key} = ")]
        assert len(at) == 1, key
        lines[at[0]] = f"{key} = {value}"
    path = folder / "set.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def number(text: str) -> float:
    """Return the number in a cell; an empty cell is a failure of the test."""
    assert text, "an empty cell where a number was expected"
    return float(text)


def small_set(folder: Path, *labels: str, **changed: object) -> Path:
    """Write the invented coil set with *labels* only: its soak is soon over. *changed* is as in set_with."""
    head, *coils = set_with(folder, **changed).read_text(encoding="utf-8").split("[[coils]]")
    kept = [coil for coil in coils if any(f'label = "{label}"' in coil for label in labels)]
    assert len(kept) == len(labels)
    path = folder / "small_set.toml"
    path.write_text("[[coils]]".join([head, *kept]), encoding="utf-8")
    return path
