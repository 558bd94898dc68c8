"""A run from the command line, whichever procedure it is: do it, show it, end with its status."""

from __future__ import annotations

import sys
from typing import IO, TYPE_CHECKING, Any, TextIO, cast

from daq.commands.options import command_line, open_console, print_notes, require_writable
from daq.errors import INTERRUPTED
from daq.streams import Alarmed, complain, one_line, print_json

if TYPE_CHECKING:
    from rich.console import Console

    from daq.record.format import Kind
    from daq.run.execute import Outcome


def do_run(kind: Kind, as_json: bool, asked: dict[str, Any]) -> None:
    """Do the run of *kind* that was *asked* for, and leave with its exit status."""
    from daq.run.execute import RunRequest, execute

    with open_console(as_json) as screen:
        require_writable(asked["out"])
        outcome = execute(RunRequest(kind=kind, command=command_line(), **asked), screen)
        show(screen, outcome, as_json)
    if outcome.state == "stopped":
        sys.exit(INTERRUPTED)
    if outcome.error is not None:
        sys.exit(outcome.error.exit_status)


def show(console: Console, outcome: Outcome, as_json: bool) -> None:
    """Show how a run ended; an alarm that stands goes before every line."""
    from rich.console import Console

    from daq.archive.verdict_table import as_object, as_plain, as_table

    if outcome.alarm:
        stream = Alarmed(cast("TextIO", console.file), outcome.alarm)
        console = Console(file=cast("IO[str]", stream), width=console.width, emoji=False)
    if as_json:
        alarm = (outcome.alarm,) if outcome.alarm else ()
        print_json(as_object(outcome.result, run=str(outcome.folder), state=outcome.state, problems=alarm))
    else:
        console.print(as_plain(outcome.result))
        console.print(as_table(outcome.result))
        print_notes(console, outcome.result.notes)
        if console.is_terminal:  # a word, and no question that holds anybody up
            console.print(
                "plunger, debris, contact, washed? coilsoak observe RUN --coil LABEL ...", highlight=False
            )
    if outcome.error is not None:
        said = str(outcome.error)
        complain(said if outcome.alarm in said else f"{outcome.alarm} {said}")
    elif outcome.state == "stopped":
        complain("stopped by the operator; what was measured is kept")
    console.print(
        f"run folder: {one_line(str(outcome.folder))}", highlight=False, markup=False, soft_wrap=True
    )
