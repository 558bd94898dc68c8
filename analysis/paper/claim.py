"""The claim pack: one PDF/A-3 that stands on its own, with the readings it rests on inside it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from analysis.figures.curves import curve_svg, untitled
from analysis.figures.slope_plot import slopes_svg
from analysis.history.history import History
from analysis.paper.claim_data import Case, Picture, claim_data, worth_showing
from analysis.paper.claim_first_page import ClaimRun
from analysis.paper.report import Paper, Standard, no_readings, set_pages, template
from analysis.words import RECORD_LANGUAGE, catalogue

__all__ = ["STANDARDS", "Case", "ClaimRun", "Picture", "claim_pdf"]

#: PDF/A-3 with all of its accessibility, and PDF/UA beside it.
STANDARDS: tuple[Standard, ...] = ("a-3a", "ua-1")
_MIME = {"csv": "text/csv", "json": "application/json", "toml": "application/toml"}


def claim_pdf(
    runs: Sequence[ClaimRun],
    attachments: Mapping[str, bytes],
    *,
    case: Case | None = None,
    photos: Sequence[Picture] = (),
    coils: Sequence[str] = (),
    paper: Paper = "a4",
    language: str = RECORD_LANGUAGE,
    found: History | None = None,
) -> bytes:
    """Return the claim pack as a tagged PDF/A-3. The same arguments give the same bytes.

    Args:
        runs: The runs it tells of, at least one, in the order in which they were made.
        attachments: What is attached, content by name.
        case: Who claims what, if anybody said.
        photos: Pictures for the last pages.
        coils: Labels of the coils to show in detail; none given, those that did not pass, else all.
        paper: ``a4`` or ``us-letter``.
        language: One of :func:`analysis.words.languages`.
        found: What became of the coils in the runs, and which is which; None: labels and serials tell.
    """
    case = case or Case()
    shown = worth_showing(runs, coils)
    data = claim_data(runs, shown, case, attachments, photos, catalogue(language), found)
    files = template("claim.typ")
    for each in [each for each in shown if each.drawn]:
        traces = {trace.coil: trace for trace in each.run.traces}
        trace = traces.get(each.coil.coil) or no_readings(each.coil)
        svg = curve_svg(each.coil, trace, each.run.about.limits.get(each.coil.kind), language=language)
        files[f"curve-{each.place}.svg"] = untitled(svg)
    if found is not None and found.common:
        files["slopes.svg"] = slopes_svg(found, language=language)
    files |= {f"photo-{n}.{photo.ending}": photo.data for n, photo in enumerate(photos)}
    if case.logo is not None:
        data["shop"]["logo"] = f"logo.{case.logo.ending}"
        files[data["shop"]["logo"]] = case.logo.data
    data |= {"paper": paper, "files": _embedded(attachments, files)}
    files["claim.json"] = json.dumps(data).encode("ascii")
    return set_pages(files, data, int(runs[-1].about.start.timestamp()), STANDARDS)


def _embedded(attachments: Mapping[str, bytes], files: dict[str, bytes]) -> list[dict[str, Any]]:
    """Put the attachments among the *files* of the project, and return how the page embeds each."""
    embedded = []
    for n, (name, data) in enumerate(attachments.items()):
        files[f"attachment-{n}"] = data
        mime = _MIME[name.rpartition(".")[2]]
        embedded.append({"name": name, "file": f"attachment-{n}", "mime": mime})
    return embedded
