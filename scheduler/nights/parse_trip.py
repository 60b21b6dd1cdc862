"""Parse the trips that the owner types."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from models.drive.pace import KM_PER_MILE, PACES
from models.site.trips import Trip
from scheduler.textio.bounds import DISTANCE_KM
from scheduler.textio.errors import MOST_SHOWN_CHARACTERS, Fault, InputFaults, shown, single_fault
from scheduler.textio.format import span_text
from scheduler.textio.parse_number import parse_number
from scheduler.textio.parse_time import (
    CLOCK,
    DATE,
    instants_at,
    local_text,
    next_instants,
    not_before,
    parse_clock,
    parse_date,
)
from scheduler.textio.trip_spelling import plain_trip

TRIP_OPTION = "--trip"
TWO_FORMS = '"07:30-18:00 96km" or "2026-03-03T07:30-2026-03-04T18:00 96km"'

_TRIP = re.compile(
    rf"(?:(?P<depart_date>{DATE})T)?(?P<depart>{CLOCK})"
    rf"-(?:(?P<return_date>{DATE})T)?(?P<return>{CLOCK})"
    r"\s+(?P<distance>\S+?)\s?(?P<unit>km|mi)"
    r"(?:\s+(?P<pace>[a-z]+))?"
)
_DISTANCE = re.compile(r"-?(?:[0-9]+\.?[0-9]*|\.[0-9]+)")


def parse_trip(text: str | Trip, now: datetime, timezone: str) -> tuple[Trip, tuple[str, ...]]:
    """Parse a trip.

    In a doubled hour the departure is the first occurrence that is not past and the return the second; a note says so.

    Parameters
    ----------
    text : "07:30-18:00 96km" (the next such time at or after now; a return at or before the departure's clock time is
        on the next day), "2026-03-03T07:30-18:00 96km" or "2026-03-03T07:30-2026-03-04T18:00 96km"; `mi` for miles;
        decimals are allowed, and other spellings of all of it (see plain_trip); `slow` or `fast` may follow. A Trip is
        checked.
    timezone : IANA name of the site's zone.

    Returns
    -------
    The trip, in UTC, and notes on how it was read.

    Raises
    ------
    InputFaults : any other text; a time that the clocks skip; a departure before now; a return not after it.

    Examples
    --------
    >>> now = datetime(2026, 3, 2, 18, 20, tzinfo=UTC)
    >>> trip, notes = parse_trip("07:30-18:00 96km", now, "Europe/Dublin")
    >>> trip_text(trip, "Europe/Dublin")
    '2026-03-03T07:30+00:00 to 2026-03-03T18:00+00:00, 96 km'
    """
    if isinstance(text, Trip):
        return _checked(text), ()
    match = _TRIP.fullmatch(plain_trip(text))
    if match is None or (match["return_date"] and not match["depart_date"]):
        raise _fault(f"found {shown(text)}; expected {TWO_FORMS}, or mi for miles{_without_unit(text)}")
    if match["pace"] not in (None, *PACES):
        raise _fault(f"found {shown(match['pace'])} after the distance; expected slow or fast, or nothing")
    distance_km = _distance_km(match["distance"], match["unit"])
    depart_clock = parse_clock(match["depart"], TRIP_OPTION)
    return_clock = parse_clock(match["return"], TRIP_OPTION)
    if match["return_date"] is None and return_clock == depart_clock:
        raise _fault(f"{shown(text)} returns when it departs; expected a later return, or a date for each")

    if match["depart_date"]:
        wall = datetime.combine(parse_date(match["depart_date"], TRIP_OPTION), depart_clock)
        departs = not_before(
            instants_at(wall, timezone, TRIP_OPTION), now, f"the departure of {shown(text)}", TRIP_OPTION
        )
    else:
        departs = next_instants(depart_clock, now, timezone, TRIP_OPTION)
    depart_at = departs[0]
    depart_date = depart_at.astimezone(ZoneInfo(timezone)).date()

    if match["return_date"]:
        return_date = parse_date(match["return_date"], TRIP_OPTION)
    else:
        return_date = depart_date + timedelta(days=return_clock < depart_clock)
    returns = instants_at(datetime.combine(return_date, return_clock), timezone, TRIP_OPTION)
    return_at = returns[-1]
    if return_at <= depart_at:
        raise _fault(f"{shown(text)} returns before it departs; expected a later return")
    notes = (
        *_doubled("departure", departs, depart_at, timezone),
        *_doubled("return", returns, return_at, timezone),
    )
    return Trip(depart_at, return_at, distance_km, match["pace"] or "usual"), notes


def check_trips(trips: Iterable[Trip], now: datetime, timezone: str = "UTC") -> tuple[Trip, ...]:
    """Return the trips in time order, after checking them.

    Parameters
    ----------
    timezone : IANA name of the site's zone, for messages.

    Raises
    ------
    InputFaults : trips that overlap, each pair named (departing when the other returns is not an overlap), or that
        depart before now.
    """
    in_order = tuple(sorted(trips, key=lambda trip: (trip.depart_at, trip.return_at)))
    faults = [
        f"the trip {trip_text(trip, timezone)} departs in the past; expected now or later"
        for trip in in_order
        if trip.depart_at < now
    ]
    faults += [
        f"the trips {_span_text(earlier, timezone)} and {_span_text(later, timezone)} overlap; "
        "expected trips one after the other"
        for earlier, later in pairwise(in_order)
        if later.depart_at < earlier.return_at
    ]
    if faults:
        raise InputFaults(Fault(TRIP_OPTION, None, None, message) for message in faults)
    return in_order


def _span_text(trip: Trip, timezone: str) -> str:
    """Return when a trip departs and returns: `Tue 07:30 to 18:00`."""
    return span_text(trip.depart_at, trip.return_at, timezone)


def trip_text(trip: Trip, timezone: str) -> str:
    """Return a trip on one line, in local time with offsets: `2026-03-03T07:30+00:00 to …T18:00+00:00, 96 km`."""
    depart, comeback = local_text(trip.depart_at, timezone), local_text(trip.return_at, timezone)
    return f"{depart} to {comeback}, {trip.distance_km:g} km{'' if trip.pace == 'usual' else f' {trip.pace}'}"


def _checked(trip: Trip) -> Trip:
    """Return a trip that was given as a Trip, in UTC, after checking it."""
    if trip.depart_at.tzinfo is None or trip.return_at.tzinfo is None:
        raise _fault("a trip's moments have no time zone; expected instants, such as datetimes in UTC")
    if not trip.depart_at < trip.return_at:
        raise _fault(f"the trip {trip_text(trip, 'UTC')} returns before it departs; expected a later return")
    if problem := DISTANCE_KM.problem(trip.distance_km):
        raise _fault(f"the distance {problem}")
    if trip.pace not in PACES:
        raise _fault(f"found the pace {shown(trip.pace)}; expected slow, usual or fast")
    return replace(
        trip,
        depart_at=trip.depart_at.astimezone(UTC),
        return_at=trip.return_at.astimezone(UTC),
        distance_km=float(trip.distance_km),
    )


def _distance_km(number: str, unit: str) -> float:
    """Parse a distance; return it in km."""
    if not _DISTANCE.fullmatch(number):
        expected = "expected 0 or more, such as 96km or 60mi"
        raise _fault(f"the distance {shown(number)} is not a number; {expected}{_meant(number)}")
    distance_km = float(number) * (KM_PER_MILE if unit == "mi" else 1.0)
    problem = DISTANCE_KM.problem(distance_km, shown(f"{number}{unit}"))
    if problem is not None:
        raise _fault(f"the distance {problem}")
    return distance_km + 0.0  # a typed -0 becomes 0


def _without_unit(text: str) -> str:
    """Return `; did you mean …?` for a trip whose distance has no unit, or nothing."""
    trip = plain_trip(text[:MOST_SHOWN_CHARACTERS])
    if not _TRIP.fullmatch(f"{trip}km") or not trip[-1:].isdigit():
        return ""
    return f"; did you mean {trip.rpartition(' ')[2]}km, or mi?"


def _meant(number: str) -> str:
    """Return `; did you mean …?` for a number that may be two, or nothing."""
    try:
        parse_number(number)
    except ValueError as error:
        return str(error)
    return ""


def _doubled(what: str, instants: list[datetime], taken: datetime, timezone: str) -> list[str]:
    """Return a note on a time that occurs twice, saying which of the two was taken."""
    if len(instants) == 1:
        return []
    which = "first" if taken == instants[0] else "second"
    return [f"the {what} occurs twice as the clocks go back; taken as the {which}, {local_text(taken, timezone)}"]


def _fault(message: str) -> InputFaults:
    return single_fault(TRIP_OPTION, message)
