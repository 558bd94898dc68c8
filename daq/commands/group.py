"""All commands under one name; one is loaded when it is called."""

from __future__ import annotations

from importlib import import_module
from keyword import iskeyword
from typing import cast

import click

from daq import __version__
from daq.commands import COMMANDS, OVERVIEW
from daq.errors import INTERRUPTED
from daq.streams import complain


class _Commands(click.Group):
    """Loads a command when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - the signature is click's
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - click's
        if cmd_name not in COMMANDS:
            return None
        name = f"{cmd_name}_" if iskeyword(cmd_name) else cmd_name
        return cast("click.Command", getattr(import_module(f"daq.commands.{name}"), name))

    def get_help(self, ctx: click.Context) -> str:  # noqa: ARG002 - click's
        return OVERVIEW.rstrip("\n")


@click.group(
    cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
@click.version_option(__version__, prog_name="coilsoak")
def cli() -> None:
    """Hold the commands; what is said of them all is :data:`daq.commands.OVERVIEW`."""


def run() -> int:
    """Run the command that the command line names, and return its exit status."""
    try:
        return int(cli.main(prog_name="coilsoak", standalone_mode=False) or 0)
    except click.UsageError as exc:
        where = exc.ctx.command_path if exc.ctx else "coilsoak"
        complain(f"{exc.format_message()} See '{where} --help'.")
        return exc.exit_code
    except click.Abort:
        return INTERRUPTED
