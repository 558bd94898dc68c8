"""Run folders of the same coils, from records to what became of each coil, and that to files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC
from itertools import combinations
from pathlib import Path

import numpy as np

from analysis.history.change import Change, cold_reading
from analysis.history.history import AtStage, CoilHistory, History, Together, history
from analysis.history.standing import Issue, standing
from analysis.history.words import notes, remarks, state
from analysis.model import CoilResult
from analysis.trace.rows import DRIVEN_A
from daq.archive.judgement import Judged, given_run, judge_run
from daq.config.rig import Rig
from daq.config.toml import load
from daq.durable_file import write_whole
from daq.errors import InputError
from daq.plain_file import read_inside
from daq.record.format import HEADER, MAX_TABLE_BYTES, READINGS, RIG, TRAVEL, json_text
from daq.record.reader import Run

COMPARISON = "comparison.json"


def compare_runs(folders: Sequence[Path]) -> History:
    """Read and judge run folders, and follow their coils from run to run.

    Raises:
        InputError: One is no readable run or is named twice, or no coil is in two of them.
    """
    if len(folders) < 2:
        raise InputError(f"compare: {len(folders)} run given, expected two or more run folders")
    runs = [given_run(folder, TRAVEL) for folder in folders]
    for one, other in combinations(folders, 2):
        if _same(one, other):
            raise InputError(f"{other}: is the same run as {one}; name each run once")
    found = followed(runs)
    if not found.common:
        raise InputError(
            "compare: no coil in common; a coil is known again by its serial number, "
            "or by its label within one set and job, and not beyond 'replaced'"
        )
    return found


def followed(runs: Sequence[Run], judged: Sequence[Judged] | None = None) -> History:
    """Follow the coils of runs, as *judged*, from one to the next; none need be in common."""
    own = judged or [judge_run(run) for run in runs]
    return history([_at_stage(run, each) for run, each in zip(runs, own, strict=True)])


def _same(one: Path, other: Path) -> bool:
    """Whether two folders are one, or one a copy of the other."""
    if one.resolve() == other.resolve():
        return True
    try:
        return all(
            read_inside(one, name, MAX_TABLE_BYTES) == read_inside(other, name, MAX_TABLE_BYTES)
            for name in (HEADER, READINGS)
        )
    except OSError:
        return False


def _at_stage(run: Run, judged: Judged) -> AtStage:
    header = run.header
    meter, probe = _instruments(run)
    return AtStage(
        name=run.folder.resolve().name,
        result=judged.result,
        start=header.start_local(),
        kind=header.kind,
        stage=header.stage,
        set_name=header.coil_set.name,
        job=header.job,
        meter=meter,
        probe=probe,
        energised=frozenset(
            trace.coil for trace in judged.traces if (np.nan_to_num(np.abs(trace.current_A)) > DRIVEN_A).any()
        ),
        observations=judged.observations,
        problems=judged.problems,
    )


def _instruments(run: Run) -> tuple[str, str]:
    """What tells meter and probe of a run from others; empty where its rig file says nothing.

    An instrument that answered is known by its identity. A hand meter or thermometer is one that the same
    bench by name describes alike.
    """
    try:
        rig = load(run.folder / RIG, Rig, of_run=True).value
    except InputError:
        return "", ""
    answered = {role: used.identity for role, used in run.header.instruments.items()}
    meter = answered.get("meter") or rig.name
    probe = answered.get("probe") or (meter if rig.probe_on_meter else rig.name)
    kept = rig.meter.calibrated, rig.meter.range_ohm, rig.meter.wires, rig.meter.accuracy
    return repr((meter, kept)), repr((probe, rig.probe))


def comparison_object(found: History) -> dict[str, object]:
    """Return a history as plain objects for JSON; runs count from 1, uncertainties as each budget says."""
    return {
        "runs": [_run_object(n, run) for n, run in enumerate(found.runs, 1)],
        "coils": [_coil_object(coil, found) for coil in found.coils],
        "together": [_together_object(move) for move in found.together],
        "notes": comparison_notes(found),
    }


def comparison_notes(found: History) -> list[str]:
    """Return what is wrong with the records, and what is to be said of the runs as a whole."""
    return [*(f"{run.name}: {each}" for run in found.runs for each in run.problems), *notes(found)]


def _together_object(move: Together) -> dict[str, object]:
    share = asdict(move.share) | {"expanded_u": move.share.expanded_u}
    return {"first": move.first + 1, "second": move.second + 1, "coils": move.coils, "share": share}


def _run_object(number: int, run: AtStage) -> dict[str, object]:
    return {
        "run": number,
        "folder": run.name,
        "start_utc": f"{run.start.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
        "kind": run.kind,
        "stage": run.stage,
        "set": run.set_name,
        "job": run.job,
        "energised": sorted(run.energised),
        "observations": [asdict(each) for each in run.observations],
    }


def _coil_object(coil: CoilHistory, found: History) -> dict[str, object]:
    stands = standing(coil, found.runs)
    return {
        "coil": coil.name,
        "serial": coil.serial,
        "state": state(coil, found.runs),
        "standing": stands.verdict,
        "stands": [_issue_object(issue) for issue in stands.issues],
        "taken_back": [_issue_object(issue) for issue in stands.cleared],
        "remarks": remarks(coil, found.runs),
        "results": [None if each is None else _result_object(each) for each in coil.results],
        "steps": [_change_object(step) for step in coil.steps],
        "whole": None if coil.whole is None else _change_object(coil.whole),
    }


def _issue_object(issue: Issue) -> dict[str, object]:
    return {
        "run": issue.run + 1,
        "verdict": issue.verdict,
        "criterion": issue.criterion,
        "reason": issue.reason.text if issue.reason is not None else "",
        "taken_back_by": None if issue.cleared is None else issue.cleared + 1,
    }


def _result_object(result: CoilResult) -> dict[str, object]:
    read = cold_reading(result)
    return {
        "coil": result.coil,
        "verdict": result.verdict,
        "r20_ohm": result.r20_ohm,
        "r20_u_ohm": result.r20_u_ohm,
        "joint_ohm": result.joint_ohm,
        "joint_u_ohm": result.joint_u_ohm,
        "read": None if read is None else asdict(read),
    }


def _change_object(change: Change) -> dict[str, object]:
    return asdict(change) | {
        "first": change.first + 1,
        "second": change.second + 1,
        "read_ohm": change.read_ohm,
        "significant": change.significant,
    }


def write_comparison(folder: Path, found: History, language: str) -> None:
    """Write ``comparison.json`` and the slope plot as PNG and SVG into *folder*.

    Raises:
        InputError: It is there already or cannot be written.
    """
    from analysis.figures.slope_plot import write_slopes  # drawing is not needed to compare

    target = folder / COMPARISON
    if target.exists():
        raise InputError(f"{target}: is there already and is not overwritten; choose another folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_slopes(folder, found, language=language)
        write_whole(target, json_text(comparison_object(found)))
    except OSError as exc:
        raise InputError(f"{target}: cannot be written ({exc.strerror or exc})") from exc
