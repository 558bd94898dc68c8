"""Finding runs in the index of a folder: what is asked, and what was found."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from daq.archive.log.schema import fold
from daq.archive.log.summary import CoilBrief

#: A condition in SQL with the values for its question marks.
Condition = tuple[str, tuple[object, ...]]


@dataclass(frozen=True)
class Wanted:
    """What is looked for; empty or None: anything. In words ``*`` stands for any letters, ``?`` for one.

    *serial*, *coil*, *kind* and *verdict* have to hold for one and the same coil. Days are those of UTC,
    both included.
    """

    job: str = ""
    stage: str = ""
    serial: str = ""
    coil: str = ""
    kind: str = ""
    verdict: str = ""
    since: date | None = None
    until: date | None = None

    def of_coil(self) -> bool:
        """Whether something is asked of the coils."""
        return bool(self.serial or self.coil or self.kind or self.verdict)


@dataclass(frozen=True)
class FoundRun:
    """One run that was found; *folder* is its path below the folder that was searched.

    *counts* is how many of its coils have which verdict, *coils* are those that were wanted.
    """

    folder: Path
    start_utc: str
    procedure: str
    stage: str
    job: str
    operator: str
    simulated: bool
    state: str
    problem: str
    counts: Mapping[str, int]
    coils: tuple[CoilBrief, ...]


@dataclass(frozen=True)
class Found:
    """The newest of the runs that were found, oldest first, and how many were found in all.

    *broken* are folders whose header cannot be read, each with the reason; they cannot be searched.
    """

    runs: tuple[FoundRun, ...]
    total: int
    broken: tuple[tuple[Path, str], ...]


def search(index: sqlite3.Connection, wanted: Wanted, newest: int) -> Found:
    """Return the *newest* runs of *index* that are *wanted*."""
    where, values = run_condition(wanted)
    of_coil = coil_condition(wanted)
    if wanted.of_coil():
        where += f" AND id IN (SELECT run FROM coil WHERE {of_coil[0]})"  # noqa: S608 - conditions of our own
        values += of_coil[1]
    asked = f"SELECT id FROM run WHERE {where} ORDER BY start, place, name"  # noqa: S608 - as before
    ids = [run for (run,) in index.execute(asked, values)]
    found = tuple(_found(index, run, of_coil) for run in ids[-newest:])
    return Found(found, len(ids), tuple(_broken(index)))


def run_condition(wanted: Wanted) -> Condition:
    """Return which runs *wanted* asks for; those that cannot be read are none of them."""
    parts: list[Condition] = [("start IS NOT NULL", ())]
    parts += _word("job_key", wanted.job)
    if wanted.stage:
        parts.append(("stage = ?", (wanted.stage,)))
    if wanted.since:
        parts.append(("start >= ?", (wanted.since.isoformat(),)))
    if wanted.until:
        parts.append(("start < ?", ((wanted.until + timedelta(days=1)).isoformat(),)))
    return _all(parts)


def coil_condition(wanted: Wanted) -> Condition:
    """Return which coils of a run *wanted* asks for."""
    parts: list[Condition] = [("TRUE", ())]
    for column, words in (
        ("serial_key", wanted.serial),
        ("label_key", wanted.coil),
        ("kind_key", wanted.kind),
    ):
        parts += _word(column, words)
    if wanted.verdict:
        parts.append(("verdict = ?", (wanted.verdict,)))
    return _all(parts)


def _all(parts: list[Condition]) -> Condition:
    return " AND ".join(text for text, _ in parts), tuple(value for _, values in parts for value in values)


def _word(column: str, words: str) -> list[Condition]:
    if not words:
        return []
    folded = fold(words)
    if not {"*", "?"} & set(folded):
        return [(f"{column} = ?", (folded,))]
    return [(f"{column} GLOB ?", (folded.replace("[", "[[]"),))]


def _found(index: sqlite3.Connection, run: int, of_coil: Condition) -> FoundRun:
    place, name, start, procedure, stage, job, operator, simulated, state, problem = index.execute(
        "SELECT place, name, start, procedure, stage, job, operator, simulated, state, problem "
        "FROM run WHERE id = ?",
        (run,),
    ).fetchone()
    counts = index.execute("SELECT verdict, COUNT(*) FROM coil WHERE run = ? GROUP BY verdict", (run,))
    asked = "SELECT label, kind, serial, verdict, r20_ohm, r20_U_ohm FROM coil WHERE run = ?"
    coils = index.execute(f"{asked} AND {of_coil[0]} ORDER BY number", (run, *of_coil[1]))
    return FoundRun(
        folder=_path(place, name),
        start_utc=start,
        procedure=procedure,
        stage=stage,
        job=job,
        operator=operator,
        simulated=bool(simulated),
        state=state,
        problem=problem,
        counts=dict(counts),
        coils=tuple(CoilBrief(*row) for row in coils),
    )


def _broken(index: sqlite3.Connection) -> Iterator[tuple[Path, str]]:
    for place, problem in index.execute("SELECT path, problem FROM place WHERE problem <> '' ORDER BY path"):
        yield _path(place), problem
    for place, name, problem in index.execute(
        "SELECT place, name, problem FROM run WHERE start IS NULL ORDER BY place, name"
    ):
        yield _path(place, name), problem


def _path(*parts: bytes) -> Path:
    return Path(*map(os.fsdecode, parts))
