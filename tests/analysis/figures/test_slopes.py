"""The slope plot: what it shows, and that it is the same bytes from the same data."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path

import pytest
from matplotlib.axes import Axes

from analysis.figures import slope_plot
from analysis.figures.drawing import style
from analysis.history.history import History, history
from analysis.words import catalogue
from tests.analysis.kits.history import SOUND, run, swept


@pytest.fixture(scope="module")
def found() -> History:
    """Three runs: Y2 changed in the second, Y4 is open in the third."""
    changed = SOUND | {"Y2": 3.6}
    return history(
        [
            run(1, swept(SOUND)),
            run(2, swept(changed, seed=2), stage="after cleaning"),
            run(3, swept(changed | {"Y4": math.inf}, seed=3), stage="before refit"),
        ]
    )


def panel(found: History) -> Axes:
    """Return the one panel of a plot in German."""
    with style():
        (axes,) = slope_plot.draw_slopes(found, catalogue("de")).axes
    return axes


def test_changed_coils_differ_by_more_than_colour(found: History) -> None:
    """Heavy and filled against thin, dashed and open."""
    lines = [container.lines[0] for container in panel(found).containers]
    looks = [(line.get_linestyle(), line.get_linewidth(), line.get_markerfacecolor()) for line in lines]
    heavy, thin = ("-", 1.6, "#000000"), ("--", 0.7, "white")
    assert looks == [thin, heavy, thin, heavy, thin]


def test_labels_stand_apart_and_opens_are_marked(found: History) -> None:
    """Every coil with a last reading has a label that covers no other; one without has its mark on top."""
    axes = panel(found)
    heights = sorted(text.xyann[1] for text in axes.texts if hasattr(text, "xyann"))
    assert len(heights) == 4
    assert min(b - a for a, b in pairwise(heights)) > 0.05
    assert [text.get_text() for text in axes.texts if not hasattr(text, "xyann")] == ["Y4"]
    assert [tick.get_text().split("\n")[0] for tick in axes.get_xticklabels()] == [
        "1  wie angeliefert",
        "2  nach dem Reinigen",
        "3  vor dem Wiedereinbau",
    ]


@pytest.mark.slow
def test_the_same_runs_give_the_same_files(tmp_path: Path, found: History) -> None:
    """PNG and SVG byte for byte, and the SVG that a page takes is the one that is written."""
    folders = [tmp_path / name for name in ("one", "two")]
    for folder in folders:
        folder.mkdir()
    one, two = (slope_plot.write_slopes(folder, found) for folder in folders)
    assert [path.name for path in one] == ["slopes.png", "slopes.svg"]
    for mine, theirs in zip(one, two, strict=True):
        assert mine.read_bytes() == theirs.read_bytes()
    assert slope_plot.slopes_svg(found) == one[1].read_bytes()


def test_more_runs_than_there_is_room_for_have_numbers() -> None:
    """Nine runs are numbered."""
    many = history([run(n, swept(SOUND, seed=n)) for n in range(9)])
    assert [tick.get_text() for tick in panel(many).get_xticklabels()] == [str(n) for n in range(1, 10)]


def test_of_very_many_coils_those_that_changed_have_labels() -> None:
    """A hundred labels have no room: the one that changed keeps its own; of eight opens three are named."""
    many = {f"Y{n}": 3.2 + 0.002 * n for n in range(1, 101)}
    opened = {f"Y{n}": math.inf for n in range(1, 9)}
    axes = panel(history([run(1, swept(many)), run(2, swept(many | {"Y50": 3.6} | opened, seed=2))]))
    labels = [text.get_text() for text in axes.texts]
    assert labels == ["Y50 SCHLECHT", "Y1, Y2, Y3, +5"]


def test_a_coil_that_failed_has_a_cross_there_and_its_verdict_while_it_stands() -> None:
    """A cross at each run that failed it, its verdict beside its label, and a legend of the signs."""
    found = history([run(1, swept(SOUND | {"Y1": 3.9})), run(2, swept(SOUND | {"Y4": 3.9}, seed=2))])
    axes = panel(found)
    crosses = {
        (x, round(y, 1)) for line in axes.lines if line.get_marker() == "x" for x, y in line.get_xydata()
    }
    assert crosses == {(0.0, 3.9), (1.0, 3.9)}
    labels = {text.get_text() for text in axes.texts}
    assert "Y4 SCHLECHT" in labels  # this panel is in German
    assert "Y1" in labels  # mended: the sweep that found it could be made again
    legend = axes.get_legend()
    assert [text.get_text() for text in legend.get_texts()] == ["in diesem Lauf fehlerhaft"]
    axes.figure.canvas.draw()  # type: ignore[union-attr]
    assert legend.get_window_extent().y1 <= axes.get_window_extent().y0  # below: it hides no mark
    assert panel(history([run(1, swept(SOUND)), run(2, swept(SOUND, seed=2))])).get_legend() is None


def test_labels_stay_within_the_panel() -> None:
    """Eighteen coils close together at the lower edge have labels from there upwards."""
    close = {f"Y{n}": 3.0 + 1e-4 * n for n in range(17)} | {"Y17": 3.9}
    axes = panel(history([run(n, swept(close, seed=n)) for n in range(2)]))
    heights = [text.xyann[1] for text in axes.texts]
    assert len(heights) == 18
    assert min(heights) >= 0.0
    assert max(heights) <= 1.0
