"""A sweep from words to rows: every run of a grid rolled over the same days, one tidy row each."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from scheduler.compare_words import CompareWords, asked_from_words
from scheduler.evening import ForecastKind
from scheduler.rolled_run import RolledRun
from scheduler.runs_over_cores import Work, do, work_of
from scheduler.site_file import read_site
from scheduler.sweep_grid import (
    GridPoint,
    grid,
    inputs_of_points,
    laws_from_words,
    setting_from_words,
    weights_from_words,
)
from scheduler.sweep_rows import run_row


@dataclass(frozen=True, slots=True)
class SweepWords:
    """What was asked of a sweep.

    Attributes
    ----------
    site : the site's folder. weights : "0:3:0.1" or "0,1". laws : "flat,depth", or None for the site's own.
    offers : files; none for the site's own. settings : "charger.discharge_min_kw=0,1.2" each.
    first_day, last_day, forecast : as CompareWords.
    """

    site: Path
    weights: str
    laws: str | None = None
    offers: tuple[Path, ...] = ()
    settings: tuple[str, ...] = ()
    first_day: str | None = None
    last_day: str | None = None
    forecast: ForecastKind = "typical"


@dataclass(frozen=True, slots=True, eq=False)
class AskedSweep:
    """A sweep that can be made.

    Attributes
    ----------
    points : of the grid. runs : one a point, by the names of their files, in the order of the points.
    first, last : local days. notes : what the reader should know, one sentence each.
    """

    points: tuple[GridPoint, ...]
    runs: Mapping[str, RolledRun]
    first: date
    last: date
    notes: tuple[str, ...]


def sweep_from_words(words: SweepWords) -> AskedSweep:
    """Read every file and check every point of the grid.

    Raises
    ------
    InputFaults : a file, an option or a value of the grid is at fault; nothing was begun.
    """
    weights = weights_from_words(words.weights)
    settings = [setting_from_words(each) for each in words.settings]
    laws = None if words.laws is None else laws_from_words(words.laws)
    site = read_site(words.site)
    offers = words.offers or (site.offer_file.resolve(),)
    asked = asked_from_words(CompareWords(words.site, offers, words.first_day, words.last_day, words.forecast))
    points = grid(tuple(asked.offers), weights, laws or (site.wear.law,), settings)
    inputs = inputs_of_points(asked.offers, points, words.site)
    runs = {
        f"run-{number:06}": RolledRun(
            f"run {number}", each, asked.first, asked.last, each.site.car.ceiling_percent, words.forecast
        )
        for number, each in enumerate(inputs)
    }
    return AskedSweep(points, runs, asked.first, asked.last, asked.notes)


def sweep_work(asked: AskedSweep, folder: Path) -> Work:
    """What is left to do of a sweep, with what the folder has."""
    return work_of(asked.runs, folder)


def sweep_rows(
    asked: AskedSweep, work: Work, jobs: int, progress: Callable[[int], None] = lambda nights: None
) -> Iterator[dict[str, object]]:
    """Do what is left, and give one row a run, in the order of the grid.

    Parameters
    ----------
    jobs : processes, at least 1. progress : told from time to time how many nights are done.

    Raises
    ------
    InputFaults, NoPlanError, PlanRefused, NotWrittenError : of a run; results that are done are kept.
    """
    results = do(work, jobs, progress)
    for number, (point, (name, flows)) in enumerate(zip(asked.points, results, strict=True)):
        yield run_row(number, point, asked.runs[name], flows)
