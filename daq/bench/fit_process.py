"""The process that fits what a run has read so far: traces come in on a pipe, answers go out.

The end of the pipe is the end of the run, however it went.
"""

from __future__ import annotations

import os
import pickle

from analysis.trace.known_so_far import known_of

#: Measuring goes before fitting.
NICE = 5


def main() -> None:
    """Fit one trace after another until the pipe ends."""
    if hasattr(os, "nice"):
        os.nice(NICE)
    traces, answers = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library prints is no answer
    while True:
        try:
            trace, accuracy = pickle.load(traces)  # noqa: S301 - from the run's own pipe
        except EOFError:
            return
        pickle.dump(known_of(trace, accuracy), answers)
        answers.flush()


if __name__ == "__main__":
    main()
