"""Signing a claim pack: what others say of it, by whom, when, and from the command line."""

from __future__ import annotations

import hashlib
import io
import shutil
import subprocess
from pathlib import Path

import pikepdf
import pytest
from asn1crypto import cms
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import padding, rsa
from pypdf import PdfReader

from daq.archive.claim.key import fingerprint, load_key
from daq.archive.claim.sign import FIELD_SHOWN, sign_pdf
from daq.archive.claim.verify import verify_pack
from daq.archive.claim.verify_signature import expected_signer
from daq.errors import InputError
from tests.daq.kits.cli import say
from tests.daq.kits.key import Issued, issue, timestamp_service
from tests.daq.kits.pack import BEFORE, SOUND, Checked, Shop, outcome


@pytest.mark.slow
def test_others_find_the_signature_good(shop: Shop, tmp_path: Path) -> None:
    """Hash and RSA signature hold by other libraries, and by pdfsig where it is installed."""
    reader = PdfReader(io.BytesIO(shop.signed))
    signature = reader.root_object["/AcroForm"]["/Fields"][0].get_object()["/V"].get_object()
    assert signature["/SubFilter"] == "/ETSI.CAdES.detached"
    start, length, start2, length2 = map(int, signature["/ByteRange"])
    assert (start, start2 + length2) == (0, len(shop.signed))
    covered = shop.signed[:length] + shop.signed[start2:]
    signed_data = cms.ContentInfo.load(bytes(signature["/Contents"].original_bytes))["content"]
    (signer,) = signed_data["signer_infos"]
    attributes = {each["type"].native: each["values"][0] for each in signer["signed_attrs"]}
    assert attributes["message_digest"].native == hashlib.sha256(covered).digest()
    assert "signing_certificate_v2" in attributes  # PAdES asks for it
    assert "signing_time" not in attributes  # and forbids this
    (certificate,) = signed_data["certificates"]
    key = x509.load_der_x509_certificate(certificate.dump()).public_key()
    assert isinstance(key, rsa.RSAPublicKey)
    signed_attributes = signer["signed_attrs"].untag().dump()
    key.verify(signer["signature"].native, signed_attributes, padding.PKCS1v15(), hashes.SHA256())
    if pdfsig := shutil.which("pdfsig"):
        path = tmp_path / "claim.pdf"
        path.write_bytes(shop.signed)
        said = subprocess.run([pdfsig, path], capture_output=True, text=True, check=False).stdout
        assert "Total document signed" in said
        assert "Signature is Valid." in said


@pytest.mark.slow
def test_a_signed_pack_is_still_archival(shop: Shop) -> None:
    """Nothing is wrong for qpdf; it claims PDF/A-3a and PDF/UA-1 as before; the field is off the page."""
    with pikepdf.open(io.BytesIO(shop.signed)) as pdf:
        assert pdf.check_pdf_syntax() == []
        metadata = pdf.open_metadata()
        assert (metadata["pdfaid:part"], metadata["pdfaid:conformance"]) == ("3", "A")
        assert metadata["pdfuaid:part"] == "1"
        form = pdf.Root.AcroForm
        assert "/NeedAppearances" not in form
        (field,) = form.Fields
        assert int(field.F) & 4  # print, as PDF/A asks
        assert not int(field.F) & (1 | 2 | 32)  # nor invisible, hidden or without a view
        left, bottom, right, top = map(float, field.Rect)
        assert (right - left, top - bottom) == (0, 0)  # so it needs no appearance
        assert max(right, top) < 0
        assert field.TU == FIELD_SHOWN
        assert pdf.Root.MarkInfo.Marked
    before, after = (PdfReader(io.BytesIO(pdf)) for pdf in (shop.unsigned, shop.signed))
    assert [page.extract_text() for page in before.pages] == [page.extract_text() for page in after.pages]


@pytest.mark.slow
def test_a_key_that_others_vouch_for(shop: Shop, checked: Checked, tmp_path: Path) -> None:
    """A key with a chain is good for whoever trusts its root, or knows it itself, and for nobody else."""
    root = issue("Invented Root", authority=True)
    chained = issue("Invented Chained Shop", issue("Invented Office", root, authority=True))
    path = tmp_path / "shop.pfx"
    path.write_bytes(chained.pkcs12("secret"))
    signed = sign_pdf(shop.unsigned, load_key(path, lambda: "secret"))
    for trusted, good in ((root, True), (chained, True), (issue("Invented Root", authority=True), False)):
        certificate = tmp_path / "trusted.pem"
        certificate.write_bytes(trusted.pem())
        assert checked(signed, str(certificate)) == SOUND | {"signer": good}
    (signer,) = verify_pack(tmp_path / "claim.pdf").signers
    assert (signer.name, signer.self_made) == ("Invented Chained Shop", False)


@pytest.mark.slow
@pytest.mark.parametrize("good_days", [(-9, -1), (1, 9)], ids=["run out", "not yet good"])
def test_a_certificate_out_of_its_time(shop: Shop, checked: Checked, good_days: tuple[float, float]) -> None:
    """Signed when its certificate was not good, it is not accepted, whoever is expected."""
    old: Issued = issue("Old Shop", good_days=good_days)
    signed = sign_pdf(shop.unsigned, old.signer())
    known = fingerprint(old.certificate.public_bytes(serialization.Encoding.DER))
    assert checked(signed, known) == SOUND | {"signer": False}


@pytest.mark.slow
def test_a_timestamp_is_asked_for_and_checked(shop: Shop, tmp_path: Path) -> None:
    """A service on loopback states the time (B-T); one that answers nonsense or not at all is told."""
    signer = load_key(shop.key, lambda: "secret")
    with timestamp_service() as address:
        signed = sign_pdf(shop.unsigned, signer, address)
    path = tmp_path / "claim.pdf"
    path.write_bytes(signed)
    verified = verify_pack(path, expected_signer(shop.fingerprint))
    assert outcome(verified) == SOUND | {"time": True}
    assert any("stated by Invented Time Service" in finding.found for finding in verified.findings)
    last = len(signed[: signed.rindex(b">", 0, signed.rindex(b"/ByteRange"))].rstrip(b"0")) - 40
    path.write_bytes(signed[:last] + (b"1" if signed[last:][:1] == b"0" else b"0") + signed[last + 1 :])
    assert outcome(verify_pack(path, expected_signer(shop.fingerprint))) == SOUND | {"time": False}
    for nonsense in (b"nonsense", b"\x30\x03\x02\x01\x00"):
        with (
            timestamp_service(nonsense) as address,
            pytest.raises(InputError, match=r"gives no timestamp .*; nothing was written"),
        ):
            sign_pdf(shop.unsigned, signer, address)
    with pytest.raises(InputError, match="gives no timestamp"):
        sign_pdf(shop.unsigned, signer, address)  # it is gone by now


@pytest.mark.slow
def test_from_the_command_line(
    shop: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Signed by claim --sign with one's own key and the shop file's time, checked: status 0, 1, 4 and 2."""
    path = tmp_path / "claim:cd:.pdf"
    asked = ("claim", BEFORE, "--out", path, "--sign", shop.key)
    monkeypatch.setattr("daq.archive.claim.key.default_key", lambda: shop.key)
    monkeypatch.setenv("COILSOAK_PASSPHRASE", "hush-hush")
    refused = say(capsys, *asked)
    assert "wrong passphrase" in refused.complaint()
    assert "hush" not in refused.err
    assert not path.exists()
    monkeypatch.setenv("COILSOAK_PASSPHRASE", "secret")
    with timestamp_service() as address:
        shop_file = tmp_path / "shop.toml"
        shop_file.write_text(f'[shop]\ntimestamp = "{address}"\n', encoding="utf-8")
        signed = say(capsys, "claim", BEFORE, "--out", path, "--shop", shop_file, "--sign")
    assert signed.status == 0
    assert f"claim pack: {path}\n" in signed.out
    assert f"fingerprint (SHA-256):\n{shop.fingerprint}\n" in signed.out
    assert "secret" not in signed.out + signed.err
    good = say(capsys, "verify", path, "--signer", shop.fingerprint)
    assert (good.status, good.err) == (0, "")
    assert good.out.splitlines()[-1] == "all of it holds"
    assert "stated by Invented Time Service" in " ".join(good.out.split())
    open_ = say(capsys, "verify", path, "--json")
    assert (open_.status, open_.json()["holds"]) == (4, None)
    assert open_.json()["signers"][0]["sha256"] == shop.fingerprint
    wrong = say(capsys, "verify", path, "--signer", shop.fingerprint[::-1])
    assert wrong.status == 1
    assert wrong.out.splitlines()[-1] == "does not hold: signer"


def test_a_signer_that_is_neither_fingerprint_nor_certificate(tmp_path: Path) -> None:
    """A short fingerprint, a missing file and a text are refused and what is expected is said."""
    text = tmp_path / "text.pem"
    text.write_text("my shop", encoding="utf-8")
    for asked in ("AB:CD", str(tmp_path / "none.pem"), str(text)):
        with pytest.raises(InputError, match=r"^--signer .*64 hex digits"):
            expected_signer(asked)
