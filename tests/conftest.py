"""What holds for all tests."""

from __future__ import annotations

import signal


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
