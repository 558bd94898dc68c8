"""Keys to sign claims with: made, kept, opened, and asked for without showing."""

from __future__ import annotations

import os
import pty
import select
import stat
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ed25519
from cryptography.hazmat.primitives.serialization import pkcs12

from daq.archive.claim.key import fingerprint, load_key, make_key
from daq.archive.claim.passphrase import VARIABLE, find_passphrase
from daq.errors import InputError
from tests.daq.kits.cli import PATIENCE_S, finish, say, start
from tests.daq.kits.key import issue


def never() -> str:
    """A passphrase that nobody may ask for."""
    raise AssertionError("a passphrase was asked for")


def test_a_key_made_here_is_for_its_owner_alone(tmp_path: Path) -> None:
    """The key file opens with its passphrase only and can be read by nobody else; the certificate can."""
    path = tmp_path / "there" / "shop.p12"
    made = make_key(path, "Invented Workshop", lambda: "secret")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert x509.load_pem_x509_certificate(path.with_suffix(".pem").read_bytes()) == made
    signer = load_key(path, lambda: "secret")
    assert signer.signing_cert is not None
    assert signer.signing_cert.sha256 == made.fingerprint(hashes.SHA256())
    assert signer.signing_cert.subject.native == {"common_name": "Invented Workshop"}
    with pytest.raises(InputError, match="wrong passphrase"):
        load_key(path, lambda: "Secret")


def test_a_key_is_never_overwritten_or_badly_named(tmp_path: Path) -> None:
    """What is there stays; an empty passphrase, a name that is none and a wrong ending are refused."""
    path = tmp_path / "shop.p12"
    path.write_text("mine", encoding="utf-8")
    for file, name, passphrase, complaint in (
        (path, "Shop", "x", "is there already"),
        (tmp_path / "a.p12", "Shop", "", "passphrase is empty"),
        (tmp_path / "a.p12", "", "x", "1 to 64 printable"),
        (tmp_path / "a.p12", "S\nhop", "x", "1 to 64 printable"),
        (tmp_path / "a.pem", "Shop", "x", "ends in .p12"),
    ):
        with pytest.raises(InputError, match=complaint):
            make_key(file, name, lambda given=passphrase: given)
    assert [each.name for each in tmp_path.iterdir()] == ["shop.p12"]
    assert path.read_text(encoding="utf-8") == "mine"


def test_a_key_file_that_cannot_sign_is_refused(tmp_path: Path) -> None:
    """No key, another kind of key, a certificate out of its time, a text, a cut file: one line each."""
    path = tmp_path / "key.p12"
    shop, free = issue("Shop"), serialization.NoEncryption()
    other = ed25519.Ed25519PrivateKey.generate()
    certified = (
        x509.CertificateBuilder()
        .subject_name(shop.certificate.subject)
        .issuer_name(shop.certificate.subject)
        .public_key(other.public_key())
        .serial_number(1)
        .not_valid_before(shop.certificate.not_valid_before_utc)
        .not_valid_after(shop.certificate.not_valid_after_utc)
        .sign(other, None)
    )
    for content, complaint in (
        (pkcs12.serialize_key_and_certificates(None, None, shop.certificate, None, free), "no private key"),
        (pkcs12.serialize_key_and_certificates(None, other, certified, None, free), "another kind"),
        (issue("Old", good_days=(-9, -1)).pkcs12(), "ran out on"),
        (issue("Young", good_days=(1, 9)).pkcs12(), "only good from"),
        (shop.pem(), "no PKCS#12 file"),
        (shop.pkcs12()[:-9], "cannot be opened"),
    ):
        path.write_bytes(content)
        with pytest.raises(InputError, match=complaint):
            load_key(path, lambda: "x")
    with pytest.raises(InputError, match="expected a key file"):
        load_key(tmp_path, never)


def test_a_key_without_passphrase_asks_for_none(tmp_path: Path) -> None:
    """Nobody is asked where the file opens as it is."""
    path = tmp_path / "key.p12"
    path.write_bytes(issue("Shop").pkcs12())
    assert load_key(path, never).signing_cert is not None


def test_a_passphrase_comes_from_a_file_then_from_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first line of the file counts, else the environment; where nobody can be asked, it is said how."""
    file = tmp_path / "passphrase"
    file.write_text("of file\nnot this\n", encoding="utf-8")
    monkeypatch.setenv(VARIABLE, "of environment")
    assert find_passphrase(Path("k.p12"), file) == "of file"
    assert find_passphrase(Path("k.p12"), None) == "of environment"
    monkeypatch.delenv(VARIABLE)
    monkeypatch.setattr("sys.stdin", None)
    with pytest.raises(InputError, match=f"no terminal to ask; set {VARIABLE} or give --passphrase-file"):
        find_passphrase(Path("k.p12"), None)
    file.write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match="no UTF-8 text"):
        find_passphrase(Path("k.p12"), file)


@pytest.mark.slow
@pytest.mark.parametrize("again", ["hush-hush", "hush hush"])
def test_a_passphrase_is_asked_for_twice_and_not_shown(tmp_path: Path, again: str) -> None:
    """On a terminal 'coilsoak key' asks twice without echo, tells the fingerprint and what it proves."""
    path = tmp_path / "shop.p12"
    watching, shown = pty.openpty()
    try:
        process = start(
            "key", path, "--name", "Shop", stdin=shown, stdout=shown, stderr=shown, start_new_session=True
        )
        seen = ""
        for prompt, typed in (("Passphrase for", "hush-hush"), ("same again", again)):
            seen += read_until(watching, prompt)
            os.write(watching, f"{typed}\n".encode())
        status = finish(process).status
        seen += read_until(watching, None)
    finally:
        os.close(watching)
        os.close(shown)
    assert "hush" not in seen
    if again != "hush-hush":
        assert status == 2
        assert not list(tmp_path.iterdir())
        return
    certificate = x509.load_pem_x509_certificate(path.with_suffix(".pem").read_bytes())
    assert fingerprint(certificate.public_bytes(serialization.Encoding.DER)) in seen.replace("\r\n", "")
    assert "by telephone" in seen


def read_until(terminal: int, text: str | None) -> str:
    """Read what a program shows until *text* stands there; None: whatever it left when it ended."""
    seen = ""
    while text is None or text not in seen:
        if not select.select([terminal], [], [], 0.1 if text is None else PATIENCE_S)[0]:
            break
        seen += os.read(terminal, 4096).decode()
    return seen


def test_signing_without_a_key_of_ones_own_says_how_to_make_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """--sign without any key names the command that makes one; its options alone are refused."""
    monkeypatch.setattr("daq.archive.claim.key.default_key", lambda: tmp_path / "key.p12")
    complaint = say(capsys, "claim", tmp_path, "--sign").complaint()
    assert "make one with 'coilsoak key --name SHOP'" in complaint
    assert "--sign, which is missing" in say(capsys, "claim", tmp_path, "--timestamp", "http://x").complaint()
