"""`coilsoak verify`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from daq.commands.options import FILE, open_console
from daq.streams import print_json


@click.command()
@click.argument("file", type=FILE, metavar="FILE.pdf")
@click.option(
    "--signer",
    metavar="FINGERPRINT|FILE.pem",
    help="Who must have signed: the fingerprint (SHA-256) that you were told, or a certificate.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the findings as JSON on standard output.")
def verify(file: Path, signer: str | None, as_json: bool) -> None:
    """Check a claim pack: signature, attachments, and the verdicts judged again from its readings.

    Nothing is asked over the network. Exit status: 0 all holds, and it was signed by --signer; 1 something
    does not hold; 2 it is no claim pack; 4 nothing speaks against it, but it is not signed, or --signer was
    not given, or a run in it was cut off.
    """
    from daq.archive.claim.verify import verify_pack
    from daq.archive.claim.verify_signature import expected_signer
    from daq.tables import findings_table

    with open_console(as_json) as screen:
        verified = verify_pack(file, expected_signer(signer) if signer is not None else None)
        if as_json:
            print_json(verified.as_object())
        else:
            screen.print(findings_table(verified.findings))
            screen.print(verified.conclusion(), highlight=False, markup=False)
    sys.exit(verified.status)
