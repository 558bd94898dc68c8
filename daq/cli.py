"""The command line: parse, call, print. Each command loads what it needs and no more."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from daq import __version__
from daq.errors import CoilsoakError

if TYPE_CHECKING:
    from rich.console import Console

    from daq.recordformat import Kind
    from daq.results import PaperName
    from daq.run import Outcome

STAGES = ("as received", "after cleaning", "after heat", "before refit")
#: As shells report a program ended by Ctrl-C.
INTERRUPTED = 130

Command = Callable[..., Any]


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="coilsoak")
def cli() -> None:
    """Find the coils that fail only when hot, and write down the evidence.

    Without a rig file every command works on the simulated bench and its invented coils.
    """


def _options(*options: Command) -> Callable[[Command], Command]:
    def add(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return add


_FILE = click.Path(path_type=Path)
_bench_options = _options(
    click.option("--rig", type=_FILE, help="Rig file: what is on the bench.  [default: simulated]"),
    click.option(
        "--set", "coil_set", type=_FILE, help="Coil-set file: what is under test.  [default: invented]"
    ),
    click.option("--seed", type=click.IntRange(0), help="Seed of the simulated bench."),
)
_run_options = _options(
    click.option(
        "--out", type=_FILE, default=Path("runs"), show_default=True, help="Folder for run folders."
    ),
    click.option(
        "--stage", type=click.Choice(STAGES), default=STAGES[0], show_default=True, help="State of the parts."
    ),
    click.option("--job", default="", help="Job number, for the record."),
    click.option("--operator", default="", help="Who runs it, for the record."),
    click.option(
        "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Report paper."
    ),
    click.option("--json", "as_json", is_flag=True, help="Print the judgement as JSON on standard output."),
)


@cli.command()
@_bench_options
@click.option(
    "--heat", type=click.Choice(["oven", "supply", "hand"]), help="How to heat.  [default: the set's]"
)
@_run_options
@click.option("--yes", is_flag=True, help="Skip the cautions' confirmation (simulated bench only).")
def soak(as_json: bool, **asked: Any) -> None:
    """Heat the set step by step, log every coil, judge each, write the report."""
    _run("soak", as_json, asked)


@cli.command()
@_bench_options
@_run_options
def sweep(as_json: bool, **asked: Any) -> None:
    """Read every coil at room temperature and judge it; nothing is energised."""
    _run("sweep", as_json, {"heat": None, "yes": False, **asked})


def _run(kind: Kind, as_json: bool, asked: dict[str, Any]) -> None:
    from daq.run import RunRequest, execute

    with _console(as_json) as console:
        outcome = execute(RunRequest(kind=kind, command=_command_line(), **asked), console)
        _show(console, outcome, as_json)
    if outcome.state == "stopped":
        sys.exit(INTERRUPTED)
    if outcome.error is not None:
        sys.exit(outcome.error.exit_status)


def _show(console: Console, outcome: Outcome, as_json: bool) -> None:
    from daq.results import as_object, as_table

    if as_json:
        click.echo(
            json.dumps(
                as_object(outcome.result, run=str(outcome.folder), state=outcome.state), allow_nan=False
            )
        )
    else:
        console.print(as_table(outcome.result))
        for note in outcome.result.notes:
            console.print(f"note: {note}", highlight=False, markup=False)
    if outcome.error is not None:
        click.echo(f"coilsoak: {outcome.error}", err=True)
    elif outcome.state == "stopped":
        click.echo("coilsoak: stopped by the operator; what was measured is kept", err=True)
    console.print(f"run folder: {outcome.folder}", highlight=False, markup=False, soft_wrap=True)


@cli.command()
@click.argument("path", type=_FILE)
@click.option(
    "--set", "coil_set", type=_FILE, help="Coil-set file with kinds and limits.  [default: the record's own]"
)
@click.option(
    "--report", type=_FILE, metavar="FOLDER", help="Also write report.pdf, curves and result.json there."
)
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Report paper."
)
@click.option("--budget", is_flag=True, help="Also print what makes R20 and joint uncertain (JSON has it).")
@click.option("--json", "as_json", is_flag=True, help="Print the judgement as JSON on standard output.")
def judge(
    path: Path, coil_set: Path | None, report: Path | None, paper: PaperName, budget: bool, as_json: bool
) -> None:
    """Judge a run folder again, or a CSV of temperature and resistance.

    Columns: coil, time_s, probe_degC, resistance_ohm, voltage_V, current_A. Order is free, cells may be
    empty, others are ignored; without time and power the rows are taken as settled points.
    """
    from daq.budgettable import budget_tables
    from daq.judging import judge_path, write_judgement
    from daq.results import as_object, as_table

    with _console(as_json) as console:
        judged = judge_path(path, coil_set)
        if report is not None:
            write_judgement(report, judged, paper)
        if as_json:
            click.echo(
                json.dumps(as_object(judged.result, run=str(path), state=judged.state), allow_nan=False)
            )
            return
        console.print(as_table(judged.result))
        for note in (*judged.problems, *judged.result.notes):
            console.print(f"note: {note}", highlight=False, markup=False)
        if budget:
            console.print(budget_tables(judged.result))


@cli.command()
@_bench_options
@click.option("--json", "as_json", is_flag=True, help="Print the findings as JSON on standard output.")
def check(rig: Path | None, coil_set: Path | None, seed: int | None, as_json: bool) -> None:
    """See whether the bench is what its rig file says; nothing is energised."""
    from daq.check import check_bench, findings_table

    with _console(as_json) as console:
        findings = check_bench(rig, coil_set, seed, console)
        if as_json:
            click.echo(json.dumps({"findings": [finding.as_object() for finding in findings]}))
        else:
            console.print(findings_table(findings))
    if not all(finding.good for finding in findings):
        sys.exit(2)


@cli.command()
@click.option(
    "--out", type=_FILE, default=Path("practice"), show_default=True, help="Folder for the rig file."
)
@click.option("--script", type=_FILE, help="Fault script.  [default: the invented set with five faults]")
@click.option("--seed", type=click.IntRange(0), help="Seed of the simulated bench.")
@click.option(
    "--scale",
    type=click.FloatRange(0.1, 3600),
    default=60.0,
    show_default=True,
    help="Time runs this much faster.",
)
def practice(out: Path, script: Path | None, seed: int | None, scale: float) -> None:
    """Serve the simulated bench on loopback TCP and pseudo-serial ports until Ctrl-C.

    Writes the rig file that reaches it: try commands, rigs and bad days on it, with nothing hot.
    """
    from daq.practice import serve_practice

    with _console(False) as console:
        serve_practice(out, script, seed, scale, console)


def _command_line() -> str:
    return " ".join(["coilsoak", *sys.argv[1:]])


@contextmanager
def _console(as_json: bool) -> Iterator[Console]:
    """Give a console (standard error under --json), and turn errors into one line and an exit status."""
    from rich.console import Console

    from daq.signals import stoppable

    try:
        with stoppable():
            yield Console(stderr=as_json)
    except CoilsoakError as exc:
        click.echo(f"coilsoak: {exc}", err=True)
        sys.exit(exc.exit_status)
    except KeyboardInterrupt:
        click.echo("coilsoak: stopped", err=True)
        sys.exit(INTERRUPTED)


def main() -> None:
    """Run the command line."""
    cli(prog_name="coilsoak")
