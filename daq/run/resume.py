"""Going on with a soak that was cut: what it had finished is carried over, the rest is done again.

The old folder stays as it is. The new one begins with copies of the old rows up to the last part that was
finished, so that it can be judged with nothing but what is in it.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

import numpy as np

from analysis.model import OVER_RANGE
from analysis.words import Message, say
from daq.config.coil_set import CoilSet, Heat
from daq.config.rig import Rig
from daq.config.toml import Loaded
from daq.errors import InputError, RecordError
from daq.plain_file import read_inside, refuse_link
from daq.procedures.soak.soak import Finished
from daq.record.format import (
    DONE,
    EVENT_COLUMNS,
    EVENT_COLUMNS_1,
    EVENTS,
    MAX_TABLE_BYTES,
    READING_COLUMNS,
    READINGS,
    Event,
    Resumed,
)
from daq.record.reader import Run, read_run
from daq.record.rows import split_row
from daq.record.writer import Carried

#: The break itself is left out of time_s, but for this much; events say when it was.
BREAK_S = 60.0


@dataclass(frozen=True)
class CutRun:
    """A cut soak, ready to go on with; *notes* are (coil or '', what the new record has to say)."""

    run: Run
    carried: Carried
    finished: Finished
    resumed: Resumed
    notes: tuple[tuple[str, str], ...]

    @property
    def heat(self) -> Heat:
        """How it heated."""
        heat = self.run.header.settings.get("heat")
        if heat not in {"oven", "supply", "hand"}:
            raise InputError(f"{self.run.folder}: does not say how it heated; start a new soak")
        return heat


def open_cut_run(folder: Path) -> CutRun:
    """Read the soak in *folder* that is to be resumed.

    Raises:
        InputError: It is no soak, it was complete, or it cannot be read.
    """
    refuse_link(folder)
    try:
        run = read_run(folder)
    except RecordError as exc:
        raise InputError(f"--resume: {exc}") from exc
    if run.header.kind != "soak":
        raise InputError(
            f"--resume {folder}: a {run.header.kind}, expected a soak; a sweep is short, start anew"
        )
    if run.state == "complete":
        raise InputError(f"--resume {folder}: that soak is complete; start a new one")
    done = [event for event in run.events if event.kind == DONE and isfinite(event.time_s)]
    until = _Until.of(done)
    kept = until.keeps(run.readings.coil, run.readings.time_s)
    readings, rows_kept = _rows_until(folder / READINGS, READING_COLUMNS, until)
    parts = frozenset((event.coil, event.text) for event in done)
    resumed = Resumed(
        folder=folder.resolve().name,
        state=run.state,
        start_utc=run.header.resumed.start_utc if run.header.resumed else run.header.start_utc,
        rows_kept=rows_kept,
        rows_left=int((~kept).sum()),
    )
    return CutRun(
        run=run,
        carried=Carried(readings, _events_until_done(folder / EVENTS), max(until.last_s, -BREAK_S) + BREAK_S),
        finished=Finished(
            parts=parts,
            cold=_cold(run, kept),
            energy_J=_energy(run, kept),
            begun_degC={coil: degC for coil, (_, degC) in _cold(run, ~kept).items()},
        ),
        resumed=resumed,
        notes=(("", _summary(resumed, parts)), *_left_behind(run, kept, resumed.folder)),
    )


def require_same_files(cut: CutRun, rig: Loaded[Rig], coil_set: Loaded[CoilSet]) -> None:
    """Go on with the very files that the soak was begun with, or not at all.

    Raises:
        InputError: One line that names the file that differs, and where its copy is.
    """
    header, folder = cut.run.header, cut.run.folder
    for option, given, used, copy in (
        ("--rig", rig, header.rig, "rig.toml"),
        ("--set", coil_set, header.coil_set, "coil_set.toml"),
    ):
        if given.sha256 != used.sha256:
            raise InputError(
                f"--resume {folder}: {given.path} is not the file that soak was begun with ({used.name}); "
                f"expected the same {option}, of which {folder / copy} is a copy"
            )


@dataclass(frozen=True)
class _Until:
    """Up to when the rows of each coil belong to a part that is done: while one cools the next is heated.

    A part of no coil in particular is done for all; rows about the bench are kept with the last part.
    """

    coil_s: Mapping[str, float]
    all_s: float
    last_s: float

    @classmethod
    def of(cls, done: Sequence[Event]) -> _Until:
        """Take the times of the events *done*, in the order of the record."""
        coil_s = {event.coil: event.time_s for event in done}
        return cls(coil_s, coil_s.pop("", -np.inf), done[-1].time_s if done else -np.inf)

    def keeps(self, coil: np.ndarray, time_s: np.ndarray) -> np.ndarray:
        """Return which rows, shape (n,), belong to what is done."""
        end_s = np.full(time_s.size, self.all_s)
        end_s[coil == ""] = self.last_s
        for label, until_s in self.coil_s.items():
            end_s[coil == label] = max(until_s, self.all_s)
        return np.asarray(time_s <= end_s)


def _rows_until(path: Path, columns: tuple[str, ...], until: _Until) -> tuple[bytes, int]:
    """Return heading and the whole rows of what is done, byte for byte, and how many rows."""
    lines, coils, times_s = [], [], []
    for line in _whole_lines(path):
        cells = split_row(line.decode("utf-8", "replace"))
        try:
            if len(cells) == len(columns):
                times_s.append(float(cells[0]))
                coils.append(cells[1])
                lines.append(line + b"\n")
        except ValueError:
            continue  # a damaged row; reading says so
    kept = until.keeps(np.array(coils, dtype=np.str_), np.array(times_s, dtype=np.float64))
    heading = (",".join(columns) + "\n").encode()
    chosen = [lines[at] for at in np.flatnonzero(kept)]
    return b"".join([heading, *chosen]), len(chosen)


def _events_until_done(path: Path) -> bytes:
    lines = _whole_lines(path)
    last = 0
    for number, line in enumerate(lines, start=1):
        cells = split_row(line.decode("utf-8", "replace"))
        if len(cells) in {len(EVENT_COLUMNS), len(EVENT_COLUMNS_1)} and cells[2] == DONE:
            last = number
        if len(cells) == len(EVENT_COLUMNS_1):
            lines[number - 1] = line + b"," * (len(EVENT_COLUMNS) - len(EVENT_COLUMNS_1))
    return b"".join(line + b"\n" for line in [",".join(EVENT_COLUMNS).encode(), *lines[:last]])


def _whole_lines(path: Path) -> list[bytes]:
    """Return the lines after the heading; a torn last one is none."""
    if not os.path.lexists(path):
        return []
    return read_inside(path.parent, path.name, MAX_TABLE_BYTES).split(b"\n")[1:-1]


def _cold(run: Run, among: np.ndarray) -> dict[str, tuple[float, float]]:
    """Return the last cold reading of each coil in the rows *among*."""
    rows = run.readings
    good = among & (rows.phase == "ambient") & np.isfinite(rows.resistance_ohm) & np.isfinite(rows.probe_degC)
    return {
        str(rows.coil[at]): (float(rows.resistance_ohm[at]), float(rows.probe_degC[at]))
        for at in np.flatnonzero(good)
    }


def _energy(run: Run, among: np.ndarray) -> dict[str, float]:
    rows = run.readings
    counted = np.flatnonzero(among & np.isfinite(rows.energy_J))
    return {str(rows.coil[at]): float(rows.energy_J[at]) for at in counted}


def _summary(resumed: Resumed, parts: frozenset[tuple[str, str]]) -> Message:
    old = {"folder": resumed.folder, "state": say(f"state.{resumed.state}"), "rows_left": resumed.rows_left}
    if not parts:
        return say("event.resumed-nothing", **old)
    kept = ", ".join(sorted(f"{coil} {part}".strip() for coil, part in parts))
    return say("event.resumed", kept=kept, rows_kept=resumed.rows_kept, **old)


def _left_behind(run: Run, kept: np.ndarray, folder: str) -> list[tuple[str, str]]:
    """Name the coils that were seen open in the rows left behind: such a sight must not get lost."""
    rows = run.readings
    opened = ~kept & (rows.status == OVER_RANGE) & (rows.coil != "")
    labels, counts = np.unique(rows.coil[opened], return_counts=True)
    return [
        (str(label), say("event.left-open", count=int(count), folder=folder))
        for label, count in zip(labels, counts, strict=True)
    ]
