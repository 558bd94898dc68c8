"""Noting what was seen of coils or done to them, and listing it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from analysis.history.observations import DONE, NOTE, Observation, gathered
from daq.clock import Clock, RealClock
from daq.config.load import load_coil_set
from daq.errors import InputError, RecordError
from daq.plain_file import refuse_link
from daq.record.format import COIL_SET
from daq.record.observations import append_observations, read_observations
from daq.record.reader import read_header
from daq.streams import one_line


@dataclass(frozen=True)
class Noted:
    """What is to be noted, of each coil alike: findings by item, actions, and a text."""

    findings: Mapping[str, str]
    done: Sequence[str] = ()
    note: str = ""
    operator: str = ""

    def __bool__(self) -> bool:
        return bool(self.findings or self.done or self.note.strip())

    def of(self, coil: str) -> list[Observation]:
        """Return the observations that this makes of one coil."""
        seen = [(item, found, "") for item, found in self.findings.items()]
        seen += [(DONE, action, "") for action in self.done]
        if self.note.strip():
            seen.append((NOTE, "", self.note))
        return [Observation(coil, item, found, text, operator=self.operator) for item, found, text in seen]


def note_observations(
    folder: Path, coils: Sequence[str], noted: Noted, *, every: bool, clock: Clock | None = None
) -> list[str]:
    """Append *noted* of *coils*, or of *every* coil, to the observations of a run; return lines to show.

    Raises:
        InputError: It is no run, a coil is not of its set, nothing or no coil is named, or nothing can be
            written there.
    """
    labels = _labels(folder)
    if not noted:
        raise InputError("observe: nothing to note, expected a finding, --did or --note")
    if every == bool(coils):
        raise InputError("observe: whose? Expected --coil LABEL, or --all for every coil of the set")
    named = labels if every else dict.fromkeys(_label(coil, labels) for coil in coils)
    seen = [each for coil in named for each in noted.of(coil)]
    try:
        return listed(append_observations(folder, seen, clock or RealClock()))
    except RecordError as exc:
        raise InputError(f"{exc}; see that you may write in the run folder, and note it again") from exc


def list_observations(folder: Path) -> list[str]:
    """Return lines that show what was noted of a run.

    Raises:
        InputError: It is no run.
    """
    _labels(folder)
    problems: list[str] = []
    lines = listed(read_observations(folder, problems))
    return [*lines, *(f"note: {one_line(each)}" for each in problems)] or ["nothing was noted of this run"]


def listed(seen: Iterable[Observation]) -> list[str]:
    """Return one line for whatever was noted of some coils alike, at one time."""
    return [
        one_line(f"{', '.join(coils)}: {', '.join(what)} ({utc}{', ' if operator else ''}{operator})")
        for coils, what, utc, operator in gathered(seen)
    ]


def _label(coil: str, labels: Sequence[str]) -> str:
    """Return the label that *coil* means, in whatever case it was typed."""
    # No two labels of a set differ in case alone.
    label = {each.casefold(): each for each in labels}.get(coil.strip().casefold())
    if label is None:
        raise InputError(f"--coil {coil}: not in this run, expected one of {', '.join(labels)}")
    return label


def _labels(folder: Path) -> tuple[str, ...]:
    refuse_link(folder)
    try:
        read_header(folder)
    except RecordError as exc:
        raise InputError(str(exc)) from exc
    return load_coil_set(folder / COIL_SET, of_run=True).value.labels()
