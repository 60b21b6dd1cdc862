"""`overnight sweep SITE --weights 0:3:0.1`: runs over wear weights and other inputs, for a study."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from scheduler.cli.failures import failures_told, require
from scheduler.cli.options import AsJson, ExpectedTrips, FirstDay, Forecast, Jobs, LastDay, option
from scheduler.cli.screen import print_result
from scheduler.textio.errors import single_fault
from scheduler.textio.exit_codes import OTHER_NUMBERS

if TYPE_CHECKING:
    from scheduler.cli.progress import NightsShown
    from scheduler.sweep.sweep import Beginning, Repeated

OF_A_MANIFEST = "--jobs, --cluster, --out and --json"
"""Options that may be given with a manifest."""


def sweep(
    site: Annotated[
        Path, typer.Argument(metavar="SITE", help="The site's folder; or a sweep's manifest.json, to repeat it.")
    ],
    weights: Annotated[str | None, option("--weights", "RANGE", "Wear weights: 0:3:0.1, or a list 0,0.5,1.")] = None,
    laws: Annotated[str | None, option("--laws", "LIST", "Wear laws: depth,stress; else the site's own.")] = None,
    offers: Annotated[
        list[str] | None,
        option("--offers", "FILES", "Offers' files, separated by commas; else the site's own."),
    ] = None,
    settings: Annotated[
        list[str] | None,
        option("--set", "KEY=V1,V2", "A key of site.toml and its values: car.floor_percent=10,20."),
    ] = None,
    first_day: FirstDay = None,
    last_day: LastDay = None,
    forecast: Annotated[
        Forecast | None,
        typer.Option(
            "--forecast",
            help="What is known each evening: typical days (the default), past days like it, or what really came.",
        ),
    ] = None,
    trips: ExpectedTrips = None,
    bound: Annotated[
        bool, typer.Option("--bound", help="Also bound what discharging could be worth, all days seen at once.")
    ] = False,
    jobs: Jobs = None,
    cluster: Annotated[str | None, option("--cluster", "ADDRESS", "A Dask scheduler, instead of this machine.")] = None,
    out: Annotated[Path | None, option("--out", "DIR", "The folder to write; else SITE/sweep.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Allow over 100,000 runs.")] = False,
    as_json: AsJson = False,
) -> None:
    """Sweep the wear weight and other inputs: each run rolls over a period and gives one tidy row; with the frontier.

    It can be interrupted at any time: finished runs are saved, and the same command goes on from there.
    """
    folder = out if out is not None else site / "sweep"
    repeated: Repeated | None = None
    with failures_told(folder, "run"):
        require(("pyarrow", "matplotlib"), "study")
        from scheduler.cli.progress import NightsShown
        from scheduler.rolling.workers import workers_at
        from scheduler.sweep.request import SweepOptions
        from scheduler.sweep.sweep import repeat
        from scheduler.sweep.sweep import sweep as sweep_grid
        from scheduler.sweep.terminal import show_study, study_json

        if cluster is not None:
            if jobs is not None:
                raise single_fault("--jobs", "cannot be given with --cluster")
            require(("distributed",), "cluster")
        with workers_at(cluster, jobs) as workers:
            given = [weights, laws, offers, settings, first_day, last_day, forecast, trips, bound or None, yes or None]
            if site.is_file():
                _refuse_options(given, out)
            elif weights is None:
                raise single_fault("--weights", "none given; expected FIRST:LAST:STEP such as 0:3:0.1, or a list")
            with NightsShown() as shown:
                begin = partial(_begin, shown)
                if site.is_file():
                    study, repeated = repeat(site, folder, workers, begin, shown.progress)
                else:
                    options = SweepOptions(
                        site=site,
                        weights=weights or "",
                        laws=laws,
                        offers=_files(offers or [], site),
                        settings=tuple(settings or ()),
                        first_day=first_day,
                        last_day=last_day,
                        forecast=(forecast or Forecast.TYPICAL).value,
                        many=yes,
                        trips=None if trips is None else trips.value,
                        bound=bound,
                    )
                    study = sweep_grid(options, folder, workers, begin, shown.progress)
    print_result(study, as_json, lambda made: study_json(made, repeated), show_study)
    for sentence in () if repeated is None else repeated.said:
        typer.echo(sentence, err=as_json)
    typer.echo(f"Written to {folder}: sweep.html, figures, and tables beside it.", err=as_json)
    if repeated is not None and repeated.same_numbers is False:
        raise typer.Exit(OTHER_NUMBERS)


def _refuse_options(given: Sequence[object], out: Path | None) -> None:
    """Refuse options beside a manifest, which says everything except where the work is done."""
    if any(each is not None for each in given):
        raise single_fault("SITE", f"this is a manifest, which sets the other options; expected only {OF_A_MANIFEST}")
    if out is None:
        raise single_fault("--out", "none given; expected a new folder, in which the sweep is repeated")


def _files(texts: Sequence[str], site: Path) -> tuple[Path, ...]:
    """Return the offers' files; a text may name several, separated by commas, unless a file has just that name."""
    found: list[Path] = []
    for text in texts:
        whole = Path(text).exists() or (site / text).exists()
        found += [Path(part.strip()) for part in ([text] if whole else text.split(","))]
    return tuple(found)


def _begin(shown: NightsShown, beginning: Beginning) -> None:
    """Say what there is to do, and how long it may take."""
    shown.say(begin_text(beginning))
    shown.begin(beginning.work)


def begin_text(beginning: Beginning) -> str:
    """Return how many runs there are, of how many days, and the time they are expected to take."""
    from scheduler.textio.format import counted_text, duration_text

    request, work = beginning.request, beginning.work
    references = len(request.points) - request.grid_runs
    done = len(work.done)
    runs = (
        f"{counted_text(request.grid_runs, 'run')} and {counted_text(references, 'reference')} of "
        f"{counted_text(request.days, 'day')} each"
    )
    if done == len(work.runs):
        return f"{runs}; all of them are done already."
    saved = f", {done:,} of them done already" if done else ""
    by = "" if beginning.processes == 1 else f" in {beginning.processes} processes"
    step = f" in intervals of {beginning.request.inputs.site.plan.step_minutes} minutes"
    return f"{runs}{saved}: {work.nights:,} nights to plan{step}{by}, {duration_text(beginning.seconds)}."
