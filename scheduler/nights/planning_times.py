"""Find when the nights of a period are planned: at a clock time each evening, or at the car's return if later."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from models.base.clock import end_of_skipped_hour, instants_of
from models.site.trips import Trip
from scheduler.inputs.site_inputs import Inputs
from scheduler.inputs.usual_trips import usual_trips_tonight

LONGEST_USUAL_TRIP = timedelta(days=2)
"""Usual trips return within a day and a clock change."""


def evenings(minute: int, first: date, last: date, trips: Sequence[Trip], timezone: str) -> list[datetime]:
    """Return when to plan each night from first to last, UTC.

    If the car is away in the evening, the night is planned at its return; a return after the next evening skips the
    night.

    Parameters
    ----------
    minute : local clock time of the evening [minutes since midnight].
    trips : in time order.
    timezone : IANA name.
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
    """Return the trips that depart at or after begin and before end, UTC: recorded ones if the site has any."""
    if inputs.recorded_trips is not None:
        return tuple(
            replace(trip, depart_at=trip.depart_at.astimezone(UTC), return_at=trip.return_at.astimezone(UTC))
            for trip in inputs.recorded_trips
            if begin <= trip.depart_at < end
        )
    return usual_trips_tonight(inputs.site, begin, end, inputs.site.timezone)[0]


def trips_overlapping(inputs: Inputs, begin: datetime, end: datetime) -> tuple[Trip, ...]:
    """Return the trips that are partly between begin and end, UTC; where the two are equal, those under way then."""
    if inputs.recorded_trips is not None:
        return tuple(
            replace(trip, depart_at=trip.depart_at.astimezone(UTC), return_at=trip.return_at.astimezone(UTC))
            for trip in inputs.recorded_trips
            if trip.depart_at < end and trip.return_at > begin
        )
    return usual_trips_overlapping(inputs, begin, end)


def usual_trips_overlapping(inputs: Inputs, begin: datetime, end: datetime) -> tuple[Trip, ...]:
    """Return the usual trips that are partly between begin and end, UTC; where the two are equal, those under way."""
    usual = usual_trips_tonight(inputs.site, begin - LONGEST_USUAL_TRIP, end, inputs.site.timezone)[0]
    return tuple(trip for trip in usual if trip.return_at > begin)


def midnight(day: date, timezone: str) -> datetime:
    """Return the instant at which a local day begins, UTC.

    Examples
    --------
    >>> midnight(date(2026, 7, 2), "Europe/Dublin").isoformat()
    '2026-07-01T23:00:00+00:00'
    """
    return _at(day, 0, timezone)


def _at(day: date, minute: int, timezone: str) -> datetime:
    """Return the instant of a clock time on a day, UTC; the end of the skipped hour where the clock skips it."""
    wall = datetime.combine(day, datetime.min.time()) + timedelta(minutes=minute)
    instants = instants_of(wall, timezone)
    return (instants[0] if instants else end_of_skipped_hour(wall, timezone)).astimezone(UTC)
