"""Fits done beside the measuring loop, which never waits for one: it asks, reads on, and hears later."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from analysis.model import Accuracy, Trace
from daq.clock import Clock

if (
    TYPE_CHECKING
):  # loaded where a fit is done: a check and the companion need none, and it takes half a second
    from analysis.trace.known_so_far import Known

#: What a fit takes in virtual time, about as long as in life: always the same, so that a run is too.
TAKES_S = 0.5


class FitRequest(Protocol):
    """A fit that was asked for."""

    def answer(self) -> Known | None:
        """Return what is known by it, or None while it is still being done; never waits."""
        ...


class Fits(Protocol):
    """Who does the fits."""

    def ask(self, trace: Trace, accuracy: Accuracy) -> FitRequest:
        """Begin a fit of *trace*; returns at once."""
        ...

    def close(self) -> None:
        """Give up what is still being done; a second call does nothing."""
        ...


class VirtualFits:
    """Fits in virtual time, which stands still meanwhile; an answer is held back for as long as one takes."""

    def __init__(self, clock: Clock | None = None) -> None:
        self._clock = clock

    def ask(self, trace: Trace, accuracy: Accuracy) -> FitRequest:
        """Do the fit; without a clock its answer may be taken at once."""
        from analysis.trace.known_so_far import known_of

        return _Held(known_of(trace, accuracy), self._clock)

    def close(self) -> None:
        """Have nothing to give up."""


class _Held:
    def __init__(self, known: Known, clock: Clock | None) -> None:
        self._known = known
        self._clock = clock
        self._due_s = 0.0 if clock is None else clock.monotonic() + TAKES_S

    def answer(self) -> Known | None:
        late = self._clock is None or self._clock.monotonic() >= self._due_s
        return self._known if late else None


class FitsBeside:
    """Fits in a process of their own: beside one in a thread each exchange would take ten times as long.

    One at a time, in the order asked for. A process that dies is started anew for the next fit; the one that
    it died of has no answer but that nothing is known.
    """

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="fits")
        self._closed = False

    def ask(self, trace: Trace, accuracy: Accuracy) -> FitRequest:
        """Hand the fit over; the thread that does so only waits for pipes."""
        return _Beside(self._thread.submit(self._fit, trace, accuracy))

    def close(self) -> None:
        """End the process, whatever it is at."""
        self._closed = True
        if self._process is not None:
            self._process.kill()
        self._thread.shutdown(cancel_futures=True)
        self._let_go()

    def _fit(self, trace: Trace, accuracy: Accuracy) -> Known:
        from analysis.trace.known_so_far import NOTHING, Known

        try:
            process = self._process or self._start()
            assert process.stdin is not None
            assert process.stdout is not None
            pickle.dump((trace, accuracy), process.stdin)
            process.stdin.flush()
            known = pickle.load(process.stdout)  # noqa: S301 - from our own child's pipe
        except (OSError, EOFError, pickle.UnpicklingError):
            self._let_go()
            return NOTHING
        assert isinstance(known, Known)
        return known

    def _start(self) -> subprocess.Popen[bytes]:
        if self._closed:
            raise EOFError("closed")
        paths = [path or str(Path.cwd()) for path in sys.path]
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "daq.bench.fit_process"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            # A session of its own: Ctrl-C and a closed terminal are for the run, which ends it.
            start_new_session=True,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(dict.fromkeys(paths))},
        )
        return self._process

    def _let_go(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        assert process.stdout is not None
        process.stdout.close()
        try:
            process.communicate()
        except ValueError:
            process.wait()


class _Beside:
    def __init__(self, future: Future[Known]) -> None:
        self._future = future

    def answer(self) -> Known | None:
        return self._future.result() if self._future.done() else None
