"""`overnight compare SITE OFFER...`: which offer costs least over these days, and whether the hardware pays."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from scheduler.cli.failures import failures_told, require
from scheduler.cli.options import AsJson, ExpectedTrips, FirstDay, Forecast, Jobs, LastDay, SiteFolder, option
from scheduler.cli.screen import print_result


def compare(
    site: SiteFolder,
    offer: Annotated[list[Path], typer.Argument(metavar="OFFER...", help="The offers' files.")],
    first_day: FirstDay = None,
    last_day: LastDay = None,
    forecast: Annotated[
        Forecast,
        typer.Option(
            "--forecast",
            help="What is known each evening: typical days (the default), past days like it, or what really came.",
        ),
    ] = Forecast.TYPICAL,
    trips: ExpectedTrips = None,
    hardware: Annotated[Path | None, option("--hardware", "FILE", "What the charger cost: does it pay?")] = None,
    today: Annotated[
        str | None, option("--today", "OFFER", "Which of the offers the site is on today, by its name or its file.")
    ] = None,
    bound: Annotated[
        bool, typer.Option("--bound", help="Also bound what discharging could be worth, all days seen at once.")
    ] = False,
    xlsx: Annotated[
        bool, typer.Option("--xlsx", help="Also write comparison.xlsx, one sheet a table (extra xlsx).")
    ] = False,
    jobs: Jobs = None,
    out: Annotated[Path | None, option("--out", "DIR", "The folder to write; else SITE/comparison.")] = None,
    as_json: AsJson = False,
) -> None:
    """Compare offers over a year of nights, each planned on what was known, followed, and billed from the meter.

    It can be interrupted at any time: finished years are saved, and the same command goes on from there.
    """
    from scheduler.cli.progress import NightsShown
    from scheduler.comparison.compare import compare as compare_offers
    from scheduler.comparison.tables import WorkbookWriter, comparison_json
    from scheduler.comparison.terminal import show_comparison
    from scheduler.rolling.period import CompareOptions

    options = CompareOptions(
        site=site,
        offers=tuple(offer),
        first_day=first_day,
        last_day=last_day,
        forecast=forecast.value,
        hardware=hardware,
        trips=None if trips is None else trips.value,
        bound=bound,
        today=today,
    )
    folder = out if out is not None else site / "comparison"
    with failures_told(folder, "year"):
        writer: WorkbookWriter | None = None
        if xlsx:
            require(("xlsxwriter",), "xlsx")
            from scheduler.render.workbook import workbook

            writer = workbook
        with NightsShown() as shown:
            made = compare_offers(options, folder, jobs, shown.begin, shown.progress, writer)
    print_result(made, as_json, comparison_json, show_comparison)
    typer.echo(f"Written to {folder}: comparison.html, and tables beside it.", err=as_json)
