"""How deep the battery's running cycle already is: what is assumed where nobody says how full the car was today.

A discharge after a drive deepens the cycle that the drive began, and deeper is dearer. The trips that are back today
say what they took; without any, the car is assumed to have been full to its ceiling. (What the last plan knows goes
before both: scheduler/plans/last_plan.py.)
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from models.site.car import Car
from models.site.trips import Trip, departure_target_kwh, trip_energy_kwh
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.planning_times import midnight, trips_overlapping, usual_trips_overlapping
from scheduler.nights.request import HighestFrom, Request
from scheduler.textio.format import clock_text, percent_text

NO_DEPTH_PERCENT = 0.05
"""A cycle less deep than this has not begun [%]."""


def with_todays_cycle(request: Request, inputs: Inputs, recorded: bool) -> Request:
    """Return the request with today's highest state of charge, by the trips that are back today or by the ceiling.

    A request that says it stays as it is.

    Parameters
    ----------
    recorded : whether the site's recorded trips, if it has any, say what was driven today; else its usual ones do.
    """
    if request.highest_soc_today_percent is not None:
        return replace(request, highest_soc_today_from=request.highest_soc_today_from or "given")
    site, home_at = inputs.site, request.home_at or request.now
    morning = midnight(home_at.astimezone(ZoneInfo(site.timezone)).date(), site.timezone)
    recorded = recorded and inputs.recorded_trips is not None
    trips = (trips_overlapping if recorded else usual_trips_overlapping)(inputs, morning, home_at)
    back = [trip for trip in trips if trip.return_at <= home_at and trip.distance_km > 0]
    if back:
        highest = highest_before(site.car, back, request.soc_percent)
        known_from: HighestFrom = "recorded-trips" if recorded else "usual-trips"
        return replace(request, highest_soc_today_percent=highest, highest_soc_today_from=known_from)
    highest = max(request.soc_percent, float(site.car.ceiling_percent))
    return replace(request, highest_soc_today_percent=highest, highest_soc_today_from="ceiling")


def highest_before(car: Car, trips: Collection[Trip], soc_percent: float) -> float:
    """Return how full the car was before trips that brought it to a state of charge [%].

    At most its ceiling, or the departure target of a trip that needs more.

    Examples
    --------
    >>> from datetime import UTC, datetime
    >>> car = Car(50.0, 20, 80, 20.0, 10, 20, 30, 0.60, 0.1)
    >>> trip = Trip(datetime(2026, 3, 2, 8, tzinfo=UTC), datetime(2026, 3, 2, 9, tzinfo=UTC), 50.0)
    >>> highest_before(car, [trip], 40.0), highest_before(car, [trip], 71.0)
    (60.0, 80.0)
    """
    taken = sum(trip_energy_kwh(car, trip.distance_km) for trip in trips)
    most = max(car.ceiling_kwh, *(departure_target_kwh(car, trip.distance_km) for trip in trips))
    return max(soc_percent, car.percent(min(most, car.kwh(soc_percent) + taken)))


def highest_of_running_cycle(states_percent: Sequence[float]) -> float:
    """Return the state of charge from which the battery has gone down to the last of its states [%].

    That is its highest since it was last emptier than now.

    Examples
    --------
    >>> highest_of_running_cycle([80.0, 34.0, 70.0, 52.0]), highest_of_running_cycle([80.0, 60.0, 70.0, 50.0])
    (70.0, 80.0)
    """
    now = states_percent[-1]
    below = [number for number, state in enumerate(states_percent) if state < now]
    return max(states_percent[below[-1] + 1 if below else 0 :])


def todays_cycle_text(request: Request, timezone: str) -> str | None:
    """Return a sentence on a cycle that is assumed to have begun before the plan; None if none is."""
    highest, soc = request.highest_soc_today_percent, request.soc_percent
    if highest is None or highest < soc + NO_DEPTH_PERCENT or request.highest_soc_today_from in (None, "given"):
        return None
    from_to = f"from {percent_text(highest)} to {percent_text(soc)}"
    assumed = {
        "last-plan": f"By the plan of {_when(request.last_plan_at, timezone)} the battery already went {from_to}",
        "recorded-trips": f"Today's recorded trips already took the battery {from_to}",
        "usual-trips": f"Today's usual trips are assumed to have taken the battery {from_to}",
        "ceiling": f"The battery is assumed to have gone {from_to} since it was last full to its ceiling",
    }
    said = assumed[str(request.highest_soc_today_from)]
    return f"{said}: a discharge now deepens that cycle. If it is otherwise, give --highest-soc-today."


def _when(instant: datetime | None, timezone: str) -> str:
    return "before" if instant is None else clock_text(instant, timezone)
