"""The report as a reader gets it: text, pages and bytes of the PDF."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader
from pypdf.generic import DictionaryObject

from analysis.figures.curves import write_curves
from analysis.model import CoilResult, Criterion, Limits, Reason, SetResult, Trace, Verdict
from analysis.paper.report import Paper, ReportInfo, State, write_report
from analysis.words import catalogue

EN = catalogue("en")

START = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
VERDICTS: tuple[Verdict, ...] = ("pass", "fail", "pass", "retest", "fail", "pass", "fail", "fail")


def coil(n: int, verdict: Verdict, label: str = "", reason: str = "") -> CoilResult:
    """An invented judgement of the n-th coil."""
    text = reason or f"reason number {n}"
    r20 = 3.2047 + 0.1 * n
    criteria = (
        Criterion("r20", "Resistance at 20 °C", "Ω", r20, 0.0062, 2.97, 3.63, "pass"),
        Criterion("joint", "Joint in series", "Ω", 0.35, 0.018, None, 0.1, "fail"),
        Criterion("peer", "Difference from like coils", "Ω", -0.0271, 0.008, -0.1, 0.1, "pass"),
        Criterion("drift", "Drift, cold to cold", "%", 0.04, 0.09, -1.0, 1.0, "pass"),
        Criterion("open", "Open or over-range readings", "", 0.0, None, None, 0.0, "pass", "none seen"),
        Criterion("leak", "Leakage to body", "Ω", None, None, 1e6, None, "not determined"),
        Criterion("amps", "Current when hot", "A", 2.004, 0.01, None, None, "not determined"),
    )
    return CoilResult(
        label or f"Y{n + 1}", "switching", f"SN{n}", verdict,
        (Reason("why", text),) if verdict != "pass" else (), criteria,
        r20, 0.0031, 0.00393, 2e-5, 0.35, 0.009, "line", 90.2, 40,
        np.array([20.0, 90.0]), np.array([r20, r20 * 1.2751]),
    )  # fmt: skip


def trace(label: str) -> Trace:
    """An invented trace of forty rows."""
    time, hold, source = np.linspace(0.0, 3600.0, 40), np.full(40, "hold"), np.full(40, "ohms")
    probe = 20.0 + 70.0 * np.sin(np.pi * time / 3600.0)
    ohms, texts = 3.3 * (1.0 + 0.00393 * (probe - 20.0)), np.full(40, "ok", "U8")
    return Trace(label, time, probe, ohms, ohms * 0.0, ohms * 0.0, hold, source, texts)


def eight() -> SetResult:
    """An invented set of eight, five of which do not pass."""
    return SetResult(
        tuple(coil(n, verdict) for n, verdict in enumerate(VERDICTS)), notes=("a note of the set",)
    )


def info(**changes: object) -> ReportInfo:
    """What the report says about an invented run."""
    stated = {
        "title": "Heat soak of an invented set", "start": START, "state": "complete", "simulated": True,
        "version": "9.8.7", "job": "J-77", "operator": "A. Tester", "stage": "after cleaning",
        "set_name": "invented manifold", "rig_name": "simulated bench", "readings_file": "readings.csv",
        "instruments": [("meter", "INVENTED,METER,0001", "2026-01-15"), ("supply", "INVENTED,SUPPLY", "")],
        "settings": [("test voltage", "8.4 V")], "notes": ["a note of the run"],
        "limits": {"switching": Limits("switching", r20_ohm=3.3, defaulted=("joint_max_ohm",))},
    }  # fmt: skip
    return ReportInfo(**{**stated, **changes})  # type: ignore[arg-type]


def report(
    folder: Path, result: SetResult, about: ReportInfo | None = None, *, paper: Paper = "a4"
) -> PdfReader:
    """The report of *result* with a trace for each coil, opened for reading."""
    path = folder / "report.pdf"
    write_report(path, result, [trace(c.coil) for c in result.coils], about or info(), paper=paper)
    return PdfReader(path)


def text_of(pdf: PdfReader) -> str:
    """All text of the report with blanks and line ends evened out, break opportunities removed."""
    return " ".join(" ".join(page.extract_text() for page in pdf.pages).replace("\u200b", "").split())


@pytest.fixture(scope="module")
def usual(tmp_path_factory: pytest.TempPathFactory) -> PdfReader:
    """The report of the invented set of eight."""
    return report(tmp_path_factory.mktemp("report"), eight())


@pytest.mark.slow
def test_first_pages_say_what_came_out(usual: PdfReader) -> None:
    """The first page counts the verdicts in words and says what to do; the second has a row for each coil."""
    page = " ".join(usual.pages[0].extract_text().split())
    assert "3 of 8 coils pass, 4 fail, 1 needs a retest." in page
    what = (
        "Replace • Y2:",
        "• Y5:",
        "• Y7:",
        "• Y8:",
        "Clean and test again • Y4:",
        "Keep • Y1:",
        "• Y3:",
        "• Y6:",
    )
    places = [page.index(said) for said in what]
    assert places == sorted(places)
    page = " ".join(usual.pages[1].extract_text().split())
    for n, verdict in enumerate(VERDICTS):
        assert f"Y{n + 1} switching {EN(f'sign.{verdict}')} {EN(f'verdict.{verdict}')}" in page
        assert (f"reason number {n}" in page) == (verdict != "pass")
    assert "3.205 ± 0.006 3.93 ± 0.04 0.350 ± 0.018" in page


@pytest.mark.slow
def test_each_coil_shows_its_criteria_with_limit_and_outcome(usual: PdfReader) -> None:
    """Value and uncertainty, limit and outcome of every criterion stand in the coil's table."""
    text = text_of(usual)
    for row in (
        "Resistance at 20 °C 3.205 ± 0.006 Ω 2.97 to 3.63 Ω ✔ PASS",
        "Joint in series 0.350 ± 0.018 Ω at most 0.1 Ω ✘ FAIL",
        "Difference from like coils −0.027 ± 0.008 Ω within ± 0.1 Ω ✔ PASS",
        "Leakage to body – at least 1 MΩ – not determined",
        "Current when hot 2.004 ± 0.010 A – – not determined",
    ):
        assert row in text
    for n in range(8):
        assert f"serial SN{n}" in text


@pytest.mark.slow
def test_report_names_instruments_settings_limits_notes_and_cautions(usual: PdfReader) -> None:
    """What a reader needs to repeat or to doubt the run is in the report, and so is every caution."""
    text = text_of(usual)
    for said in ("INVENTED,METER,0001", "not stated", "8.4 V", "a note of the set", "a note of the run",
                 "J-77", "A. Tester", "after cleaning", "readings.csv", "2026-03-04 05:06:07 UTC",
                 "at most 0.1* within ± 0.1 at most 1 % at least 1 MΩ",
                 "flyback diode", "dry and the place is ventilated", "never leave a heated run alone",
                 "not a safety-rated interlock", "Local codes and licensed practice come first"):  # fmt: skip
        assert said in text, said


@pytest.mark.slow
def test_every_page_is_numbered_and_signed(usual: PdfReader) -> None:
    """The foot of each page has program version, start of the run and the page number."""
    for number, page in enumerate(usual.pages, 1):
        text = page.extract_text()
        assert f"page {number} of {len(usual.pages)}" in text
        assert "coilsoak 9.8.7, run of 2026-03-04 05:06:07 UTC" in text


@pytest.mark.slow
def test_document_carries_title_language_and_date_of_the_run(usual: PdfReader) -> None:
    """Metadata: title, language, and the start of the run as date, not the moment of writing."""
    assert usual.metadata is not None
    assert usual.metadata.title == "Heat soak of an invented set"
    assert usual.metadata.creation_date == START
    assert usual.root_object["/Lang"] == "en"
    assert "/StructTreeRoot" in usual.root_object


@pytest.mark.slow
def test_all_fonts_are_embedded(usual: PdfReader) -> None:
    """No page relies on a font of the reader's machine."""
    fonts: list[DictionaryObject] = [
        font.get_object()["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()
        for page in usual.pages
        for font in page["/Resources"]["/Font"].values()
    ]
    assert fonts
    assert all({"/FontFile2", "/FontFile3"} & set(font) for font in fonts)


@pytest.mark.slow
@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210.0, 297.0)), ("us-letter", (215.9, 279.4))])
def test_pages_have_the_paper_asked_for_and_two_coils_each(
    tmp_path: Path, paper: Paper, size_mm: tuple[float, float]
) -> None:
    """Eight coils take five pages on either paper, none with a hole; before them stands what to do."""
    pdf = report(tmp_path, eight(), paper=paper)
    assert len(pdf.pages) <= 7
    for page in pdf.pages:
        np.testing.assert_allclose([float(page.mediabox.width), float(page.mediabox.height)],
                                   np.array(size_mm) * 72.0 / 25.4, atol=0.05)  # fmt: skip
    coils = [page.extract_text().count("Resistance at 20\u00a0°C") for page in pdf.pages]
    assert sum(coils) == 8
    assert coils[2:5] == [2, 2, 2]


@pytest.mark.slow
def test_same_run_gives_the_same_bytes(tmp_path: Path) -> None:
    """Writing the report again changes nothing; another start of the run does."""
    result = SetResult((coil(0, "pass"),))
    files = []
    for name, start in (("a", START), ("b", START), ("c", START.replace(year=2027))):
        write_report(tmp_path / name, result, [trace("Y1")], info(start=start))
        files.append((tmp_path / name).read_bytes())
    assert files[0] == files[1] != files[2]


@pytest.mark.slow
def test_curves_already_drawn_are_used_as_they_are(tmp_path: Path) -> None:
    """Handing over the written SVG files gives the same report as drawing them anew."""
    result, readings = SetResult((coil(0, "pass"),)), trace("Y1")
    drawn = write_curves(tmp_path, result.coils[0], readings, info().limits["switching"])[1]
    write_report(tmp_path / "a.pdf", result, [readings], info())
    write_report(tmp_path / "b.pdf", result, [], info(), curves={"Y1": drawn})
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


@pytest.mark.slow
@pytest.mark.parametrize("state", ["complete", "stopped", "fault", "cut"])
def test_banners_warn_of_invented_data_and_of_a_run_that_did_not_end(tmp_path: Path, state: State) -> None:
    """Invented data and each kind of early end stand in a banner; a real and complete run has none."""
    result = SetResult((coil(0, "pass"),))
    real = text_of(report(tmp_path, result, info(simulated=False, state=state)))
    assert EN("banner.simulated") not in real
    for other, banner in EN.group("banner").items():
        assert (banner in real) == (other == state), other
    assert EN("banner.simulated") in text_of(report(tmp_path, result, info(simulated=True, state=state)))


HOSTILE = (
    '#import "@preview/evil:1.0.0"',
    "$x^2$ *bold* _it_ `raw` @ref <label>",
    "\\n \\u{41} ] } ) // /* #[",
    '{"json": "}", #read("/etc/passwd")}',
    "= Heading",
)


@pytest.mark.slow
@pytest.mark.parametrize("hostile", HOSTILE)
def test_markup_in_text_stays_text(tmp_path: Path, hostile: str) -> None:
    """Typesetting commands in labels, reasons and facts are printed as they are and do nothing."""
    result = SetResult((coil(0, "fail", label=hostile, reason=hostile),), notes=(hostile,))
    about = info(title=hostile, operator=hostile, settings=[(hostile, hostile)], instruments=[(hostile,) * 3])
    pdf = report(tmp_path, result, about)
    packed = text_of(pdf).replace(" ", "")
    assert packed.count(hostile.replace(" ", "")) >= 9
    assert pdf.metadata is not None
    assert pdf.metadata.title == hostile


@pytest.mark.slow
@pytest.mark.parametrize(
    "odd", ["Y" * 5000, "漢字 Ωμέγα Ж עברית", "a\x00b\x1b[2J", "\ud800", "\u202eevil", "", " ", "🔥"]
)
def test_odd_text_breaks_nothing(tmp_path: Path, odd: str) -> None:
    """Endless words, other scripts, control signs and halves of characters still make a report."""
    result = SetResult((coil(0, "fail", label=odd or "Y1", reason=odd),))
    text = text_of(report(tmp_path, result, info(title=odd, operator=odd, notes=[odd], job=odd)))
    assert "The one coil" in text or "0 of 1 coils pass, 1 fails." in text
    assert "\u202e" not in text


@pytest.mark.slow
def test_long_words_stay_on_the_page(tmp_path: Path) -> None:
    """A word without a blank is broken: nothing is set beyond the right edge of the paper."""
    result = SetResult((coil(0, "fail", label="W" * 55, reason="R" * 400),))
    pdf = report(tmp_path, result, info(operator="O" * 300))
    rights: list[float] = []
    for page in pdf.pages:
        page.extract_text(
            visitor_text=lambda text, _c, at, _f, size: rights.append(at[4] + 0.3 * size * len(text.strip()))
        )
    assert max(rights) < 210.0 * 72.0 / 25.4


@pytest.mark.slow
def test_coils_without_readings_and_empty_sets_make_a_report(tmp_path: Path) -> None:
    """A coil that has no trace or no number has an empty figure; a set without coils says so."""
    bare = CoilResult("Y9", "", "", "retest", (), (), *([None] * 6), "none", None, 0)
    path = tmp_path / "bare.pdf"
    write_report(path, SetResult((bare,)), [], info(instruments=(), settings=(), limits={}, notes=()))
    text = text_of(PdfReader(path))
    assert "Y9" in text
    assert EN("report.no_criteria") in text
    assert EN("instruments.none") in text
    assert EN("headline.none") in text_of(report(tmp_path, SetResult(())))


@pytest.mark.slow
def test_a_coil_with_many_criteria_runs_over_without_losing_any(tmp_path: Path) -> None:
    """More than half a page of criteria goes on below or on the next page, complete and in order."""
    many = tuple(Criterion(f"c{k}", f"Check {k:02d}", "Ω", 1.0, 0.1, None, 2.0, "pass") for k in range(90))
    long = CoilResult(**{**vars(coil(0, "pass")), "criteria": many})
    text = text_of(report(tmp_path, SetResult((long, coil(1, "fail")))))
    at = [text.index(f"Check {k:02d}") for k in range(90)]
    assert at == sorted(at)
    assert "serial SN1" in text


def test_a_start_without_time_zone_is_refused(tmp_path: Path) -> None:
    """A start that could mean two moments is an error that says what is missing."""
    with pytest.raises(ValueError, match="time zone"):
        write_report(tmp_path / "x.pdf", SetResult(()), [], info(start=START.replace(tzinfo=None)))
    assert not (tmp_path / "x.pdf").exists()
