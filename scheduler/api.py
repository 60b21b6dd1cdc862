"""For research in Python: the functions that the commands use, from a site to a night, a plan, a year and a sweep.

What is listed in `__all__` is public: names, parameters, units and errors stay as they are within a major version. The
examples run from the top of a checkout, which has the demo sites in scenarios/.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from types import NoneType
from typing import TYPE_CHECKING, Any, TypedDict, Unpack, get_args

from models.site.trips import Trip
from scheduler.api_values import number_within, of_kind, one_of, several
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.nights.request import ForecastKind, Request, SolarKind, TripsKind
from scheduler.optimizer.certificate.stored_energy_value import value_of_stored_energy
from scheduler.optimizer.lexicographic import NoPlanError
from scheduler.optimizer.look_ahead import with_look_ahead
from scheduler.plans.plan import Plan
from scheduler.plans.plan_tonight import plan_request
from scheduler.plans.replay import PlanRefused
from scheduler.rolling.process_pool import WorkersLostError
from scheduler.rolling.simulate import Policy
from scheduler.rolling.year import Year, rolled_year
from scheduler.textio.bounds import OUTSIDE_DEGC
from scheduler.textio.errors import InputFaults, NotWrittenError, single_fault

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from pyomo.environ import ConcreteModel

    from scheduler.sweep.sweep import Study

__all__ = [
    "InputFaults",
    "NoPlanError",
    "NotWrittenError",
    "PlanRefused",
    "WorkersLostError",
    "figures",
    "model",
    "night",
    "plan",
    "site",
    "sweep",
    "value_of_stored_energy",
    "year",
]


Day = str | date | None


def site(folder: str | Path, offer: str | Path | None = None) -> Inputs:
    """Return everything that the files of a site say.

    Parameters
    ----------
    folder : the site's folder, which holds site.toml.
    offer : another offer's file; None for the site's own.

    Returns
    -------
    The site, its offer and its series.

    Raises
    ------
    InputFaults : every fault of every file.

    Examples
    --------
    >>> from scheduler.api import site
    >>> inputs = site("scenarios/veterinary")
    >>> inputs.site.name, inputs.site.car.battery_kwh, inputs.offer.currency
    ('Gyvelsund veterinary practice', 47.0, 'DKK')
    """
    of_kind("folder", folder, (str, Path), "a path")
    of_kind("offer", offer, (str, Path, NoneType), "a path")
    return read_inputs(Path(folder), None if offer is None else Path(offer))


class NightOptions(TypedDict, total=False):
    """Options for tonight, all of them optional.

    Attributes
    ----------
    now : a datetime, local if it has no zone, or text such as "2026-03-02T18:20"; by default the present.
    home_at : when the car is back, in the same form, or a range such as "21:00..23:00".
    stay_home : whether there is no trip at all.
    trips : each a `Trip` or text such as "07:30-18:00 96km fast"; by default the site's usual ones.
    outside_degc : temperature outside on the trips [°C]; by default mild.
    highest_soc_today_percent : before today's driving [%]; by default as today's trips say, or the ceiling (no saved
        plan is looked for). wear_weight : instead of the site's [-].
    forecast, solar : "typical" or "recorded"; "low", "typical" or "high".
    """

    now: str | datetime
    home_at: str | datetime
    trips: str | Trip | Sequence[str | Trip]
    stay_home: bool
    highest_soc_today_percent: float
    wear_weight: float
    outside_degc: float
    forecast: ForecastKind
    solar: SolarKind


def night(inputs: Inputs, soc_percent: float, **options: Unpack[NightOptions]) -> Night:
    """Return one night as the program sees it.

    Parameters
    ----------
    inputs : from `site`. soc_percent : state of charge now, or on arrival with home_at [%].
    options : see NightOptions.

    Returns
    -------
    The night's boundaries, shape (n + 1,); load and solar [kW] and prices [money per kWh], each of shape (n,); car,
    charger, trips and wear segments.

    Raises
    ------
    InputFaults : an option is at fault, or a series does not cover the night.

    Examples
    --------
    Intervals are as long as the site's plan has them, with a shorter one until the first full hour:

    >>> from scheduler.api import night, site
    >>> tonight = night(site("scenarios/veterinary"), 60, now="2026-03-02T18:20")
    >>> tonight.intervals, tonight.hours[:3].round(3).tolist()
    (25, [0.667, 1.0, 1.0])
    >>> tonight.load_kw.shape, tonight.boundaries.shape
    ((25,), (26,))
    """
    evening = _parse_options(inputs, soc_percent, options)
    return with_look_ahead(inputs, evening, build_night(inputs, evening)[0])


def model(night: Night) -> ConcreteModel:
    """Return one night's program as a Pyomo model, to be extended and solved by any solver.

    The least money is its objective, and what comes before money is held by constraints; scheduler/optimizer/README.md
    has the mathematics, each symbol beside its component, and an example that adds a constraint. Loads Pyomo.

    Parameters
    ----------
    night : as `night` gives it.

    Raises
    ------
    NoPlanError : no plan keeps to the night's limits.
    """
    from scheduler.optimizer.reference import reference_model

    return reference_model(night)


def plan(inputs: Inputs, soc_percent: float, **options: Unpack[NightOptions]) -> Plan:
    """Return tonight's plan, which replay has verified, with its alternatives, blocks and reasons.

    Parameters
    ----------
    inputs, soc_percent, options : as in `night`.

    Returns
    -------
    The plan.

    Raises
    ------
    InputFaults : as in `night`. NoPlanError : the solver gave no plan. PlanRefused : replay refuses the plan.

    Examples
    --------
    >>> from scheduler.api import plan, site
    >>> tonight = plan(site("scenarios/bookbindery"), 71, now="2026-03-02T18:20", trips="07:30-18:00 96km")
    >>> [block.action for block in tonight.blocks]
    ['discharge', 'cover', 'charge', 'cover']
    >>> round(tonight.saving, 1), tonight.inputs.offer.currency
    (3.2, 'EUR')
    """
    evening = _parse_options(inputs, soc_percent, options)
    return plan_request(inputs, evening)


def year(
    inputs: Inputs,
    first: Day = None,
    last: Day = None,
    *,
    policy: Policy = "plan",
    forecast: ForecastKind = "typical",
    soc_percent: float | None = None,
    trips: TripsKind | None = None,
) -> Year:
    """Return a period of local days, each night planned on its forecast, carried out on what was recorded, and billed.

    Parameters
    ----------
    inputs : from `site`. first, last : local days, both included; None for as far as the series go.
    policy : "plan", "charge-only" or "charge-on-return". forecast : "typical", or "recorded" for perfect foresight.
    soc_percent : state of charge when the first day begins [%]; None for the ceiling.
    trips : what each plan expects to be driven: "usual" trips, others being known `plan.trip_notice_hours` before they
        depart, or "recorded", the trips that are driven; None for "usual" where the site has usual trips. The year says
        which in `Year.trips`.

    Returns
    -------
    The bill, costs [money], and tables of nights and intervals [kWh].

    Raises
    ------
    InputFaults : days that the series do not cover. NoPlanError, PlanRefused : of a night.

    Examples
    --------
    >>> from scheduler.api import site, year
    >>> days = year(site("scenarios/veterinary"), "2026-03-02", "2026-03-03", policy="charge-on-return")
    >>> len(days.nights), round(days.discharged_kwh, 1)
    (3, 0.0)
    """
    _check_inputs(inputs)
    one_of("policy", policy, get_args(Policy))
    one_of("forecast", forecast, get_args(ForecastKind))
    _check_days(first, last)
    if soc_percent is not None:
        number_within("soc_percent", soc_percent, 0, 100)
    _check_trips(trips)
    return rolled_year(inputs, first, last, policy, forecast, soc_percent, trips)


def sweep(
    folder: str | Path,
    weights: str | float | Sequence[float],
    *,
    laws: str | Sequence[str] | None = None,
    offers: str | Path | Sequence[str | Path] = (),
    settings: Mapping[str, object] | None = None,
    first: Day = None,
    last: Day = None,
    forecast: ForecastKind = "typical",
    trips: TripsKind | None = None,
    out: str | Path | None = None,
    jobs: int | None = None,
    cluster: str | None = None,
    yes: bool = False,
    bound: bool = False,
) -> Study:
    """Make a run for every combination of wear weight, law, offer and values of site keys, and write tidy tables.

    Parameters
    ----------
    folder : the site's folder. weights : "0:3:0.1", or numbers of 0 or more [-]. laws : names; None for the site's own.
    offers : files; none for the site's own. settings : values by key, such as {"charger.discharge_min_kw": [0, 1.2]};
        a value that is itself a list stands in a list.
    first, last, forecast, trips : as in `year`. out : the folder to write; None for `sweep` in the site's folder.
    jobs : number of processes; None for one per core. cluster : address of a Dask scheduler.
    yes : whether more than 100,000 runs are allowed.
    bound : whether what discharging could be worth is bounded for each group, all days seen at once.

    Returns
    -------
    The sweep: its folder, the table of runs and the manifest.

    Raises
    ------
    InputFaults : a file or a value is at fault; nothing was begun. NoPlanError, PlanRefused : of a night.
    NotWrittenError : the folder holds something else. WorkersLostError : a process or the cluster is gone; what is
    finished is kept. ModuleNotFoundError : the extra `study` is not installed.
    """
    from scheduler.rolling.workers import workers_at
    from scheduler.sweep.request import SweepOptions
    from scheduler.sweep.sweep import sweep as make_sweep

    one_of("forecast", forecast, get_args(ForecastKind))
    _check_days(first, last)
    _check_trips(trips)
    options = SweepOptions(
        site=Path(folder),
        weights=weights if isinstance(weights, str) else tuple(several(weights)),
        laws=laws if laws is None or isinstance(laws, str) else tuple(map(str, several(laws))),
        offers=tuple(Path(str(offer)) for offer in several(offers)),
        settings=tuple((key, tuple(several(values))) for key, values in (settings or {}).items()),
        first_day=first,
        last_day=last,
        forecast=forecast,
        many=yes,
        trips=trips,
        bound=bound,
    )
    if cluster is not None and jobs is not None:
        raise single_fault("jobs", "cannot be given with cluster")
    with workers_at(cluster, jobs) as workers:
        return make_sweep(options, Path(folder) / "sweep" if out is None else Path(out), workers)


def figures(folder: str | Path) -> Mapping[str, Figure]:
    """Return the figures of a sweep, by name, from the tidy files in its folder alone.

    Parameters
    ----------
    folder : a sweep's output folder, which needs runs.csv and manifest.json.

    Returns
    -------
    The figures "frontier", "weight" and "laws"; the label of each says what it shows.

    Raises
    ------
    InputFaults : the folder is not that of a sweep. ModuleNotFoundError : the extra `study` is not installed.
    """
    from scheduler.sweep.figures import figures_of

    return figures_of(Path(folder))


def _check_inputs(inputs: object) -> None:
    of_kind("inputs", inputs, Inputs, "what site() gives")


def _check_days(first: object, last: object) -> None:
    for name, day in (("first", first), ("last", last)):
        of_kind(name, day, (str, date, NoneType), "a day such as 2026-02-02")


def _check_trips(trips: object) -> None:
    if trips is not None:
        one_of("trips", trips, get_args(TripsKind))


def _parse_options(inputs: Inputs, soc_percent: float, options: NightOptions) -> Request:
    """Return tonight's request."""
    _check_inputs(inputs)
    number_within("soc_percent", soc_percent, 0, 100)
    if "outside_degc" in options:
        number_within("outside_degc", options["outside_degc"], OUTSIDE_DEGC.least, OUTSIDE_DEGC.most)
    one_of("forecast", options.get("forecast", "samples"), get_args(ForecastKind))
    one_of("solar", options.get("solar", "typical"), get_args(SolarKind))
    trips = tuple(several(options.get("trips", ())))
    for name in ("now", "home_at"):
        of_kind(name, options.get(name), (str, datetime, NoneType), "a moment such as 2026-03-02T18:20")
    for trip in trips:
        of_kind("trips", trip, (str, Trip), 'a trip such as "07:30-18:00 96km"')
    given: dict[str, Any] = {**options, "trips": trips}
    return parse_request(RequestOptions(soc_percent, **given), inputs)
