"""The report of a run: one PDF with headline, summary, a curve a coil, method and cautions."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from importlib import resources
from pathlib import Path
from tempfile import TemporaryDirectory
from types import MappingProxyType
from typing import Any, Literal

import matplotlib as mpl
import numpy as np
import typst

from analysis.figures.curves import curve_svg, untitled
from analysis.figures.drawing import drawable
from analysis.model import CoilResult, SetResult, Trace
from analysis.paper.report_data import ReportInfo, State, report_data
from analysis.words import RECORD_LANGUAGE, catalogue

__all__ = ["Paper", "ReportInfo", "State", "write_report"]

Paper = Literal["a4", "us-letter"]
Standard = Literal["a-3a", "ua-1"]


def write_report(
    path: Path,
    result: SetResult,
    traces: Sequence[Trace],
    about: ReportInfo,
    *,
    paper: Paper = "a4",
    language: str = RECORD_LANGUAGE,
    curves: Mapping[str, Path] = MappingProxyType({}),
) -> None:
    """Write the report of a run as a tagged PDF. The same arguments give the same bytes.

    Args:
        path: the PDF to write.
        result: the judgement of the set; its order is the order of the report.
        traces: readings by coil, in any order; a coil without a trace gets an empty figure.
        about: what else the report says about the run.
        paper: ``a4`` or ``us-letter``.
        language: one of :func:`analysis.words.languages`.
        curves: by coil, the SVG that :func:`analysis.figures.curves.write_curves` wrote from these same
            arguments; saves drawing it a second time.

    Raises:
        OSError: *path* could not be written, or a curve not read.
        ValueError: *about.start* has no time zone, or a curve is not one of ours.
    """
    if about.start.tzinfo is None:
        raise ValueError("the start of a run needs a time zone: give start with its zone")
    data = report_data(result, about, paper, catalogue(language))
    files = {**template("report.typ"), "report.json": json.dumps(data).encode("ascii")}
    by_coil = {trace.coil: trace for trace in traces}
    for n, coil in enumerate(result.coils):
        if coil.coil in curves:
            svg = curves[coil.coil].read_bytes()
        else:
            trace = by_coil.get(coil.coil, no_readings(coil))
            svg = curve_svg(coil, trace, about.limits.get(coil.kind), language=language)
        files[f"curve-{n}.svg"] = untitled(svg)
    path.write_bytes(set_pages(files, data, int(about.start.timestamp())))


def template(name: str) -> dict[str, bytes]:
    """Return the files of a page template, as :func:`set_pages` wants them."""
    folder = resources.files(__package__) / "templates"
    return {"main.typ": (folder / name).read_bytes(), "parts.typ": (folder / "parts.typ").read_bytes()}


def no_readings(coil: CoilResult) -> Trace:
    """Return the trace of a coil that was never read."""
    numbers, texts = np.empty(0), np.empty(0, dtype=np.str_)
    return Trace(coil.coil, numbers, numbers, numbers, numbers, numbers, texts, texts, texts)


def set_pages(
    files: dict[str, bytes], data: dict[str, Any], timestamp: int, standards: Sequence[Standard] = ()
) -> bytes:
    """Return the PDF of a template and its data; nothing is fetched and nothing outside *files* is read.

    Args:
        files: The project: ``main.typ`` and whatever it reads, content by name.
        data: What is set, to know which signs there are.
        timestamp: Date of the document, in seconds since 1970.
        standards: Standards to hold the document to, as the typesetter names them.
    """
    # The drawing library brings the font, so the page looks the same on every machine. Only for
    # signs it lacks are the fonts of this machine searched: slower, but a name in any script is legible.
    known = all(ord(sign) in drawable() or sign == "\u200b" for text in _texts(data) for sign in text)
    # The typesetter takes files from memory too, but only such as are text.
    with TemporaryDirectory(prefix="coilsoak-") as folder:
        project = Path(folder)
        for name, content in files.items():
            (project / name).write_bytes(content)
        pdf: bytes = typst.compile(
            project / "main.typ",
            root=project,
            format="pdf",
            font_paths=[Path(mpl.get_data_path()) / "fonts" / "ttf"],
            ignore_system_fonts=known,
            timestamp=timestamp,
            pdf_standards=[*standards],
        )
    return pdf


def _texts(value: Any) -> Iterator[str]:
    """Every string within nested lists and mappings."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for item in value.values():
            yield from _texts(item)
    elif isinstance(value, list):
        for item in value:
            yield from _texts(item)
