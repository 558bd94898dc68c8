"""Reading a run record back, however it ended.

A record cut off at any moment reads up to its last whole row. What is wrong with it is said in
``Run.problems`` and reading goes on; only a folder without a usable header is refused.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Collection, Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass
from math import isfinite
from pathlib import Path
from typing import Literal

import msgspec
import numpy as np

from analysis.history.observations import Observation
from analysis.model import Trace
from analysis.words import Message, say
from analysis.words.recorded import recalled, said_again
from daq.errors import RecordError
from daq.plain_file import read_inside
from daq.record.format import (
    ABOVE_RANGE,
    AGAIN,
    COMPANION,
    EVENT_COLUMNS,
    EVENT_COLUMNS_1,
    EVENTS,
    HEADER,
    INSULATION,
    LEADS,
    MANIFEST,
    MAX_STATUS,
    RESULT,
    SCHEMA,
    WATCH,
    Event,
    FileEntry,
    Header,
    Manifest,
    cell_text,
)
from daq.record.observations import read_observations
from daq.record.rows import Readings, list_some, numbers, read_readings, reason, table_rows

RunState = Literal["complete", "stopped", "fault", "cut"]

#: Larger files are none that a run leaves behind, and are not read: header, others as JSON, any other.
MAX_HEADER_BYTES, MAX_JSON_BYTES, MAX_FILE_BYTES = 1_000_000, 50_000_000, 500_000_000
#: A header holds no more entries than this, and nothing nested deeper.
MAX_ENTRIES, MAX_NESTED = 1000, 6
MAX_EVENT_TEXT = 2000
#: No time zone is further from UTC.
MAX_OFFSET_MIN = 14 * 60
#: In ohms, kelvins or as a share: beyond what the bounds of a rig file allow, short of an overflow.
MAX_UNCERTAINTY = 1e12


@dataclass(frozen=True)
class Run:
    """A run as read; *result* is the JSON of ``result.json``, *state* is ``cut`` without a manifest."""

    folder: Path
    header: Header
    readings: Readings
    events: tuple[Event, ...]
    result: object | None
    state: RunState
    problems: tuple[str, ...]
    observations: tuple[Observation, ...] = ()

    def leads_ohm(self) -> float | None:
        """Return what the two-wire leads read that were taken off, None if they were not measured."""
        known = self.readings.resistance_ohm[self.readings.source == LEADS]
        known = known[np.isfinite(known)]
        return float(known[-1]) if known.size else None

    def _looked_s(self, coil: str) -> float | None:
        """Return the longest that nobody looked at the current of the driven *coil*, as events tell."""
        apart_s = [0.0]
        for event in self.events:
            said = event.text if (event.kind, event.coil) == (WATCH, coil) else None
            if isinstance(said, Message) and said.key == "event.watched":
                with suppress(ValueError):  # of a damaged record
                    apart_s.append(float(str(said.figures["apart"])))
        return max(apart_s) or None

    def traces(self) -> list[Trace]:
        """Return the readings of each coil in time order; coils in the order in which they first appear.

        Of a coil that was read again, those since then.
        """
        rows = self.readings
        labels, first, of_row = np.unique(rows.coil, return_index=True, return_inverse=True)
        traces = []
        for index in np.argsort(first):
            if not labels[index]:
                continue  # a row about the bench, not about a coil
            mine = np.flatnonzero(of_row == index)
            again = np.flatnonzero(rows.source[mine] == AGAIN)
            mine = mine[again[-1] + 1 :] if again.size else mine
            mine = mine[np.argsort(rows.time_s[mine], kind="stable")]
            insulation = mine[rows.source[mine] == INSULATION]
            mine = mine[rows.source[mine] != INSULATION]
            traces.append(
                Trace(
                    coil=str(labels[index]),
                    time_s=rows.time_s[mine],
                    probe_degC=rows.probe_degC[mine],
                    resistance_ohm=rows.resistance_ohm[mine],
                    voltage_V=rows.voltage_V[mine],
                    current_A=rows.current_A[mine],
                    phase=rows.phase[mine],
                    source=rows.source[mine],
                    status=rows.status[mine],
                    leakage_ohm=np.where(
                        rows.status[insulation] == ABOVE_RANGE, np.inf, rows.leakage_ohm[insulation]
                    ),
                    energy_J=rows.energy_J[mine],
                    looked_s=self._looked_s(str(labels[index])),
                )
            )
        return traces


def read_run(folder: Path, files: Collection[str] | None = None) -> Run:
    """Read the record in *folder*, with *files* of it, or all, compared with its manifest.

    Raises:
        RecordError: One line: not a run folder, an unreadable header, or a record of a newer program.
        ForeignFileError: A file of it is a link or a device, or its manifest leads elsewhere.
    """
    problems: list[str] = []
    header = read_header(folder)
    state = _check_manifest(folder, files, problems)
    readings = read_readings(folder, problems)
    columns = EVENT_COLUMNS if header.schema > 1 else EVENT_COLUMNS_1
    events = _events(table_rows(folder, EVENTS, columns, problems, MAX_EVENT_TEXT), problems)
    if os.path.lexists(folder / COMPANION):
        events += _events(table_rows(folder, COMPANION, columns, problems, MAX_EVENT_TEXT), problems)
    result: object | None = None
    try:
        result = json.loads(read_inside(folder, RESULT, MAX_JSON_BYTES))
    except FileNotFoundError:
        pass
    except (OSError, ValueError, RecursionError) as exc:
        problems.append(say("problem.unreadable", file=RESULT, why=reason(exc)))
    observations = read_observations(folder, problems)
    return Run(folder, header, readings, events, result, state, tuple(problems), observations)


def read_header(folder: Path) -> Header:
    """Read the header of the record in *folder*.

    Raises:
        RecordError: As :func:`read_run`.
    """
    path = folder / HEADER
    try:
        raw = read_inside(folder, HEADER, MAX_HEADER_BYTES)
    except OSError as exc:
        raise RecordError(f"{path}: cannot be read ({reason(exc)}); expected a run folder") from exc
    try:
        plain = json.loads(raw)
        schema = plain.get("schema") if isinstance(plain, dict) else None
        if isinstance(schema, int) and schema > SCHEMA:
            raise RecordError(
                f"{path}: written by a newer program (schema {schema}, this one reads up to {SCHEMA}); "
                "update this one"
            )
        header = msgspec.convert(plain, Header)
        _check_header(plain, header)
    except (ValueError, OverflowError, RecursionError, msgspec.ValidationError) as exc:
        raise RecordError(f"{path}: damaged ({reason(exc)}); the run cannot be read without it") from exc
    return header


def _check_header(plain: object, header: Header) -> None:
    """ValueError for what no program of ours writes and no judgement or report could bear."""
    if _entries(plain, MAX_NESTED) > MAX_ENTRIES:
        raise ValueError(f"more than {MAX_ENTRIES} entries")
    if header.start_utc.tzinfo is None or header.start_utc.year < 1970:
        raise ValueError(f"start_utc is {header.start_utc}, expected the time of a run in UTC")
    if abs(header.utc_offset_min) > MAX_OFFSET_MIN:
        raise ValueError(f"utc_offset_min is {header.utc_offset_min}, expected the minutes of a time zone")
    for name, value in asdict(header.accuracy).items():
        if not 0 <= value <= MAX_UNCERTAINTY:
            raise ValueError(f"accuracy.{name} is {value}, expected an uncertainty")
    for name, value in header.limits.items():
        if not isfinite(value):
            raise ValueError(f"limits.{name} is {value}, expected a number")


def _entries(node: object, levels: int) -> int:
    """Return how many values are in *node*; ValueError where they go deeper than *levels*."""
    if not isinstance(node, dict | list):
        return 1
    if not levels:
        raise ValueError("nested too deeply")
    return sum(_entries(each, levels - 1) for each in (node.values() if isinstance(node, dict) else node))


def _check_manifest(folder: Path, files: Collection[str] | None, problems: list[str]) -> RunState:
    """Compare the files with the manifest and return how the run ended."""
    try:
        manifest = msgspec.json.decode(read_inside(folder, MANIFEST, MAX_JSON_BYTES), type=Manifest)
    except FileNotFoundError:
        problems.append(say("problem.no-manifest", file=MANIFEST))
        return "cut"
    except (OSError, ValueError, RecursionError, msgspec.MsgspecError) as exc:
        problems.append(say("problem.bad-manifest", file=MANIFEST, why=reason(exc)))
        return "cut"
    asked = manifest.files if files is None else manifest.files.keys() & set(files)
    complaints = [_changed(folder, name, manifest.files[name]) for name in manifest.files if name in asked]
    list_some([each for each in complaints if each], MANIFEST, "problem.more-files", problems)
    return manifest.state


def _changed(folder: Path, name: str, entry: FileEntry) -> str:
    """Return what is wrong with a file that the manifest names, or nothing."""
    try:
        data = read_inside(folder, name, MAX_FILE_BYTES)
    except OSError as exc:
        return say("problem.gone", file=name[:MAX_STATUS], why=reason(exc))
    if len(data) == entry.bytes and hashlib.sha256(data).hexdigest() == entry.sha256:
        return ""
    return say("problem.changed", file=name, manifest=MANIFEST)


def _events(rows: Iterable[tuple[int, list[str]]], problems: list[str]) -> tuple[Event, ...]:
    events, bad = [], []
    for number, (time_s, *texts) in rows:
        utc, kind, coil, text, *told = map(cell_text, texts)
        text = said_again(text, *told) if told else recalled(text) or text
        try:
            event = Event(time_s=float(numbers([time_s])[0]), utc=utc, kind=kind, coil=coil, text=text)
        except ValueError:
            bad.append(say("problem.no-time", file=EVENTS, line=number, cell=repr(time_s)))
        else:
            events.append(event)
    list_some(bad, EVENTS, "problem.more-rows", problems)
    return tuple(events)
