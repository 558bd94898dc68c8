"""What became of coils from run to run, as tables and sentences for people; fits 80 columns."""

from __future__ import annotations

from rich.cells import cell_len
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.text import Text

from analysis.history.history import CoilHistory, History
from analysis.history.standing import standing
from analysis.history.words import remarks, state
from daq.archive.comparison import comparison_notes
from daq.archive.verdict_table import SIGNS
from daq.tables import open_table, shown

#: So many runs have a column of R20, beside labels longer than these letters fewer; else first and last ones.
MAX_COLUMNS, FEWER_COLUMNS, SHORT_LABEL = 3, 2, 6
#: From here on ohms are shown to a hundredth: columns stay as wide as they are.
LARGE_OHM = 100.0
_LEGEND = (
    "In ohms, from a coil's first run to its last. by heat: what the meter showed more because copper was "
    "warmer; R20 by: the change at 20 degC. "
    "changed: by more than U, as one sound coil in twenty seems to be by chance."
)
_LOOKS = (
    "Of several changes of one coil each has to be somewhat more than U to count, "
    "so that it stays one sound coil in twenty."
)
_EARLIER = "* found in an earlier run; what came after could not have shown it and takes nothing back."


def comparison(found: History) -> RenderableType:
    """Return the runs, the coils with what changed, and what is to be said of each."""
    return Group(_runs(found), "", _coils(found), "", *_said(found))


def _runs(found: History) -> RenderableType:
    table = open_table()
    for name in ("run", "stage", "test", "folder"):
        table.add_column(name, overflow="fold", no_wrap=name != "folder")
    for number, run in enumerate(found.runs, 1):
        table.add_row(str(number), run.stage, run.kind, shown(run.name))
    return table


def _coils(found: History) -> RenderableType:
    last = len(found.runs) - 1
    short = max(cell_len(coil.name) for coil in found.coils) <= SHORT_LABEL
    columns = [0, *range(max(1, last + 2 - (MAX_COLUMNS if short else FEWER_COLUMNS)), last + 1)]
    table = open_table()
    table.add_column("coil", max_width=12, overflow="fold")
    for run in columns:
        table.add_column(f"R20 {run + 1}", justify="right", no_wrap=True)
    table.add_column("by heat", justify="right", no_wrap=True)
    table.add_column("R20 by ±U", justify="right", no_wrap=True)
    table.add_column("now", no_wrap=True)
    table.add_column("change", no_wrap=True)
    for coil in found.coils:
        stands = standing(coil, found.runs)
        became = state(coil, found.runs)
        table.add_row(
            shown(coil.name),
            *(_r20(coil, run) for run in columns),
            *_change(coil),
            f"{SIGNS[stands.verdict]} {stands.verdict}{'*' if stands.earlier else ''}",
            Text(became, style="bold" if became in {"open", "changed"} else ""),
        )
    return table


def _r20(coil: CoilHistory, run: int) -> str:
    result = coil.results[run]
    if result is None:
        return ""
    return "-" if result.r20_ohm is None else f"{result.r20_ohm:.{_digits(result.r20_ohm)}f}"


def _change(coil: CoilHistory) -> tuple[str, str]:
    """What temperature did to a reading, and by how much R20 changed with its U."""
    whole = coil.whole
    if whole is None or whole.r20 is None:
        return "-", "-"
    digits = _digits(abs(coil.at(whole.second).r20_ohm or 0.0))
    by = f"{_signed(whole.r20.value, digits)} ±{whole.r20.expanded_u:.{digits}f}"
    return _signed(whole.by_temperature_ohm, digits), by


def _digits(r20_ohm: float) -> int:
    return 2 if r20_ohm >= LARGE_OHM else 3


def _signed(ohm: float | None, digits: int) -> str:
    return "-" if ohm is None else f"{round(ohm, digits) + 0.0:+.{digits}f}"


def _said(found: History) -> list[RenderableType]:
    """Sentences on coils and runs, each under what it is about."""
    said: list[RenderableType] = [Text(_LEGEND, style="dim")]
    if any(coil.whole is not None and coil.whole.looks > 1 for coil in found.coils):
        said.append(Text(_LOOKS, style="dim"))
    if any(standing(coil, found.runs).earlier for coil in found.coils):
        said.append(Text(_EARLIER, style="dim"))
    for coil in found.coils:
        sentences = remarks(coil, found.runs)
        if sentences:
            named = f"{coil.name} (serial {coil.serial})" if coil.serial else coil.name
            said.append(Text.assemble("\n", (shown(named).plain, "bold")))
            said += [Padding(shown(each), (0, 0, 0, 2)) for each in sentences]
    if extra := comparison_notes(found):
        said.append(Text(""))
    said += [Text(f"note: {shown(each).plain}") for each in extra]
    return said
