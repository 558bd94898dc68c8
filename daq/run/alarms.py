"""What the operator must not miss, and how a run makes sure of its bench before it ends."""

from __future__ import annotations

from contextlib import suppress
from types import TracebackType
from typing import Self

from analysis.words import say
from daq.bench.guard.guard import OUTPUT_UNKNOWN, Guard
from daq.bench.guard.oven_guard import OVEN_HOT, OVEN_ON
from daq.bench.guard.vigil import Vigil
from daq.errors import BenchError, OutputUnknownError, RecordError
from daq.record.format import RowSink
from daq.screen.live import RunScreen
from daq.signals import shielded

UNSAFE = (OUTPUT_UNKNOWN, OVEN_ON, OVEN_HOT)


class Alarms:
    """Takes what the operator must not miss to the screen and into the record.

    As a context it also begins the error of a record that fails with it: that is a further line.
    """

    def __init__(self, screen: RunScreen) -> None:
        self._screen = screen
        self.record: RowSink | None = None

    def __call__(self, text: str) -> None:
        """Show an alarm, sound it and keep it."""
        self._screen.alarm(text)
        self._keep("alarm", text)

    def clear(self, text: str) -> None:
        """Let go of the alarm whose cause is proved to be over."""
        self._screen.clear(text)
        self._keep("alarm", say("event.alarm-over", alarm=text))

    def tell(self, text: str) -> None:
        """Show and keep what the oven does."""
        self.event("oven", text)

    def event(self, kind: str, text: str, coil: str = "") -> None:
        """Show and keep what happened."""
        self._screen.event(kind, text, coil)
        self._keep(kind, text)

    def cry(self, text: str) -> None:
        """Say it once more, aloud."""
        self._screen.cry(text)

    def _keep(self, kind: str, text: str) -> None:
        if self.record is not None:
            # Full or closed already: that must not stand in for the alarm's own error.
            with suppress(RecordError):
                self.record.event(kind, text)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        standing = self._screen.standing_alarm
        if isinstance(error, RecordError) and any(each in standing for each in UNSAFE):
            raise RecordError(f"{standing} {error}") from error


class Notices:
    """Takes what happens on the wires to the screen and into the record, once there is one."""

    def __init__(self, screen: RunScreen) -> None:
        self._screen = screen
        self._record: RowSink | None = None
        self._early: list[tuple[str, str]] = []

    def __call__(self, kind: str, text: str) -> None:
        """Show and keep what happened on a wire."""
        self._screen.event(kind, text, "")
        if self._record is None:
            self._early.append((kind, text))
            return
        # Closed already: the bench is given back after it.
        with suppress(RecordError):
            self._record.event(kind, text)

    def record_in(self, record: RowSink) -> None:
        """Keep in *record* what happened so far and from now on."""
        self._record = record
        for kind, text in self._early:
            record.event(kind, text)


def make_sure(guard: Guard, vigil: Vigil) -> None:
    """Switch off what may be on, and stay until that is proved.

    Raises:
        OutputUnknownError: It is not, and somebody told the program to go; the alarm stands.
    """
    trouble: BenchError | None = None
    # A stop signal that waited behind the shield of the last word must not end the watch before it began.
    with shielded():
        try:
            try:
                guard.leave_safe()
            except BenchError as exc:
                trouble = exc
            proved = vigil.keep()
        except BaseException:
            if not guard.proved:
                guard.give_up()  # whatever it was: the alarm stands
            raise
        if not proved:
            raise OutputUnknownError("; ".join(guard.standing)) from trouble
        if trouble is not None:
            raise trouble
