"""Ctrl-C, SIGTERM, SIGQUIT and SIGHUP as one ordinary way to stop, held back while the bench is made safe."""

from __future__ import annotations

import math
import signal
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from types import FrameType
from typing import Any, Self

from daq.clock import Clock, RealClock

_STOPS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT") if hasattr(signal, name)
)
#: A stop is being carried out: the record is closed and the report drawn. Another Ctrl-C within this
#: time is impatience and would only cost the record; after it, something hangs and the signal counts.
PATIENCE_S = 10.0
#: Somebody who is asked thinks for a second at least, and for a minute at most.
THOUGHT_S, ASKED_S = 1.0, 60.0


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


class Leave:
    """Hears stop signals while something is not known to be safe: one asks, another after a thought means it.

    *asked*: somebody wants the program to end, and has to be told what that leaves behind. *told*: they know.
    """

    def __init__(self, clock: Clock | None = None) -> None:
        self._clock = clock or RealClock()
        self._asked_s: float | None = None
        self.asked = self.told = False

    def __enter__(self) -> Self:
        self._stack = ExitStack()
        self._stack.enter_context(_handlers(self))
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def __call__(self, _signum: int, _frame: FrameType | None) -> None:
        """Take a signal."""
        now_s = self._clock.monotonic()
        since_s = math.inf if self._asked_s is None else now_s - self._asked_s
        if since_s < THOUGHT_S:
            return  # a key held down
        self.told = self.told or since_s <= ASKED_S
        self._asked_s, self.asked = now_s, True


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
