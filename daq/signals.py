"""Ctrl-C, SIGTERM, SIGQUIT and SIGHUP as one ordinary way to stop, held back while the bench is made safe."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

from daq.clock import Clock, RealClock

_STOPS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT") if hasattr(signal, name)
)
#: A stop is being carried out: the record is closed and the report drawn. Another Ctrl-C within this
#: time is impatience and would only cost the record; after it, something hangs and the signal counts.
PATIENCE_S = 10.0


@contextmanager
def stoppable(clock: Clock | None = None) -> Iterator[None]:
    """Let SIGTERM, SIGQUIT and SIGHUP (a closed terminal) end the block as Ctrl-C does: KeyboardInterrupt.

    Further signals within PATIENCE_S of the first do nothing.
    """
    with _handlers(_Stop(clock or RealClock())):
        yield


@contextmanager
def shielded() -> Iterator[None]:
    """Hold stop signals back until the block is done, then deliver the first of them."""
    shield = _Shield()
    with _handlers(shield):
        yield
    if shield.arrived:
        signum = shield.arrived[0]
        before = signal.getsignal(signum)
        if callable(before):
            before(signum, None)
        else:
            raise KeyboardInterrupt(signal.Signals(signum).name)


class _Stop:
    """Turns a signal into KeyboardInterrupt, but for those that are impatience."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._stopped_s: float | None = None

    def counts(self) -> bool:
        """Whether a signal that comes now is heard."""
        return self._stopped_s is None or self._clock.monotonic() - self._stopped_s >= PATIENCE_S

    def __call__(self, signum: int, _frame: FrameType | None) -> None:
        if self.counts():
            self._stopped_s = self._clock.monotonic()
            raise KeyboardInterrupt(signal.Signals(signum).name)


class _Shield:
    """Keeps signals for later; what is impatience when it comes is none the less so when the shield falls."""

    def __init__(self) -> None:
        listening = [signal.getsignal(signum) for signum in _STOPS]
        self._outer = next((each for each in listening if isinstance(each, _Stop | _Shield)), None)
        self.arrived: list[int] = []

    def counts(self) -> bool:
        """Whether a signal that comes now is heard, sooner or later."""
        return self._outer is None or self._outer.counts()

    def __call__(self, signum: int, _frame: FrameType | None) -> None:
        if self.counts():
            self.arrived.append(signum)


@contextmanager
def _handlers(handler: Any) -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread receives signals
        return
    # Whoever started the program with a signal ignored (nohup, a job in the background) meant it.
    heard = [signum for signum in _STOPS if signal.getsignal(signum) != signal.SIG_IGN]
    before = {signum: signal.signal(signum, handler) for signum in heard}
    try:
        yield
    finally:
        for signum, old in before.items():
            signal.signal(signum, old)
