"""The panels of a coil's figure. Series differ by marker and line as well as by colour."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Patch

from analysis.arrays import BoolArray, FloatArray
from analysis.figures.fitted_line import fitted_line
from analysis.figures.thinning import finite, lonely, phase_spans, thin_cloud, thin_line, time_unit, view
from analysis.model import OK, OVER_RANGE, PHASES, CoilResult, Limits, Trace
from analysis.words import Words

# Of the eight colours of Okabe and Ito, told apart by the common kinds of colour blindness; their orange and
# vermilion are darkened to stand out from paper and shade by 3:1, as WCAG 2.1 (1.4.11) wants of graphics.
BLUE, ORANGE, RED, INK = "#0072B2", "#8A6000", "#BF4F00", "#000000"
_BAND = "0.75"
#: A legend that takes more of a panel than this gets no room of its own.
_TALLEST_LEGEND = 0.6
#: How solid a reading is drawn where many lie on each other.
CLOUD_ALPHA = 0.75

# Every phase its own grey (and hatch where greys run out); the panels behind the data take a paler one.
PHASE_GREY = dict(
    zip(PHASES, ("1.0", "0.95", "0.95", "0.80", "0.45", "0.65", "0.92", "1.0", "1.0"), strict=True)
)
PHASE_HATCH = {"rise": "////", "ramp": "xxxx", "cool": "\\\\\\\\", "return": "----", "sweep": "||||"}
SHADED = {"hold": "0.94", "drive": "0.86", "heat": "0.90"}


@dataclass(frozen=True)
class _Series:
    """One kind of reading and how it looks."""

    source: str
    key: str
    marker: str
    colour: str

    def rows(self, trace: Trace) -> BoolArray:
        """Which rows are of this kind; a reading that does not say is taken as plain ohms."""
        mine: BoolArray = trace.source == self.source
        return mine | ~np.isin(trace.source, _SOURCES) if self.source == "ohms" else mine


_SOURCES = ("ohms", "typed", "V/I")
SERIES = (
    _Series("ohms", "figure.ohms", ".", BLUE),
    _Series("typed", "figure.typed", "x", INK),
    _Series("V/I", "figure.driven", "s", ORANGE),
)


def against_temperature(
    axes: Axes, result: CoilResult, trace: Trace, limits: Limits | None, words: Words
) -> None:
    """Readings, settled points, fitted line and limits against probe temperature; opens at the top edge."""
    probe, ohms = trace.probe_degC, trace.resistance_ohm
    seen = np.isfinite(probe) & np.isfinite(ohms) & (trace.status == OK)
    is_open = np.isfinite(probe) & (trace.status == OVER_RANGE)
    fit = fitted_line(result, trace, limits)
    span, line, band = fit.probe_degC, fit.resistance_ohm, fit.expanded_u_ohm
    low, high = view(ohms[seen], np.concatenate([finite(result.point_ohm), line]))

    for edge, label in ((fit.limit_low_ohm, words("figure.limits")), (fit.limit_high_ohm, None)):
        if edge.size:
            axes.plot(span, edge, ":", color="0.35", lw=0.8, label=label)
    for series in SERIES:
        mine = np.flatnonzero(seen & series.rows(trace))
        mine = mine[thin_cloud(probe[mine], ohms[mine])]
        if mine.size:
            axes.plot(
                probe[mine],
                ohms[mine],
                series.marker,
                color=series.colour,
                ms=2.2,
                mew=0.4,
                alpha=CLOUD_ALPHA,
                mfc="none" if series.marker == "s" else series.colour,
                label=words(series.key),
            )
    if line.size:
        axes.plot(span, line, "-", color=INK, lw=0.9, label=words("figure.line"))
    if band.size:
        axes.fill_between(
            span, line - band, line + band, color=_BAND, lw=0, zorder=0.9, label=words("figure.band")
        )
    if result.point_degC.size:
        axes.plot(
            result.point_degC,
            result.point_ohm,
            "o",
            color=INK,
            mfc="white",
            ms=4,
            mew=0.9,
            label=words("figure.settled"),
        )
    _edge_marks(axes, probe[is_open], words("figure.open"))
    axes.set_ylim(low, high)
    _off_scale(axes, probe[seen], ohms[seen], words)
    axes.set_xlabel(words("figure.probe_axis"))
    axes.set_ylabel(words("figure.resistance_axis"))
    if axes.get_legend_handles_labels()[0]:
        _legend(
            axes,
            np.concatenate([probe[seen], result.point_degC, span[: line.size]]),
            np.concatenate([ohms[seen], result.point_ohm, line]),
        )


def _legend(axes: Axes, x: FloatArray, y: FloatArray) -> None:
    """A legend in the lower right corner, and room for it below the points (*x*, *y*).

    Resistance rises with temperature, so that corner is the emptiest.
    """
    legend = axes.legend(loc="lower right", handlelength=1.8, borderaxespad=0.3, labelspacing=0.35)
    for handle in legend.legend_handles:
        if handle is not None:
            handle.set_alpha(1.0)
    box = legend.get_window_extent().transformed(axes.transAxes.inverted())
    left, right = axes.get_xlim()
    low, high = axes.get_ylim()
    above = y[(x >= left + box.x0 * (right - left)) & (y >= low) & (y <= high)]
    if above.size and box.y1 < _TALLEST_LEGEND:
        share = box.y1 + 0.02
        axes.set_ylim(bottom=min(low, (float(above.min()) - share * high) / (1.0 - share)))


def resistance_in_time(axes: Axes, result: CoilResult, trace: Trace, words: Words) -> None:
    """Resistance against time; a gap of the readings is a gap of the line."""
    scale = time_unit(trace)[1]
    ohms = np.where(trace.status == OK, trace.resistance_ohm, np.nan)
    low, high = view(finite(ohms), finite(result.point_ohm))
    for series in SERIES:
        mine = np.flatnonzero(series.rows(trace))
        mine = mine[thin_line(trace.time_s[mine], ohms[mine])]
        if np.isfinite(ohms[mine]).any():
            joined = series.source == "ohms"
            axes.plot(
                trace.time_s[mine] / scale,
                ohms[mine],
                marker=series.marker,
                markevery=lonely(ohms[mine]) if joined else None,
                color=series.colour,
                ms=1.8,
                mew=0.4,
                ls="-" if joined else "none",
                lw=0.8,
                mfc="none" if series.marker == "s" else series.colour,
            )
    _edge_marks(axes, trace.time_s[trace.status == OVER_RANGE] / scale, None)
    axes.set_ylim(low, high)
    _off_scale(axes, trace.time_s / scale, ohms, words)
    axes.set_ylabel(words("figure.resistance_axis"))


def current_in_time(axes: Axes, trace: Trace, words: Words) -> None:
    """Current against time, with its zero in view."""
    scale = time_unit(trace)[1]
    kept = thin_line(trace.time_s, trace.current_A)
    current = trace.current_A[kept]
    axes.plot(trace.time_s[kept] / scale, current, "-s", color=INK, lw=0.7, ms=1.8, markevery=lonely(current))
    axes.set_ylabel(words("figure.current_axis"))
    most = float(finite(trace.current_A).max())
    axes.set_ylim(min(0.0, float(finite(trace.current_A).min())), 1.15 * most if most > 0.0 else None)


def phases(panels: list[Axes], trace: Trace, strip: tuple[float, float], words: Words) -> None:
    """A strip above the first panel that names the phases, and a paler shade of the busy ones behind all.

    *strip* is its foot and its height, in heights of the panel.
    """
    first, scale = panels[0], time_unit(trace)[1]
    spans: dict[str, list[tuple[float, float]]] = {}
    for phase, start, end in phase_spans(trace):
        spans.setdefault(phase, []).append((start / scale, (end - start) / scale))
    for phase, bars in spans.items():
        first.broken_barh(
            bars,
            strip,
            transform=first.get_xaxis_transform(),
            clip_on=False,
            facecolor=PHASE_GREY.get(phase, "1.0"),
            hatch=PHASE_HATCH.get(phase),
            edgecolor="0.35",
            lw=0.25,
        )
        for panel in panels if phase in SHADED else ():
            behind = panel.get_xaxis_transform()
            panel.broken_barh(bars, (0.0, 1.0), transform=behind, color=SHADED[phase], lw=0, zorder=0)
    names = [name for name in PHASES if name in spans]
    handles = [
        Patch(
            facecolor=PHASE_GREY[n],
            hatch=PHASE_HATCH.get(n),
            edgecolor="0.35",
            lw=0.25,
            label=words(f"phase.{n}"),
        )
        for n in names
    ]
    if handles:
        first.legend(
            handles=handles,
            loc="lower left",
            bbox_to_anchor=(0.0, sum(strip)),
            ncols=len(handles),
            borderaxespad=0.0,
            borderpad=0.2,
            handlelength=1.0,
            handletextpad=0.3,
            columnspacing=0.6,
        )


def _edge_marks(axes: Axes, at: FloatArray, label: str | None) -> None:
    """Marks at the top edge, where there is a reading but no number."""
    at = finite(at)
    if at.size:
        # One mark a slot: beyond that they merge into a bar.
        slots = np.floor((at - at.min()) / (np.ptp(at) or 1.0) * 40.0)
        at = at[np.unique(slots, return_index=True)[1]]
        axes.plot(
            at,
            np.full(at.shape, 0.975),
            "^",
            transform=axes.get_xaxis_transform(),
            color=RED,
            mfc="none",
            ms=4,
            mew=0.7,
            ls="none",
            label=label,
        )


def _off_scale(axes: Axes, x: FloatArray, y: FloatArray, words: Words) -> None:
    """Say how many numbers lie outside the axis, and mark where."""
    low, high = axes.get_ylim()
    known = np.isfinite(x) & np.isfinite(y)
    for beyond, height in ((y > high, 0.92), (y < low, 0.03)):
        out = x[known & beyond]
        if out.size:
            axes.plot(
                out,
                np.full(out.shape, height),
                "+",
                transform=axes.get_xaxis_transform(),
                color=RED,
                ms=4,
                mew=0.7,
                label=words("figure.off_scale", count=out.size),
            )
