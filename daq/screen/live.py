"""What the operator sees during a run: a live table in a terminal, plain lines elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from types import TracebackType
from typing import Self

from rich import box
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from daq.record.format import AGAIN, INSULATION
from daq.record.writer import Reading
from daq.streams import one_line
from daq.tables import shown

#: Plain output says how far it is each time this share of the run has passed.
PLAIN_STEP = 0.1
#: Lines of a terminal that the live table leaves to its head, to the bar, to words and to events above it.
OTHER_LINES = 11


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
        self._table = console.is_terminal and not console.is_dumb_terminal and not asks
        self._note = note
        self._latest: dict[str, Reading] = {}
        self._body: dict[str, float] = {}
        self._coils = list(coils)
        self._stage = "starting"
        self._coil = ""
        self._newest = ""
        self._done = 0.0
        self._left_s: float | None = None
        self._coil_left_s: float | None = None
        self._alarms: list[str] = []
        self._cried = ""
        self._said = -1
        self._live: Live | None = None

    def __enter__(self) -> Self:
        self._print(shown(self._note))
        if self._table:
            # The table goes when the run ends: the verdicts take its place.
            self._live = Live(
                console=self._console, get_renderable=self._render, refresh_per_second=5, transient=True
            )
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None
        if kind is not None and issubclass(kind, KeyboardInterrupt):
            self._print(Text("stopped: the bench is safe, closing the record"))

    @property
    def standing_alarm(self) -> str:
        """What has to be said on every further line, or ''."""
        return "; ".join(self._alarms)

    def say(self, text: str) -> None:
        """Show a line about the program's own doings."""
        self._print(Text(text, style="dim"))

    def alarm(self, text: str) -> None:
        """Show *text* now and on every further line of the run, and sound the bell when it is new."""
        line = one_line(text)
        if line not in self._alarms:
            self._alarms.append(line)
            self._console.bell()
        self._print(Text(self.standing_alarm, style="bold reverse"))

    def clear(self, text: str) -> None:
        """End the alarm *text*, which was proved to be over."""
        line = one_line(text)
        if line in self._alarms:
            self._alarms.remove(line)
        self._cried = ""
        self._print(Text(f"proved to be over: {line}", style="bold"))

    def cry(self, text: str) -> None:
        """Sound the bell, and show *text* beside the alarm that stands: in its place in a live table."""
        self._console.bell()
        self._cried = one_line(text)
        if self._live is None:
            self._print(Text(self._cried))

    def row(self, reading: Reading) -> None:
        """Take the newest reading of a coil."""
        if reading.source in {"switching", INSULATION, AGAIN}:
            return  # many a second, and of another kind: neither is how the winding stands
        self._latest[reading.coil] = reading
        self._newest = reading.coil
        if reading.probe_degC is not None:
            self._body[reading.coil] = reading.probe_degC

    def event(self, kind: str, text: str, coil: str) -> None:  # noqa: ARG002 - kinds are for the record
        """Show what happened."""
        self._print(shown(f"{coil + ': ' if coil else ''}{text}"))

    def progress(
        self,
        stage: str,
        done: float,
        left_s: float | None,
        coil: str = "",
        coil_left_s: float | None = None,
    ) -> None:
        """Show where the run stands."""
        self._stage, self._done, self._left_s = stage, done, left_s
        self._coil, self._coil_left_s = coil, coil_left_s
        tenth = int(done / PLAIN_STEP)
        if self._live is None and tenth != self._said:
            self._said = tenth
            self._print(Text(f"{100 * self._done:3.0f} % {self._where()}"))

    def _where(self) -> str:
        where = f"{self._coil}: {self._stage}" if self._coil else self._stage
        left = "" if self._left_s is None else f", {duration(self._left_s)} left for the run"
        if self._coil and self._coil_left_s is not None:
            left = f", {duration(self._coil_left_s)} left for {self._coil}{left}"
        return one_line(where) + left

    def _print(self, text: Text) -> None:
        alarm = self.standing_alarm
        if alarm and text.plain != alarm:
            text = Text.assemble((alarm + " ", "bold reverse"), text)
        # Lines that are kept in a file are not broken; in a terminal words are.
        self._console.print(text, highlight=False, soft_wrap=not self._console.is_terminal)

    def _render(self) -> RenderableType:
        table = Table(box=box.SIMPLE_HEAD, expand=False, pad_edge=False, header_style="bold")
        table.add_column("coil", max_width=12, no_wrap=True)
        table.add_column("phase", min_width=7, no_wrap=True)
        # Columns of one width from start to end: a table that breathes is hard to read.
        for heading, width in (("body degC", 9), ("ohm", 8), ("V", 6), ("A", 6)):
            table.add_column(heading, justify="right", min_width=width, no_wrap=True)
        table.add_column("reading", min_width=18, no_wrap=True)
        coils = self._in_view()
        for coil in coils:
            table.add_row(*map(shown, self._cells(coil)))
        parts: list[RenderableType] = [table]
        if len(coils) < len(self._coils):
            parts.append(
                Text(f"({len(self._coils) - len(coils)} more coils; the terminal is too low for all)")
            )
        bar = Table.grid(padding=(0, 1))
        bar.add_row(
            ProgressBar(total=1.0, completed=self._done, width=40, complete_style="bold", style="dim"),
            Text(f"{100 * self._done:.0f} %"),
        )
        parts += [bar, Text(self._where())]
        if self._alarms:
            parts.append(Text(f"{self.standing_alarm} {self._cried}".rstrip(), style="bold reverse"))
        return Group(*parts)

    def _in_view(self) -> list[str]:
        """Return the coils that the terminal has lines for: the one just read with its neighbours."""
        room = max(self._console.size.height - OTHER_LINES, 1)
        at = self._coils.index(self._newest) if self._newest in self._coils else 0
        first = min(max(at - room // 2, 0), max(len(self._coils) - room, 0))
        return self._coils[first : first + room]

    def _cells(self, coil: str) -> tuple[str, ...]:
        reading = self._latest.get(coil)
        if reading is None:
            return (coil, "waiting", "", "", "", "", "")
        return (
            coil,
            reading.phase,
            _number(self._body.get(coil), 1),
            _number(reading.resistance_ohm, 4),
            _number(reading.voltage_V, 3),
            _number(reading.current_A, 3),
            reading.status.removeprefix("missing: "),
        )


def _number(value: float | None, digits: int) -> str:
    return "" if value is None else f"{value:.{digits}f}"
