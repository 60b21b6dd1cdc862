"""Find the usual trips of one night, for which no trip is given."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from models.base.clock import end_of_skipped_hour, instants_of
from models.site.trips import Trip
from scheduler.inputs.site import Site, UsualTrip
from scheduler.textio.parse_time import local_text


def usual_trips_tonight(
    site: Site, now: datetime, until: datetime, timezone: str
) -> tuple[tuple[Trip, ...], tuple[str, ...]]:
    """Return the site's usual trips that depart at or after now and before until.

    A time that the clocks skip moves to the end of the skipped hour; in a doubled hour the departure is the first
    occurrence and the return the second. A trip that should be under way now is left out.

    Parameters
    ----------
    timezone : IANA name of the site's zone.

    Returns
    -------
    The trips in time order, in UTC, and notes.
    """
    first_day = now.astimezone(ZoneInfo(timezone)).date() - timedelta(days=2)
    last_day = until.astimezone(ZoneInfo(timezone)).date()
    trips: list[Trip] = []
    notes: list[str] = []
    home_since = datetime.min.replace(tzinfo=UTC)
    for day, usual in _departures(site, first_day, last_day):
        trip, trip_notes = _on_day(usual, day, home_since, timezone)
        home_since = trip.return_at
        if trip.depart_at < now < trip.return_at:
            notes.append(_under_way(trip, timezone))
        elif now <= trip.depart_at < until:
            notes += trip_notes
            if trip.depart_at < trip.return_at:
                trips.append(trip)
    return tuple(trips), tuple(notes)


def _departures(site: Site, first_day: date, last_day: date) -> Iterator[tuple[date, UsualTrip]]:
    """Yield each usual trip of each day, in time order."""
    in_day_order = sorted(site.usual_trips, key=lambda usual: usual.depart_minute)
    for days in range((last_day - first_day).days + 1):
        day = first_day + timedelta(days=days)
        for usual in in_day_order:
            if day.weekday() in usual.days:
                yield day, usual


def _on_day(usual: UsualTrip, day: date, home_since: datetime, timezone: str) -> tuple[Trip, list[str]]:
    """Return the trip that departs on a day, once the one before it is back, and notes on clock changes."""
    next_day = usual.return_minute <= usual.depart_minute
    depart_wall = _wall(day, usual.depart_minute)
    return_wall = _wall(day + timedelta(days=next_day), usual.return_minute)
    departs, returns = _instants(depart_wall, timezone), _instants(return_wall, timezone)
    depart_at = next((instant for instant in departs if instant >= home_since), departs[-1])
    trip = Trip(depart_at, returns[-1], usual.distance_km, usual.pace)
    notes = []
    for what, wall, instants, taken in (
        ("departure", depart_wall, departs, trip.depart_at),
        ("return", return_wall, returns, trip.return_at),
    ):
        shows = taken.astimezone(ZoneInfo(timezone)).replace(tzinfo=None)
        if shows != wall:
            notes.append(f"the clocks skip the usual {what} {wall:%H:%M}; taken as {local_text(taken, timezone)}")
        elif len(instants) > 1:
            notes.append(
                f"the usual {what} {wall:%H:%M} occurs twice as the clocks go back; "
                f"taken as {local_text(taken, timezone)}"
            )
    return trip, notes


def _instants(wall: datetime, timezone: str) -> list[datetime]:
    """Return when the clock shows a time, in UTC; the end of the skipped hour where the clock skips it."""
    instants = instants_of(wall, timezone) or [end_of_skipped_hour(wall, timezone)]
    return [instant.astimezone(UTC) for instant in instants]


def _wall(day: date, minute: int) -> datetime:
    return datetime.combine(day, datetime.min.time()) + timedelta(minutes=minute)


def _under_way(trip: Trip, timezone: str) -> str:
    """Return the note on a usual trip that should be under way now."""
    wall = trip.return_at.astimezone(ZoneInfo(timezone)).replace(tzinfo=None)
    twice = len(instants_of(wall, timezone)) > 1
    home_at = local_text(trip.return_at, timezone) if twice else f"{wall:%H:%M}"
    return (
        f"the usual trip until {home_at} is under way by the clock; planned as if the car is at home; "
        f"if not, give --home-at {home_at}"
    )
