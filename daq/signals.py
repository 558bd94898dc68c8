"""Ctrl-C, SIGTERM and SIGHUP as one ordinary way to stop, held back while the bench is made safe."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

_STOPS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


@contextmanager
def stoppable() -> Iterator[None]:
    """Let SIGTERM and SIGHUP (a closed terminal) end the block as Ctrl-C does: KeyboardInterrupt."""

    def stop(signum: int, _frame: FrameType | None) -> None:
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
        raise KeyboardInterrupt(signal.Signals(arrived[0]).name)


@contextmanager
def _handlers(handler: Any) -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread receives signals
        return
    before = {signum: signal.signal(signum, handler) for signum in _STOPS}
    try:
        yield
    finally:
        for signum, old in before.items():
            signal.signal(signum, old)
