"""What the operator sees during a run: a live table in a terminal, plain lines elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from types import TracebackType
from typing import Self

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from daq.record import Reading

#: Plain output says how far it is each time this share of the run has passed.
PLAIN_STEP = 0.1


def duration(seconds: float) -> str:
    """Return a duration as people say it: ``45 s``, ``12 min``, ``1 h 05 min``."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


class RunScreen:
    """Shows readings, events and time left; *note* says in one line what kind of run this is.

    *asks* is for a run that puts questions to the operator: plain lines instead of a live table.
    """

    def __init__(self, console: Console, coils: Sequence[str], note: str, *, asks: bool = False) -> None:
        self._console = console
        # A table that redraws itself and a question do not share a terminal.
        self._table = console.is_terminal and not asks
        self._note = note
        self._latest: dict[str, Reading] = {}
        self._body: dict[str, float] = {}
        self._coils = list(coils)
        self._stage = "starting"
        self._coil = ""
        self._done = 0.0
        self._left_s: float | None = None
        self._coil_left_s: float | None = None
        self._alarm = ""
        self._said = -1
        self._live: Live | None = None

    def __enter__(self) -> Self:
        self._console.print(self._note, style="dim", highlight=False)
        if self._table:
            self._live = Live(console=self._console, get_renderable=self._render, refresh_per_second=5)
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None

    def alarm(self, text: str) -> None:
        """Show *text* now and on every further line."""
        self._alarm = text
        self._print(Text(text, style="bold reverse"))

    def row(self, reading: Reading) -> None:
        """Take the newest reading of a coil."""
        if reading.source == "switching":
            return
        self._latest[reading.coil] = reading
        if reading.probe_degC is not None:
            self._body[reading.coil] = reading.probe_degC

    def event(self, kind: str, text: str, coil: str) -> None:  # noqa: ARG002 - kinds are for the record
        """Show what happened."""
        self._print(Text(f"{coil + ': ' if coil else ''}{text}"))

    def progress(
        self, stage: str, done: float, left_s: float, coil: str = "", coil_left_s: float | None = None
    ) -> None:
        """Show where the run stands."""
        self._stage, self._done, self._left_s = stage, done, left_s
        self._coil, self._coil_left_s = coil, coil_left_s
        tenth = int(done / PLAIN_STEP)
        if self._live is None and tenth != self._said:
            self._said = tenth
            self._print(Text(self._where()))

    def _where(self) -> str:
        where = f"{self._coil}: {self._stage}" if self._coil else self._stage
        left = "" if self._left_s is None else f", {duration(self._left_s)} left for the run"
        if self._coil and self._coil_left_s is not None:
            left = f", {duration(self._coil_left_s)} left for {self._coil}{left}"
        return f"{where}, {100 * self._done:.0f} %{left}"

    def _print(self, text: Text) -> None:
        if self._alarm and text.plain != self._alarm:
            text = Text.assemble((self._alarm + " ", "bold reverse"), text)
        self._console.print(text, highlight=False, soft_wrap=self._live is None)

    def _render(self) -> RenderableType:
        table = Table(expand=False, pad_edge=False)
        for heading in ("coil", "phase"):
            table.add_column(heading)
        for heading in ("body degC", "ohm", "V", "A"):
            table.add_column(heading, justify="right")
        table.add_column("reading")
        for coil in self._coils:
            table.add_row(*self._cells(coil))
        bar = ProgressBar(total=1.0, completed=self._done, width=40)
        parts: list[RenderableType] = [table, bar, Text(self._where())]
        if self._alarm:
            parts.append(Text(self._alarm, style="bold reverse"))
        return Group(*parts)

    def _cells(self, coil: str) -> tuple[str, ...]:
        reading = self._latest.get(coil)
        if reading is None:
            return (coil, "waiting", "", "", "", "", "")
        return (
            coil,
            reading.phase,
            _shown(self._body.get(coil), 1),
            _shown(reading.resistance_ohm, 4),
            _shown(reading.voltage_V, 3),
            _shown(reading.current_A, 3),
            reading.status,
        )


def _shown(value: float | None, digits: int) -> str:
    return "" if value is None else f"{value:.{digits}f}"
