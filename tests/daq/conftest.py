"""What several tests of this room share."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

# What signs and reads PDFs is loaded by those who ask for it: most tests of this room do not.
if TYPE_CHECKING:
    from tests.daq.kits.pack import Checked, Shop


@pytest.fixture(scope="session")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    """A shop that made its own key and signed the claim of one cold sweep."""
    from cryptography.hazmat.primitives.serialization import Encoding

    from daq.archive.claim.key import fingerprint, load_key, make_key
    from daq.archive.claim.sign import sign_pdf
    from daq.archive.claim.write import ClaimRequest, write_claim
    from tests.daq.kits.pack import BEFORE, Shop

    folder = tmp_path_factory.mktemp("shop")
    key = folder / "shop.p12"
    certificate = make_key(key, "Invented Workshop", lambda: "secret")
    unsigned = write_claim(ClaimRequest((BEFORE,), folder / "claim.pdf")).read_bytes()
    signed = sign_pdf(unsigned, load_key(key, lambda: "secret"))
    return Shop(key, fingerprint(certificate.public_bytes(Encoding.DER)), signed, unsigned)


@pytest.fixture
def checked(tmp_path: Path) -> Checked:
    """Return what checks the bytes of a pack and gives how each thing came out."""
    from daq.archive.claim.verify import verify_pack
    from daq.archive.claim.verify_signature import expected_signer
    from tests.daq.kits.pack import outcome

    def check(pdf: bytes, signer: str | None = None) -> dict[str, bool | None]:
        path = tmp_path / "claim.pdf"
        path.write_bytes(pdf)
        return outcome(verify_pack(path, expected_signer(signer) if signer else None))

    return check
