"""`overnight wear TRACE`: what a trace of state of charge cost the battery, by every wear law."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from scheduler.cli.failures import failures_told
from scheduler.cli.options import AsJson, number_option, option
from scheduler.cli.screen import print_result, say_written

PAGE = "wear.html"


def wear(
    trace: Annotated[
        Path, typer.Argument(metavar="TRACE", help="A trace's file, a plan's folder, or a year's metered table.")
    ],
    site: Annotated[
        Path | None, option("--site", "SITE", "The site's folder, for its battery, law and prices.")
    ] = None,
    battery_kwh: Annotated[
        float | None, number_option("--battery-kwh", "KWH", "Usable capacity, instead of the site's.", "kWh")
    ] = None,
    battery_price: Annotated[
        float | None,
        number_option("--battery-price", "MONEY", "Price of a replacement battery, instead of the site's."),
    ] = None,
    age_years: Annotated[
        float | None,
        number_option(
            "--age-years", "YEARS", "The battery's age when the trace begins; else the site's, or 3.", "years"
        ),
    ] = None,
    temp_degc: Annotated[
        float | None,
        number_option(
            "--temp-degc", "DEGC", "The battery's temperature where TRACE has none; else the site's, or 25.", "°C"
        ),
    ] = None,
    out: Annotated[Path | None, option("--out", "DIR", "Also write wear.json and wear.html into this folder.")] = None,
    as_json: AsJson = False,
) -> None:
    """Count the cycles of a trace and report the wear by every wear law, in retrospect.

    TRACE is CSV of start and soc_percent, with or without temp_degc; the folder of a plan; or a metered table, whose
    stored_kwh is at the end of each row.
    """
    from scheduler.cli.progress import steps_shown
    from scheduler.diagnostics.wear import STAGES, WearOptions, wear_of_trace
    from scheduler.diagnostics.wear_report import show_wear, wear_json, wear_page
    from scheduler.textio.write import write_together

    options = WearOptions(
        source=trace,
        site=site,
        battery_kwh=battery_kwh,
        battery_price=battery_price,
        age_years=age_years,
        temp_degc=temp_degc,
    )
    with failures_told():
        with steps_shown(STAGES) as progress:
            found = wear_of_trace(options, progress)
        if out is not None:
            write_together({out / "wear.json": wear_json(found), out / PAGE: wear_page(found)})
    print_result(found, as_json, wear_json, show_wear)
    if out is not None:
        say_written(as_json, out / "wear.json", out / PAGE)
