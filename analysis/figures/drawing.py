"""How figures are drawn: our settings, our font, and files that are the same bytes from the same data."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.ticker import ScalarFormatter

from analysis.words import Words

# As wide as the text of a page, where these figures stand, no letter is below 6 points.
_RC: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 7,
    "axes.labelsize": 7,
    "axes.linewidth": 0.5,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.labelsize": 6.5,
    "ytick.labelsize": 6.5,
    "xtick.major.width": 0.5,
    "ytick.major.width": 0.5,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "hatch.linewidth": 0.3,
    "legend.fontsize": 6,
    "legend.facecolor": "white",
    "legend.edgecolor": "none",
    "legend.framealpha": 0.85,
    "svg.fonttype": "path",  # outlines: the text needs no font where the file is read
    "svg.hashsalt": "coilsoak",
    "axes.formatter.useoffset": False,  # every tick says the whole number
    "text.parse_math": False,  # a '$' in a label is a '$'
    "savefig.dpi": 170,
}


@contextmanager
def style() -> Iterator[None]:
    """Our drawing settings and nobody else's, for as long as the block lasts."""
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_RC)
        yield


@lru_cache(maxsize=1)
def drawable() -> frozenset[int]:
    """Code points that the font of the figures and of the report can draw."""
    path = findfont(FontProperties(family="DejaVu Sans"), fallback_to_default=True)
    return frozenset(get_font(path).get_charmap())


def save(figure: Figure, path: Path, kind: str) -> Path:
    """Write *figure* to *path* as *kind*, ``png`` or ``svg``; return the path.

    Raises:
        OSError: It could not be written.
    """
    with path.open("wb") as file:
        write(figure, file, kind)
    return path


def write(figure: Figure, file: Any, kind: str) -> None:
    """Write *figure* to an open *file* as *kind*."""
    # No date and no version of the drawing library: same data, same bytes.
    nothing = {"Software": None} if kind == "png" else {"Date": None, "Creator": None}
    figure.savefig(file, format=kind, metadata=nothing)


class Ticks(ScalarFormatter):
    """The usual ticks, with the decimal sign of a language."""

    def __init__(self, words: Words) -> None:
        super().__init__()
        self._number = words.number

    def __call__(self, x: float, pos: int | None = None) -> str:
        """Return the text of a tick."""
        return self._number(super().__call__(x, pos))


def legible(text: str, most: int = 90) -> str:
    """Text cut to *most* characters, with a stand-in for what the font has no sign for."""
    text = text if len(text) <= most else text[: most - 1] + "…"
    return "".join(c if ord(c) in drawable() and c.isprintable() else "\ufffd" for c in text)
