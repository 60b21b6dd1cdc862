"""Which trips are known when a night of a period is planned: usual ones, and nearer to departure the recorded ones.

Usual and recorded trips that overlap belong together: the recorded ones are driven in place of the usual ones. They
become known `trip_notice_hours` before the first departure among them; until then the usual ones are expected. The same
notice is given of a usual trip that is not driven, and of a trip that is not usual.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from models.site.car import Car
from models.site.trips import Trip
from scheduler.inputs.site import Site
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.planning_times import LONGEST_USUAL_TRIP, trips_overlapping, usual_trips_overlapping
from scheduler.nights.request import ForecastKind, TripsKind

MOST_REPLANS = 4
"""Most new plans between two evenings; what becomes known after the last of them waits for the evening."""


def usual_trips_kind(site: Site) -> TripsKind:
    """Return on which trips a period's nights are planned unless asked otherwise: on usual ones if the site has any."""
    return "usual" if site.usual_trips else "recorded"


def trips_kind(site: Site, asked: TripsKind | None, forecast: ForecastKind) -> TripsKind:
    """Return on which trips nights are planned: as asked, or the site's default; perfect foresight knows all trips."""
    if forecast == "recorded":
        return "recorded"
    return usual_trips_kind(site) if asked is None else asked


@dataclass(frozen=True, slots=True)
class TripGroup:
    """Usual trips, and the recorded ones that are driven in their place; either may be none.

    Attributes
    ----------
    known_at : when the recorded ones become known, UTC, whole minute.
    """

    usual: tuple[Trip, ...]
    recorded: tuple[Trip, ...]
    known_at: datetime

    @property
    def trips(self) -> tuple[Trip, ...]:
        """Return all trips of the group."""
        return (*self.usual, *self.recorded)

    def is_as_usual(self, car: Car) -> bool:
        """Return whether the recorded trips are within what the car's ready time and trip margin allow for.

        Such a difference calls for no new plan.
        """
        slack, margin = timedelta(minutes=car.ready_minutes_before), car.trip_margin_percent / 100
        return len(self.usual) == len(self.recorded) and all(
            abs(usual.depart_at - driven.depart_at) <= slack
            and abs(usual.return_at - driven.return_at) <= slack
            and abs(usual.distance_km - driven.distance_km) <= margin * usual.distance_km
            for usual, driven in zip(self.usual, self.recorded, strict=True)
        )


def trip_groups(inputs: Inputs, begin: datetime, end: datetime) -> list[TripGroup]:
    """Return the groups of the trips that are partly between begin and end, in time order."""
    notice = timedelta(hours=inputs.site.plan.trip_notice_hours)
    since = begin - LONGEST_USUAL_TRIP
    recorded = trips_overlapping(inputs, since, end)
    usual = recorded if inputs.recorded_trips is None else usual_trips_overlapping(inputs, since, end)
    either = [(trip, False) for trip in usual] + [(trip, True) for trip in recorded]
    found = []
    for group in _overlapping(sorted(either, key=lambda each: (each[0].depart_at, each[0].return_at))):
        planned, driven = (tuple(trip for trip, is_driven in group if is_driven == which) for which in (False, True))
        known_at = group[0][0].depart_at - notice
        found.append(TripGroup(planned, driven, known_at.replace(second=0, microsecond=0)))
    return found


def known_trips(
    groups: Sequence[TripGroup], begin: datetime, until: datetime, now: datetime | None = None
) -> tuple[Trip, ...]:
    """Return the trips that a plan expects to depart between two instants, in time order.

    Parameters
    ----------
    now : when the plan is made; None: at the first of the two.
    """
    known = begin if now is None else now
    expected = (trip for group in groups for trip in (group.recorded if group.known_at <= known else group.usual))
    return tuple(trip for trip in expected if begin <= trip.depart_at < until)


def trips_as_usual(groups: Sequence[TripGroup], now: datetime) -> tuple[Trip, ...]:
    """Return the usual trips that are expected at a moment because nothing else is known yet."""
    return tuple(trip for group in groups if group.known_at > now for trip in group.usual)


def replan_times(
    groups: Sequence[TripGroup], now: datetime, following: datetime, until: datetime, car: Car
) -> list[datetime]:
    """Return when, after now and before the following evening, a trip that is not as usual calls for a new plan.

    While the car is away that waits for its return.

    Parameters
    ----------
    until : end of the evening's plan; trips that depart later call for none.
    """
    driven = [trip for group in groups for trip in group.recorded]
    found: set[datetime] = set()
    for group in groups:
        if group.is_as_usual(car) or min(trip.depart_at for trip in group.trips) >= until or group.known_at <= now:
            continue
        at = group.known_at
        for trip in driven:
            if trip.depart_at <= at < trip.return_at:
                at = trip.return_at
        if at < following:
            found.add(at)
    return sorted(found)[:MOST_REPLANS]


def _overlapping(trips: Sequence[tuple[Trip, bool]]) -> Iterator[list[tuple[Trip, bool]]]:
    """Yield runs of trips, in order of departure, in which each begins before an earlier one is back."""
    run: list[tuple[Trip, bool]] = []
    for each in trips:
        if run and each[0].depart_at >= max(trip.return_at for trip, _ in run):
            yield run
            run = []
        run.append(each)
    if run:
        yield run
