"""`overnight compare SITE OFFER...`: which offer costs least over these days, and whether the hardware pays."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from scheduler.cli.options import AsJson, EachEveningKnew, FirstDay, Jobs, LastDay


def compare(
    site: Annotated[Path, typer.Argument(metavar="SITE", help="The site's folder, which holds site.toml.")],
    offer: Annotated[list[Path], typer.Argument(metavar="OFFER...", help="The offers' files.")],
    first_day: FirstDay = None,
    last_day: LastDay = None,
    forecast: Annotated[
        EachEveningKnew, typer.Option("--forecast", help="What each evening knew: typical days, or what really came.")
    ] = EachEveningKnew.TYPICAL,
    hardware: Annotated[
        Path | None, typer.Option("--hardware", metavar="FILE", help="What the charger cost: does it pay?")
    ] = None,
    jobs: Jobs = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="The folder to write; else SITE/comparison.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Compare offers over a year of nights: each planned on what was known, carried out, and billed from the meter.

    Interrupt it at any moment: finished years are kept, and the same command goes on from there.
    """
    from scheduler.cli.failures import failures_told
    from scheduler.cli.progress import NightsShown
    from scheduler.comparison.compare import compare as compare_offers
    from scheduler.comparison.tables import comparison_json
    from scheduler.comparison.terminal import show_comparison
    from scheduler.rolling.period import CompareOptions

    words = CompareOptions(site, tuple(offer), first_day, last_day, forecast.value, hardware)
    folder = out if out is not None else site / "comparison"
    with failures_told(folder, "year"), NightsShown() as shown:
        made = compare_offers(words, folder, jobs, shown.begin, shown.progress)
    if as_json:
        sys.stdout.write(comparison_json(made))
    else:
        from rich.console import Console

        show_comparison(made, Console(highlight=False))
    typer.echo(f"Written to {folder}: comparison.html, and tables beside it.", err=as_json)
