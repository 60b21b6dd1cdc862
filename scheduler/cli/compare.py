"""`overnight compare SITE OFFER...`: which offer costs least over these days, and whether the hardware pays."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from scheduler.cli.failures import failures_told, require
from scheduler.cli.options import AsJson, ExpectedTrips, FirstDay, Forecast, Jobs, LastDay, SiteFolder, option
from scheduler.cli.screen import print_result
from scheduler.textio.errors import single_fault

if TYPE_CHECKING:
    from scheduler.cli.progress import NightsShown
    from scheduler.rolling.process_pool import Work
    from scheduler.rolling.run import RolledRun

OFFERS_FROM, OF_SITES = "--offers-from", "comparison-of-sites"
FEWEST_NIGHTS = 100
"""With fewer nights than this to plan no time is told."""
TRIAL = (3, 1.0)
"""How many nights, and for how many seconds, an estimate tries at most."""


def compare(
    site: SiteFolder,
    offer: Annotated[
        list[Path] | None,
        typer.Argument(metavar="OFFER...", help="The offers' files; with --offers-from, further sites' folders."),
    ] = None,
    offers_from: Annotated[
        Path | None, option(OFFERS_FROM, "DIR", "A folder of offers: compare them at one site or several.")
    ] = None,
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
    sizes: Annotated[
        Path | None, option("--sizes", "FILE", "Also with other sizes of battery, charger and roof: TOML or CSV.")
    ] = None,
    bound: Annotated[
        bool, typer.Option("--bound", help="Also bound what discharging could be worth, all days seen at once.")
    ] = False,
    xlsx: Annotated[
        bool, typer.Option("--xlsx", help="Also write comparison.xlsx, one sheet a table (extra xlsx).")
    ] = False,
    jobs: Jobs = None,
    cluster: Annotated[str | None, option("--cluster", "ADDRESS", "A Dask scheduler, instead of this machine.")] = None,
    out: Annotated[
        Path | None,
        option("--out", "DIR", f"The folder to write; else SITE/comparison, or {OF_SITES} for several sites."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Compare offers over a year of nights, each planned on what was known, followed, and billed from the meter.

    It can be interrupted at any time: finished years are saved, and the same command goes on from there.
    """
    from scheduler.cli.progress import NightsShown
    from scheduler.comparison.compare import compare as compare_offers
    from scheduler.comparison.sites import compare_sites, show_sites, sites_json
    from scheduler.comparison.tables import WorkbookWriter, comparison_json
    from scheduler.comparison.terminal import show_comparison
    from scheduler.rolling.period import CompareOptions
    from scheduler.rolling.workers import workers_at

    sites = (site, *(offer or ())) if offers_from is not None else (site,)
    several = len(sites) > 1
    folder = out if out is not None else Path(OF_SITES) if several else site / "comparison"
    with failures_told(folder, "year"):
        writer: WorkbookWriter | None = None
        if xlsx:
            require(("xlsxwriter",), "xlsx")
            from scheduler.render.workbook import workbook

            writer = workbook
        if cluster is not None:
            if jobs is not None:
                raise single_fault("--jobs", "cannot be given with --cluster")
            require(("distributed",), "cluster")
        options = CompareOptions(
            site=site,
            offers=tuple(offer or ()) if offers_from is None else offers_in(offers_from),
            first_day=first_day,
            last_day=last_day,
            forecast=forecast.value,
            hardware=hardware,
            trips=None if trips is None else trips.value,
            bound=bound,
            today=today,
            sizes=sizes,
        )
        with workers_at(cluster, jobs) as workers, NightsShown() as shown:
            begin = partial(_begin, shown, workers.processes)
            if several:
                summary = compare_sites(sites, options, folder, workers, begin, shown.progress, writer)
            else:
                made = compare_offers(options, folder, None, begin, shown.progress, writer, workers)
    if several:
        print_result(summary, as_json, sites_json, show_sites)
        typer.echo(f"Written to {folder}: sites.html, and a folder for each site beside it.", err=as_json)
    else:
        print_result(made, as_json, comparison_json, show_comparison)
        typer.echo(f"Written to {folder}: comparison.html, and tables beside it.", err=as_json)


def offers_in(folder: Path) -> tuple[Path, ...]:
    """Return the offers' files of a folder, in the order of their names.

    Raises
    ------
    InputFaults : it is no folder, or has no such file.
    """
    found = tuple(sorted(folder.glob("*.toml"))) if folder.is_dir() else ()
    if not found:
        raise single_fault(OFFERS_FROM, f"{folder} has no file that ends in .toml; expected a folder of offers")
    return found


def _begin(shown: NightsShown, processes: int, work: Work[Any]) -> None:
    """Say what there is to do, and how long it may take."""
    from scheduler.inputs.sizes_file import SIZE_BEGINS
    from scheduler.rolling.run import RolledRun
    from scheduler.rolling.workers import expected_seconds

    left = [run for name, run in work.runs.items() if name not in work.done and isinstance(run, RolledRun)]
    if left:
        seconds = expected_seconds(left, processes, *TRIAL) if work.nights >= FEWEST_NIGHTS else None
        others = sum(name.startswith(f"{SIZE_BEGINS}_") for name in work.runs)
        shown.say(begin_text(len(work.runs), len(work.done), work.nights, left[0], processes, seconds, others))
    shown.begin(work)


def begin_text(
    runs: int, done: int, nights: int, one: RolledRun, processes: int, seconds: float | None, others: int = 0
) -> str:
    """Return how many runs there are, in which intervals they are planned, and the time they are expected to take.

    Parameters
    ----------
    runs, done : number of runs, and of those that are saved already. nights : to plan. one : of the runs.
    processes : that share them. seconds : expected; None where they are too few to tell.
    others : how many of the runs are of other sizes.
    """
    from scheduler.textio.format import counted_text, duration_text

    saved = f", {others:,} of them with other sizes" if others else ""
    saved += f", {done:,} of them done already" if done else ""
    step = one.inputs.site.plan.step_minutes
    by = "" if processes == 1 else f" in {processes} processes"
    time = "" if seconds is None else f", {duration_text(seconds)}"
    days = (one.last - one.first).days + 1
    work = f"{counted_text(nights, 'night')} to plan in intervals of {step} minutes{by}{time}"
    return f"{counted_text(runs, 'run')} of {counted_text(days, 'day')} each{saved}: {work}."
