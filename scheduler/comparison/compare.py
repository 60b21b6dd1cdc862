"""`overnight compare`: from a site and offers to a folder with the comparison."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from scheduler.comparison.page import comparison_page
from scheduler.comparison.results import Comparison, comparison_of
from scheduler.comparison.tables import WorkbookWriter, comparison_texts, comparison_workbook
from scheduler.rolling.full_horizon import FullHorizon
from scheduler.rolling.period import FULL_HORIZON, CompareOptions, ComparisonRequest, parse_period
from scheduler.rolling.process_pool import Work, results, work_of
from scheduler.rolling.workers import Workers, workers_here
from scheduler.textio.write import STAGING, make_folder, refuse_other, write_together

RUNS_FOLDER, WORKBOOK = "runs", "comparison.xlsx"


def compare(
    options: CompareOptions,
    out: Path,
    jobs: int | None = None,
    begin: Callable[[Work[Any]], None] = lambda work: None,
    progress: Callable[[int], None] = lambda nights: None,
    workbook: WorkbookWriter | None = None,
    workers: Workers | None = None,
) -> Comparison:
    """Compare offers and write the comparison to a folder; runs that are already in it are not made again.

    Parameters
    ----------
    out : the folder, new or of an earlier comparison.
    jobs : number of processes; None for one per core.
    begin : called with what there is to do, once everything is read and checked; and with the bounds, if asked for.
    progress : called from time to time with the number of nights done.
    workbook : makes comparison.xlsx of the tables; None: it is not written.
    workers : who does the runs; None for so many processes here.

    Returns
    -------
    The comparison, as it was written.

    Raises
    ------
    InputFaults : a file or an option is at fault; nothing was begun.
    NoPlanError, PlanRefused : of a night. NotWrittenError : of the folder.
    """
    workers = workers_here(jobs) if workers is None else workers
    request = parse_period(options)
    refuse_other(out, "a comparison", _is_a_comparison)
    make_folder(out / RUNS_FOLDER)
    work = work_of({**request.runs(), **request.size_runs()}, out / RUNS_FOLDER)
    begin(work)
    workers.do(work, progress)
    rolled = dict(results(work))
    bounds = _bounds(request, out / RUNS_FOLDER, workers, begin, progress)
    compared = comparison_of(request, rolled, bounds)
    texts: dict[str, str | bytes] = {**comparison_texts(compared), "comparison.html": comparison_page(compared)}
    if workbook is not None:
        texts[WORKBOOK] = comparison_workbook(compared, workbook)
    write_together({out / name: text for name, text in texts.items()})
    for old in (*out.glob("metered-*.csv"), out / WORKBOOK, out / "sizes.csv"):
        if old.name not in texts:  # of an earlier comparison
            with suppress(OSError):
                old.unlink()
    return compared


def _bounds(
    request: ComparisonRequest,
    folder: Path,
    workers: Workers,
    begin: Callable[[Work[Any]], None],
    progress: Callable[[int], None],
) -> dict[str, FullHorizon]:
    """Return the full horizon of each offer by its name; {} if not asked."""
    runs = request.bound_runs()
    if not runs:
        return {}
    work = work_of(runs, folder)
    begin(work)
    workers.do(work, progress)
    return {name.removesuffix(f".{FULL_HORIZON}"): found for name, found in results(work)}


def _is_a_comparison(out: Path) -> bool:
    """Return whether a folder holds a comparison, only the runs of one that was interrupted, or nothing."""
    there = [entry.name for entry in out.iterdir()]
    if not there or (out / "comparison.json").is_file():
        return True
    runs = out / RUNS_FOLDER
    return (
        runs.is_dir()
        and there == [RUNS_FOLDER]
        and all(".npz" in file.name or file.name.startswith(STAGING) for file in runs.iterdir())
    )
