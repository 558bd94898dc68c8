"""The claim pack of some runs, from run folders to one PDF; what it carries is in :mod:`daq.claimfiles`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, get_args

from analysis.model import Verdict
from analysis.words import Message, say
from daq import __version__
from daq.claimfiles import TRAVEL, Carried, attachments
from daq.durable import write_whole
from daq.errors import InputError, RecordError
from daq.judging import Judged, judge_run, judged_object, report_info, require_language
from daq.recordformat import json_text
from daq.results import PaperName
from daq.runfolder import Run, read_run

if TYPE_CHECKING:
    from analysis.claim import ClaimRun


@dataclass(frozen=True)
class ClaimRequest:
    """What was asked for on the command line. *out* None: a name made from the last run's folder."""

    runs: tuple[Path, ...]
    out: Path | None = None
    coils: tuple[str, ...] = ()
    paper: PaperName = "a4"
    language: str = "en"


def write_claim(request: ClaimRequest) -> Path:
    """Write the claim pack of *request* and return its path.

    Raises:
        InputError: A run cannot be read, or the file is there already or cannot be written.
    """
    from analysis.claim import claim_pdf

    require_language(request.language)
    out = request.out or Path(f"claim-{request.runs[-1].resolve().name}.pdf")
    if out.exists():
        raise InputError(f"{out}: is there already and is not overwritten; choose another name with --out")
    runs = [_read(folder) for folder in request.runs]
    judged = [judge_run(run) for run in runs]
    _require_known(request.coils, judged)
    carried = [Carried(each.source, json_text(judged_object(each))) for each in judged]
    pdf = claim_pdf(
        [_claim_run(each, run) for each, run in zip(judged, runs, strict=True)],
        attachments(carried, f"coilsoak {__version__}"),
        paper="us-letter" if request.paper == "letter" else "a4",
        coils=request.coils,
        language=request.language,
    )
    try:
        write_whole(out, pdf)
    except OSError as exc:
        raise InputError(f"{out}: cannot be written ({exc.strerror or exc})") from exc
    return out


def _read(folder: Path) -> Run:
    if not folder.is_dir():
        raise InputError(f"{folder}: is no run folder, and a claim needs a whole record; give run folders")
    try:
        return read_run(folder, TRAVEL)  # report and curves stay behind, and need not be there
    except RecordError as exc:
        raise InputError(str(exc)) from exc


def _require_known(coils: Sequence[str], judged: Sequence[Judged]) -> None:
    known = dict.fromkeys(coil.coil for each in judged for coil in each.result.coils)
    for coil in coils:
        if coil not in known:
            raise InputError(f"--coil {coil}: not in these runs, expected one of {', '.join(known)}")


def _claim_run(judged: Judged, run: Run) -> ClaimRun:
    from analysis.claim import ClaimRun

    about = report_info(judged)
    about = replace(about, notes=(*_other_verdicts(judged, run.result), *about.notes))
    heat = str(run.header.settings.get("heat", "hand"))
    return ClaimRun(judged.result, judged.traces, about, run.header.kind, heat)


def _other_verdicts(judged: Judged, recorded: object) -> Iterator[Message]:
    """Say where the result that the run itself wrote had another verdict: it is attached as it is."""
    coils = recorded.get("coils") if isinstance(recorded, dict) else None
    before = {
        coil.get("coil"): coil.get("verdict")
        for coil in (coils if isinstance(coils, list) else [])
        if isinstance(coil, dict)
    }
    for coil in judged.result.coils:
        was = before.get(coil.coil, coil.verdict)
        if was != coil.verdict and was in get_args(Verdict):
            now, then = (say(f"verdict.{verdict}") for verdict in (coil.verdict, was))
            yield say("note.judged-anew", coil=coil.coil, now=now, then=then)
