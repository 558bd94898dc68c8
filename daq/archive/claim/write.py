"""The claim pack of some runs, from run folders to one PDF."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, get_args

from analysis.history.history import in_order
from analysis.model import Verdict
from analysis.words import Message, say
from daq import __version__
from daq.archive.claim.attachments import AttachedRun, attachments
from daq.archive.claim.pictures import MAX_PHOTOS, logo, photo
from daq.archive.claim.shop import Shop, load_shop
from daq.archive.comparison import followed
from daq.archive.judgement import (
    Judged,
    given_run,
    judge_run,
    judged_object,
    report_info,
    require_coils,
    require_language,
)
from daq.archive.verdict_table import PaperName
from daq.config.toml import Loaded
from daq.config.toml_lines import quote_key
from daq.durable_file import write_whole
from daq.errors import InputError
from daq.record.format import TRAVEL, json_text
from daq.record.reader import Run

if TYPE_CHECKING:
    from pyhanko.sign import SimpleSigner

    from analysis.paper.claim import Case, ClaimRun, Picture


@dataclass(frozen=True)
class ClaimRequest:
    """What was asked for on the command line.

    *out* None: a name made from the last run's folder. *timestamp* stands before that of the shop file.
    """

    runs: tuple[Path, ...]
    out: Path | None = None
    coils: tuple[str, ...] = ()
    shop: Path | None = None
    photos: tuple[Path, ...] = ()
    paper: PaperName = "a4"
    language: str = "en"
    timestamp: str = ""


def write_claim(request: ClaimRequest, signer: SimpleSigner | None = None) -> Path:
    """Write the claim pack of *request*, signed by *signer* if there is one, and return its path.

    Raises:
        InputError: A run, the shop file or a picture cannot be read or is not as it should be, the file is
            there already or cannot be written, or the timestamp service gives none.
    """
    from analysis.paper.claim import claim_pdf

    require_language(request.language)
    out = request.out or Path(f"claim-{request.runs[-1].resolve().name}.pdf")
    if out.exists():
        raise InputError(f"{out}: is there already and is not overwritten; choose another name with --out")
    runs = in_order(
        [given_run(folder, TRAVEL) for folder in request.runs],
        key=lambda run: (run.header.start_utc, run.header.stage),
    )
    shop = load_shop(request.shop) if request.shop is not None else None
    own = [judge_run(run) for run in runs]
    judged = [_with_serials(each, shop) for each in own]
    require_coils(request.coils, judged)
    carried = [AttachedRun(each.source, json_text(judged_object(each))) for each in judged]
    pdf = claim_pdf(
        [claim_run(each, run) for each, run in zip(judged, runs, strict=True)],
        attachments(carried, f"coilsoak {__version__}"),
        paper="us-letter" if request.paper == "letter" else "a4",
        case=_case(shop) if shop is not None else None,
        photos=_photos(request.photos),
        coils=request.coils,
        language=request.language,
        found=followed(runs, own),
    )
    if signer is not None:
        from daq.archive.claim.sign import sign_pdf

        pdf = sign_pdf(pdf, signer, request.timestamp or (shop.value.shop.timestamp if shop else ""))
    try:
        write_whole(out, pdf)
    except OSError as exc:
        raise InputError(f"{out}: cannot be written ({exc.strerror or exc})") from exc
    return out


def _with_serials(judged: Judged, shop: Loaded[Shop] | None) -> Judged:
    """Return *judged* with the serial numbers of the shop file for coils that have none."""
    if shop is None or not shop.value.serials:
        return judged
    known = {coil.coil: coil.serial for coil in judged.result.coils}
    for coil, serial in shop.value.serials.items():
        where = f"serials.{quote_key(coil)}"
        if coil not in known:
            raise shop.error(where, f"is no coil of {judged.source}, expected one of {', '.join(known)}")
        if known[coil] not in {"", serial}:
            raise shop.error(where, f"is {serial!r}, but {judged.source} has {known[coil]!r} on record")
    coils = [
        replace(coil, serial=shop.value.serials.get(coil.coil, coil.serial)) for coil in judged.result.coils
    ]
    return replace(judged, result=replace(judged.result, coils=tuple(coils)))


def _case(shop: Loaded[Shop]) -> Case:
    from analysis.paper.claim import Case

    sender, customer, claim = shop.value.shop, shop.value.customer, shop.value.claim
    return Case(
        shop=sender.name,
        address=sender.address,
        contact=sender.contact,
        logo=logo(shop.path.parent / sender.logo) if sender.logo else None,
        customer=", ".join(filter(None, (customer.name, *customer.address))),
        number=claim.number,
        date=claim.date,
        part=claim.part,
        part_number=claim.part_number,
        remark=claim.remark,
    )


def _photos(paths: Sequence[Path]) -> list[Picture]:
    if len(paths) > MAX_PHOTOS:
        raise InputError(f"--photo: {len(paths)} photos, expected at most {MAX_PHOTOS}; leave some out")
    return [photo(path) for path in paths]


def claim_run(judged: Judged, run: Run) -> ClaimRun:
    """Return what the pages of a pack are made of: *run* as it was *judged*."""
    from analysis.paper.claim import ClaimRun

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
