"""A signed claim pack for tests, and what is done to it."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pikepdf
from pypdf import PdfReader

from daq.archive.claim.verify import Verified

SAMPLES = Path(__file__).parents[3] / "sample_runs"
(BEFORE,) = (SAMPLES / "cleaning").glob("*-as-received")
(AFTER,) = (SAMPLES / "cleaning").glob("*-after-cleaning")


@dataclass(frozen=True)
class Shop:
    """A shop with its key, a pack that it signed, and the same before it was signed."""

    key: Path
    fingerprint: str
    signed: bytes
    unsigned: bytes


Checked = Callable[..., dict[str, bool | None]]
SOUND = dict.fromkeys(("signature", "signer", "attachments", "record", "verdicts", "pages"), True)
#: Without a signature: nothing speaks against it.
UNPROVED = {
    "signature": None,
    "attachments": True,
    "record": True,
    "verdicts": True,
    "pages": None,
}


def outcome(verified: Verified) -> dict[str, bool | None]:
    """How each thing came out."""
    return {finding.what: finding.good for finding in verified.findings}


def rewritten(pdf: bytes, change: Callable[[pikepdf.Pdf], None]) -> bytes:
    """The whole file written anew by another program, with a change."""
    out = io.BytesIO()
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        change(opened)
        opened.save(out)
    return out.getvalue()


def attach(pdf: pikepdf.Pdf, files: dict[str, bytes]) -> None:
    """Put other contents in the place of attachments."""
    for name, data in files.items():
        pdf.attachments[name].obj.EF.F.write(data)


def contents(pdf: bytes) -> dict[str, bytes]:
    """Contents of the attachments by name, as another library gets them out."""
    return {name: found[0] for name, found in PdfReader(io.BytesIO(pdf)).attachments.items()}
