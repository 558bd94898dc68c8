"""What a run folder tells at a glance: its header, how it ended, and the verdicts; no reading is read."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isfinite
from pathlib import Path

import msgspec

from analysis.model import Verdict
from daq.config.load import load_coil_set
from daq.errors import ForeignFileError, InputError, RecordError
from daq.plain_file import read_inside
from daq.record.format import COIL_SET, HEADER, MANIFEST, MAX_COILS, RESULT, CloseState, printable
from daq.record.reader import MAX_JSON_BYTES, RunState, read_header
from daq.record.rows import reason

#: Longer texts are no job, label or serial; they are cut.
MAX_TEXT = 100


@dataclass(frozen=True)
class CoilBrief:
    """One coil of a run. *verdict* is empty where none was given, numbers are None where not determined."""

    label: str
    kind: str
    serial: str
    verdict: str = ""
    r20_ohm: float | None = None
    r20_U_ohm: float | None = None


@dataclass(frozen=True)
class RunBrief:
    """One run. *start_utc* is None where the header cannot be read; *problem* says what is damaged.

    *refused*: a file of it is a link or a device, and nothing was followed.
    """

    start_utc: datetime | None
    procedure: str = ""
    stage: str = ""
    job: str = ""
    operator: str = ""
    simulated: bool = False
    state: RunState = "cut"
    coils: tuple[CoilBrief, ...] = ()
    problem: str = ""
    refused: bool = False


class _Ended(msgspec.Struct, frozen=True):
    """Of the manifest: how the run ended."""

    state: CloseState


class _Coil(msgspec.Struct, frozen=True):
    """Of one coil in ``result.json``: what the log shows."""

    coil: str
    verdict: Verdict
    kind: str = ""
    serial: str = ""
    r20_ohm: float | None = None
    r20_u_ohm: float | None = None
    r20_k: float = 2.0


class _Result(msgspec.Struct, frozen=True):
    """Of ``result.json``: its coils."""

    coils: list[_Coil]


_ENDED = msgspec.json.Decoder(_Ended)
_RESULT = msgspec.json.Decoder(_Result)


def read_brief(folder: Path) -> RunBrief | None:
    """Return what the run folder *folder* tells, None where it is none: it has no header."""
    if not os.path.lexists(folder / HEADER):
        return None
    try:
        return _read(folder)
    except ForeignFileError as exc:
        return RunBrief(None, problem=_within(folder, exc), refused=True)


def _read(folder: Path) -> RunBrief:
    try:
        header = read_header(folder)
        start_utc = header.start_utc.astimezone(UTC)
    except (RecordError, OverflowError) as exc:
        return RunBrief(None, problem=_within(folder, exc))
    problems: list[str] = []
    state = _state(folder, problems)
    return RunBrief(
        start_utc=start_utc,
        procedure=header.kind,
        stage=header.stage,
        job=_text(header.job),
        operator=_text(header.operator),
        simulated=header.simulated,
        state=state,
        coils=_judged(folder, problems, closed=state != "cut") or _under_test(folder),
        problem=printable("; ".join(problems)),
    )


def _within(folder: Path, exc: Exception) -> str:
    """Return what *exc* says of a file of *folder*."""
    return printable(str(exc).removeprefix(f"{folder}{os.sep}"))


def _state(folder: Path, problems: list[str]) -> RunState:
    try:
        return _ENDED.decode(read_inside(folder, MANIFEST, MAX_JSON_BYTES)).state
    except FileNotFoundError:
        pass  # cut off, or still going on
    except (OSError, ValueError, RecursionError, msgspec.MsgspecError) as exc:
        problems.append(f"{MANIFEST}: damaged ({reason(exc)})")
    return "cut"


def _judged(folder: Path, problems: list[str], *, closed: bool) -> tuple[CoilBrief, ...]:
    try:
        coils = _RESULT.decode(read_inside(folder, RESULT, MAX_JSON_BYTES)).coils
    except FileNotFoundError:
        if closed:
            problems.append(f"{RESULT}: missing")
    except (OSError, ValueError, RecursionError, msgspec.MsgspecError) as exc:
        problems.append(f"{RESULT}: damaged ({reason(exc)})")
    else:
        if len(coils) <= MAX_COILS:
            return tuple(_brief(coil) for coil in coils)
        problems.append(f"{RESULT}: damaged (more than {MAX_COILS} coils)")
    return ()


def _brief(coil: _Coil) -> CoilBrief:
    known = coil.r20_ohm is not None and isfinite(coil.r20_ohm)
    expanded = None if coil.r20_u_ohm is None else coil.r20_k * coil.r20_u_ohm
    return CoilBrief(
        label=_text(coil.coil),
        kind=_text(coil.kind),
        serial=_text(coil.serial),
        verdict=coil.verdict,
        r20_ohm=coil.r20_ohm if known else None,
        r20_U_ohm=expanded if known and expanded is not None and isfinite(expanded) else None,
    )


def _under_test(folder: Path) -> tuple[CoilBrief, ...]:
    """Return the coils of a run without a judgement: those of its coil-set file, if that can be read."""
    try:
        subjects = load_coil_set(folder / COIL_SET, of_run=True).value.subjects()
    except InputError:
        return ()
    return tuple(CoilBrief(each.coil, each.kind, each.serial) for each in subjects)


def _text(text: str) -> str:
    return printable(text[:MAX_TEXT]).strip()
