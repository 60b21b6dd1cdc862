"""For research in Python: the functions that the commands use, from a site to a night, a plan, a year and a sweep.

What is listed in `__all__` is public: names, parameters, units and errors stay as they are within a major version.
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
from scheduler.nights.request import ForecastKind, Request, SolarKind
from scheduler.optimizer.lexicographic import NoPlanError
from scheduler.plans.plan import Plan
from scheduler.plans.plan_tonight import solve_and_verify
from scheduler.plans.replay import PlanRefused
from scheduler.rolling.process_pool import WorkersLostError
from scheduler.rolling.simulate import Policy
from scheduler.rolling.year import Year, rolled_year
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
    "year",
]


Day = str | date | None


def site(folder: str | Path, offer: str | Path | None = None) -> Inputs:
    """Everything that the files of a site say.

    Parameters
    ----------
    folder : the site's folder, which holds site.toml.
    offer : another offer's file; None for the site's own.

    Raises
    ------
    InputFaults : every fault of every file.
    """
    of_kind("folder", folder, (str, Path), "a path")
    of_kind("offer", offer, (str, Path, NoneType), "a path")
    return read_inputs(Path(folder), None if offer is None else Path(offer))


class NightOptions(TypedDict, total=False):
    """What is asked of tonight, all of it optional.

    Attributes
    ----------
    now : a datetime, local where it has no zone, or "2026-03-02T18:20"; else the clock's.
    home_at : when the car is back, as now. stay_home : no trip at all.
    trips : `Trip` or "07:30-18:00 96km" each; else the site's usual ones.
    highest_soc_today_percent : before today's driving [%]. wear_weight : instead of the site's [-].
    forecast, solar : "typical" or "recorded"; "low", "typical" or "high".
    """

    now: str | datetime
    home_at: str | datetime
    trips: str | Trip | Sequence[str | Trip]
    stay_home: bool
    highest_soc_today_percent: float
    wear_weight: float
    forecast: ForecastKind
    solar: SolarKind


def night(inputs: Inputs, soc_percent: float, **words: Unpack[NightOptions]) -> Night:
    """One night as the program sees it: boundaries (n + 1), load, solar and prices (n), car, charger, wear segments.

    Parameters
    ----------
    soc_percent : state of charge now, or on arrival with home_at [%]. words : see NightOptions.

    Raises
    ------
    InputFaults : a word is at fault, or a series does not cover the night.
    """
    return build_night(inputs, _understood(inputs, soc_percent, words))[0]


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


def plan(inputs: Inputs, soc_percent: float, **words: Unpack[NightOptions]) -> Plan:
    """Tonight's plan, which replay has verified, with its alternatives, blocks and reasons.

    Parameters
    ----------
    soc_percent, words : as of night.

    Raises
    ------
    InputFaults : as night. NoPlanError : the solver gave no plan. PlanRefused : replay refuses the plan.
    """
    evening = _understood(inputs, soc_percent, words)
    return solve_and_verify(inputs, evening, *build_night(inputs, evening))


def year(
    inputs: Inputs,
    first: Day = None,
    last: Day = None,
    *,
    policy: Policy = "plan",
    forecast: ForecastKind = "typical",
    soc_percent: float | None = None,
) -> Year:
    """Local days, each night planned on what was known, carried out against what came, and billed from the meter.

    Parameters
    ----------
    first, last : local days, both included; None for as far as the series go.
    policy : "plan", "charge-only" or "charge-on-return". forecast : "typical", or "recorded" for hindsight.
    soc_percent : when the first day begins [%]; None for the ceiling.

    Raises
    ------
    InputFaults : days that the series do not cover. NoPlanError, PlanRefused : of a night.
    """
    _check_inputs(inputs)
    one_of("policy", policy, get_args(Policy))
    one_of("forecast", forecast, get_args(ForecastKind))
    _check_days(first, last)
    if soc_percent is not None:
        number_within("soc_percent", soc_percent, 0, 100)
    return rolled_year(inputs, first, last, policy, forecast, soc_percent)


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
    out: str | Path | None = None,
    jobs: int | None = None,
    cluster: str | None = None,
    yes: bool = False,
) -> Study:
    """Runs over wear weights, laws, offers and values of site keys; the tidy tables are in the folder and in `runs`.

    Parameters
    ----------
    weights : "0:3:0.1", or numbers of 0 or more [-]. laws : names; None for the site's own.
    offers : files; none for the site's own. settings : values by key, such as {"charger.discharge_min_kw": [0, 1.2]};
        a value that is itself a list stands in a list.
    first, last, forecast : as of year. out : the folder to write; None for `sweep` in the site's folder.
    jobs : processes; None for as many as there are cores. cluster : address of a Dask scheduler.
    yes : whether over 100,000 runs are wanted.

    Raises
    ------
    InputFaults : a file or a value is at fault; nothing was begun. NoPlanError, PlanRefused : of a night.
    NotWrittenError : the folder holds something else. WorkersLostError : a process or the cluster is gone; what is
    finished is kept. ModuleNotFoundError : the extra `study` is not installed.
    """
    from scheduler.sweep.request import SweepOptions
    from scheduler.sweep.sweep import sweep as make_sweep
    from scheduler.sweep.sweep import workers_at

    one_of("forecast", forecast, get_args(ForecastKind))
    _check_days(first, last)
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
    )
    if cluster is not None and jobs is not None:
        raise single_fault("jobs", "and cluster exclude each other; give one of them")
    with workers_at(cluster, jobs) as workers:
        return make_sweep(options, Path(folder) / "sweep" if out is None else Path(out), workers)


def figures(folder: str | Path) -> Mapping[str, Figure]:
    """The figures of a sweep, by name, from the tidy files in its folder alone.

    Raises
    ------
    InputFaults : the folder is not one of a sweep. ModuleNotFoundError : the extra `study` is not installed.
    """
    from scheduler.sweep.figures import figures_of

    return figures_of(Path(folder))


def _check_inputs(inputs: object) -> None:
    of_kind("inputs", inputs, Inputs, "what site() gives")


def _check_days(first: object, last: object) -> None:
    for name, day in (("first", first), ("last", last)):
        of_kind(name, day, (str, date, NoneType), "a day such as 2026-02-02")


def _understood(inputs: Inputs, soc_percent: float, words: NightOptions) -> Request:
    """Tonight's question."""
    _check_inputs(inputs)
    number_within("soc_percent", soc_percent, 0, 100)
    one_of("forecast", words.get("forecast", "typical"), get_args(ForecastKind))
    one_of("solar", words.get("solar", "typical"), get_args(SolarKind))
    trips = tuple(several(words.get("trips", ())))
    for name in ("now", "home_at"):
        of_kind(name, words.get(name), (str, datetime, NoneType), "a moment such as 2026-03-02T18:20")
    for trip in trips:
        of_kind("trips", trip, (str, Trip), 'a trip such as "07:30-18:00 96km"')
    given: dict[str, Any] = {**words, "trips": trips}
    return parse_request(RequestOptions(soc_percent, **given), inputs)
