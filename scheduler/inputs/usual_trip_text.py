"""Parse usual trips as a person types them: "mon-fri 7:30-18:00 30km; sat 10:00-12:00 8km"."""

from __future__ import annotations

import re
from pathlib import Path

from models.drive.pace import KM_PER_MILE
from scheduler.inputs.site_file import overlapping_trips
from scheduler.inputs.site_schema import MOST_USUAL_TRIPS, UsualTripTable
from scheduler.textio.errors import Fault, shown
from scheduler.textio.toml_tables import TomlDocument, check_tables
from scheduler.textio.toml_values import DAYS
from scheduler.textio.trip_spelling import plain_trip

EXPECTED = 'days, clock times and a distance, such as "mon-fri 07:30-17:30 30km", with ";" between trips'
_TRIP = re.compile(r"(?P<depart>\d\d:\d\d)-(?P<return>\d\d:\d\d) (?P<distance>[\d.]+)(?P<unit>km|mi)")
_DAYS = re.compile(r"(?P<days>[^0-9]+?)\s*,?\s+(?P<trip>[0-9].*)", re.DOTALL)
_GROUPS = {
    "weekdays": DAYS[:5],
    "workdays": DAYS[:5],
    "weekend": DAYS[5:],
    "weekends": DAYS[5:],
    "daily": DAYS,
    "every day": DAYS,
}

UsualTripRow = dict[str, object]
"""A usual trip by the keys of `[[usual_trip]]`."""


def parse_usual_trips(text: str) -> tuple[UsualTripRow, ...]:
    """Parse usual trips.

    Returns
    -------
    One row per trip, with the keys and values of `[[usual_trip]]`.

    Raises
    ------
    ValueError : any other text, or trips that overlap; its text says what was found.

    Examples
    --------
    >>> parse_usual_trips("Mon-Wed 7:30–18:00, 12,5 km")
    ({'days': ['mon', 'tue', 'wed'], 'depart': '07:30', 'return': '18:00', 'distance_km': 12.5},)
    """
    rows = tuple(_row(part.strip()) for part in text.split(";") if part.strip())
    document = TomlDocument(Path("-"), {"usual_trip": list(rows)}, {})
    faults: list[Fault] = []
    trips = check_tables(document, "usual_trip", UsualTripTable, faults, MOST_USUAL_TRIPS)
    faults += overlapping_trips(document, trips)
    if faults or not rows:
        raise ValueError(faults[0].message.partition("; expected")[0] if faults else f"found {shown(text)}")
    return rows


def _row(text: str) -> UsualTripRow:
    """Parse one trip; raise ValueError for any other text."""
    found = _DAYS.fullmatch(text)
    trip = _TRIP.fullmatch(plain_trip(found["trip"])) if found else None
    if found is None or trip is None:
        raise ValueError(f"found {shown(text)}")
    distance_km = float(trip["distance"]) * (KM_PER_MILE if trip["unit"] == "mi" else 1)
    return {
        "days": list(_days(found["days"].strip().lower().rstrip(":,"), text)),
        "depart": trip["depart"],
        "return": trip["return"],
        "distance_km": round(distance_km, 3),
    }


def _days(words: str, text: str) -> tuple[str, ...]:
    """Return the days that words name, from Monday on; raise ValueError for other words."""
    if words in _GROUPS:
        return _GROUPS[words]
    found: set[int] = set()
    spans = re.sub(r"\s*(?:[-–—]|\bto\b)\s*", "-", re.sub(r"\band\b|[,&+]", " ", words)).split()
    for span in spans:
        ends = [_day(end) for end in span.split("-")]
        if len(ends) > 2 or None in ends:
            raise ValueError(f"found {shown(text)}")
        first, last = ends[0] or 0, ends[-1] or 0
        found |= {(first + step) % 7 for step in range((last - first) % 7 + 1)}
    return tuple(DAYS[day] for day in sorted(found))


def _day(word: str) -> int | None:
    """Return the number of a day of the week by its English name or at least three letters of it, or None."""
    names = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
    return next((day for day, name in enumerate(names) if len(word) > 2 and f"{name}s".startswith(word)), None)
