"""What holds for all tests."""

from __future__ import annotations

import os
import signal

from hypothesis import settings

# As the program has it: numpy is not loaded yet.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

#: A busy machine is no fault of the code: no example is failed for the time it took.
settings.register_profile("patient", deadline=None)
settings.load_profile("patient")


def pytest_configure() -> None:
    """Take the stop signals as a terminal gives them: a shell's background job has them ignored.

    Programs started by tests inherit that, and would not hear Ctrl-C.
    """
    for number, usual in (
        (signal.SIGINT, signal.default_int_handler),
        (signal.SIGQUIT, signal.SIG_DFL),
        (signal.SIGHUP, signal.SIG_DFL),
    ):
        if signal.getsignal(number) is signal.SIG_IGN:
            signal.signal(number, usual)
