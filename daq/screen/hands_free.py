"""What a person with the leads in hand sees, hears and presses: the next coil large, a bell, single keys."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from pyfiglet import Figlet
from rich.console import Console, RenderableType
from rich.live import Live
from rich.text import Text

from daq.clock import RealClock
from daq.procedures.sweep.leads import Shown
from daq.screen.keyboard import Keys, has_keyboard, terminal_keys
from daq.screen.live import RunScreen
from daq.streams import one_line
from daq.tables import shown

KEYS = """\
Space or foot switch: read again   b: back   s: skip   Ctrl-C: end
o: it is open, the leads are on it   1-{last}: the leads are on that coil"""
#: Closer together a terminal rings once for all.
BELL_GAP_S = 0.25
#: Columns that one coil takes in the list, and lines that all but the coils take.
_LINE, _OTHER_LINES = 40, 19


class HandScreen(RunScreen):
    """The desk of a sweep without questions; without a terminal plain lines say the same to nobody."""

    def __init__(self, console: Console, coils: Sequence[str], note: str) -> None:
        super().__init__(console, coils, note, asks=True)
        self._keys: Keys | None = None
        self._large = " "
        self._what = ""
        self._urgent = False
        self._value = ""
        self._results: dict[str, Shown] = {}
        self._events: list[str] = []
        self._ink = "█" if console.encoding.lower().startswith("utf") else "#"

    @contextmanager
    def attended(self) -> Iterator[None]:
        """Take screen and keys for the block, questions that need Enter being over; leave what happened."""
        if not self._console.is_terminal or not has_keyboard():
            yield
            return
        self._live = Live(
            console=self._console, get_renderable=self._render, refresh_per_second=8, transient=True
        )
        try:
            with terminal_keys() as self._keys, self._live:
                yield
        finally:
            self._live = self._keys = None
            for line in self._events:
                self._print(shown(line))

    def due(self, coil: str, what: str, *, urgent: bool = False, value: str = "") -> None:
        """Show *coil* large, the *value* it has just read beside it, and *what* is to be done."""
        self._large, self._what, self._urgent, self._value = coil, what, urgent, value
        if self._live is None:
            self._print(shown(f"{coil}: {what}"))

    def result(self, coil: str, read: Shown | None) -> None:
        """Show what *coil* read, or that it has no reading any more."""
        self._results.pop(coil, None)
        if read is not None:
            self._results[coil] = read

    def ring(self, times: int) -> None:
        """Ring the terminal's bell so often that it can be counted."""
        for left in reversed(range(times if self._live is not None else 0)):
            self._console.bell()
            if left:
                RealClock().sleep(BELL_GAP_S)

    def key(self) -> str:
        """Return the next key pressed since last asked, '' for none; never waits."""
        return "" if self._keys is None else self._keys.pressed()

    def event(self, kind: str, text: str, coil: str) -> None:
        """Keep what happened for the end: above the large label it would push that about."""
        if self._live is None:
            super().event(kind, text, coil)
        else:
            self._events.append(f"{coil + ': ' if coil else ''}{text}")

    def _render(self) -> RenderableType:
        width, height = self._console.size
        style, mark = ("bold reverse", "!") if self._urgent else ("bold", ">")
        parts = [
            Text(f"{len(self._results)} of {len(self._coils)} coils read", style="dim"),
            Text(self._drawn(width), style=style),
            Text(one_line(f"{mark} {self._large}: {self._what}"), style=style),
            self._list(width, height),
            Text(KEYS.format(last=min(len(self._coils), 9)), style="dim"),
            *([Text(self.standing_alarm, style="bold reverse")] if self._alarms else []),
        ]
        return Text("\n\n").join(parts)

    def _drawn(self, width: int) -> str:
        """Return the label so large that it is read from afar, with its value where there is room."""
        letters = Figlet(font="banner3", width=10_000)
        label = one_line(self._large)
        for text in (f"{label}  {self._value}", label):
            drawn = str(letters.renderText(text.strip())).rstrip().replace("#", self._ink)
            fits = max(map(len, drawn.splitlines()), default=0) <= width
            if fits and all(ord(sign) in letters.Font.chars for sign in text):
                return drawn
        return label

    def _list(self, width: int, height: int) -> Text:
        """Return the coils with what they read, as many as there are lines for: those around the due one."""
        columns = 2 if width >= 2 * _LINE else 1
        room = max(height - _OTHER_LINES, 1)
        lines = min(room, -(-len(self._coils) // columns))
        at = self._coils.index(self._large) if self._large in self._coils else 0
        first = min(max(at - columns * lines // 2, 0), max(len(self._coils) - columns * lines, 0))
        heading = f"{'coil':<12}{'ohm':>8}{'at 20 degC':>11}"
        rows = [Text((heading.ljust(_LINE)) * columns, style="dim")]
        for line in range(first, first + lines):
            places = [line + lines * column for column in range(columns)]
            rows.append(Text.assemble(*(self._line(place) for place in places if place < len(self._coils))))
        return Text("\n").join(rows)

    def _line(self, place: int) -> Text:
        coil = self._coils[place]
        read = self._results.get(coil)
        text = f"{place + 1:>2} {one_line(coil):<9.9}"
        if read is not None:
            text += f"{read.ohm:>8} {read.r20:>10} {'good' if read.good else '? look'}"
        return Text(text.ljust(_LINE), style="bold" if coil == self._large else "")
