"""The commands, one a module of its own name; each loads what it needs when it is called."""

from __future__ import annotations

#: Each command is the function of its own name in the module of its own name. Its line of help stands here,
#: at most 64 letters, so that `--help` need not load them all.
COMMANDS = {
    "soak": "heat the set step by step, judge each coil, write the report",
    "sweep": "read and judge every coil at room temperature, no power",
    "find": "what instruments are here, who they are, how they speak",
    "try": "one instrument at a prompt: ask it, see what it answers",
    "setup": "ask what is on the bench, and write its files",
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
