"""What is found, as a person sees it: the places looked at, progress while that lasts, and a table."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.console import Console, RenderableType
from rich.progress import BarColumn, Progress, TextColumn

from daq.links.discover import BROADCAST_S, Place, bus_places, network_places, serial_ports
from daq.setup.meet.find import Found, search
from daq.setup.meet.find import Progress as Searched
from daq.setup.meet.trial import known_dialects
from daq.tables import open_table, shown


def here(addresses: Sequence[str], *, lan: bool, seconds: float, console: Console) -> list[Place]:
    """Return the places to look at: *addresses* if given, else all of this machine; its networks if *lan*.

    Raises:
        InputError: What looks on a network is not installed.
    """
    places = [Place(address, "given") for address in addresses]
    if not addresses:
        places += [*serial_ports(), *bus_places()]
    if lan:
        console.print(
            f"asking this machine's networks, {seconds + BROADCAST_S:.0f} s", highlight=False, style="dim"
        )
        places += network_places(seconds)
    return places


def searching(places: Sequence[Place], console: Console, folder: Path | None = None) -> list[Found]:
    """Look at *places* and show how far that is; dialect files in *folder* are tried too."""
    dialects = known_dialects(folder)
    columns = (
        TextColumn("looking"),
        BarColumn(),
        TextColumn("{task.completed:.0f} of {task.total:.0f} tries"),
        TextColumn("at most {task.fields[left_s]:.0f} s more"),
    )
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("", total=1, left_s=0.0)

        def show(how_far: Searched) -> None:
            bar.update(task, completed=how_far.done, total=max(how_far.of, 1), left_s=how_far.left_s)

        return search(places, dialects, show)


def found_table(found: Sequence[Found], *, numbered: bool = False) -> RenderableType:
    """Return what was *found* as a table, or a sentence where there is nothing."""
    if not found:
        return shown(
            "no serial port, USB or GPIB instrument here; on the network: coilsoak find --lan, "
            "or coilsoak find ADDRESS"
        )
    table = open_table(ruled=True)
    if numbered:
        table.add_column("", no_wrap=True)
    for heading in ("address", "who", "what it can be"):
        table.add_column(heading, overflow="fold")
    for number, each in enumerate(found, start=1):
        where = "\n".join(part for part in (each.address, each.line or each.place.what) if part)
        cells = [_lines(where), shown(each.who), shown(each.verdict())]
        table.add_row(*([shown(str(number))] if numbered else []), *cells)
    return table


def _lines(text: str) -> RenderableType:
    from rich.console import Group

    return Group(*(shown(line) for line in text.split("\n")))
