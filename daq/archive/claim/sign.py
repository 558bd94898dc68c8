"""Signing a PDF: PAdES B-B, or B-T with a timestamp service."""

from __future__ import annotations

import io
import logging

from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign import PdfSignatureMetadata, PdfSigner, SimpleSigner
from pyhanko.sign.fields import InvisSigSettings, MDPPerm, SigFieldSpec, SigSeedSubFilter
from pyhanko.sign.general import SigningError
from pyhanko.sign.timestamps import HTTPTimeStamper, TimestampRequestError

from daq.errors import InputError

#: Name of the signature field, and what a screen reader calls it.
FIELD, FIELD_SHOWN = "coilsoak", "Signature of the tester"
#: Longer than a timestamp service takes, shorter than anybody wants to wait for one that hangs.
TIMESTAMP_TIMEOUT_S = 20


def sign_pdf(pdf: bytes, signer: SimpleSigner, timestamp_url: str = "") -> bytes:
    """Return *pdf* with a signature over all of it, after which nothing may be changed.

    What was there stays byte for byte, and the signature comes after it. It shows on no page: its field lies
    outside, as PDF/A and PDF/UA together ask of one that is not among the tags.

    Args:
        pdf: A PDF without a signature.
        signer: Key and certificate of who signs.
        timestamp_url: A timestamp service (RFC 3161), which states when; empty: the signer states it.

    Raises:
        InputError: The timestamp service cannot be reached or does not answer as one.
    """
    quiet_libraries()
    field = SigFieldSpec(
        FIELD,
        readable_field_name=FIELD_SHOWN,
        invis_sig_settings=InvisSigSettings(box_out_of_bounds=True),
    )
    asked = PdfSignatureMetadata(
        field_name=FIELD,
        md_algorithm="sha256",
        subfilter=SigSeedSubFilter.PADES,
        certify=True,
        docmdp_permissions=MDPPerm.NO_CHANGES,
    )
    service = HTTPTimeStamper(timestamp_url, timeout=TIMESTAMP_TIMEOUT_S) if timestamp_url else None
    signed = io.BytesIO()
    try:
        PdfSigner(asked, signer, timestamper=service, new_field_spec=field).sign_pdf(
            IncrementalPdfFileWriter(io.BytesIO(pdf)), output=signed
        )
    except (TimestampRequestError, SigningError, TimeoutError, ValueError) as exc:
        if service is None:
            raise
        why = " ".join(str(exc.__cause__ or exc).split())
        expected = "expected a service of RFC 3161; nothing was written"
        raise InputError(f"{timestamp_url}: gives no timestamp ({why}), {expected}") from exc
    return signed.getvalue()


def quiet_libraries() -> None:
    """Keep from the terminal what libraries log there: what counts is told in words of our own."""
    for name in ("pyhanko", "pyhanko_certvalidator", "pypdf"):
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
