"""The command line: find the command, say what is wrong in one line, leave with a status.

Asking for help is answered before anything is loaded.
"""

from __future__ import annotations

import sys

from daq.errors import INTERRUPTED, InputError
from daq.terminal import complain, let_go, prepare_streams

#: Each command is the function of its own name in the module of its own name. Its line of help stands here,
#: at most 64 letters, so that `--help` need not load them all.
COMMANDS = {
    "soak": "heat the set step by step, judge each coil, write the report",
    "sweep": "read and judge every coil at room temperature, no power",
    "check": "is the bench what its rig file says; no power",
    "judge": "judge a run folder again, or a table from elsewhere",
    "log": "find runs by job, serial, coil, kind, verdict, stage or day",
    "observe": "note what no meter sees of a coil: plunger, debris, washed",
    "compare": "what changed of the same coils from run to run",
    "curves": "write curves and figures for others: pictures, CSV, spreadsheet",
    "claim": "make one PDF of runs, to send with a claim",
    "verify": "is a claim what was signed, and what its readings say",
    "key": "make a key to sign claims with",
    "practice": "serve the simulated bench to practise on, until Ctrl-C",
}

OVERVIEW = """\
Usage: coilsoak COMMAND [OPTIONS] [ARGS]...

  Find the coils that fail only when hot, and write down the evidence.

  Without a rig file every command works on the simulated bench and its
  invented coils. 'coilsoak COMMAND --help' tells the rest.

Options:
  --version   Show the version and exit.
  -h, --help  Show this message and exit.

Commands:
""" + "".join(f"  {name:<12}{line}\n" for name, line in COMMANDS.items())


def main() -> None:
    """Run the command line."""
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
