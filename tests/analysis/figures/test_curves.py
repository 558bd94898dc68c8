"""Curves of a coil: what is drawn, what survives bad data, and that the same data gives the same bytes."""

from __future__ import annotations

import gc
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.figure import Figure

from analysis.figures import curves, drawing, panels
from analysis.figures.thinning import phase_spans, thin_cloud, thin_line, view
from analysis.model import OVER_RANGE, PHASES, CoilResult, Limits, Trace
from analysis.words import catalogue

EN = catalogue("en")

LIMITS = Limits("switching", r20_ohm=3.3)


def soak(rows: int = 120, coil: str = "Y1") -> Trace:
    """An invented soak: cold, rising to 90 degC, held, driven for one row, and cold again."""
    part = np.arange(rows) / max(rows - 1, 1)
    probe = 20.0 + 70.0 * np.sin(np.pi * part)
    ohms = 3.3 * (1.0 + 0.00393 * (probe - 20.0))
    phase = np.array(["ambient", "rise", "hold", "drive", "cool", "return"])[(part * 5.99).astype(int)]
    driven = phase == "drive"
    volts, amps = np.where(driven, 8.4, np.nan), np.where(driven, 8.4 / ohms, 0.0)
    source = np.where(driven, "V/I", "ohms")
    return Trace(coil, part * 3600.0, probe, ohms, volts, amps, phase, source, np.full(rows, "ok", "U32"))


def with_rows(trace: Trace, rows: slice, ohms: float, status: str) -> Trace:
    """The same trace with other readings in some rows."""
    resistance, texts = trace.resistance_ohm.copy(), trace.status.copy()
    resistance[rows], texts[rows] = ohms, status
    return Trace(**{**vars(trace), "resistance_ohm": resistance, "status": texts})


def judged(coil: str = "Y1") -> CoilResult:
    """An invented judgement with a line through two settled points."""
    points = np.array([20.0, 90.0])
    return CoilResult(
        coil, "switching", "", "pass", (), (), 3.3, 0.003, 0.00393, 2e-5, 0.01, 0.009, "line", 90.0, 120,
        points, 3.3 * (1.0 + 0.00393 * (points - 20.0)),
    )  # fmt: skip


def nothing_known(coil: str = "Y1") -> CoilResult:
    """A judgement that could determine nothing."""
    return CoilResult(coil, "", "", "retest", (), (), *([None] * 6), "none", None, 0)


def figure(trace: Trace, result: CoilResult | None = None, limits: Limits | None = None) -> Figure:
    """The drawn figure, for a look at its parts."""
    with drawing.style():
        return curves.draw_curve(result or judged(), trace, limits, EN)


def legend_of(drawn: Figure) -> list[str]:
    """Texts of the legend of the first panel."""
    legend = drawn.axes[0].get_legend()
    return [] if legend is None else [text.get_text() for text in legend.get_texts()]


def test_a_coil_gets_a_png_and_an_svg_named_after_it(tmp_path: Path) -> None:
    """Both files are written into the folder, carry the label, and are what their ending says."""
    png, svg = curves.write_curves(tmp_path, judged(), soak(), LIMITS)
    assert (png.name, svg.name) == ("curve_Y1.png", "curve_Y1.svg")
    assert png.read_bytes().startswith(b"\x89PNG")
    assert b"<svg" in svg.read_bytes()[:500]


def test_svg_text_needs_no_font() -> None:
    """Letters are outlines, so the figure reads the same where the font is not installed."""
    drawn = curves.curve_svg(judged(), soak())
    assert b"<text" not in drawn
    assert b"font-family" not in drawn


def test_cropping_takes_the_title_off_and_nothing_else() -> None:
    """The window of the SVG starts below the title, for a page with headings; other files are refused."""
    whole = curves.curve_svg(judged(), soak())
    body = curves.untitled(whole)
    assert b'height="176.4pt" viewBox="0 14.4 496.8 176.4"' in body
    assert body.split(b"<metadata>")[1] == whole.split(b"<metadata>")[1]
    with pytest.raises(ValueError, match="not a curve"):
        curves.untitled(b"<svg/>")


@pytest.mark.slow
def test_same_data_gives_same_bytes_whatever_the_reader_has_set(tmp_path: Path) -> None:
    """Neither the time of day nor somebody's own drawing settings leave a trace, and those settings stay."""
    first = [path.read_bytes() for path in curves.write_curves(tmp_path, judged(), soak(), LIMITS)]
    with mpl.rc_context({"font.size": 23.0, "axes.grid": True, "svg.hashsalt": None}):
        second = [path.read_bytes() for path in curves.write_curves(tmp_path, judged(), soak(), LIMITS)]
        assert mpl.rcParams["font.size"] == 23.0
    assert first == second


@pytest.mark.slow
def test_no_figure_outlives_its_files(tmp_path: Path) -> None:
    """After writing, no figure object is left to pile up over a long session."""

    def living() -> int:
        gc.collect()
        return sum(isinstance(thing, Figure) for thing in gc.get_objects())

    before = living()
    curves.write_curves(tmp_path, judged(), soak(), LIMITS)
    assert living() == before


@pytest.mark.parametrize("rows", [0, 1, 2])
@pytest.mark.parametrize("result", [judged(), nothing_known()], ids=["judged", "nothing known"])
def test_traces_of_hardly_any_rows_are_drawn(tmp_path: Path, rows: int, result: CoilResult) -> None:
    """No row, one row or two rows make a figure like any other."""
    for path in curves.write_curves(tmp_path, result, soak(rows), LIMITS):
        assert path.stat().st_size > 1000


@pytest.mark.parametrize("timed", [True, False])
def test_a_trace_without_any_number_is_drawn(tmp_path: Path, timed: bool) -> None:
    """All-NaN columns, with or without time, make an empty figure and no warning."""
    trace, nan = soak(5), np.full(5, np.nan)
    time = trace.time_s if timed else nan
    missing = np.full(5, "missing: no reading")
    empty = Trace("Y1", time, nan, nan, nan, nan, trace.phase, trace.source, missing)
    for path in curves.write_curves(tmp_path, nothing_known(), empty):
        assert path.stat().st_size > 1000


def test_opens_stand_at_the_top_edge_over_their_temperature() -> None:
    """Rows that are open or over range are marked where the probe stood, and named in the legend."""
    trace = with_rows(soak(), slice(50, 60), np.nan, OVER_RANGE)
    drawn = figure(trace)
    assert EN("figure.open") in legend_of(drawn)
    marks = next(line for line in drawn.axes[0].lines if line.get_label() == EN("figure.open"))
    at, height = np.asarray(marks.get_xdata()), np.asarray(marks.get_ydata())
    assert at.min() == trace.probe_degC[50:60].min()
    assert np.isin(at, trace.probe_degC[50:60]).all()
    assert (height > 0.95).all()


def test_a_coil_without_opens_says_nothing_of_opens() -> None:
    """The legend names only what is there."""
    assert EN("figure.open") not in legend_of(figure(soak()))
    assert EN("figure.limits") not in legend_of(figure(soak()))
    assert EN("figure.limits") in legend_of(figure(soak(), limits=LIMITS))


def test_the_line_drawn_is_the_line_judged() -> None:
    """The solid line goes through R20 and its slope, over the temperatures seen."""
    drawn = figure(soak())
    line = next(line for line in drawn.axes[0].lines if line.get_label() == EN("figure.line"))
    cold, hot = np.asarray(line.get_xdata()), np.asarray(line.get_ydata())
    np.testing.assert_allclose(hot, 3.3 * (1.0 + 0.00393 * (cold - 20.0)))


def test_the_legend_covers_nothing_that_was_measured() -> None:
    """Below the line there is room for it, even where wild readings stretch the axis."""
    soaked = soak()
    wild = np.where(np.arange(120) % 9 == 0, 6.5, soaked.resistance_ohm)
    for trace in (soaked, Trace(**{**vars(soaked), "resistance_ohm": wild})):
        axes = figure(trace, limits=LIMITS).axes[0]
        box = axes.get_legend().get_window_extent()
        for line in axes.lines:
            if line.get_label() in {EN("figure.line"), EN("figure.settled"), EN("figure.ohms")}:
                at = axes.transData.transform(np.transpose(line.get_data()))
                assert not box.count_contains(at)


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_phases_of_a_soak_are_named_within_the_figure(language: str) -> None:
    """Their legend ends before the figure does, in each language."""
    with drawing.style():
        drawn = curves.draw_curve(judged(), soak(), LIMITS, catalogue(language))
        box = drawn.axes[1].get_legend().get_window_extent()
        assert 0 <= box.x0 < box.x1 <= drawn.bbox.x1


def test_a_current_is_drawn_whole() -> None:
    """The highest current has room above it, and zero is in view."""
    low, high = figure(soak()).axes[2].get_ylim()
    assert (low, high) == (0.0, pytest.approx(1.15 * np.nanmax(soak().current_A)))


def test_wild_numbers_are_counted_and_do_not_flatten_the_curve() -> None:
    """A few kilo-ohm readings of a bad contact stay off the axis, and the legend says how many."""
    drawn = figure(with_rows(soak(), slice(60, 63), 4000.0, "ok"))
    assert drawn.axes[0].get_ylim()[1] < 10.0
    assert EN("figure.off_scale", count=3) in legend_of(drawn)


def test_settled_points_without_time_take_the_whole_width() -> None:
    """Without time there is nothing to draw against time, so one panel fills the figure."""
    trace = soak()
    timeless = Trace(**{**vars(trace), "time_s": np.full(120, np.nan)})
    assert len(figure(timeless).axes) == 1
    assert len(figure(trace).axes) == 3


@pytest.mark.parametrize(
    "label", ["$\\frac{1}", '#import "x"', "\u202eY1", "漢字", "Y" * 4000, "a\x00b", "\ud800"]
)
def test_hostile_labels_are_drawn_as_text(tmp_path: Path, label: str) -> None:
    """A label that looks like formula or markup, or that the font cannot draw, harms nothing."""
    for path in curves.write_curves(tmp_path, judged(label), soak(3, label)):
        assert path.parent == tmp_path
        assert len(path.name) < 80


def test_labels_never_leave_the_folder_or_share_a_file() -> None:
    """Slashes, dots and blanks are replaced, and labels that would then be alike stay apart."""
    labels = ["Y1", "Y/1", "Y 1", "Y-1", "../Y1", "", "...", "Y" * 50, "Y" * 51]
    stems = [curves.curve_stem(label) for label in labels]
    assert stems[0] == "curve_Y1"
    assert len(set(stems)) == len(labels)
    assert not any(set("/\\. ") & set(stem) for stem in stems)


def test_series_and_phases_differ_without_colour() -> None:
    """Each kind of reading has its own marker, each phase its own grey or hatch and its own word."""
    assert len({series.marker for series in panels.SERIES}) == len(panels.SERIES)
    looks = {(panels.PHASE_GREY[phase], panels.PHASE_HATCH.get(phase)) for phase in PHASES}
    assert len(looks) == len(PHASES)
    assert set(EN.group("phase")) == set(PHASES)


def test_a_reading_of_unnamed_source_is_drawn_as_ohms() -> None:
    """A table without a source column still shows its readings."""
    trace = soak()
    plain = Trace(**{**vars(trace), "source": np.full(120, "")})
    assert EN("figure.ohms") in legend_of(figure(plain))


def test_phases_are_runs_that_end_where_the_next_begins() -> None:
    """Rows of one phase in a row make one span; rows without a phase make none."""
    trace = soak(4)
    phased = Trace(
        **{**vars(trace), "time_s": np.array([0.0, 1.0, 3.0, 9.0]), "phase": np.array(["a", "a", "", "b"])}
    )
    assert phase_spans(phased) == [("a", 0.0, 3.0)]


def test_thinning_a_line_loses_no_spike_and_no_gap() -> None:
    """Of 6000 rows a fraction is kept, but spike, dip and the edges of the gap are among them."""
    rng = np.random.default_rng(4)
    x, y = np.arange(6000.0), rng.normal(5.0, 0.01, 6000)
    y[1234], y[4321], y[2000:2010] = 9.0, 1.0, np.nan
    kept = thin_line(x, y)
    assert kept.size < 1200
    assert (np.diff(kept) > 0).all()
    assert {1234, 4321, 1999, 2000, 2009, 2010} <= set(kept.tolist())


def test_thinning_a_cloud_keeps_its_outline() -> None:
    """Extremes in both directions survive, and two points of one cell become one."""
    rng = np.random.default_rng(5)
    x, y = rng.normal(size=20000), rng.normal(size=20000)
    kept = thin_cloud(x, y, cells=50)
    assert kept.size <= 51 * 51
    assert {int(x.argmax()), int(y.argmax())} <= set(kept.tolist())
    few = np.arange(10.0)
    assert thin_cloud(few, few).size == 10


def test_the_axis_holds_what_must_be_seen() -> None:
    """Settled points are always in view, even far from the readings; no data gives a plain axis."""
    low, high = view(np.full(50, 3.3), np.array([4.2, np.nan]))
    assert low < 3.3
    assert high > 4.2
    assert view(np.empty(0), np.empty(0)) == (0.0, 1.0)
