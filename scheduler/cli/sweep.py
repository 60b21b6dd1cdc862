"""`overnight sweep SITE --weights 0:3:0.1`: runs over wear weights and other inputs, for a study."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from scheduler.cli.options import AsJson, EachEveningKnew, FirstDay, Jobs, LastDay
from scheduler.textio.errors import single_fault
from scheduler.textio.exit_codes import INPUT_AT_FAULT, OTHER_NUMBERS

if TYPE_CHECKING:
    from scheduler.cli.progress import NightsShown
    from scheduler.sweep.sweep import Beginning, Repeated, Workers

NEEDS = {"pyarrow": "study", "matplotlib": "study"}
CLUSTER_NEEDS = {"distributed": "cluster"}
OF_A_MANIFEST = "--jobs, --cluster, --out and --json"
"""Options that go with a manifest."""


def sweep(
    site: Annotated[
        Path, typer.Argument(metavar="SITE", help="The site's folder; or a sweep's manifest.json, to make it again.")
    ],
    weights: Annotated[
        str | None, typer.Option("--weights", metavar="RANGE", help="Wear weights: 0:3:0.1, or a list 0,0.5,1.")
    ] = None,
    laws: Annotated[
        str | None, typer.Option("--laws", metavar="LIST", help="Wear laws: depth,stress; else the site's own.")
    ] = None,
    offers: Annotated[
        list[str] | None,
        typer.Option("--offers", metavar="FILES", help="Offers' files, comma between; else the site's own."),
    ] = None,
    settings: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="KEY=V1,V2", help="A key of site.toml and its values: car.floor_percent=10,20."),
    ] = None,
    first_day: FirstDay = None,
    last_day: LastDay = None,
    forecast: Annotated[
        EachEveningKnew | None,
        typer.Option("--forecast", help="What each evening knew: typical days (if left out), or what really came."),
    ] = None,
    jobs: Jobs = None,
    cluster: Annotated[
        str | None, typer.Option("--cluster", metavar="ADDRESS", help="A Dask scheduler, instead of this machine.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="The folder to write; else SITE/sweep.")
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Over 100,000 runs are wanted.")] = False,
    as_json: AsJson = False,
) -> None:
    """Sweep the wear weight and other inputs: every run a rolling period, one tidy row each, and the frontier.

    Interrupt it at any moment: finished runs are kept, and the same command goes on from there.
    """
    _leave_without(NEEDS)
    from scheduler.cli.failures import failures_told
    from scheduler.cli.progress import NightsShown
    from scheduler.sweep.request import SweepOptions
    from scheduler.sweep.sweep import repeat
    from scheduler.sweep.sweep import sweep as sweep_grid
    from scheduler.sweep.terminal import show_study, study_json

    folder = out if out is not None else site / "sweep"
    repeated: Repeated | None = None
    with failures_told(folder, "run"), ExitStack() as stack:
        workers = _workers(stack, jobs, cluster)
        given = [weights, laws, offers, settings, first_day, last_day, forecast, yes or None]
        if site.is_file():
            _refuse_options(given, out)
        elif weights is None:
            raise single_fault("--weights", "none given; allowed is FIRST:LAST:STEP such as 0:3:0.1, or a list")
        shown = stack.enter_context(NightsShown())
        begin = partial(_begin, shown)
        if site.is_file():
            study, repeated = repeat(site, folder, workers, begin, shown.progress)
        else:
            kind = EachEveningKnew.TYPICAL if forecast is None else forecast
            files, chosen = _files(offers or [], site), tuple(settings or ())
            words = SweepOptions(site, weights or "", laws, files, chosen, first_day, last_day, kind.value, yes)
            study = sweep_grid(words, folder, workers, begin, shown.progress)
    if as_json:
        sys.stdout.write(study_json(study, repeated))
    else:
        from rich.console import Console

        show_study(study, Console(highlight=False))
    for sentence in () if repeated is None else repeated.said:
        typer.echo(sentence, err=as_json)
    typer.echo(f"Written to {folder}: sweep.html, figures, and tables beside it.", err=as_json)
    if repeated is not None and repeated.same_numbers is False:
        raise typer.Exit(OTHER_NUMBERS)


def _leave_without(packages: Mapping[str, str]) -> None:
    """Leave with a word on what to install, where a package is not there."""
    missing = [name for name in packages if find_spec(name) is None]
    if missing:
        extra = packages[missing[0]]
        typer.echo(
            f"{' and '.join(missing)} {'is' if len(missing) == 1 else 'are'} not installed; "
            f"python -m pip install 'overnight-scheduler[{extra}]' brings what this command needs.",
            err=True,
        )
        raise typer.Exit(INPUT_AT_FAULT)


def _workers(stack: ExitStack, jobs: int | None, address: str | None) -> Workers:
    """Processes here, or a cluster's workers for as long as the stack stands."""
    from scheduler.sweep.sweep import Workers, workers_here

    if address is None:
        return workers_here(jobs)
    if jobs is not None:
        raise single_fault("--jobs", "and --cluster exclude each other; give one of them")
    _leave_without(CLUSTER_NEEDS)
    from scheduler.rolling.dask_pool import cluster_at, do_on_cluster, processes_of

    client = stack.enter_context(cluster_at(address))
    return Workers(processes_of(client), partial(do_on_cluster, client))


def _refuse_options(given: Sequence[object], out: Path | None) -> None:
    """A manifest says all but where and by whom the work is done."""
    if any(each is not None for each in given):
        raise single_fault("SITE", f"is a manifest, which says the rest; allowed beside it are {OF_A_MANIFEST}")
    if out is None:
        raise single_fault("--out", "none given; allowed is a new folder, in which the sweep is made again")


def _files(words: Sequence[str], site: Path) -> tuple[Path, ...]:
    """Offers' files, several in one word with commas between, unless there is a file of just that name."""
    found: list[Path] = []
    for word in words:
        whole = Path(word).exists() or (site / word).exists()
        found += [Path(part.strip()) for part in ([word] if whole else word.split(","))]
    return tuple(found)


def _begin(shown: NightsShown, beginning: Beginning) -> None:
    """Say what there is to do, and how long it may take."""
    shown.say(begin_text(beginning))
    shown.begin(beginning.work)


def begin_text(beginning: Beginning) -> str:
    """How many runs, of how many days, and the time they are expected to take."""
    asked, work = beginning.asked, beginning.work
    references = len(asked.points) - asked.grid_runs
    done = len(work.done)
    words = (
        f"{counted_text(asked.grid_runs, 'run')} and {counted_text(references, 'reference')} of "
        f"{counted_text(asked.days, 'day')} each"
    )
    if done == len(work.runs):
        return f"{words}; all of them are there already."
    kept = f", {done:,} of them there already" if done else ""
    by = "" if beginning.processes == 1 else f" in {beginning.processes} processes"
    return f"{words}{kept}: {work.nights:,} nights to plan{by}, {duration_text(beginning.seconds)}."


def counted_text(number: int, noun: str) -> str:
    """A number and what it counts: `1 run`, `2,000 runs`."""
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def duration_text(seconds: float) -> str:
    """A time as one would say it beforehand."""
    for unit, length in (("day", 86_400), ("hour", 3_600), ("minute", 60)):
        if seconds >= 1.5 * length:
            return f"about {counted_text(round(seconds / length), unit)}"
    return "about a minute" if seconds >= 45 else f"about {counted_text(max(1, round(seconds)), 'second')}"
