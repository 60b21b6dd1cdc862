"""`overnight wear TRACE`: what a trace of state of charge cost the battery, by every law."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from scheduler.cli.options import AsJson
from scheduler.textio.errors import InputFaults
from scheduler.textio.exit_codes import INPUT_AT_FAULT

PAGE = "wear.html"


def wear(
    trace: Annotated[
        Path, typer.Argument(metavar="TRACE", help="A trace's file, a plan's folder, or a year's metered table.")
    ],
    site: Annotated[
        Path | None, typer.Option("--site", metavar="SITE", help="The site's folder, for its battery, law and prices.")
    ] = None,
    battery_kwh: Annotated[
        float | None, typer.Option("--battery-kwh", metavar="KWH", help="Usable capacity, not the site's own.")
    ] = None,
    battery_price: Annotated[
        float | None,
        typer.Option("--battery-price", metavar="MONEY", help="Price of a replacement, not the site's own."),
    ] = None,
    age_years: Annotated[
        float | None,
        typer.Option("--age-years", metavar="YEARS", help="Age when the trace begins; else the site's, or 3."),
    ] = None,
    temp_degc: Annotated[
        float | None,
        typer.Option(
            "--temp-degc", metavar="DEGC", help="Its temperature where TRACE has none; else the site's, or 25."
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Write wear.json and wear.html into this folder too.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Count the cycles of a trace and tell the wear by every law, after the fact.

    TRACE is CSV of start and soc_percent, with temp_degc or without; the folder of a plan; or a metered table, whose
    stored_kwh is at the end of each row.
    """
    from scheduler.cli.progress import steps_shown
    from scheduler.diagnostics.wear import STAGES, WearOptions, wear_of_trace
    from scheduler.diagnostics.wear_page import page_text
    from scheduler.diagnostics.wear_terminal import show_wear, wear_json
    from scheduler.metering.write_series import write_together
    from scheduler.textio.errors import NotWrittenError

    words = WearOptions(trace, site, battery_kwh, battery_price, age_years, temp_degc)
    try:
        with steps_shown(STAGES) as progress:
            found = wear_of_trace(words, progress)
        if out is not None:
            write_together({out / "wear.json": wear_json(found), out / PAGE: page_text(found)})
    except (InputFaults, NotWrittenError) as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(INPUT_AT_FAULT) from None
    if as_json:
        sys.stdout.write(wear_json(found))
    else:
        from rich.console import Console

        show_wear(found, Console(highlight=False))
    if out is not None:
        typer.echo(f"Written to {out / 'wear.json'} and {out / PAGE}.", err=as_json)
