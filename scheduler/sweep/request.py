"""`overnight sweep`: the request, checked as a whole before any night is planned."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Set
from dataclasses import dataclass
from datetime import date
from math import prod
from pathlib import Path

from models.wear.law import LawSettings
from models.wear.prices import REFERENCE_DEGC
from scheduler.inputs.site import Site
from scheduler.inputs.site_file import read_site
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.request import ForecastKind, TripsKind
from scheduler.rolling.full_horizon import FullHorizonRun
from scheduler.rolling.period import CompareOptions, parse_period
from scheduler.rolling.run import RolledRun
from scheduler.sweep.grid import (
    WEIGHTS_OPTION,
    GridPoint,
    Key,
    KeyValues,
    grid,
    inputs_of_points,
    parse_key_values,
    parse_laws,
    parse_weights,
    references,
)
from scheduler.sweep.run import SweepRun, hash_of_data
from scheduler.textio.errors import single_fault
from scheduler.textio.fingerprint import fingerprint

MANY_RUNS = 100_000
"""More runs of the grid than this need YES_OPTION."""
YES_OPTION = "--yes"


@dataclass(frozen=True, slots=True)
class SweepOptions:
    """What is asked of a sweep.

    Attributes
    ----------
    site : the site's folder. weights : "0:3:0.1" or "0,1", or numbers. laws : "flat,depth", or names; None for the
        site's own. offers : files; none for the site's own.
    settings : each "charger.discharge_min_kw=0,1.2", or a key and its values.
    first_day, last_day, forecast, trips, bound : as CompareOptions; a bound for each group. many : whether over 100,000
        runs are wanted.
    """

    site: Path
    weights: str | tuple[float, ...]
    laws: str | tuple[str, ...] | None = None
    offers: tuple[Path, ...] = ()
    settings: tuple[KeyValues, ...] = ()
    first_day: str | date | None = None
    last_day: str | date | None = None
    forecast: ForecastKind = "typical"
    many: bool = False
    trips: TripsKind | None = None
    bound: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class SweepRequest:
    """A sweep whose files and grid are checked, ready to be made.

    Attributes
    ----------
    options : as given. offers : the site with each offer, by the offer's name as it appears in file names.
    weights, laws, settings : of the grid.
    points : of the grid, then the references of each group.
    runs : one per point, by the names of their files, in the order of the points.
    first, last : local days, both included. notes : what the reader should know, one sentence each.
    trips : which trips each evening expects.
    """

    options: SweepOptions
    offers: Mapping[str, Inputs]
    weights: tuple[float, ...]
    laws: tuple[str, ...]
    settings: tuple[tuple[Key, tuple[object, ...]], ...]
    points: tuple[GridPoint, ...]
    runs: Mapping[str, SweepRun]
    first: date
    last: date
    notes: tuple[str, ...]
    trips: TripsKind = "recorded"

    @property
    def inputs(self) -> Inputs:
        """Return the site as it is, with the first offer."""
        return next(iter(self.offers.values()))

    @property
    def grid_runs(self) -> int:
        """Return the number of runs of the grid, without the references."""
        return len(self.offers) * len(self.weights) * len(self.laws) * prod(len(values) for _, values in self.settings)

    @property
    def days(self) -> int:
        """Return the number of days of each run."""
        return (self.last - self.first).days + 1

    def identity(self) -> str:
        """Return the hash of everything but the program that decides the sweep's numbers."""
        asked = [run.question() for run in self.runs.values()]
        return fingerprint([*asked, "bound"] if self.options.bound else asked)

    def bound_runs(self) -> dict[int, FullHorizonRun]:
        """Return the full-horizon run of each group by its number; none if they are not asked for."""
        if not self.options.bound:
            return {}
        numbers = {group: number for number, group in enumerate(dict.fromkeys(each.group for each in self.points))}
        found = {}
        for point, run in zip(self.points, self.runs.values(), strict=True):
            if point.policy == "charge-only":
                number, rolled = numbers[point.group], run.run
                found[number] = FullHorizonRun(
                    f"the full horizon of {rolled.name}",
                    rolled.inputs,
                    rolled.first,
                    rolled.last,
                    rolled.soc_percent,
                )
        return found


def parse_sweep_request(options: SweepOptions) -> SweepRequest:
    """Return the request, after reading every file and checking every point of the grid.

    Raises
    ------
    InputFaults : a file, an option or a value of the grid is at fault, or the grid is large; nothing was begun.
    """
    weights = parse_weights(options.weights)
    settings = tuple(parse_key_values(each) for each in options.settings)
    asked_laws = None if options.laws is None else parse_laws(options.laws)
    site = read_site(options.site)
    laws = asked_laws or (site.wear.law,)
    _refuse_many(options, prod(map(len, (weights, laws, options.offers or (1,), *(values for _, values in settings)))))
    offers = options.offers or (site.offer_file.resolve(),)
    asked = CompareOptions(
        options.site, offers, options.first_day, options.last_day, options.forecast, trips=options.trips
    )
    period = parse_period(asked)
    planned = grid(tuple(period.offers), weights, laws, settings)
    points = (*planned, *references(planned))
    notes = (*period.notes, *_assumed(site, {key for (_, key), _ in settings}))
    data = {name: hash_of_data(inputs) for name, inputs in period.offers.items()}
    runs = {}
    for point, inputs in zip(points, inputs_of_points(period.offers, points, options.site), strict=True):
        rolled = RolledRun(
            _name(point, inputs),
            inputs,
            period.first,
            period.last,
            inputs.site.car.ceiling_percent,
            options.forecast,
            point.policy,
            period.trips,
        )
        run = SweepRun(point, rolled, data[point.offer])
        key = run.key()
        runs[f"{key[:2]}/{key}"] = run
    return SweepRequest(
        options, period.offers, weights, laws, settings, points, runs, period.first, period.last, notes, period.trips
    )


def _assumed(site: Site, given: Set[str]) -> Iterator[str]:
    """Yield what the columns by law assume where neither the site nor the grid gives a value."""
    settings = LawSettings()
    if site.wear.battery_temp_degc is None and "battery_temp_degc" not in given:
        yield f"The site names no battery temperature: laws that depend on it use {REFERENCE_DEGC:g} °C."
    if site.wear.battery_age_years is None and "battery_age_years" not in given:
        yield f"The site names no battery age: laws that depend on it use {settings.age_years:g} years."


def _refuse_many(options: SweepOptions, runs: int) -> None:
    if runs > MANY_RUNS and not options.many:
        raise single_fault(
            WEIGHTS_OPTION, f"the grid has {runs:,} runs; expected up to {MANY_RUNS:,}, or {YES_OPTION} for more"
        )


def _name(point: GridPoint, inputs: Inputs) -> str:
    """Return a run's name for messages."""
    changes = "".join(f", {'.'.join(key)} {value}" for key, value in point.changes)
    return f"the run of offer {inputs.offer.name!r}, law {point.law}, weight {point.weight:g}{changes}, {point.policy}"
