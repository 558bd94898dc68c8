"""The command line: find the command, say what is wrong in one line, leave with a status.

Asking for help is answered before anything is loaded.
"""

from __future__ import annotations

import os
import sys

from daq.commands import OVERVIEW
from daq.errors import INTERRUPTED, InputError
from daq.streams import complain, let_go, prepare_streams


def main() -> None:
    """Run the command line."""
    # Matrices here are small: spread over two threads each product waits for the other, and on a busy machine
    # a fit takes seven times as long. The linear algebra library reads it when numpy is loaded, later on.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    prepare_streams()
    try:
        status = _run()
    except KeyboardInterrupt:
        status = INTERRUPTED
    except BrokenPipeError:  # of --help or --version
        let_go(sys.stdout)
        status = 0
    except OSError as exc:
        let_go(sys.stdout)
        complain(f"the system refused: {exc}")
        status = InputError.exit_status
    sys.exit(status)


def _run() -> int:
    if sys.argv[1:] in ([], ["-h"], ["--help"]):
        sys.stdout.write(OVERVIEW)
        sys.stdout.flush()
        return 0 if sys.argv[1:] else InputError.exit_status
    from daq.commands.group import run

    return run()
