"""`coilsoak claim`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from daq.commands.options import FILE, language_option, open_console, paper_option, passphrase_option
from daq.errors import InputError

if TYPE_CHECKING:
    from pyhanko.sign import SimpleSigner

#: What --sign stands for without a file.
OWN = "own key"


@click.command()
@click.argument("runs", type=FILE, nargs=-1, required=True, metavar="RUN...")
@click.option(
    "--out", type=FILE, metavar="FILE.pdf", help="The file to write.  [default: claim-RUN.pdf here]"
)
@click.option(
    "--coil",
    "coils",
    multiple=True,
    metavar="LABEL",
    help="Show this coil in detail.  [default: failed ones]",
)
@click.option("--shop", type=FILE, metavar="FILE.toml", help="Who sends it to whom, and about what.")
@click.option(
    "--photo",
    "photos",
    type=FILE,
    multiple=True,
    metavar="FILE",
    help="Add a photo (PNG, JPEG); again for more.",
)
@paper_option
@language_option
@click.option(
    "--sign",
    is_flag=False,
    flag_value=OWN,
    metavar="[KEY.p12]",
    help="Sign it with this key; without a file, as the last option, with that of 'coilsoak key'.",
)
@passphrase_option
@click.option(
    "--timestamp", metavar="URL", default="", help="Let this service (RFC 3161) state when it was signed."
)
def claim(sign: str | None, passphrase_file: Path | None, **asked: Any) -> None:
    """Make one PDF of one or more runs that stands on its own, with the readings inside it.

    Several runs of the same parts are given in the order in which they were made. Photos are drawn anew:
    place, time and owner that a camera wrote beside the picture are left out.
    """
    from daq.archive.claim.write import ClaimRequest, write_claim

    with open_console(as_json=False) as screen:
        if sign is None and (passphrase_file or asked["timestamp"]):
            raise InputError("--passphrase-file and --timestamp are for --sign, which is missing")
        signer = _signer(sign, passphrase_file) if sign is not None else None
        path = write_claim(ClaimRequest(**asked), signer)
        screen.print(f"claim pack: {path}", highlight=False, markup=False, soft_wrap=True)
        if signer is not None:
            from daq.archive.claim.key import fingerprint

            assert signer.signing_cert is not None
            told = f"signed; fingerprint (SHA-256):\n{fingerprint(signer.signing_cert.dump())}"
            screen.print(told, highlight=False, markup=False, soft_wrap=True)


def _signer(sign: str, passphrase_file: Path | None) -> SimpleSigner:
    from daq.archive.claim.key import default_key, load_key
    from daq.archive.claim.passphrase import find_passphrase

    path = default_key() if sign == OWN else Path(sign)
    if sign == OWN and not path.exists():
        raise InputError(f"--sign: there is no key at {path}; make one with 'coilsoak key --name SHOP'")
    return load_key(path, lambda: find_passphrase(path, passphrase_file))
