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
    clock = clock or RealClock()
    stopped_s: float | None = None

    def stop(signum: int, _frame: FrameType | None) -> None:
        nonlocal stopped_s
        now_s = clock.monotonic()
        if stopped_s is not None and now_s - stopped_s < PATIENCE_S:
            return
        stopped_s = now_s
        raise KeyboardInterrupt(signal.Signals(signum).name)

    with _handlers(stop):
        yield


@contextmanager
def shielded() -> Iterator[None]:
    """Hold stop signals back until the block is done, then deliver the first of them."""
    arrived: list[int] = []

    def note(signum: int, _frame: FrameType | None) -> None:
        arrived.append(signum)

    with _handlers(note):
        yield
    if arrived:
        before = signal.getsignal(arrived[0])
        if callable(before):
            before(arrived[0], None)
        else:
            raise KeyboardInterrupt(signal.Signals(arrived[0]).name)


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
