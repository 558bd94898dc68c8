"""Figures of one coil: resistance against temperature, and resistance and current against time.

Every series differs by marker and line style as well as by colour, so the curves survive a grey
printer and a colour-blind reader. The same data gives the same bytes.
"""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from analysis.figures.drawing import Ticks, legible, save, style, write
from analysis.figures.panels import against_temperature, current_in_time, phases, resistance_in_time
from analysis.figures.thinning import time_unit
from analysis.model import CoilResult, Limits, Trace
from analysis.words import RECORD_LANGUAGE, Words, catalogue

#: Width and height of a figure below its title: as wide as the text of a page, two coils a page.
BODY_INCH = (6.9, 2.45)
#: The strip above that holds the title.
TITLE_INCH = 0.2
_HEIGHT_INCH = BODY_INCH[1] + TITLE_INCH

_WINDOW = re.compile(rb'width="[\d.]+pt" height="%gpt" viewBox="0 0 [\d.]+ [\d.]+"' % (_HEIGHT_INCH * 72))
_HASHED = re.compile(r"(?:^|-)[0-9a-f]{8}$")


def curve_stem(coil: str) -> str:
    """A file name stem for a coil's curves, harmless whatever the label.

    Args:
        coil: label of the coil, any text.

    Returns:
        ``curve_<label>``; a label that had to be changed, or looks as if it had been, carries a short hash
        of the original, so that two labels never share a file.
    """
    safe = re.sub(r"[^A-Za-z0-9_-]+", "-", coil)[:40].strip("-")
    if safe != coil or _HASHED.search(coil):
        digest = hashlib.sha256(coil.encode("utf-8", "surrogatepass")).hexdigest()[:8]
        safe = f"{safe}-{digest}" if safe else digest
    return f"curve_{safe}"


def write_curves(
    folder: Path,
    result: CoilResult,
    trace: Trace,
    limits: Limits | None = None,
    *,
    language: str = RECORD_LANGUAGE,
    kinds: Sequence[str] = ("png", "svg"),
) -> list[Path]:
    """Draw the curves of one coil and write them as PNG and SVG.

    Args:
        folder: an existing folder.
        result: judgement of the coil; its line and settled points are drawn.
        trace: readings of the coil, shape (n,) each; n may be 0.
        limits: what the coil's kind is held to; draws the band of permitted R20 along the copper law.
        language: of what is written in it.
        kinds: kinds of files, ``png`` and ``svg``.

    Returns:
        The path of each kind.

    Raises:
        OSError: a file could not be written.
    """
    stem = folder / curve_stem(result.coil)
    with style():
        figure = draw_curve(result, trace, limits, catalogue(language))
        return [save(figure, stem.with_suffix(f".{kind}"), kind) for kind in kinds]


def curve_svg(
    result: CoilResult, trace: Trace, limits: Limits | None = None, *, language: str = RECORD_LANGUAGE
) -> bytes:
    """The curves of one coil as the bytes of the SVG that :func:`write_curves` writes."""
    with style():
        buffer = io.BytesIO()
        write(draw_curve(result, trace, limits, catalogue(language)), buffer, "svg")
        return buffer.getvalue()


def untitled(svg: bytes) -> bytes:
    """The same SVG cropped below its title, to stand under a heading of a page.

    Args:
        svg: what :func:`write_curves` or :func:`curve_svg` made.

    Raises:
        ValueError: it is something else.
    """
    width, height, strip = (inch * 72 for inch in (BODY_INCH[0], BODY_INCH[1], TITLE_INCH))
    window = f'width="{width:g}pt" height="{height:g}pt" viewBox="0 {strip:g} {width:g} {height:g}"'
    cropped, found = _WINDOW.subn(window.encode("ascii"), svg, count=1)
    if not found:
        raise ValueError("this SVG is not a curve of this program: draw it again from the readings")
    return cropped


def draw_curve(result: CoilResult, trace: Trace, limits: Limits | None, words: Words) -> Figure:
    """Draw one coil: against temperature, and in time where times are known."""
    figure = Figure(figsize=(BODY_INCH[0], _HEIGHT_INCH))
    top = 1.0 - (TITLE_INCH + 0.07) / _HEIGHT_INCH
    timed = bool(np.isfinite(trace.time_s).any())
    flowing = bool(np.isfinite(trace.current_A).any())
    verdict = words(f"verdict.{result.verdict}")
    title = words("figure.title", coil=result.coil, kind=words.said(result.kind), verdict=verdict)
    figure.text(0.008, 0.985, legible(title), va="top", fontsize=7.5, fontweight="bold")
    against_temperature(
        figure.add_axes((0.065, 0.15, 0.40 if timed else 0.92, top - 0.15)), result, trace, limits, words
    )
    if timed:
        left, width = 0.545, 0.445
        split = 0.40 if flowing else 0.15
        shown = figure.add_axes((left, split + 0.03 if flowing else split, width, top - split - 0.115))
        panels = [shown]
        resistance_in_time(shown, result, trace, words)
        if flowing:
            current = figure.add_axes((left, 0.15, width, split - 0.15 - 0.02), sharex=shown)
            shown.tick_params(labelbottom=False)
            current_in_time(current, trace, words)
            panels.append(current)
        panels[-1].set_xlabel(words("figure.time_axis", unit=time_unit(trace)[0]))
        height = shown.get_position().height
        phases(panels, trace, (0.04 / height + 1.0, 0.035 / height), words)
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(Ticks(words))
    return figure
