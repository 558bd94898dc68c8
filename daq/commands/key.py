"""`coilsoak key`."""

from __future__ import annotations

from pathlib import Path

import click

from daq.commands.options import FILE, open_console, passphrase_option

_MEANING = (
    "What it signs has not changed since whoever holds this key signed it. Who that is, it cannot prove: "
    "tell your customers the fingerprint by telephone or on paper; they give it to 'coilsoak verify "
    "--signer'. Keep the key file and its passphrase to yourself; the certificate may be given to anybody."
)


@click.command()
@click.argument("file", type=FILE, required=False, metavar="[FILE.p12]")
@click.option("--name", required=True, help="Whose key it is, as the name of your shop.")
@passphrase_option
def key(file: Path | None, name: str, passphrase_file: Path | None) -> None:
    """Make a key to sign claims with, and its certificate, which vouches for itself.

    Without FILE.p12 it is your own key, in your configuration directory: 'coilsoak claim --sign' finds it
    there. The passphrase is asked for, or taken from COILSOAK_PASSPHRASE or a file.
    """
    from cryptography.hazmat.primitives.serialization import Encoding

    from daq.archive.claim.key import certificate_path, default_key, fingerprint, make_key
    from daq.archive.claim.passphrase import find_passphrase

    with open_console(as_json=False) as screen:
        path = file or default_key()
        certificate = make_key(path, name, lambda: find_passphrase(path, passphrase_file, new=True))
        for line in (
            f"key: {path}",
            f"certificate: {certificate_path(path)}",
            f"good until: {certificate.not_valid_after_utc:%Y-%m-%d}",
            f"fingerprint (SHA-256):\n{fingerprint(certificate.public_bytes(Encoding.DER))}",
            _MEANING,
        ):
            screen.print(line, highlight=False, markup=False, soft_wrap=line is not _MEANING)
