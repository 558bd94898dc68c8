"""`coilsoak curves`."""

from __future__ import annotations

from pathlib import Path

import click

from daq.commands.options import FILE, language_option, open_console, print_notes


@click.command()
@click.argument("run", type=FILE)
@click.option("--out", type=FILE, metavar="FOLDER", help="The folder to write.  [default: curves-RUN here]")
@click.option(
    "--format",
    "formats",
    default="png,svg,csv,json,xlsx",
    show_default=True,
    metavar="LIST",
    help="Which kinds of files.",
)
@click.option("--coil", "coils", multiple=True, metavar="LABEL", help="Only this coil; again for more.")
@click.option(
    "--decimal-comma", is_flag=True, help="CSV for spreadsheets that write 3,3: cells parted by semicolons."
)
@language_option
def curves(
    run: Path, out: Path | None, formats: str, coils: tuple[str, ...], decimal_comma: bool, language: str
) -> None:
    """Write a run's curves and figures for others to read, draw and reckon with.

    A picture of each coil (PNG, SVG); summary, readings, fit and notes as CSV and as sheets of one
    spreadsheet (XLSX) with a chart of each coil; result and curves as JSON. Numbers are not rounded.
    """
    from daq.archive.export.curves import CurvesRequest, write_curves_of

    with open_console(as_json=False) as screen:
        chosen = tuple(name.strip() for name in formats.split(","))
        folder, notes = write_curves_of(CurvesRequest(run, out, chosen, coils, decimal_comma, language))
        print_notes(screen, notes)
        screen.print(f"curves: {folder}", highlight=False, markup=False)
