"""The evenings of a stretch of days at which nights are planned: a clock time, or the car's return if that is later."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

from models.base.clock import end_of_skipped_hour, instants_of
from models.site.trips import Trip
from scheduler.inputs.site_inputs import Inputs
from scheduler.inputs.usual_trips import usual_trips_tonight

LONGEST_USUAL_TRIP = timedelta(days=2)
"""Usual trips are back within a day and a clock change."""


def evenings(minute: int, first: date, last: date, trips: Sequence[Trip], timezone: str) -> list[datetime]:
    """One instant for each day from first to last on which the car is home in the evening, UTC.

    A day whose evening passes while the car is away is planned at its return; where that is after the next evening,
    the day has none.

    Parameters
    ----------
    minute : local clock, minutes since midnight. trips : in time order. timezone : IANA name.
    """
    found: list[datetime] = []
    days = [first + timedelta(days=later) for later in range((last - first).days + 1)]
    for day in days:
        usual, following = (_at(each, minute, timezone) for each in (day, day + timedelta(days=1)))
        away = next((trip for trip in trips if trip.depart_at <= usual < trip.return_at), None)
        instant = usual if away is None else away.return_at
        if instant < following and (not found or instant > found[-1]):
            found.append(instant)
    return found


def trips_between(inputs: Inputs, begin: datetime, end: datetime) -> tuple[Trip, ...]:
    """Trips that depart in a stretch of time, UTC: the recorded ones where the site has some, else the usual ones."""
    if inputs.recorded_trips is not None:
        return tuple(
            Trip(trip.depart_at.astimezone(UTC), trip.return_at.astimezone(UTC), trip.distance_km)
            for trip in inputs.recorded_trips
            if begin <= trip.depart_at < end
        )
    return usual_trips_tonight(inputs.site, begin, end, inputs.site.timezone)[0]


def trips_overlapping(inputs: Inputs, begin: datetime, end: datetime) -> tuple[Trip, ...]:
    """Trips of which some part lies after begin and before end, UTC; where the two are one, those under way then."""
    if inputs.recorded_trips is not None:
        return tuple(
            Trip(trip.depart_at.astimezone(UTC), trip.return_at.astimezone(UTC), trip.distance_km)
            for trip in inputs.recorded_trips
            if trip.depart_at < end and trip.return_at > begin
        )
    usual = usual_trips_tonight(inputs.site, begin - LONGEST_USUAL_TRIP, end, inputs.site.timezone)[0]
    return tuple(trip for trip in usual if trip.return_at > begin)


def midnight(day: date, timezone: str) -> datetime:
    """The instant at which a local day begins, UTC."""
    return _at(day, 0, timezone)


def _at(day: date, minute: int, timezone: str) -> datetime:
    """The instant of a clock time on a day, UTC; after a lost hour where the clock leaves it out."""
    wall = datetime.combine(day, datetime.min.time()) + timedelta(minutes=minute)
    instants = instants_of(wall, timezone)
    return (instants[0] if instants else end_of_skipped_hour(wall, timezone)).astimezone(UTC)
