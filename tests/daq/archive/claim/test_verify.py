"""Checking a claim pack: what is found of whatever may have been done to it."""

from __future__ import annotations

import io
import json
import random
import shutil
import zlib
from collections.abc import Callable
from pathlib import Path

import pikepdf
import pytest
from pyhanko.pdf_utils.generic import NameObject, NumberObject
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign import PdfSignatureMetadata, PdfSigner

from daq.archive.claim.attachments import CLAIM_MANIFEST, ClaimedRun, ClaimManifest, entries
from daq.archive.claim.key import load_key
from daq.archive.claim.sign import sign_pdf
from daq.archive.claim.verify import verify_pack
from daq.archive.claim.verify_pdf import read_pack
from daq.archive.claim.verify_runs import check_attachments
from daq.archive.claim.verify_signature import check_signatures
from daq.archive.claim.write import ClaimRequest, write_claim
from daq.archive.observe import Noted, note_observations
from daq.errors import InputError
from daq.record.format import COIL_SET, MANIFEST, OBSERVATIONS, READINGS, RESULT, TRAVEL, json_text
from tests.daq.kits.cli import say
from tests.daq.kits.key import issue
from tests.daq.kits.pack import (
    AFTER,
    BEFORE,
    SAMPLES,
    SOUND,
    UNPROVED,
    Checked,
    Shop,
    attach,
    contents,
    rewritten,
)

CARRIED = [*(name for name in TRAVEL if (BEFORE / name).exists()), CLAIM_MANIFEST]


def changed_byte(data: bytes, at: int) -> bytes:
    """The same with another digit or letter in one place."""
    return data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]


@pytest.mark.slow
def test_a_signed_pack_holds(shop: Shop, checked: Checked) -> None:
    """All holds for whoever knows the fingerprint, however typed; to others it is open who signed."""
    as_others_write_it = shop.fingerprint.lower().replace(" ", ":")
    for signer in (shop.fingerprint, as_others_write_it, str(shop.key.with_suffix(".pem"))):
        assert checked(shop.signed, signer) == SOUND
    assert checked(shop.signed) == SOUND | {"signer": None}
    other = issue("Invented Workshop").pem()  # a name is anybody's
    path = shop.key.with_name("other.pem")
    path.write_bytes(other)
    assert checked(shop.signed, str(path)) == SOUND | {"signer": False}


@pytest.mark.slow
def test_a_pack_that_nobody_signed_says_so(shop: Shop, checked: Checked) -> None:
    """With the signature removed it is what it was before: not proved, and not what --signer asks for."""
    assert shop.signed.startswith(shop.unsigned)
    assert checked(shop.unsigned) == UNPROVED
    assert checked(shop.unsigned, shop.fingerprint)["signature"] is False


@pytest.mark.slow
@pytest.mark.parametrize("name", CARRIED)
def test_each_changed_attachment_is_found(shop: Shop, checked: Checked, name: str) -> None:
    """One other byte in any attachment is found by signature and hashes, and without signature by hashes."""
    data = contents(shop.signed)[name]
    other = changed_byte(data, data.index(b'"bytes": ') + 9 if name == CLAIM_MANIFEST else len(data) // 2)
    forged = rewritten(shop.signed, lambda pdf: attach(pdf, {name: other}))
    found = checked(forged)
    assert found["signature"] is False
    assert found["attachments"] is False
    if name in json.loads((BEFORE / MANIFEST).read_bytes())["files"]:
        assert found["record"] is False


@pytest.mark.slow
def test_any_changed_byte_of_the_file_is_found(shop: Shop, tmp_path: Path) -> None:
    """Wherever in the signed file one bit is another, the signature no longer holds."""
    path, chosen = tmp_path / "claim.pdf", random.Random(1)
    for at in [0, len(shop.signed) - 1, *(chosen.randrange(len(shop.signed)) for _ in range(40))]:
        path.write_bytes(changed_byte(shop.signed, at))
        try:
            findings, _ = check_signatures(read_pack(path), None)
        except InputError:
            continue  # no longer a PDF
        assert any(finding.good is False for finding in findings), at


@pytest.mark.slow
def test_what_fills_up_the_signature_is_held_to_zeros(shop: Shop, tmp_path: Path) -> None:
    """Behind the signature's own bytes the file has room that no hash covers: one bit there is found too."""
    filling = shop.signed.index(b"0" * 200 + b">")
    path = tmp_path / "claim.pdf"
    path.write_bytes(changed_byte(shop.signed, filling + 150))
    findings, _ = check_signatures(read_pack(path), None)
    assert any(finding.good is False for finding in findings)


def forged_readings(files: dict[str, bytes]) -> dict[str, bytes]:
    """Y5's readings made good, and both manifests made to fit."""
    lines = [
        line.replace("3.5", "3.2").replace("3.6", "3.3") if ",Y5," in line else line
        for line in files[READINGS].decode().splitlines(keepends=True)
    ]
    return consistent(files | {READINGS: "".join(lines).encode()})


def consistent(files: dict[str, bytes]) -> dict[str, bytes]:
    """The same with size and hash of each file in the manifest of the run and in that of the pack."""
    own = json.loads(files[MANIFEST])
    there = entries(files)
    for name in own["files"].keys() & there.keys():
        own["files"][name] = {"bytes": there[name].bytes, "sha256": there[name].sha256}
    files = files | {MANIFEST: json_text(own)}
    pack = json.loads(files.pop(CLAIM_MANIFEST))
    manifest = ClaimManifest(program=pack["program"], runs=tuple(pack["runs"]), files=entries(files))
    return files | {CLAIM_MANIFEST: json_text(manifest)}


@pytest.mark.slow
def test_readings_forged_with_all_hashes_made_to_fit(shop: Shop, checked: Checked) -> None:
    """Judging again gives another verdict; with result.json forged too the pages do not fit."""
    files = forged_readings(contents(shop.signed))
    forged = rewritten(shop.unsigned, lambda pdf: attach(pdf, files))
    assert checked(forged) == UNPROVED | {"verdicts": False, "pages": False}
    result = json.loads((AFTER / RESULT).read_bytes())  # there Y5 passes, with other figures
    files = consistent(files | {RESULT: json_text(result)})
    forged = rewritten(shop.signed, lambda pdf: attach(pdf, files))
    found = checked(forged, shop.fingerprint)
    assert (found["attachments"], found["record"]) == (True, True)
    assert (found["signature"], found["pages"]) == (False, False)


@pytest.mark.slow
def test_pages_of_another_test_around_the_same_readings(shop: Shop, checked: Checked, tmp_path: Path) -> None:
    """Pages that say something else than the attached readings are noticed, signed or not."""
    pages = write_claim(ClaimRequest((AFTER,), tmp_path / "other.pdf")).read_bytes()
    files = contents(shop.unsigned)
    forged = rewritten(pages, lambda pdf: attach(pdf, files))
    assert checked(forged) == UNPROVED | {"pages": False}
    by_the_shop = sign_pdf(forged, load_key(shop.key, lambda: "secret"))
    assert checked(by_the_shop, shop.fingerprint) == SOUND | {"pages": False}


@pytest.mark.slow
def test_a_changed_page_breaks_the_signature(shop: Shop, checked: Checked) -> None:
    """A page drawn over, its text left as it was, is found where the pack was signed, else left open."""

    def draw_over(pdf: pikepdf.Pdf) -> None:
        pdf.pages[1].contents_add(b"1 g 0 0 600 800 re f", prepend=False)

    assert checked(rewritten(shop.signed, draw_over), shop.fingerprint)["signature"] is False
    assert checked(rewritten(shop.unsigned, draw_over)) == UNPROVED


@pytest.mark.slow
def test_what_is_added_after_signing_is_found(shop: Shop, checked: Checked) -> None:
    """A later revision and loose bytes behind the end both leave the signature intact, but not over all."""
    later = IncrementalPdfFileWriter(io.BytesIO(shop.signed))
    page = later.find_page_for_modification(0)[0].get_object()
    page[NameObject("/Rotate")] = NumberObject(180)
    later.mark_update(page.container_ref)
    revised = io.BytesIO()
    later.write(revised)
    for pdf in (revised.getvalue(), shop.signed + b"\n% more\n"):
        assert pdf.startswith(shop.signed)
        assert checked(pdf, shop.fingerprint)["signature"] is False


@pytest.mark.slow
@pytest.mark.parametrize("name", ["faults", "cleaning-de"])
def test_the_samples_hold_as_far_as_they_go(checked: Checked, name: str) -> None:
    """One run or several, in either language: nobody signed them, and nothing speaks against them."""
    found = checked((SAMPLES / "claims" / f"{name}.pdf").read_bytes())
    assert {what for what, good in found.items() if good is None} == {"signature", "pages"}
    assert False not in found.values()


@pytest.mark.slow
def test_a_run_that_was_cut_off_stays_open(tmp_path: Path, checked: Checked) -> None:
    """Without hashes of its own its files may be any; a label that the pages' font lacks is no fault."""
    cut = tmp_path / "cut"
    shutil.copytree(BEFORE, cut)
    for name in (MANIFEST, RESULT):
        (cut / name).unlink()
    for name in (READINGS, COIL_SET):
        text = (cut / name).read_text(encoding="utf-8")
        (cut / name).write_text(text.replace("Y5", "阀门 5"), encoding="utf-8")
    pack = write_claim(ClaimRequest((cut,), tmp_path / "cut.pdf")).read_bytes()
    assert checked(pack) == UNPROVED | {"record": None}


@pytest.mark.slow
def test_observations_may_come_later(tmp_path: Path, checked: Checked) -> None:
    """What was noted after the run closed is in order, unless a row of it was changed since."""
    run = tmp_path / "run"
    shutil.copytree(BEFORE, run)
    note_observations(run, ["Y5"], Noted({}, note="oily"), every=False)
    pack = write_claim(ClaimRequest((run,), tmp_path / "noted.pdf")).read_bytes()
    assert checked(pack) == UNPROVED
    noted = contents(pack)[OBSERVATIONS].replace(b"oily", b"dry")
    files = consistent(contents(pack) | {OBSERVATIONS: noted})
    assert checked(rewritten(pack, lambda pdf: attach(pdf, files))) == UNPROVED | {"record": False}


@pytest.mark.slow
def test_a_file_put_into_a_record_is_found(shop: Shop, checked: Checked) -> None:
    """A file that the run did not have when it closed is told, even if the pack's own list names it."""
    files = contents(shop.unsigned)
    own = json.loads(files[MANIFEST])
    del own["files"][READINGS]
    files = consistent(files | {MANIFEST: json_text(own)})
    assert checked(rewritten(shop.unsigned, lambda pdf: attach(pdf, files))) == UNPROVED | {"record": False}


@pytest.mark.slow
@pytest.mark.parametrize(("share", "good"), [(5e-5, True), (2e-4, False)])
def test_a_figure_that_was_changed_a_little_is_found(
    shop: Shop, checked: Checked, share: float, good: bool
) -> None:
    """Machines differ in the last digits of a figure, and never by more than one in ten thousand."""
    files = contents(shop.unsigned)
    result = json.loads(files[RESULT])
    result["coils"][0]["r20_ohm"] *= 1.0 + share
    files = consistent(files | {RESULT: json_text(result)})
    found = checked(rewritten(shop.unsigned, lambda pdf: attach(pdf, files)))
    assert found == UNPROVED | {"verdicts": good}


def wrong_with(pdf: bytes, folder: Path) -> str:
    """What is said of the attachments of a pack."""
    path = folder / "claim.pdf"
    path.write_bytes(pdf)
    (found,) = (each for each in verify_pack(path).findings if each.what == "attachments")
    return "" if found.good else found.found


@pytest.mark.slow
def test_an_attachment_with_two_contents_is_found(shop: Shop, tmp_path: Path) -> None:
    """One that shows other readings in one program than in another, though the one read here is right."""

    def another(pdf: pikepdf.Pdf) -> None:
        pdf.attachments[READINGS].obj.EF.UF = pdf.make_stream(b"other readings")

    assert "has several contents" in wrong_with(rewritten(shop.unsigned, another), tmp_path)


@pytest.mark.slow
def test_attachments_that_the_document_does_not_own_are_found(shop: Shop, tmp_path: Path) -> None:
    """What the document calls its own and what is attached have to be the same, nothing less or else."""

    def disown(pdf: pikepdf.Pdf) -> None:
        del pdf.Root.AF[0]

    assert "is not what is attached" in wrong_with(rewritten(shop.unsigned, disown), tmp_path)


def test_an_attachment_that_is_no_file_of_a_run_is_found() -> None:
    """A file that no run has is told, though the pack's own list names it with its right hash."""
    files = {READINGS: b"rows", "invoice.csv": b"rows of another kind"}
    manifest = ClaimManifest(program="", runs=(ClaimedRun(folder="run", prefix=""),), files=entries(files))
    found = check_attachments(files, manifest, ())
    assert found.good is False
    assert "'invoice.csv' is no file of a run" in found.found
    del files["invoice.csv"]
    assert check_attachments(
        files, ClaimManifest(program="", runs=manifest.runs, files=entries(files)), ()
    ).good


@pytest.mark.slow
@pytest.mark.parametrize(("digest", "good"), [("sha1", False), ("sha256", True)])
def test_a_signature_with_a_hash_that_can_be_forged_proves_nothing(
    shop: Shop, checked: Checked, digest: str, good: bool
) -> None:
    """Whoever can make two files of one SHA-1 can put the signature of one on the other."""
    out = io.BytesIO()
    asked = PdfSignatureMetadata(field_name="Weak", md_algorithm=digest)
    signer = PdfSigner(asked, load_key(shop.key, lambda: "secret"))
    signer.sign_pdf(IncrementalPdfFileWriter(io.BytesIO(shop.unsigned)), output=out)
    assert checked(out.getvalue(), shop.fingerprint)["signature"] is good


def encrypted(pdf: bytes) -> bytes:
    """The same behind a password."""
    out = io.BytesIO()
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        opened.save(out, encryption=pikepdf.Encryption(owner="x", user="y"))
    return out.getvalue()


def without_manifest(pdf: bytes) -> bytes:
    """The same with the list of attachments gone."""

    def drop(opened: pikepdf.Pdf) -> None:
        del opened.attachments[CLAIM_MANIFEST]

    return rewritten(pdf, drop)


def endless(pdf: bytes) -> bytes:
    """The same with a tree of attachments that goes in a circle."""

    def knot(opened: pikepdf.Pdf) -> None:
        node = opened.make_indirect(pikepdf.Dictionary())
        node.Kids = pikepdf.Array([node])
        opened.Root.Names.EmbeddedFiles = node

    return rewritten(pdf, knot)


def other_runs(pdf: bytes) -> bytes:
    """The same with a manifest that tells of runs that there are not."""
    manifest = json.loads(contents(pdf)[CLAIM_MANIFEST])
    manifest["runs"][0]["prefix"] = "../"
    return rewritten(pdf, lambda opened: attach(opened, {CLAIM_MANIFEST: json_text(manifest)}))


@pytest.mark.parametrize(
    ("spoil", "complaint"),
    [
        (lambda _: b"", "no PDF"),
        (lambda _: b"%PDF-1.7\n" + bytes(range(256)) * 40, "no PDF"),
        (lambda pdf: pdf[: len(pdf) // 2], "no PDF"),
        (encrypted, "is encrypted"),
        (without_manifest, "no claim pack"),
        (endless, "no end"),
        (other_runs, "damaged"),
        (lambda _: next((SAMPLES / "faults").glob("*/report.pdf")).read_bytes(), "no claim pack"),
    ],
    ids=["empty", "garbage", "truncated", "encrypted", "no list", "circle", "other runs", "report"],
)
def test_what_is_no_claim_pack_is_refused_in_one_line(
    shop: Shop,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    spoil: Callable[[bytes], bytes],
    complaint: str,
) -> None:
    """Status 2 and one line that names the file, never a traceback."""
    path = tmp_path / "claim.pdf"
    path.write_bytes(spoil(shop.unsigned))
    said = say(capsys, "verify", path).complaint()
    assert said.startswith(f"{path}: ")
    assert complaint in said


def test_what_is_too_large_is_not_read(
    shop: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file beyond any claim pack is refused before it is parsed, and so is a folder."""
    path = tmp_path / "claim.pdf"
    path.write_bytes(shop.unsigned)
    monkeypatch.setattr("daq.archive.claim.verify_pdf.MAX_PACK_BYTES", 100_000)
    assert "larger than 100 kB" in say(capsys, "verify", path).complaint()
    assert "is a folder" in say(capsys, "verify", tmp_path).complaint()


@pytest.mark.slow
def test_attachments_may_stand_in_a_tree(shop: Shop, checked: Checked) -> None:
    """Where another program put the names of attachments one level down, they are found all the same."""

    def deeper(pdf: pikepdf.Pdf) -> None:
        names = pdf.make_indirect(pdf.Root.Names.EmbeddedFiles)
        pdf.Root.Names.EmbeddedFiles = pikepdf.Dictionary(Kids=pikepdf.Array([names]))

    assert checked(rewritten(shop.unsigned, deeper)) == UNPROVED


@pytest.mark.slow
def test_an_attachment_that_unpacks_without_end_is_not_unpacked(shop: Shop, checked: Checked) -> None:
    """A hundred megabytes packed into a hundred kilobytes are told as what cannot be unpacked."""

    def inflate(pdf: pikepdf.Pdf) -> None:
        pdf.attachments[READINGS].obj.EF.F.write(
            zlib.compress(bytes(101_000_000), 1), filter=pikepdf.Name.FlateDecode
        )

    found = checked(rewritten(shop.unsigned, inflate))
    assert (found["attachments"], found["record"]) == (False, False)
