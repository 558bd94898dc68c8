"""The key a shop signs its claims with: a PKCS#12 file, its own or one made here."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import platformdirs
from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import pkcs12
from cryptography.x509.oid import NameOID
from pyhanko.sign import SimpleSigner

from daq.clock import RealClock
from daq.errors import InputError
from daq.plain_file import read_given

#: A key file with a whole chain of certificates has a tenth of this.
MAX_KEY_BYTES = 1_000_000
#: Years for which a key made here is good.
YEARS = 10

_Opened = tuple[object, x509.Certificate | None]


def default_key() -> Path:
    """Return where the user's own key is, or would be."""
    return platformdirs.user_config_path("coilsoak") / "key.p12"


def certificate_path(key: Path) -> Path:
    """Return where the certificate of the key file *key* is written for others."""
    return key.with_suffix(".pem")


def fingerprint(der: bytes) -> str:
    """Return the SHA-256 of a certificate as people read it out: sixteen groups of four hex digits."""
    return hashlib.sha256(der).digest().hex(" ", 2).upper()


def make_key(path: Path, name: str, passphrase: Callable[[], str]) -> x509.Certificate:
    """Make a key with a certificate made by itself, write both to *path* and the certificate beside it.

    RSA of 3072 bits: the only kind that PDF 1.7, and so PDF/A-3, knows of without an extension. The key file
    can be read by its owner alone.

    Args:
        path: The PKCS#12 file; :func:`certificate_path` says where the certificate goes.
        name: Whose key it is, 1 to 64 characters (X.520, upper bound of a common name).
        passphrase: Gives what the file is encrypted with, not empty.

    Raises:
        InputError: A name does not fit a certificate or a key file, the passphrase is empty, or a file is
            there already or cannot be written.
    """
    if not 1 <= len(name) <= 64 or not name.isprintable():
        raise InputError(f"--name {name!r}: expected 1 to 64 printable characters, as the name of your shop")
    public = certificate_path(path)
    if path.suffix not in {".p12", ".pfx"}:
        raise InputError(f"{path}: expected a name that ends in .p12; the certificate beside it ends in .pem")
    for there in (path, public):
        if there.exists():
            raise InputError(f"{there}: is there already and is not overwritten; choose another name")
    if not (secret := passphrase()):
        raise InputError("the passphrase is empty, and whoever copies the key file could sign; choose one")
    key = rsa.generate_private_key(public_exponent=65537, key_size=3072)
    certificate = _self_signed(key, name)
    encryption = serialization.BestAvailableEncryption(secret.encode())
    packed = pkcs12.serialize_key_and_certificates(name.encode(), key, certificate, None, encryption)
    _write_new(path, packed, 0o600)
    _write_new(public, certificate.public_bytes(serialization.Encoding.PEM), 0o644)
    return certificate


def _self_signed(key: rsa.RSAPrivateKey, name: str) -> x509.Certificate:
    whose = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = RealClock().utc().replace(microsecond=0)
    use = x509.KeyUsage(
        digital_signature=True,
        content_commitment=True,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=False,
        crl_sign=False,
        encipher_only=False,
        decipher_only=False,
    )
    # Signing documents is a use of its own: RFC 9336.
    documents = x509.ExtendedKeyUsage([x509.ObjectIdentifier("1.3.6.1.5.5.7.3.36")])
    return (
        x509.CertificateBuilder()
        .subject_name(whose)
        .issuer_name(whose)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(minutes=5))  # clocks differ
        .not_valid_after(now + timedelta(days=365.25 * YEARS))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(use, critical=True)
        .add_extension(documents, critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )


def _write_new(path: Path, data: bytes, mode: int) -> None:
    """Write a file that was not there, with no moment in which others could read more than *mode* says."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
        except OSError:
            path.unlink()
            raise
    except FileExistsError as exc:
        raise InputError(f"{path}: is there already and is not overwritten; choose another name") from exc
    except (OSError, ValueError) as exc:
        raise InputError(f"{path}: cannot be written ({getattr(exc, 'strerror', exc)})") from exc


def load_key(path: Path, passphrase: Callable[[], str]) -> SimpleSigner:
    """Load the PKCS#12 file at *path*: key, certificate, and those above it where it has them.

    Args:
        path: The key file.
        passphrase: Gives its passphrase; called only where the file has one.

    Raises:
        InputError: It cannot be read, is no PKCS#12 file, wants another passphrase, has no key that can
            sign, or its certificate is not good at this time.
    """
    raw = read_given(path, MAX_KEY_BYTES, "a key file (.p12 or .pfx)")
    if raw[:1] != b"\x30":  # every PKCS#12 file is one DER sequence, and no text or page is
        raise InputError(f"{path}: is no PKCS#12 file, expected a key file (.p12 or .pfx)")
    given = None
    if (opened := _open(raw, given)) is None:
        given = passphrase().encode()
        opened = _open(raw, given)
    if opened is None:
        raise InputError(
            f"{path}: the key cannot be opened: wrong passphrase, a damaged file, or an odd cipher"
        )
    key, certificate = opened
    if key is None or certificate is None:
        raise InputError(f"{path}: has no private key with a certificate in it, so it cannot sign")
    if not isinstance(key, ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey):
        raise InputError(f"{path}: has a key of another kind, expected RSA or an elliptic curve")
    now = RealClock().utc()
    if now > certificate.not_valid_after_utc:
        raise InputError(f"{path}: its certificate ran out on {certificate.not_valid_after_utc:%Y-%m-%d}")
    if now < certificate.not_valid_before_utc:
        start = certificate.not_valid_before_utc
        raise InputError(f"{path}: its certificate is only good from {start:%Y-%m-%d} on; is the clock right")
    signer: SimpleSigner = SimpleSigner.load_pkcs12_data(raw, [], given)
    return signer


def _open(raw: bytes, passphrase: bytes | None) -> _Opened | None:
    """Return private key and certificate of a PKCS#12 file, None if it does not open so."""
    try:
        return pkcs12.load_key_and_certificates(raw, passphrase)[:2]
    except (ValueError, TypeError, UnsupportedAlgorithm):
        return None
