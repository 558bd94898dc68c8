"""What became of coils from run to run, as tables and sentences for people; fits 80 columns."""

from __future__ import annotations

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.text import Text

from analysis.budget import Budget
from analysis.history import Coil, History
from analysis.history_words import notes, remarks, standing, state
from daq.results import SIGNS, open_table, shown

#: So many runs have a column of R20; of more, the first and the last ones.
MAX_COLUMNS = 3
_LEGEND = (
    "In ohms, from a coil's first run to its last. read: what the meter showed more; "
    "by heat: what copper owes to the temperatures; R20 by: the change at 20 degC. "
    "changed: by more than U, as one sound coil in twenty seems to be by chance."
)
_LOOKS = (
    "Of several changes of one coil each has to be somewhat more than U to count, "
    "so that it stays one sound coil in twenty."
)
_HOT = "* failed in a soak; a cold sweep since then takes nothing back."


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
    columns = [0, *range(max(1, last + 2 - MAX_COLUMNS), last + 1)]
    table = open_table()
    table.add_column("coil", max_width=12, overflow="fold")
    for run in columns:
        table.add_column(f"R20 {run + 1}", justify="right", no_wrap=True)
    table.add_column("read", justify="right", no_wrap=True)
    table.add_column("by heat", justify="right", no_wrap=True)
    table.add_column("R20 by ±U", justify="right", no_wrap=True)
    table.add_column("now", no_wrap=True)
    table.add_column("change", no_wrap=True)
    for coil in found.coils:
        whole = coil.whole
        verdict, hot = standing(coil, found.runs)
        became = state(coil, found.runs)
        table.add_row(
            shown(coil.name),
            *(_r20(coil, run) for run in columns),
            _signed(whole.read_ohm if whole else None),
            _signed(whole.by_temperature_ohm if whole else None),
            _with_U(whole.r20 if whole else None),
            f"{SIGNS[verdict]} {verdict}{'*' if hot else ''}",
            Text(became, style="bold" if became in {"open", "changed"} else ""),
        )
    return table


def _r20(coil: Coil, run: int) -> str:
    result = coil.results[run]
    if result is None:
        return ""
    return "-" if result.r20_ohm is None else f"{result.r20_ohm:.3f}"


def _signed(ohm: float | None) -> str:
    return "-" if ohm is None else f"{round(ohm, 3) + 0.0:+.3f}"


def _with_U(change: Budget | None) -> Text:
    return Text("-" if change is None else f"{_signed(change.value)} ±{change.expanded_u:.3f}")


def _said(found: History) -> list[RenderableType]:
    """Sentences on coils and runs, each under what it is about."""
    said: list[RenderableType] = [Text(_LEGEND, style="dim")]
    if any(coil.whole is not None and coil.whole.looks > 1 for coil in found.coils):
        said.append(Text(_LOOKS, style="dim"))
    if any(standing(coil, found.runs)[1] for coil in found.coils):
        said.append(Text(_HOT, style="dim"))
    for coil in found.coils:
        sentences = remarks(coil, found.runs)
        if sentences:
            named = f"{coil.name} (serial {coil.serial})" if coil.serial else coil.name
            said.append(Text.assemble("\n", (shown(named).plain, "bold")))
            said += [Padding(shown(each), (0, 0, 0, 2)) for each in sentences]
    extra = [*(f"{run.name}: {each}" for run in found.runs for each in run.problems), *notes(found)]
    if extra:
        said.append(Text(""))
    said += [Text(f"note: {shown(each).plain}") for each in extra]
    return said
