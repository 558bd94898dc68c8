"""What the pages of a claim pack say, as far as their text goes, beside what its readings say."""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Iterator, Sequence

from pypdf import PdfReader

from analysis.history.history import History
from analysis.paper.claim import ClaimRun
from analysis.paper.claim_first_page import first_page
from analysis.paper.inert_text import inert
from analysis.paper.report_data import summary
from analysis.words import RECORD_LANGUAGE, Words, catalogue, languages
from daq.archive.claim.verify_pdf import Pack, foreign
from daq.errors import InputError
from daq.tables import CheckLine

#: More pages has no pack.
MAX_PAGES = 500


def check_pages(pack: Pack, runs: Sequence[ClaimRun], found: History, *, signed: bool) -> CheckLine:
    """Return whether the pages say of each coil what judging again says: headline, faults, verdicts, R20.

    What somebody hid, or drew as a picture, is beyond this: where nobody *signed* them it stays open.
    """
    try:
        missing = _missing(pack, runs, found)
    except InputError as exc:
        return CheckLine("pages", False, str(exc))
    if missing:
        return CheckLine("pages", False, f"do not say, in its place, what judging again gives: {missing!r}")
    if signed:
        return CheckLine("pages", True, "headline, faults and verdicts as judged again")
    return CheckLine(
        "pages", None, "headline, faults and verdicts as judged again; not proved, since no signature holds"
    )


def _missing(pack: Pack, runs: Sequence[ClaimRun], found: History) -> str:
    """Return the first sentence that does not stand on the pages in its turn, or nothing.

    Pages are read only as far as it takes: those with curves, the slow ones, come last.
    """
    with foreign("their text cannot be read"):
        reader = PdfReader(io.BytesIO(pack.raw))
        if len(reader.pages) > MAX_PAGES:
            raise InputError(f"{len(reader.pages)} of them, expected at most {MAX_PAGES}")
        language = str(reader.root_object.get("/Lang", ""))
        words = catalogue(language if language in languages() else RECORD_LANGUAGE)
        pages, text = iter(reader.pages), ""
        for said in _sentences(runs, found, words):
            dense = _dense(said)
            while (at := text.find(dense)) < 0:
                if (page := next(pages, None)) is None:
                    return said
                text += _dense(page.extract_text())
            text = text[at + len(dense) :]
    return ""


def _sentences(runs: Sequence[ClaimRun], found: History, words: Words) -> Iterator[str]:
    """Yield what stands on the pages, in the order of the pages."""
    page = inert(first_page(runs, words, found))
    yield page["headline"]
    yield from (what for _, what in (*page["failed"]["items"], *page["unsure"]))
    yield from page["rest"]
    for run in runs:
        for row in inert(summary(run.result, words))["rows"]:
            verdict = row["verdict"]
            yield " ".join((row["coil"], row["kind"], verdict["sign"], verdict["word"], row["r20"]))


def _dense(text: str) -> str:
    """Return *text* without whatever shows as nothing: where lines end is the page's business.

    Letters of scripts without capitals count as alike: where the page's font lacks them, one stands for all.
    """
    shown = "".join(text.replace("\u200b", "").split())
    return "".join("\ufffd" if unicodedata.category(letter) == "Lo" else letter for letter in shown)
