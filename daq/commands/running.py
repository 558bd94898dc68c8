"""A run from the command line, whichever procedure it is: do it, show it, end with its status."""

from __future__ import annotations

import shlex
import sys
from typing import TYPE_CHECKING, Any

from daq.commands.options import command_line, open_console, print_notes, require_writable
from daq.errors import INTERRUPTED
from daq.record.format import REPORT
from daq.streams import complain, one_line, print_json

if TYPE_CHECKING:
    from pathlib import Path

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
    """Show how a run ended, and what to do next; an alarm that stands is said once, and last but for that."""
    from daq.archive.verdict_table import as_object, as_plain, as_table

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
    if told := _how_it_ended(outcome):
        complain(told, bell=True)
    else:
        console.bell()
    for line in (f"run folder: {outcome.folder}", f"open the report: {opening(outcome.folder / REPORT)}"):
        console.print(one_line(line), highlight=False, markup=False, soft_wrap=True)


def _how_it_ended(outcome: Outcome) -> str:
    """Return the one line on a run that did not come to its end, or leaves something unsafe; else nothing."""
    if outcome.error is not None:
        said = str(outcome.error)
        if outcome.alarm:
            return said if outcome.alarm in said else f"{outcome.alarm} {said}"
        return f"{said}; nothing is energised now: all was switched off and read back"
    if outcome.alarm:
        return outcome.alarm
    return "stopped by the operator; what was measured is kept" if outcome.state == "stopped" else ""


def opening(report: Path) -> str:
    """Return what to type to see a report on this system."""
    commands = {"win32": "start", "darwin": "open"}
    return f"{commands.get(sys.platform, 'xdg-open')} {shlex.quote(str(report))}"
