"""What the coils of a set say together of how far points scatter about a line.

Four points of a coil leave two degrees of freedom: their scatter is known so badly that U is four and a half
times u, and a sound coil is sent to another test for it. But all coils of a set were read by the same meter,
with probes of one sort, in one oven. So their scatter is one figure, told by all of them; a coil that
scatters more than the others do keeps its own.
"""

from __future__ import annotations

from collections.abc import Mapping

from analysis.statistics.line import Line
from analysis.trace.estimate import Estimate, with_scatter

#: A coil scatters more than the others with less than this chance, were it like them.
_CHANCE = 0.01
#: More than this over the stated variance is no noise of instruments: something is wrong with the set, and no
#: coil of it is to be judged by the points of others.
_MOST = 4.0
#: Of fewer coils nobody knows the usual scatter.
_LEAST = 3


def with_common_scatter(found: Mapping[str, Estimate]) -> dict[str, Estimate]:
    """Return the estimates by coil, those by a line with the scatter that all such have in common."""
    lines = {coil: each.line for coil, each in found.items() if each.line is not None and each.line.dof > 0}
    alike = _alike(lines)
    if len(alike) < _LEAST:
        return dict(found)
    chi2, dof = _sums([lines[coil] for coil in alike])
    if chi2 > _MOST * dof:
        return dict(found)
    return {
        coil: with_scatter(each, chi2 / dof, dof) if coil in alike and each.parts is not None else each
        for coil, each in found.items()
    }


def _alike(lines: Mapping[str, Line]) -> list[str]:
    """The coils whose scatter is that of most, beginning with the better half."""
    from scipy.special import fdtrc  # loaded where it is asked for: it takes a quarter of a second

    order = sorted(lines, key=lambda coil: lines[coil].misfit)
    alike = order[: len(order) // 2 + 1]
    for coil in order[len(alike) :]:
        chi2, dof = _sums([lines[each] for each in alike])
        usual = max(chi2 / dof, 1.0)
        if float(fdtrc(lines[coil].dof, dof, lines[coil].misfit / usual)) < _CHANCE:
            break
        alike.append(coil)
    return alike


def _sums(lines: list[Line]) -> tuple[float, float]:
    return sum(line.chi2 for line in lines), float(sum(line.dof for line in lines))
