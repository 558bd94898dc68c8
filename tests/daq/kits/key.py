"""Keys and certificates for tests, all invented, and a timestamp service on loopback."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer

from asn1crypto import tsp
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import pkcs12
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID
from pyhanko.sign import SimpleSigner
from pyhanko.sign.timestamps import DummyTimeStamper

NOW = datetime.now(UTC).replace(microsecond=0)


@dataclass(frozen=True)
class Issued:
    """A key, its certificate, and who certified it; None: it did itself."""

    key: ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey
    certificate: x509.Certificate
    issuer: Issued | None = None

    def pem(self) -> bytes:
        """Return the certificate for others."""
        return self.certificate.public_bytes(serialization.Encoding.PEM)

    def pkcs12(self, passphrase: str = "") -> bytes:
        """Return the key file with the chain in it."""
        chain, above = [], self.issuer
        while above is not None:
            chain.append(above.certificate)
            above = above.issuer
        lock: serialization.KeySerializationEncryption = serialization.NoEncryption()
        if passphrase:
            lock = serialization.BestAvailableEncryption(passphrase.encode())
        return pkcs12.serialize_key_and_certificates(None, self.key, self.certificate, chain, lock)

    def signer(self) -> SimpleSigner:
        """Return what signs with it, whether the certificate is good or not."""
        signer: SimpleSigner = SimpleSigner.load_pkcs12_data(self.pkcs12(), [])
        return signer


def issue(
    name: str,
    issuer: Issued | None = None,
    *,
    authority: bool = False,
    stamps: bool = False,
    good_days: tuple[float, float] = (-1.0, 1.0),
) -> Issued:
    """Return a new key whose certificate is good for those days from now."""
    key: ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey = ec.generate_private_key(ec.SECP256R1())
    if stamps:  # the test service of the library knows RSA only
        key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    first, last = (NOW + timedelta(days=days) for days in good_days)
    use = dict.fromkeys(
        (
            "key_encipherment",
            "data_encipherment",
            "key_agreement",
            "encipher_only",
            "decipher_only",
        ),
        False,
    )
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer.certificate.subject if issuer else subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(first)
        .not_valid_after(last)
        .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
        .add_extension(
            x509.KeyUsage(
                digital_signature=not authority,
                content_commitment=not authority,
                key_cert_sign=authority,
                crl_sign=authority,
                **use,
            ),
            critical=True,
        )
    )
    if stamps:
        usage = x509.ExtendedKeyUsage([ExtendedKeyUsageOID.TIME_STAMPING])
        builder = builder.add_extension(usage, critical=True)
    return Issued(key, builder.sign(issuer.key if issuer else key, hashes.SHA256()), issuer)


@contextmanager
def timestamp_service(garbage: bytes = b"") -> Iterator[str]:
    """Serve timestamps on loopback, or *garbage* instead of them; yields the address."""

    def stamped(asked: bytes) -> bytes:
        stamper = issue("Invented Time Service", stamps=True).signer()
        service = DummyTimeStamper(stamper.signing_cert, stamper.signing_key)
        return bytes(service.request_tsa_response(tsp.TimeStampReq.load(asked)).dump())

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            asked = self.rfile.read(int(self.headers["Content-Length"]))
            answer = garbage or stamped(asked)
            self.send_response(200)
            self.send_header("Content-Type", "application/timestamp-reply")
            self.send_header("Content-Length", str(len(answer)))
            self.end_headers()
            self.wfile.write(answer)

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    with HTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.server_port}/"
        finally:
            server.shutdown()
            thread.join()
