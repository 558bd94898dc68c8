"""Is a PDF signed, over all of it, by whom and when."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from asn1crypto import parser, pem, x509
from pyhanko.sign.fields import enumerate_sig_fields
from pyhanko.sign.validation import EmbeddedPdfSignature, PdfSignatureStatus, validate_pdf_signature
from pyhanko.sign.validation.settings import KeyUsageConstraints
from pyhanko_certvalidator import ValidationContext

from daq.archive.claim.key import MAX_KEY_BYTES, fingerprint
from daq.archive.claim.verify_pdf import Pack, foreign
from daq.errors import InputError
from daq.plain_file import read_given
from daq.tables import CheckLine

#: More signatures than that has no claim pack.
MAX_SIGNATURES = 20
#: Hash functions for signatures that nobody can find two texts for (NIST SP 800-131A, from memory).
_SOUND_HASHES = frozenset({"sha256", "sha384", "sha512", "sha3_256", "sha3_384", "sha3_512"})
#: A certificate for either may sign a document.
_MAY_SIGN = KeyUsageConstraints(
    key_usage={"digital_signature", "non_repudiation"}, match_all_key_usages=False
)
_SHA256_DIGITS = 64


@dataclass(frozen=True)
class Expected:
    """Who is to have signed: a certificate by its *sha256*, or one that *certificates* vouch for."""

    sha256: frozenset[bytes]
    certificates: tuple[x509.Certificate, ...] = ()


@dataclass(frozen=True)
class Signer:
    """Who signed, as the certificate names it; *sha256* is its fingerprint.

    *self_made* says that the certificate was made by itself; *signed_utc* is what the signer states.
    """

    name: str
    sha256: str
    self_made: bool
    signed_utc: datetime | None


def expected_signer(asked: str) -> Expected:
    """Return whom the reader expects: *asked* is a fingerprint, or the path of a PEM or DER certificate.

    Raises:
        InputError: It is neither.
    """
    digits = re.sub(r"[\s:]", "", asked)
    if re.fullmatch(rf"[0-9a-fA-F]{{{_SHA256_DIGITS}}}", digits):
        return Expected(frozenset({bytes.fromhex(digits)}))
    expected = f"a fingerprint (SHA-256, {_SHA256_DIGITS} hex digits) or the .pem file of who signs"
    try:
        raw = read_given(Path(asked), MAX_KEY_BYTES, expected)
        with foreign(f"{asked}: is no certificate, expected {expected}"):
            ders = [der for _, _, der in pem.unarmor(raw, multiple=True)] if pem.detect(raw) else [raw]
            certificates = tuple(x509.Certificate.load(der, strict=True) for der in ders)
            _ = [each.native for each in certificates]  # parses all of it
    except InputError as exc:
        raise InputError(f"--signer {exc}") from exc
    return Expected(frozenset(each.sha256 for each in certificates), certificates)


def check_signatures(pack: Pack, expected: Expected | None) -> tuple[list[CheckLine], list[Signer]]:
    """Return what holds of the signatures of *pack*, and who signed.

    Args:
        pack: The PDF.
        expected: Who is to have signed; None: whoever did is named, and whether it is they is left open.
    """
    try:
        with foreign("cannot be read"):
            filled = sum(1 for _ in enumerate_sig_fields(pack.reader, filled_status=True))
            signatures = pack.reader.embedded_signatures
    except InputError as exc:
        return [CheckLine("signature", False, str(exc))], []
    if len(signatures) != filled or filled > MAX_SIGNATURES:
        text = f"{filled} signatures, of which {filled - len(signatures)} are of no kind that is known"
        return [CheckLine("signature", False, text)], []
    if not signatures:
        text = "none: whoever had the file could alter pages, readings and result together"
        return [CheckLine("signature", None if expected is None else False, text)], []
    findings, signers = [], []
    for signature in signatures:
        try:
            with foreign("cannot be checked"):
                signer, found = _check(signature, pack.raw, expected)
        except InputError as exc:
            findings.append(CheckLine("signature", False, str(exc)))
        else:
            findings += found
            signers.append(signer)
    return findings, signers


def _check(
    signature: EmbeddedPdfSignature, raw: bytes, expected: Expected | None
) -> tuple[Signer, list[CheckLine]]:
    stated = signature.self_reported_timestamp
    roots = expected.certificates if expected else ()
    status = _validate(signature, roots, stated)
    certificate = signature.signer_cert
    signer = Signer(
        name=_name(certificate.subject),
        sha256=fingerprint(certificate.dump()),
        self_made=certificate.self_signed != "no",
        signed_utc=stated.astimezone(UTC) if stated else None,
    )
    return signer, [
        _intact(signature, status, raw),
        _signed_by(signer, certificate, expected, by_chain=bool(status.trusted)),
        *_stamped(status),
    ]


def _validate(
    signature: EmbeddedPdfSignature, roots: tuple[x509.Certificate, ...], moment: datetime | None
) -> PdfSignatureStatus:
    # Nothing is fetched: whether a certificate was withdrawn cannot be known without asking over the network.
    context = ValidationContext(trust_roots=list(roots), moment=moment, allow_fetching=False)
    return validate_pdf_signature(signature, context, key_usage_settings=_MAY_SIGN, skip_diff=True)


def _intact(signature: EmbeddedPdfSignature, status: PdfSignatureStatus, raw: bytes) -> CheckLine:
    if not (status.intact and status.valid):
        return CheckLine("signature", False, "broken: the file is not what was signed")
    if status.md_algorithm not in _SOUND_HASHES:
        return CheckLine("signature", False, f"made with {status.md_algorithm}, which can be forged")
    if not _covers(signature, raw):
        return CheckLine(
            "signature", False, "does not cover the whole file: something was added after signing"
        )
    return CheckLine("signature", True, "intact, over the whole file")


def _covers(signature: EmbeddedPdfSignature, raw: bytes) -> bool:
    """Whether every byte of the file is signed but those of the signature itself, filled up with zeros."""
    if len(signature.byte_range) != 4:
        return False
    start, length, start2, length2 = map(int, signature.byte_range)
    hole, content = raw[length:start2], signature.pkcs7_content
    *_, header, body, trailer = parser.parse(content)
    filling = content[len(header) + len(body) + len(trailer) :]
    whole = (start, start2 + length2) == (0, len(raw)) and not any(filling)
    return whole and hole.lower() == b"<%s>" % content.hex().encode()


def _signed_by(
    signer: Signer, certificate: x509.Certificate, expected: Expected | None, *, by_chain: bool
) -> CheckLine:
    """Return who signed, and whether it is who was expected."""
    kind = (
        "a key that vouches for itself" if signer.self_made else f"certified by {_name(certificate.issuer)}"
    )
    when = (
        f"signed {_utc(signer.signed_utc)} by the signer's own clock"
        if signer.signed_utc
        else "no time stated"
    )
    who = f"{signer.name}, {kind}, SHA-256 {signer.sha256}; {when}"
    good_at = (certificate.not_valid_before, certificate.not_valid_after)
    if signer.signed_utc is None or not good_at[0] <= signer.signed_utc <= good_at[1]:
        good = " to ".join(map(_utc, good_at))
        return CheckLine("signer", False, f"{who}; not within the time of its certificate, {good}")
    if expected is None:
        ask = "who that is was not asked: compare the fingerprint by telephone, or give --signer"
        return CheckLine("signer", None, f"{who}; {ask}")
    if certificate.sha256 in expected.sha256:
        return CheckLine("signer", True, f"{who}; as --signer says")
    return CheckLine("signer", by_chain, f"{who}; {'certified by' if by_chain else 'not'} who --signer says")


def _stamped(status: PdfSignatureStatus) -> Iterator[CheckLine]:
    """Yield what a timestamp says, where there is one."""
    if (stamp := status.timestamp_validity) is None:
        return
    by = f"{_utc(stamp.timestamp)}, stated by {_name(stamp.signing_cert.subject)}"
    if stamp.intact and stamp.valid:
        yield CheckLine("time", True, f"{by}; who that is was not looked at")
    else:
        yield CheckLine("time", False, f"{by}: the timestamp is broken")


def _utc(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"


def _name(name: x509.Name) -> str:
    """Return the common name alone where there is one: the rest is long, and the fingerprint counts."""
    return str(name.native.get("common_name") or name.human_friendly)
