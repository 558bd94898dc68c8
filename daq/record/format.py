"""The shape of a run record: file names, header, columns, and how one cell is written and read back."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import datetime, timedelta, timezone
from math import isfinite
from typing import Literal, Protocol

import msgspec
import numpy as np

from analysis.model import OK, Accuracy, MeterUse
from analysis.words.recorded import kept

#: Source of a row that tells winding to body, and its status when that is more than the meter can show.
INSULATION = "insulation"
ABOVE_RANGE = "missing: insulation above the meter's range"

#: More coils, or a label, status or other word of more characters, is no record or table of this bench.
MAX_COILS, MAX_LABEL, MAX_STATUS = 256, 100, 100
#: Nor is a larger table of readings: weeks of a row a second.
MAX_TABLE_BYTES, MAX_ROWS = 100_000_000, 1_000_000

#: Source of a row without a coil: two-wire leads joined at their far end, taken off each reading after it.
LEADS = "leads"

#: Source of a row without a reading: the coil is read again, and what stands above of it counts no more.
AGAIN = "again"

#: Version of this layout. A reader takes its own and older ones, and refuses newer ones.
SCHEMA = 2

HEADER, READINGS, EVENTS, RESULT, MANIFEST = (
    "header.json",
    "readings.csv",
    "events.csv",
    "result.json",
    "manifest.json",
)
#: What the companion process had to do: events of its own, since it may write while the run still does.
COMPANION = "companion.csv"
#: What was seen of the coils or done to them, noted after the run: a table of its own, of which the manifest
#: knows nothing, since it may grow when the rest is closed.
OBSERVATIONS = "observations.csv"
#: Kind of the event that says that a part of the run is finished: a resumed run need not do it again.
DONE = "done"
#: Kind of the event that says how often the current of a driven coil was looked at between its rows.
WATCH = "watch"
RIG, COIL_SET, FAULT_SCRIPT = "rig.toml", "coil_set.toml", "fault_script.toml"
REPORT = "report.pdf"

#: Files of a run folder that travel with a claim, in this order; report and curves may be left elsewhere.
TRAVEL = (
    READINGS,
    EVENTS,
    HEADER,
    RIG,
    COIL_SET,
    RESULT,
    OBSERVATIONS,
    COMPANION,
    FAULT_SCRIPT,
    MANIFEST,
)


READING_COLUMNS = (
    "time_s",
    "coil",
    "phase",
    "step_degC",
    "probe_degC",
    "resistance_ohm",
    "voltage_V",
    "current_A",
    "energy_J",
    "leakage_ohm",
    "source",
    "status",
)
#: Beside what was said stand its key in the catalogue and its figures, empty where it is not from there.
EVENT_COLUMNS = ("time_s", "utc", "kind", "coil", "text", "key", "figures")
#: The first layout had the text alone.
EVENT_COLUMNS_1 = EVENT_COLUMNS[:5]
OBSERVATION_COLUMNS = ("utc", "operator", "coil", "item", "found", "text", "check")

Kind = Literal["soak", "sweep"]
Stage = Literal["as received", "after cleaning", "after heat", "before refit"]
CloseState = Literal["complete", "stopped", "fault"]


class FileUsed(msgspec.Struct, frozen=True, kw_only=True):
    """One input file as used: the name it gives itself, and the SHA-256 of its text."""

    name: str
    sha256: str


class InstrumentUsed(msgspec.Struct, frozen=True, kw_only=True):
    """One instrument as it answered; *accuracy* is a sentence for people, *calibrated* an ISO date."""

    resource: str
    dialect: str = ""
    identity: str = ""
    calibrated: str = ""
    accuracy: str = ""


class Resumed(msgspec.Struct, frozen=True, kw_only=True):
    """The cut run that this one goes on with: its folder's name, how it ended, and what was taken from it.

    *start_utc* is when the very first of them began; *time_s* of rows counts from there, breaks left out.
    """

    folder: str
    state: str
    start_utc: datetime
    rows_kept: int
    rows_left: int


class Header(msgspec.Struct, frozen=True, kw_only=True):
    """What is known when a run starts. *limits* carries units in its keys; *seed* is None on a real bench.

    *utc_offset_min* is by how many minutes the clock on the wall was ahead of UTC.
    """

    schema: int = SCHEMA
    start_utc: datetime
    utc_offset_min: int = 0
    program: str
    command: str
    kind: Kind
    simulated: bool
    seed: int | None = None
    rig: FileUsed
    coil_set: FileUsed
    fault_script: FileUsed | None = None
    instruments: dict[str, InstrumentUsed] = {}
    accuracy: Accuracy = Accuracy()
    meter: MeterUse = MeterUse()
    operator: str = ""
    job: str = ""
    stage: Stage = "as received"
    limits: dict[str, float] = {}
    settings: dict[str, object] = {}
    resumed: Resumed | None = None

    def start_local(self) -> datetime:
        """Return the start by the clock on the wall, with its zone."""
        return self.start_utc.astimezone(timezone(timedelta(minutes=self.utc_offset_min)))


class Reading(msgspec.Struct, frozen=True, kw_only=True):
    """One row. None is a number that was not had; *status* says why for the resistance.

    *energy_J* is the energy put into this coil since the start of the run. A row whose *source* is
    ``insulation`` carries winding to body in *leakage_ohm* and nothing else.
    """

    time_s: float
    coil: str
    phase: str
    step_degC: float | None = None
    probe_degC: float | None = None
    resistance_ohm: float | None = None
    voltage_V: float | None = None
    current_A: float | None = None
    energy_J: float | None = None
    leakage_ohm: float | None = None
    source: str = "ohms"
    status: str = OK


class Event(msgspec.Struct, frozen=True, kw_only=True):
    """Something that happened beside the readings; *text* is a message where the catalogue said it."""

    time_s: float
    utc: str
    kind: str
    coil: str
    text: str


class FileEntry(msgspec.Struct, frozen=True, kw_only=True):
    """Size and hash of one file of a closed record."""

    bytes: int
    sha256: str


class Manifest(msgspec.Struct, frozen=True, kw_only=True):
    """What a closed record consists of."""

    schema: int = SCHEMA
    state: CloseState
    closed_utc: datetime
    files: dict[str, FileEntry]


def number_cell(value: float | None, digits: int) -> str:
    """Return *value* at *digits* decimals in its shortest spelling; empty for None, NaN and infinity."""
    if value is None or not isfinite(value):
        return ""
    return repr(round(float(value), digits) + 0.0)  # + 0.0 turns -0.0 into 0.0


# Spreadsheets run a cell that starts like this as a formula, some even after blanks or in full width. In
# some countries a cell also starts after a semicolon, whatever quotes are around the whole.
_RUNNABLE = re.compile(r"(^|;)(?=\s*[=+\-@＝＋－＠]|')")


def printable(text: str) -> str:
    """Return *text* with a blank for each character that does not print."""
    return text if text.isprintable() else "".join(c if c.isprintable() else " " for c in text)


def harmless(text: str) -> str:
    """Return *text* on one line and marked so that no spreadsheet runs it; :func:`cell_text` undoes the mark.

    Characters that do not print (line ends, tabs, NUL, lone surrogates) become blanks.
    """
    return _RUNNABLE.sub(r"\1'", printable(text))


def text_cell(text: str) -> str:
    """Return *text*, made :func:`harmless`, as one CSV cell."""
    text = harmless(text)
    if '"' in text or "," in text or text != text.strip():
        text = '"' + text.replace('"', '""') + '"'
    return text


def cell_text(cell: str) -> str:
    """Return the text that :func:`text_cell` wrote, its CSV quotes being off already.

    What does not print was not written by it, and becomes blanks: a terminal would obey it.
    """
    return printable(cell.removeprefix("'").replace(";'", ";"))


def reading_line(reading: Reading) -> str:
    """Return the row of *reading* with its line end.

    A resistance that is not finite is no reading, whatever its status claimed.
    """
    status = reading.status
    ohm = reading.resistance_ohm
    if status == OK and (ohm is None or not isfinite(ohm)):
        status = "missing: no reading" if ohm is None else "missing: not a number"
    cells = (
        number_cell(reading.time_s, 4),
        text_cell(reading.coil),
        text_cell(reading.phase),
        number_cell(reading.step_degC, 3),
        number_cell(reading.probe_degC, 4),
        number_cell(ohm, 6),
        number_cell(reading.voltage_V, 6),
        number_cell(reading.current_A, 6),
        number_cell(reading.energy_J, 4),
        number_cell(reading.leakage_ohm, 0),
        text_cell(reading.source),
        text_cell(status),
    )
    return ",".join(cells) + "\n"


def event_line(event: Event) -> str:
    """Return the row of *event* with its line end."""
    cells = (
        number_cell(event.time_s, 4),
        text_cell(event.utc),
        text_cell(event.kind),
        text_cell(event.coil),
        text_cell(event.text),
        *map(text_cell, kept(event.text)),
    )
    return ",".join(cells) + "\n"


def json_text(value: object) -> bytes:
    """Return *value* (structs, dataclasses, arrays, numpy numbers) as indented UTF-8 JSON.

    NaN and infinity become null. Text from a command line may hold bytes that are no text
    (lone surrogates); they become question marks.
    """
    plain = msgspec.to_builtins(value, enc_hook=_plain, str_keys=True)
    text = json.dumps(_finite(plain), ensure_ascii=False, indent=2, allow_nan=False) + "\n"
    return text.encode("utf-8", "replace")


def _plain(value: object) -> object:
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    if isinstance(value, str):  # a sentence that knows its key; its text is what counts
        return str(value)
    raise TypeError(f"a record cannot hold {type(value).__name__}: {value!r}")


def _finite(value: object) -> object:
    if isinstance(value, float) and not isfinite(value):
        return None
    if isinstance(value, Mapping):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    return value


class RowSink(Protocol):
    """Where rows and events are kept: the run record."""

    def row(self, reading: Reading) -> None:
        """Append one reading."""
        ...

    def event(self, kind: str, text: str, coil: str = "") -> None:
        """Append one event."""
        ...
