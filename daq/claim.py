"""The claim pack of some runs, from run folders to one PDF; what it carries is in :mod:`daq.claimfiles`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from daq import __version__
from daq.claimfiles import Carried, attachments
from daq.durable import write_whole
from daq.errors import InputError
from daq.judging import Judged, judge_path, judged_object, report_info, require_language
from daq.recordformat import json_text
from daq.results import PaperName

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
    judged = [_judged(folder) for folder in request.runs]
    _require_known(request.coils, judged)
    carried = [Carried(each.source, json_text(judged_object(each))) for each in judged]
    pdf = claim_pdf(
        [_claim_run(each) for each in judged],
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


def _judged(folder: Path) -> Judged:
    if not folder.is_dir():
        raise InputError(f"{folder}: is no run folder, and a claim needs a whole record; give run folders")
    return judge_path(folder, None)


def _require_known(coils: Sequence[str], judged: Sequence[Judged]) -> None:
    known = dict.fromkeys(coil.coil for each in judged for coil in each.result.coils)
    for coil in coils:
        if coil not in known:
            raise InputError(f"--coil {coil}: not in these runs, expected one of {', '.join(known)}")


def _claim_run(judged: Judged) -> ClaimRun:
    from analysis.claim import ClaimRun

    header = judged.header
    assert header is not None  # a run folder has one
    heat = str(header.settings.get("heat", "hand"))
    return ClaimRun(judged.result, judged.traces, report_info(judged), header.kind, heat)
