"""The claim pack as its reader gets it: pages, attachments, and what is refused."""

from __future__ import annotations

import csv
import hashlib
import json
import re
import shutil
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest
from pypdf import PdfReader
from pypdf.generic import DictionaryObject

from analysis.model import CoilResult, OpenKind, Opens, Reason, SetResult
from analysis.paper.claim_first_page import ClaimRun, first_page
from analysis.paper.report import ReportInfo
from analysis.words import catalogue, say
from daq.archive.claim.attachments import CLAIM_MANIFEST, ClaimManifest
from daq.archive.claim.verify import verify_pack
from daq.archive.claim.write import ClaimRequest, write_claim
from daq.errors import InputError

ROOT = Path(__file__).parents[4]
SAMPLES, SHOP = ROOT / "sample_runs", ROOT / "fixtures" / "shops" / "example.toml"
(FAULTS,) = (SAMPLES / "faults").glob("*-as-received")
(BEFORE,) = (SAMPLES / "cleaning").glob("*-as-received")
(AFTER,) = (SAMPLES / "cleaning").glob("*-after-cleaning")


def attached(pdf: PdfReader) -> dict[str, bytes]:
    """The embedded files of a PDF by name."""
    return {name: content[0] for name, content in pdf.attachments.items()}


def text_of(pdf: PdfReader, *pages: int) -> str:
    """Text of some pages, or all, with blanks and line ends evened out."""
    chosen = [pdf.pages[n] for n in pages] or pdf.pages
    return " ".join(" ".join(page.extract_text() for page in chosen).replace("\u200b", "").split())


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> PdfReader:
    """The claim pack of the sample with faults, from the example's shop."""
    out = tmp_path_factory.mktemp("claim") / "claim.pdf"
    return PdfReader(write_claim(ClaimRequest((FAULTS,), out, shop=SHOP)))


@pytest.mark.slow
def test_the_files_of_the_run_are_attached_byte_for_byte(faulty: PdfReader) -> None:
    """Each attachment is the run folder's file; the pack's manifest has size and SHA-256 of each."""
    files = attached(faulty)
    manifest = msgspec.json.decode(files.pop(CLAIM_MANIFEST), type=ClaimManifest)
    assert [(run.folder, run.prefix) for run in manifest.runs] == [(FAULTS.name, "")]
    assert {"readings.csv", "events.csv", "header.json", "rig.toml", "coil_set.toml"} < files.keys()
    assert {"result.json", "manifest.json"} < files.keys()
    assert manifest.files.keys() == files.keys()
    last = text_of(faulty, -1)
    for name, data in files.items():
        assert data == (FAULTS / name).read_bytes(), name
        assert manifest.files[name].bytes == len(data)
        assert manifest.files[name].sha256 == hashlib.sha256(data).hexdigest()
        assert manifest.files[name].sha256 in last


@pytest.mark.slow
def test_the_first_page_says_it_without_terms_of_the_trade(faulty: PdfReader) -> None:
    """What failed, how it was found and how sure that is stand on page one, in words of every day."""
    page = text_of(faulty, 0)
    with (FAULTS / "readings.csv").open(encoding="utf-8") as rows:
        states = [
            row["status"]
            for row in csv.DictReader(rows)
            if row["coil"] == "Y2" and row["source"] != "insulation"
        ]
    stopped, total = (
        states.count("open or over range"),
        sum(not each.startswith("missing") for each in states),
    )
    coils = json.loads((FAULTS / "result.json").read_bytes())["coils"]
    lost = next(coil["interruptions"]["count"] for coil in coils if coil["coil"] == "Y4")
    for said in (
        "5 of 8 solenoid coils have failed",
        "Y2 (serial number SG-102): Replace. It stops conducting when hot between 72 and 73 °C.",
        "Y5 (serial number SG-105): Clean and test again. It has a bad connection",
        "Y7 (serial number SG-107): Replace. It has about 0.32 Ω less than like parts",
        "Y8 (serial number SG-108): Replace. Its resistance changed by 3.2 % over the heat",
        "Keep Y1, Y3 and Y6: nothing wrong was found.",
        "heated together in an oven, step by step up to 90 °C",
        f"Y2: it did not conduct in {stopped} of its {total} readings.",
        f"Y4: its contact was lost {lost} times",
        "the chance that this is wrong is less than 1 in 1,000",
        "INVENTED DATA",
    ):
        assert said in page, said
    for term in ("R20", "α20", "joint", "uncertainty", "k=2", "U =", "probe", "criterion"):
        assert term not in page, term


@pytest.mark.slow
def test_the_numbers_of_the_result_stand_in_the_pages(faulty: PdfReader) -> None:
    """R20 of each coil with its U, rounded, is what result.json has; so is the share of each uncertainty."""
    text = text_of(faulty)
    for coil in json.loads((FAULTS / "result.json").read_bytes())["coils"]:
        u = coil["r20_k"] * coil["r20_u_ohm"]
        assert f"{coil['r20_ohm']:.3f} ± {u:.3f}" in text, coil["coil"]
    part = json.loads((FAULTS / "result.json").read_bytes())["coils"][1]["budgets"][0]["components"][0]
    assert f"{part['name']} {part['kind']} {1e3 * abs(part['sensitivity'] * part['u']):.1f}" in text


@pytest.mark.slow
def test_the_pdf_is_tagged_archival_and_needs_no_font(faulty: PdfReader) -> None:
    """It claims PDF/A-3a and PDF/UA-1, has title, language, structure and an output intent, and all fonts."""
    root, metadata = faulty.root_object, faulty.xmp_metadata
    assert metadata is not None
    assert (metadata.pdfaid_part, metadata.pdfaid_conformance) == ("3", "A")
    assert root["/Lang"] == "en"
    assert bool(root["/MarkInfo"]["/Marked"])
    assert root["/OutputIntents"]
    assert len(root["/AF"]) == len(faulty.attachments)
    assert faulty.metadata is not None
    assert faulty.metadata.title == (
        "5 of 8 solenoid coils have failed – winch and blade manifold (invented)"
    )
    kinds = structure(root["/StructTreeRoot"])
    assert {"/H1", "/H2", "/Table", "/TH", "/TD", "/Figure", "/L", "/P"} <= kinds.keys()
    assert all("/Alt" in figure for figure in kinds["/Figure"])
    fonts = [
        font.get_object()["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()
        for page in faulty.pages
        for font in page["/Resources"].get("/Font", {}).values()
    ]
    assert fonts
    assert all({"/FontFile2", "/FontFile3"} & set(font) for font in fonts)


def structure(node: DictionaryObject) -> dict[str, list[DictionaryObject]]:
    """The elements of a structure tree by kind."""
    found: dict[str, list[DictionaryObject]] = {}
    todo = [node]
    while todo:
        each = todo.pop().get_object()
        if not isinstance(each, DictionaryObject):
            continue
        if "/S" in each:
            found.setdefault(str(each["/S"]), []).append(each)
        kids = each.get("/K", [])
        kids = kids.get_object() if hasattr(kids, "get_object") else kids
        todo += kids if isinstance(kids, list) else [kids]
    return found


@pytest.mark.slow
def test_curves_are_vectors(faulty: PdfReader) -> None:
    """No page holds a picture of pixels: curves and the logo are drawn as lines."""
    assert not [image.name for page in faulty.pages for image in page.images]


@pytest.mark.slow
def test_german_says_the_same_with_a_comma(tmp_path: Path) -> None:
    """In German words and numbers are German, on Letter paper as asked, and the file says its language."""
    pdf = PdfReader(
        write_claim(ClaimRequest((FAULTS,), tmp_path / "c.pdf", language="de", paper="letter", coils=("Y1",)))
    )
    text = text_of(pdf)
    assert pdf.root_object["/Lang"] == "de"
    assert round(float(pdf.pages[0].mediabox.width)) == 612
    assert "5 von 8 Magnetspulen sind fehlerhaft" in text
    assert "3,293 ± 0,009" in text
    assert "Y1 switching · Serien-Nr. SG-101" in text
    for english in ("reading,", "FAIL", "Uncertainty", " coils ", "3.293", "switching · serial"):
        assert english not in text, english


@pytest.mark.slow
def test_the_same_claim_has_the_same_bytes(tmp_path: Path) -> None:
    """Made again from the same files it is the same, byte for byte; so an altered one shows."""
    one, other = (write_claim(ClaimRequest((BEFORE,), tmp_path / name)) for name in ("a.pdf", "b.pdf"))
    assert one.read_bytes() == other.read_bytes()


@pytest.mark.slow
def test_several_runs_are_told_side_by_side(tmp_path: Path) -> None:
    """With two runs each file's name says of which it is, and what was mended in between is said."""
    pdf = PdfReader(write_claim(ClaimRequest((BEFORE, AFTER), tmp_path / "claim.pdf")))
    files = attached(pdf)
    manifest = msgspec.json.decode(files[CLAIM_MANIFEST], type=ClaimManifest)
    assert [(run.folder, run.prefix) for run in manifest.runs] == [
        (BEFORE.name, "run1_"),
        (AFTER.name, "run2_"),
    ]
    assert files["run1_readings.csv"] == (BEFORE / "readings.csv").read_bytes()
    assert files["run2_readings.csv"] == (AFTER / "readings.csv").read_bytes()
    text = text_of(pdf)
    assert "No fault was found in it after cleaning." in text_of(pdf, 0)
    assert "Y5 3.569 ± 0.010 ✘ FAIL 3.242 ± 0.009 ✔ PASS −0.327 ± 0.007" in text
    assert "Y5: R20 fell by 0.327" in text


@pytest.mark.slow
@pytest.mark.parametrize(
    ("language", "failed", "passed", "stands"),
    [
        (
            "en",
            "5 of 8 solenoid coils have failed",
            "Keep Y1, Y3 and Y6: nothing wrong was found.",
            "hot enough",
        ),
        (
            "de",
            "5 von 8 Magnetspulen sind fehlerhaft",
            "Y1, Y3 und Y6 behalten: Es wurde kein Fehler",
            "heiß genug",
        ),
    ],
)
def test_a_later_cold_sweep_takes_no_hot_fault_back(
    tmp_path: Path, language: str, failed: str, passed: str, stands: str
) -> None:
    """What the soak failed hot fails on page one too, though all of it passes in a sweep made since then."""
    runs = (FAULTS, BEFORE, AFTER)
    out = write_claim(ClaimRequest(runs, tmp_path / "claim.pdf", language=language))
    page = text_of(PdfReader(out), 0)
    for said in (failed, passed, stands):
        assert said in page, said
    for coil in ("Y2", "Y4", "Y5", "Y7", "Y8"):
        assert f"{coil} (" in page
    pages = next(each for each in verify_pack(out).findings if each.what == "pages")
    assert pages.good is None  # nothing speaks against them; unsigned


def test_a_coil_that_stayed_cool_is_named_with_what_it_reached() -> None:
    """The heat of the hottest is not said of all: one that reached less is told so, and in the scope too."""
    nothing = [None] * 6
    coils = tuple(
        CoilResult(name, "valve", "", "pass", (), (), *nothing, "line", degC, 9)
        for name, degC in (("Y1", 90.0), ("Y2", 88.0), ("Y3", 32.0), ("Y4", None))
    )
    about = ReportInfo("A run", datetime(2026, 1, 5, tzinfo=UTC), "complete", simulated=False, version="1")
    page = first_page([ClaimRun(SetResult(coils), (), about, "soak", "supply")], catalogue("en"))
    (found,) = page["found"]["items"]
    assert "Not as hot: Y3, up to 32 °C." in found
    assert "Not as hot: Y4, without a temperature." in found
    assert "Y2" not in found


@pytest.mark.slow
def test_runs_of_other_parts_are_not_compared(tmp_path: Path) -> None:
    """Without a serial number, and of another job, a label is another part: nothing stands side by side."""
    for name, run in (("one", BEFORE), ("other", AFTER)):
        shutil.copytree(run, tmp_path / name)
        coil_set, header = tmp_path / name / "coil_set.toml", tmp_path / name / "header.json"
        coil_set.write_text(
            re.sub(r', serial = "[^"]*"|serial = .*', "", coil_set.read_text("utf-8")), "utf-8"
        )
        header.write_text(header.read_text("utf-8").replace("SAMPLE-3", f"JOB {name}"), "utf-8")
    runs = (tmp_path / "one", tmp_path / "other")
    text = text_of(PdfReader(write_claim(ClaimRequest(runs, tmp_path / "claim.pdf"))))
    assert "Test 2:" in text
    assert "Before and after" not in text


@pytest.mark.slow
def test_a_cut_run_gets_the_judgement_made_now(tmp_path: Path) -> None:
    """Without manifest and result of its own, the run is claimed with a banner, and the result is made."""
    cut = tmp_path / "cut"
    shutil.copytree(BEFORE, cut)
    for name in ("manifest.json", "result.json"):
        (cut / name).unlink()
    pdf = PdfReader(write_claim(ClaimRequest((cut,), tmp_path / "claim.pdf")))
    files = attached(pdf)
    assert "manifest.json" not in files
    assert {coil["coil"]: coil["verdict"] for coil in json.loads(files["result.json"])["coils"]}[
        "Y5"
    ] == "fail"
    assert "RUN WAS CUT OFF" in text_of(pdf, 0)


@pytest.mark.slow
def test_another_verdict_than_the_record_had_is_said(tmp_path: Path) -> None:
    """Where the run's own result has another verdict than the pages, they say so."""
    run = tmp_path / "run"
    shutil.copytree(BEFORE, run)
    result = json.loads((run / "result.json").read_bytes())
    result["coils"][0]["verdict"] = "fail"
    (run / "result.json").write_text(json.dumps(result), encoding="utf-8")
    text = text_of(PdfReader(write_claim(ClaimRequest((run,), tmp_path / "claim.pdf"))))
    assert "Y1: the result that the run itself wrote says FAIL; judged anew for this page it is PASS" in text
    assert "result.json: was changed after the run closed" in text


def test_a_claim_never_overwrites(tmp_path: Path) -> None:
    """A file that is there is left as it is, and said."""
    there = tmp_path / "claim.pdf"
    there.write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="is there already"):
        write_claim(ClaimRequest((FAULTS,), there))
    assert there.read_text(encoding="utf-8") == "mine"


def test_what_is_no_run_and_what_no_run_knows_is_refused(tmp_path: Path) -> None:
    """A table, an unknown coil and an unknown language are refused in one line that says what is known."""
    table, out = tmp_path / "table.csv", tmp_path / "claim.pdf"
    table.write_text("coil,probe_degC,resistance_ohm\nY1,20,3.3\n", encoding="utf-8")
    with pytest.raises(InputError, match="no run folder"):
        write_claim(ClaimRequest((table,), out))
    with pytest.raises(InputError, match="--coil Y9: not in these runs, expected one of Y1, Y2"):
        write_claim(ClaimRequest((BEFORE,), out, coils=("Y9",)))
    with pytest.raises(InputError, match="--language xx: not known, expected one of de, en"):
        write_claim(ClaimRequest((BEFORE,), out, language="xx"))
    assert not out.exists()


def test_a_coil_that_heats_itself_is_told_by_its_winding() -> None:
    """Where the body lags far behind, page one says how hot the winding was, not the body."""
    opens = Opens(OpenKind.HOT, 1, 1, opened_degC=(28.0, 29.0), before_degC=(71.6, 0.7))
    text = say("reason.opens-hot", opened=say("part.opened", low=28.0, high=29.0), closed="", winding="")
    reasons, nothing = (Reason("opens-hot", text),), [None] * 6
    coil = CoilResult("Y2", "valve", "", "fail", reasons, (), *nothing, "none", 32.0, 9, interruptions=opens)
    about = ReportInfo("A run", datetime(2026, 1, 5, tzinfo=UTC), "complete", simulated=False, version="1")
    for heat, said in (("supply", "once its winding is at about 72 °C"), ("oven", "between 28 and 29 °C")):
        page = first_page([ClaimRun(SetResult((coil,)), (), about, "soak", heat)], catalogue("en"))
        assert said in page["failed"]["items"][0][1]
