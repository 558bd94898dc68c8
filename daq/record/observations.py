"""Observations beside a run record: what somebody saw of a coil, or did to it, noted after the run.

A closed record is never written again, so these stand in a table of their own that only grows. Each row
carries a check made of itself and of the check before it, the first of them of the run's header: a row that
was changed, put in or taken out later is found when the run is read.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from analysis.history.observations import ACTIONS, DONE, FINDINGS, NOTE, Observation
from analysis.words import say
from daq import system
from daq.clock import Clock
from daq.durable_file import AppendFile, sync_folder
from daq.errors import InputError, RecordError
from daq.plain_file import read_inside
from daq.record.format import (
    HEADER,
    MAX_LABEL,
    MAX_TABLE_BYTES,
    OBSERVATION_COLUMNS,
    OBSERVATIONS,
    cell_text,
    printable,
    text_cell,
)
from daq.record.rows import list_some, reason, table_rows

#: A note is a sentence or two; more rows than this were not seen by anybody.
MAX_NOTE, MAX_OBSERVATIONS = 500, 1000
_HEADING = (",".join(OBSERVATION_COLUMNS) + "\n").encode()
_CHECK_DIGITS = 16


def read_observations(folder: Path, problems: list[str]) -> tuple[Observation, ...]:
    """Read what was observed of a run; none where there is no such table.

    Args:
        folder: The run folder.
        problems: What is wrong with the table is added here, and reading goes on.
    """
    try:
        if not read_inside(folder, OBSERVATIONS, MAX_TABLE_BYTES):
            return ()  # nothing was written yet
    except FileNotFoundError:
        return ()
    except OSError as exc:
        problems.append(say("problem.unreadable", file=OBSERVATIONS, why=reason(exc)))
        return ()
    seen: list[Observation] = []
    bad: list[str] = []
    before = _seed(folder)
    for number, observation, check in _rows(folder, problems):
        if len(seen) == MAX_OBSERVATIONS:
            bad.append(say("problem.many-rows", file=OBSERVATIONS, line=number, most=MAX_OBSERVATIONS))
            break
        if check != _next(before, _line(observation)):
            bad.append(say("problem.not-as-written", file=OBSERVATIONS, line=number))
        before = check  # so that one change is told once
        if _known(observation.item, observation.found) and _is_time(observation.utc):
            seen.append(observation)
        else:
            bad.append(say("problem.not-ours", file=OBSERVATIONS, line=number))
    list_some(bad, OBSERVATIONS, "problem.more-noted", problems)
    return tuple(seen)


def append_observations(folder: Path, seen: Sequence[Observation], clock: Clock) -> list[Observation]:
    """Append *seen* to the observations of a run, stamped with *clock*; return them as they stand there.

    All rows go to the disk in one write. A row that a crash tore is closed off first, and stays torn.

    Raises:
        InputError: A text is too long, a word is not on its list, or there are too many rows.
        RecordError: The table cannot be written; it is then as it was.
    """
    utc = f"{clock.utc():%Y-%m-%dT%H:%M:%SZ}"
    stamped = [_fit(replace(each, utc=utc)) for each in seen]
    path = folder / OBSERVATIONS
    try:
        if os.path.lexists(path):
            read_inside(folder, OBSERVATIONS, MAX_TABLE_BYTES)  # a pipe would block, a link lead elsewhere
        with _alone(path):
            there = read_inside(folder, OBSERVATIONS, MAX_TABLE_BYTES)
            checks = [check for *_, check in _rows(folder, [])] if there else []
            if len(checks) + len(stamped) > MAX_OBSERVATIONS:
                raise InputError(f"{path}: no room, expected at most {MAX_OBSERVATIONS} rows")
            data = _HEADING if not there else b"" if there.endswith(b"\n") else b"\n"
            check = checks[-1] if checks else _seed(folder)
            for line in map(_line, stamped):
                check = _next(check, line)
                data += f"{line},{check}\n".encode()
            with contextlib.closing(AppendFile(path, clock)) as file:
                file.append(data)
        sync_folder(folder)
    except RecordError:
        raise
    except OSError as exc:
        raise RecordError(f"{path}: cannot be written ({exc.strerror or exc}); nothing was noted") from exc
    return stamped


def _known(item: str, found: str) -> bool:
    """Whether *found* is on the list of *item*."""
    lists = {**FINDINGS, DONE: ACTIONS, NOTE: ("",)}
    return found in lists.get(item, ())


def _fit(observation: Observation) -> Observation:
    """Return *observation* as it can stand in a row, or refuse it."""
    if not _known(observation.item, observation.found):
        raise InputError(f"observation: {observation.item} {observation.found!r} is not on the list")
    text, operator = (" ".join(printable(each).split()) for each in (observation.text, observation.operator))
    for name, value, most in (("--note", text, MAX_NOTE), ("--operator", operator, MAX_LABEL)):
        if len(value) > most:
            raise InputError(f"{name}: {len(value)} characters, expected at most {most}")
    return replace(observation, text=text, operator=operator)


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """Hold the table against another program that notes something at this moment."""
    with path.open("ab") as stream:
        with contextlib.suppress(OSError):  # a drive that knows no locks
            system.lock(stream.fileno(), wait=True)
        yield


def _rows(folder: Path, problems: list[str]) -> Iterator[tuple[int, Observation, str]]:
    """Yield line number, content and check of each whole row."""
    for number, cells in table_rows(folder, OBSERVATIONS, OBSERVATION_COLUMNS, problems, 2 * MAX_NOTE):
        utc, operator, coil, item, found, text, check = map(cell_text, cells)
        yield number, Observation(coil, item, found, text, utc, operator), check


def _line(observation: Observation) -> str:
    """Return a row without its check."""
    each = observation
    return ",".join(map(text_cell, (each.utc, each.operator, each.coil, each.item, each.found, each.text)))


def _seed(folder: Path) -> str:
    return hashlib.sha256(read_inside(folder, HEADER, MAX_TABLE_BYTES)).hexdigest()[:_CHECK_DIGITS]


def _next(check: str, line: str) -> str:
    return hashlib.sha256(f"{check},{line}".encode("utf-8", "replace")).hexdigest()[:_CHECK_DIGITS]


def _is_time(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        return False
