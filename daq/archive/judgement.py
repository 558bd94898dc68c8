"""From a record or a table to a judgement, and from a judgement to files."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.history.observations import Observation
from analysis.judge.set import judge_set
from analysis.model import Accuracy, CoilResult, Limits, MeterUse, SetResult, Trace
from analysis.words import RECORD_LANGUAGE, Figure, Message, languages, say
from daq import __version__
from daq.archive.table_columns import read_table
from daq.archive.verdict_table import PaperName, as_object
from daq.config.builtin import find
from daq.config.coil_set import CoilSet
from daq.config.load import load_coil_set, load_rig
from daq.durable_file import write_whole
from daq.errors import InputError, RecordError
from daq.plain_file import refuse_link
from daq.record.format import COIL_SET, EVENTS, READINGS, REPORT, RESULT, Event, Header, json_text
from daq.record.reader import Run, RunState, read_run

if TYPE_CHECKING:
    from rich.console import Console

    from analysis.paper.report import ReportInfo

#: Kinds of events that the report repeats.
TOLD = frozenset({"fault", "alarm", "companion", "resume", "contact", "ambient", "heat"})
#: So many of them; the rest are in the record.
MAX_TOLD = 50
CURVES = "curves"


@dataclass(frozen=True)
class Judged:
    """A judgement with what it rests on; *header* is None for a plain table.

    *problems* are those of the record, *faults* what the run itself warned of.
    """

    source: Path
    traces: tuple[Trace, ...]
    result: SetResult
    limits: Mapping[str, Limits]
    state: RunState
    header: Header | None = None
    problems: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    observations: tuple[Observation, ...] = ()


def judge_path(
    path: Path,
    coil_set: Path | None,
    rig: Path | None = None,
    *,
    columns: Sequence[str] = (),
    asker: Console | None = None,
) -> Judged:
    """Judge a run folder, or a table in a CSV or xlsx file.

    Args:
        path: A run folder, or a table of temperature and resistance.
        coil_set: Kinds and limits; None takes the record's own, or common practice for a table.
        rig: What a table was measured with: accuracy and wires of its meter, accuracy of its probes. None
            takes careful defaults. A run knows its own.
        columns: What the columns of a table with other headings are.
        asker: Where somebody can be asked about them.

    Raises:
        InputError: The table, the coil-set or the rig file is wrong, the folder is no readable record, or
            a rig is given for a run.
        ForeignFileError: It, or a file of the run, is a link or a device.
    """
    given = load_coil_set(find("coil_sets", str(coil_set))).value if coil_set is not None else None
    bench = load_rig(find("rigs", str(rig))).value if rig is not None else None
    refuse_link(path)
    if path.is_dir():
        if bench is not None:
            raise InputError(
                f"--rig: {path} is a run and says itself what it was measured with; leave it out"
            )
        if columns:
            raise InputError(f"--columns: {path} is a run and knows its columns; leave it out")
        return judge_run(given_run(path), given)
    if not path.exists():
        raise InputError(f"{path}: no such file or folder, expected a run folder or a CSV file")
    labels = frozenset(each.coil for each in given.subjects()) if given else frozenset()
    table = read_table(path, columns, labels, asker)
    traces = table.traces
    limits = given.kind_limits() if given else {}
    accuracy = bench.accuracy() if bench else Accuracy()
    use = MeterUse(wires=bench.meter.wires) if bench else None
    result = judge_set(traces, given.subjects() if given else None, limits or None, accuracy, meter=use)
    if bench is None and any(_unsure(coil) for coil in result.coils):
        note = say("note.guessed-accuracy", probe=accuracy.probe_K, meter=1e3 * accuracy.offset_ohm)
        result = replace(result, notes=(*result.notes, note))
    if table.notes:
        result = replace(result, notes=(*table.notes, *result.notes))
    return Judged(path, traces, result, limits, "complete")


def _unsure(coil: CoilResult) -> bool:
    """Whether a coil was sent to another test because something is not known well enough."""
    return any(why.code.endswith(("-unsure", "-coarse")) for why in coil.reasons)


def given_run(folder: Path, files: Collection[str] | None = None) -> Run:
    """Read a run folder that somebody named, with *files* of it, or all, compared with its manifest.

    Raises:
        InputError: It is no readable run folder.
        ForeignFileError: It, or a file of it, is a link or a device.
    """
    refuse_link(folder)
    if not folder.is_dir():
        raise InputError(f"{folder}: is no run folder, expected one, as soak and sweep write them")
    try:
        return read_run(folder, files)
    except RecordError as exc:  # here the record is what was given, not what is being made
        raise InputError(str(exc)) from exc


def require_coils(coils: Sequence[str], judged: Sequence[Judged]) -> None:
    """Refuse labels of coils that none of the runs knows.

    Raises:
        InputError: The message lists those there are.
    """
    known = dict.fromkeys(coil.coil for each in judged for coil in each.result.coils)
    for coil in coils:
        if coil not in known:
            raise InputError(f"--coil {coil}: not in these runs, expected one of {', '.join(known)}")


def judge_run(run: Run, given: CoilSet | None = None, *, state: RunState | None = None) -> Judged:
    """Judge a recorded run with the limits of *given*, else with those that it was made with.

    *state* is for whoever closes the record and knows how the run ended.
    """
    coil_set = given or load_coil_set(run.folder / COIL_SET, of_run=True).value
    traces, limits = tuple(run.traces()), coil_set.kind_limits()
    soak_degC = max(coil_set.test.steps_degC) if run.header.kind == "soak" else None
    header = run.header
    result = judge_set(
        traces,
        coil_set.subjects(),
        limits,
        header.accuracy,
        soak_degC=soak_degC,
        meter=replace(header.meter, leads_ohm=run.leads_ohm()),
    )
    told = [_told(event) for event in run.events if event.kind in TOLD]
    if more := len(told) - MAX_TOLD:
        told[MAX_TOLD:] = [say("note.more-events", count=more, file=EVENTS)] if more > 0 else []
    return Judged(
        run.folder,
        traces,
        result,
        limits,
        state or run.state,
        header,
        run.problems,
        tuple(told),
        run.observations,
    )


def _told(event: Event) -> Message:
    """Say an event again; what no sentence of ours is, as an instrument's error, is quoted."""
    quoted = say("note.recorded", kind=say(f"event_kind.{event.kind}"), text=event.text)
    what = event.text if isinstance(event.text, Message) else quoted
    return say("note.of", coils=event.coil, what=what) if event.coil else what


def judgement_files(
    folder: Path, judged: Judged, paper: PaperName, language: str = RECORD_LANGUAGE
) -> dict[str, object]:
    """Write report and curves into *folder*, which must have room for them; return the JSON object.

    Raises:
        RecordError: A file is there already, or cannot be written; nothing is ever overwritten.
    """
    from analysis.figures.curves import write_curves  # drawing is not needed to judge
    from analysis.paper.report import write_report

    curves = folder / CURVES
    for path in (curves, folder / REPORT):
        if path.exists():
            raise RecordError(f"{path}: is there already and is not overwritten; choose another folder")
    by_coil = {trace.coil: trace for trace in judged.traces}
    try:
        curves.mkdir(parents=True)
        drawn = {
            coil.coil: write_curves(
                curves, coil, by_coil[coil.coil], judged.limits.get(coil.kind), language=language
            )[1]
            for coil in judged.result.coils
            if coil.coil in by_coil
        }
        write_report(
            folder / REPORT,
            judged.result,
            judged.traces,
            report_info(judged),
            paper="us-letter" if paper == "letter" else "a4",
            language=language,
            curves=drawn,
        )
    except OSError as exc:
        raise RecordError(f"{folder}: the report cannot be written ({exc.strerror or exc})") from exc
    return judged_object(judged)


def judged_object(judged: Judged) -> dict[str, object]:
    """Return the JSON object of a judgement; what is wrong with its record is told first in the notes."""
    told = as_object(judged.result, run=str(judged.source), state=judged.state, problems=judged.problems)
    if judged.observations:
        told["observations"] = [asdict(each) for each in judged.observations]
    return told


def write_judgement(folder: Path, judged: Judged, paper: PaperName, language: str = RECORD_LANGUAGE) -> None:
    """Write report, curves and ``result.json`` of a judgement into *folder*.

    Raises:
        InputError: A file is there already, or cannot be written; nothing is ever overwritten. Or there
            is no catalogue of *language*.
    """
    require_language(language)
    target = folder / RESULT
    if target.exists():
        raise InputError(f"{target}: is there already and is not overwritten; choose another folder")
    try:
        result = judgement_files(folder, judged, paper, language)
        write_whole(target, json_text(result))
    except RecordError as exc:
        raise InputError(str(exc)) from exc
    except OSError as exc:
        raise InputError(f"{target}: cannot be written ({exc.strerror or exc})") from exc


def require_language(language: str) -> None:
    """Refuse a language of which there is no catalogue.

    Raises:
        InputError: The message lists those there are.
    """
    if language not in languages():
        raise InputError(f"--language {language}: not known, expected one of {', '.join(languages())}")


def report_info(judged: Judged) -> ReportInfo:
    """Return what a report says about a run besides its judgement."""
    from analysis.paper.report import ReportInfo

    header = judged.header
    notes = (*judged.faults, *judged.problems)  # the report adds those of the judgement
    if header is None:
        stamp = datetime.fromtimestamp(judged.source.stat().st_mtime, UTC)
        return ReportInfo(
            title=say("report.table", file=judged.source.name),
            start=stamp,
            state=judged.state,
            simulated=False,
            version=__version__,
            readings_file=judged.source.name,
            notes=notes,
            limits=judged.limits,
        )
    return ReportInfo(
        title=say(f"report.{header.kind}"),
        start=header.start_local(),
        state=judged.state,
        simulated=header.simulated,
        version=header.program.removeprefix("coilsoak "),
        job=header.job,
        operator=header.operator,
        stage=header.stage,
        set_name=header.coil_set.name,
        rig_name=header.rig.name,
        readings_file=READINGS,
        instruments=[
            (role, used.identity or used.resource, used.calibrated)
            for role, used in header.instruments.items()
        ],
        settings=[(name, _plain(value)) for name, value in (header.settings | header.limits).items()],
        notes=notes,
        limits=judged.limits,
        observations=judged.observations,
        own_heat=header.settings.get("heat") == "supply",
    )


def _plain(value: object) -> str:
    if isinstance(value, list | tuple):
        parts = [_plain(each) for each in value]
        numbers = all(isinstance(each, Figure) for each in parts)
        # Where the decimal sign may be a comma, a comma does not part numbers well.
        return Figure("; ".join(parts)) if numbers else ", ".join(parts)
    return Figure(f"{value:g}") if isinstance(value, int | float) else str(value)
