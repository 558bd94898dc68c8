"""The slope plot: R20 of each coil from run to run, a panel a kind.

A coil that changed is a heavy line with filled marks and its label in bold; others are thin and dashed with
open marks. Where a coil failed it has a cross, and its label says so as long as that stands. The plot reads
the same without colour.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from analysis.figures.drawing import Ticks, legible, save, style, write
from analysis.history.history import CoilHistory, History
from analysis.history.standing import standing
from analysis.history.words import state
from analysis.words import RECORD_LANGUAGE, Words, catalogue

#: Width of the figure, as wide as the text of a page, and height of a row of panels.
WIDTH_INCH, ROW_INCH = 6.9, 2.9
STEM = "slopes"
_ACROSS = 2
#: Of so many runs a panel has room for their stages and dates.
_NAMED_RUNS = 4
_INK, _PALE, _RED = "#000000", "0.45", "#D55E00"
_MOVED = frozenset({"changed", "open"})
#: Labels keep this much of a panel's height from each other, so that so many have room.
_LABEL_HEIGHT, _MOST_LABELS = 0.055, 18
#: So many coils are named at the mark of those that are open.
_MOST_OPENS = 3


def write_slopes(folder: Path, found: History, *, language: str = RECORD_LANGUAGE) -> list[Path]:
    """Draw the slope plot and write it as PNG and SVG.

    Args:
        folder: An existing folder.
        found: What to draw.
        language: Of what is written in it.

    Returns:
        The PNG path and the SVG path.

    Raises:
        OSError: A file could not be written.
    """
    svg = folder / f"{STEM}.svg"
    svg.write_bytes(slopes_svg(found, language=language))
    with style():
        return [save(draw_slopes(found, catalogue(language)), folder / f"{STEM}.png", "png"), svg]


def slopes_svg(found: History, *, language: str = RECORD_LANGUAGE) -> bytes:
    """Return the slope plot as the bytes of the SVG that :func:`write_slopes` writes."""
    with style():
        buffer = io.BytesIO()
        write(draw_slopes(found, catalogue(language)), buffer, "svg")
        return buffer.getvalue()


def draw_slopes(found: History, words: Words) -> Figure:
    """Draw R20 of each coil from run to run, a panel a kind."""
    kinds = dict.fromkeys(coil.at(coil.runs[-1]).kind for coil in found.common)
    rows = -(-len(kinds) // _ACROSS)
    figure = Figure(figsize=(WIDTH_INCH, ROW_INCH * rows), layout="constrained")
    grid = figure.add_gridspec(rows, min(_ACROSS, len(kinds)))
    for n, kind in enumerate(kinds):
        axes = figure.add_subplot(grid[divmod(n, _ACROSS)])
        coils = [coil for coil in found.common if coil.at(coil.runs[-1]).kind == kind]
        _panel(axes, coils, found, words)
        axes.set_title(legible(words.said(kind), 40), fontsize=7.5, fontweight="bold", loc="left")
        if n % _ACROSS == 0:
            axes.set_ylabel(words("figure.slopes_axis"))
    return figure


def _panel(axes: Axes, coils: Sequence[CoilHistory], found: History, words: Words) -> None:
    """The coils of one kind."""
    ends: list[tuple[CoilHistory, float | None]] = []
    for coil in coils:
        known = [n for n in coil.runs if coil.at(n).r20_ohm is not None]
        r20 = [coil.at(n).r20_ohm or 0.0 for n in known]
        bars = [coil.at(n).r20_k * (coil.at(n).r20_u_ohm or 0.0) for n in known]
        moved = state(coil, found.runs) in _MOVED
        axes.errorbar(
            known,
            r20,
            yerr=bars,
            fmt="o",
            ls="-" if moved else "--",
            color=_INK if moved else _PALE,
            mfc=_INK if moved else "white",
            ms=4 if moved else 3,
            lw=1.6 if moved else 0.7,
            elinewidth=0.7,
            capsize=2.0,
            zorder=3.0 if moved else 2.0,
        )
        bad = [n for n in known if coil.at(n).verdict == "fail"]
        axes.plot(bad, [coil.at(n).r20_ohm or 0.0 for n in bad], "x", color=_RED, ms=8, mew=1.6, zorder=4.0)
        ends.append((coil, r20[-1] if known and known[-1] == coil.runs[-1] else None))
    axes.set_xlim(-0.25, len(found.runs) - 0.3)
    axes.margins(y=0.12)
    axes.set_xticks(range(len(found.runs)), _ticks(found, words), fontsize=6)
    axes.yaxis.set_major_formatter(Ticks(words))
    _labels(axes, ends, found, words)
    _opens(axes, coils)
    _legend(axes, coils, words)


def _ticks(found: History, words: Words) -> list[str]:
    """What stands below each run: its number alone where there is no room for more."""
    if len(found.runs) > _NAMED_RUNS:
        return [str(n) for n in range(1, len(found.runs) + 1)]
    return [
        f"{n}  {words.shown('stage', run.stage)}\n{run.start:%Y-%m-%d}" for n, run in enumerate(found.runs, 1)
    ]


def _labels(
    axes: Axes, ends: Sequence[tuple[CoilHistory, float | None]], found: History, words: Words
) -> None:
    """Write each coil's label beside its last point, moved so far that all can be read.

    Where there is no room for all, coils that changed have one.
    """
    if len(ends) > _MOST_LABELS:
        ends = [(coil, r20) for coil, r20 in ends if state(coil, found.runs) in _MOVED][:_MOST_LABELS]
    low, high = axes.get_ylim()
    placed = sorted(
        ((float((r20 - low) / (high - low)), coil) for coil, r20 in ends if r20 is not None),
        key=lambda each: (each[0], each[1].name),
    )
    heights = _apart([height for height, _ in placed], _LABEL_HEIGHT)
    for (height, coil), spread in zip(placed, heights, strict=True):
        moved = state(coil, found.runs) in _MOVED
        last = coil.runs[-1]
        axes.annotate(
            _named(coil, found, words),
            (last, low + height * (high - low)),
            (last + 0.16, spread),
            textcoords=("data", "axes fraction"),
            fontsize=6.5,
            fontweight="bold" if moved else "normal",
            color=_RED if standing(coil, found.runs).verdict == "fail" else _INK if moved else "0.25",
            va="center",
            arrowprops={"arrowstyle": "-", "lw": 0.3, "color": "0.6", "shrinkA": 0, "shrinkB": 3},
        )


def _named(coil: CoilHistory, found: History, words: Words) -> str:
    """The label of a coil, with the verdict that stands where it is none to keep."""
    verdict = standing(coil, found.runs).verdict
    name = legible(coil.name, 14)
    return name if verdict == "pass" else f"{name} {words(f'verdict.{verdict}')}"


def _apart(heights: Sequence[float], least: float) -> list[float]:
    """Move ascending *heights* apart by at least *least*, each as little as goes, and keep their middle.

    All stay between 0 and 1 where they have room there.
    """
    # Isotonic regression of what is left after the least distances: pools of neighbours that would overlap.
    pools: list[list[float]] = []
    for n, height in enumerate(heights):
        pools.append([height - n * least])
        while len(pools) > 1 and np.mean(pools[-2]) > np.mean(pools[-1]):
            pools[-2:] = [pools[-2] + pools[-1]]
    flat = [float(np.mean(pool)) for pool in pools for _ in pool]
    room = max(1.0 - (len(flat) - 1) * least, 0.0)
    return [min(max(height, 0.0), room) + n * least for n, height in enumerate(flat)]


def _opens(axes: Axes, coils: Sequence[CoilHistory]) -> None:
    """Mark at the top edge where a coil was read and has no resistance."""
    for n, names in _open_at(coils).items():
        axes.plot([n], [0.95], "^", transform=axes.get_xaxis_transform(), color=_RED, mfc="none", ms=6)
        more = [f"+{len(names) - _MOST_OPENS}"] if len(names) > _MOST_OPENS else []
        axes.text(
            n + 0.07,
            0.95,
            ", ".join([*names[:_MOST_OPENS], *more]),
            transform=axes.get_xaxis_transform(),
            fontsize=6.5,
            fontweight="bold",
            va="center",
        )


def _open_at(coils: Sequence[CoilHistory]) -> dict[int, list[str]]:
    """Which coils have no resistance, by run."""
    at: dict[int, list[str]] = {}
    for coil in coils:
        for n in coil.runs:
            if coil.at(n).r20_ohm is None:
                at.setdefault(n, []).append(legible(coil.place(n), 14))
    return at


def _legend(axes: Axes, coils: Sequence[CoilHistory], words: Words) -> None:
    """What the signs mean, below the panel: each of them stands in this panel, and hides none of it."""
    failed = any(
        coil.at(n).verdict == "fail" and coil.at(n).r20_ohm is not None for coil in coils for n in coil.runs
    )
    signs = {
        "figure.failed": Line2D([], [], color=_RED, marker="x", ms=7, mew=1.6, ls="") if failed else None,
        "figure.open": Line2D([], [], color=_RED, marker="^", mfc="none", ms=6, ls="")
        if _open_at(coils)
        else None,
    }
    there = {words(key): sign for key, sign in signs.items() if sign is not None}
    if there:
        axes.legend(list(there.values()), list(there), loc="upper left", bbox_to_anchor=(0.0, -0.16), ncols=2)
