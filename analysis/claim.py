"""The claim pack: one PDF/A-3 that stands on its own, with the readings it rests on inside it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from typing import Any

from analysis.model import SetResult, Trace
from analysis.plain_text import inert
from analysis.report import Paper, ReportInfo, Standard, set_pages
from analysis.report_data import headline
from analysis.words import catalogue

#: PDF/A-3 with all of its accessibility, and PDF/UA beside it.
STANDARDS: tuple[Standard, ...] = ("a-3a", "ua-1")
_MIME = {"csv": "text/csv", "json": "application/json", "toml": "application/toml"}


@dataclass(frozen=True)
class ClaimRun:
    """One run of a claim: its judgement, the readings behind it, and what else there is to say of it."""

    result: SetResult
    traces: Sequence[Trace]
    about: ReportInfo


def claim_pdf(
    runs: Sequence[ClaimRun], attachments: Mapping[str, bytes], *, paper: Paper = "a4", language: str = "en"
) -> bytes:
    """Return the claim pack as a tagged PDF/A-3. The same arguments give the same bytes.

    Args:
        runs: The runs it tells of, at least one, in the order of their stages.
        attachments: What is attached, content by name.
        paper: ``a4`` or ``us-letter``.
        language: One of :func:`analysis.words.languages`.
    """
    words = catalogue(language)
    files = {f"attachment-{n}": data for n, data in enumerate(attachments.values())}
    data: dict[str, Any] = inert(
        {
            "language": language,
            "paper": paper,
            "title": words("claim.title", set=runs[-1].about.set_name),
            "columns": ("Coil", "Kind", "Verdict"),
            "runs": [
                {
                    "headline": headline(run.result, words),
                    "coils": [(coil.coil, coil.kind, coil.verdict) for coil in run.result.coils],
                }
                for run in runs
            ],
            "attached": {"heading": words("claim.attached")},
            "attachments": [
                {"name": name, "file": file, "mime": _MIME[name.rpartition(".")[2]], "says": name}
                for name, file in zip(attachments, files, strict=True)
            ],
        }
    )
    template = resources.files("analysis") / "templates" / "claim.typ"
    files |= {"main.typ": template.read_bytes(), "claim.json": json.dumps(data).encode("ascii")}
    return set_pages(files, data, int(runs[-1].about.start_utc.timestamp()), STANDARDS)
