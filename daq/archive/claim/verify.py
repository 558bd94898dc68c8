"""Is a claim pack what somebody signed, and does it say what its readings say? No bench is needed."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path

from analysis.history.history import in_order
from daq.archive.claim.verify_pages import check_pages
from daq.archive.claim.verify_pdf import read_pack
from daq.archive.claim.verify_runs import (
    check_attachments,
    check_record,
    check_verdicts,
    pack_manifest,
    rejudge,
)
from daq.archive.claim.verify_signature import Expected, Signer, check_signatures
from daq.archive.claim.write import claim_run
from daq.archive.comparison import followed
from daq.errors import InputError
from daq.tables import CheckLine

#: Exit statuses beside 0, all holds, and those of errors: something does not hold; nothing speaks against
#: the pack, but something could not be told, as who signed it.
DOES_NOT_HOLD, OPEN = 1, 4


@dataclass(frozen=True)
class Verified:
    """What came of looking at a pack: one finding for each thing, and who signed."""

    path: Path
    findings: tuple[CheckLine, ...]
    signers: tuple[Signer, ...]

    @property
    def holds(self) -> bool | None:
        """Whether all holds; None where nothing speaks against it, but something could not be told."""
        found = {finding.good for finding in self.findings}
        return False if False in found else None if None in found else True

    @property
    def status(self) -> int:
        """The exit status of the program."""
        return {True: 0, False: DOES_NOT_HOLD, None: OPEN}[self.holds]

    def as_object(self) -> dict[str, object]:
        """Return what was found for JSON."""
        signers = [
            asdict(each) | {"signed_utc": each.signed_utc and each.signed_utc.isoformat()}
            for each in self.signers
        ]
        findings = [finding.as_object() for finding in self.findings]
        return {"file": str(self.path), "holds": self.holds, "findings": findings, "signers": signers}

    def conclusion(self) -> str:
        """Return all of it in one line."""
        if self.holds:
            return "all of it holds"
        named = ", ".join(dict.fromkeys(each.what for each in self.findings if each.good is self.holds))
        return (
            f"does not hold: {named}" if self.holds is False else f"nothing speaks against it; open: {named}"
        )


def verify_pack(path: Path, expected: Expected | None = None) -> Verified:
    """Look at everything that can be checked of the claim pack at *path*.

    Args:
        path: A PDF from anybody.
        expected: Who is to have signed it; None leaves that open.

    Raises:
        InputError: It is no PDF that can be read, or no claim pack.
    """
    pack = read_pack(path)
    try:
        manifest = pack_manifest(pack.files)
    except InputError as exc:
        raise InputError(f"{path}: {exc}") from exc
    findings, signers = check_signatures(pack, expected)
    signed = bool(signers) and all(each.good for each in findings if each.what == "signature")
    findings.append(check_attachments(pack.files, manifest, pack.problems))
    again = []
    for n, run in enumerate(manifest.runs, 1):
        where = f" {n}" if len(manifest.runs) > 1 else ""
        try:
            rejudged = rejudge(pack.files, run.prefix, run.folder)
        except InputError as exc:
            findings.append(CheckLine(f"record{where}", False, str(exc)))
        else:
            again.append(rejudged)
            findings += [check_record(rejudged, where), check_verdicts(rejudged, manifest, where)]
    again = in_order(again, key=lambda each: (each.run.header.start_utc, each.run.header.stage))
    if len(again) == len(manifest.runs):
        pages = [claim_run(each.judged, each.run) for each in again]
        found = followed([each.run for each in again], [each.judged for each in again])
        findings.append(check_pages(pack, pages, found, signed=signed))
    return Verified(path, tuple(findings), tuple(signers))
