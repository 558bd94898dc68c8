"""Print and figures can be read by poor eyes: contrast by the formula of WCAG 2.1."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from matplotlib.colors import to_rgb

import analysis
from analysis.figures import panels

PARTS = (Path(analysis.__file__).parent / "paper" / "templates" / "parts.typ").read_text(encoding="utf-8")
WHITE = (1.0, 1.0, 1.0)

Colour = tuple[float, float, float]


def luminance(colour: Colour) -> float:
    """Relative luminance as WCAG 2.1 defines it."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colour]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: Colour, other: Colour) -> float:
    """Contrast ratio as WCAG 2.1 defines it, 1 to 21."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_is_that_of_the_standard() -> None:
    """Black on white is 21 (WCAG 2.1, 1.4.3); a colour on itself is 1."""
    assert contrast((0.0, 0.0, 0.0), WHITE) == pytest.approx(21.0)
    assert contrast((0.3, 0.2, 0.9), (0.3, 0.2, 0.9)) == 1.0


def grey(name: str) -> Colour:
    """A grey that the page templates name."""
    found = re.search(rf"#let {name} = luma\((\d+)\)", PARTS)
    assert found is not None
    return (int(found[1]) / 255.0,) * 3


def test_grey_text_stands_out() -> None:
    """Text of pages has at least 4.5:1 (WCAG 2.1, 1.4.3): the grey one, and white in the mark of a fail."""
    assert contrast(grey("quiet"), WHITE) >= 4.5
    fills = {name: int(luma) / 255.0 for name, luma in re.findall(r"(retest|fail): luma\((\d+)\)", PARTS)}
    assert contrast((fills["fail"],) * 3, WHITE) >= 4.5
    assert contrast((fills["retest"],) * 3, (0.0, 0.0, 0.0)) >= 4.5


@pytest.mark.parametrize("colour", [panels.BLUE, panels.ORANGE, panels.RED, panels.INK])
def test_what_a_curve_is_drawn_with_stands_out(colour: str) -> None:
    """Marks and lines have at least 3:1 against white (WCAG 2.1, 1.4.11), also where they are see-through."""
    solid = to_rgb(colour)
    assert contrast(solid, WHITE) >= 3.0
    mixed = tuple(panels.CLOUD_ALPHA * c + (1.0 - panels.CLOUD_ALPHA) for c in solid)
    if colour in {series.colour for series in panels.SERIES}:
        assert contrast((mixed[0], mixed[1], mixed[2]), WHITE) >= 3.0


def test_curves_stand_out_from_the_shade_behind_them() -> None:
    """So they do where a phase is shaded."""
    darkest = min(float(shade) for shade in panels.SHADED.values())
    for colour in (panels.BLUE, panels.ORANGE, panels.RED, panels.INK):
        assert contrast(to_rgb(colour), (darkest,) * 3) >= 3.0
