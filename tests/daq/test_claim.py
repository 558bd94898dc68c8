"""The claim pack as its reader gets it: pages, attachments, and what is refused."""

from __future__ import annotations

import hashlib
from pathlib import Path

import msgspec
import pytest
from pypdf import PdfReader

from daq.claim import ClaimRequest, write_claim
from daq.claimfiles import CLAIM_MANIFEST, ClaimManifest
from daq.errors import InputError

SAMPLES = Path(__file__).parents[2] / "sample_runs"
(FAULTS,) = (SAMPLES / "faults").glob("*-as-received")
BEFORE, AFTER = sorted((SAMPLES / "cleaning").glob("*-SAMPLE-3-*"), reverse=True)


def attached(pdf: PdfReader) -> dict[str, bytes]:
    """The embedded files of a PDF by name."""
    return {name: content[0] for name, content in pdf.attachments.items()}


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> PdfReader:
    """The claim pack of the sample with faults."""
    return PdfReader(write_claim(ClaimRequest((FAULTS,), tmp_path_factory.mktemp("claim") / "claim.pdf")))


@pytest.mark.slow
def test_the_files_of_the_run_are_attached_byte_for_byte(faulty: PdfReader) -> None:
    """Each attachment is the run folder's file; the pack's manifest has size and SHA-256 of each."""
    files = attached(faulty)
    manifest = msgspec.json.decode(files.pop(CLAIM_MANIFEST), type=ClaimManifest)
    assert [(run.folder, run.prefix) for run in manifest.runs] == [(FAULTS.name, "")]
    assert {"readings.csv", "events.csv", "header.json", "rig.toml", "coil_set.toml"} < files.keys()
    assert {"result.json", "manifest.json"} < files.keys()
    assert manifest.files.keys() == files.keys()
    for name, data in files.items():
        assert data == (FAULTS / name).read_bytes(), name
        assert manifest.files[name].bytes == len(data)
        assert manifest.files[name].sha256 == hashlib.sha256(data).hexdigest()


@pytest.mark.slow
def test_files_of_several_runs_are_told_apart(tmp_path: Path) -> None:
    """With two runs each file's name says of which it is, and the manifest names both folders in order."""
    files = attached(PdfReader(write_claim(ClaimRequest((BEFORE, AFTER), tmp_path / "claim.pdf"))))
    manifest = msgspec.json.decode(files[CLAIM_MANIFEST], type=ClaimManifest)
    assert [(run.folder, run.prefix) for run in manifest.runs] == [
        (BEFORE.name, "run1_"),
        (AFTER.name, "run2_"),
    ]
    assert files["run1_readings.csv"] == (BEFORE / "readings.csv").read_bytes()
    assert files["run2_readings.csv"] == (AFTER / "readings.csv").read_bytes()


def test_a_claim_never_overwrites(tmp_path: Path) -> None:
    """A file that is there is left as it is, and said."""
    there = tmp_path / "claim.pdf"
    there.write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="is there already"):
        write_claim(ClaimRequest((FAULTS,), there))
    assert there.read_text(encoding="utf-8") == "mine"


def test_a_table_is_no_run(tmp_path: Path) -> None:
    """A claim needs a whole record: a CSV is refused in one line."""
    table = tmp_path / "table.csv"
    table.write_text("coil,probe_degC,resistance_ohm\nY1,20,3.3\n", encoding="utf-8")
    with pytest.raises(InputError, match="no run folder"):
        write_claim(ClaimRequest((table,), tmp_path / "claim.pdf"))
