"""The command line: find the command, say what is wrong in one line, leave with a status."""

from __future__ import annotations

import sys
from importlib import import_module
from typing import cast

import click

from daq import __version__
from daq.commands.shared import INTERRUPTED
from daq.errors import InputError
from daq.terminal import complain, let_go, prepare_streams

#: In the order of their help: each the function of its own name in the module of its own name.
COMMANDS = (
    "soak",
    "sweep",
    "check",
    "judge",
    "claim",
    "practice",
)


class _Commands(click.Group):
    """Loads a command when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - the signature is click's
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - click's too
        if cmd_name not in COMMANDS:
            return None
        return cast("click.Command", getattr(import_module(f"daq.commands.{cmd_name}"), cmd_name))


@click.group(
    cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
@click.version_option(__version__, prog_name="coilsoak")
def cli() -> None:
    """Find the coils that fail only when hot, and write down the evidence.

    Without a rig file every command works on the simulated bench and its invented coils.
    """


def main() -> None:
    """Run the command line."""
    prepare_streams()
    try:
        status = cli.main(prog_name="coilsoak", standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as exc:
        exc.show()
        status = exc.exit_code
    except click.UsageError as exc:
        where = exc.ctx.command_path if exc.ctx else "coilsoak"
        complain(f"{exc.format_message()} See '{where} --help'.")
        status = exc.exit_code
    except (click.Abort, KeyboardInterrupt):
        status = INTERRUPTED
    except BrokenPipeError:  # of --help or --version
        let_go(sys.stdout)
        status = 0
    except OSError as exc:
        let_go(sys.stdout)
        complain(f"the system refused: {exc}")
        status = InputError.exit_status
    sys.exit(status)
