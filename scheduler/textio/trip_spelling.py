"""Rewrite a trip as a person types it to the one form in which trips are parsed."""

from __future__ import annotations

import re

from scheduler.textio.parse_clock import CLOCK, plain_moment
from scheduler.textio.parse_number import parse_number

_MOMENT = rf"(?:[0-9]{{4}}-[0-9]{{2}}-[0-9]{{2}}(?:T|\s+))?{CLOCK}"
_TIMES = re.compile(
    rf"(?P<depart>{_MOMENT})\s*(?:[-–—−]|\bto\b|\buntil\b)\s*(?P<return>{_MOMENT})(?P<sign>\s*[,;]\s*|\s+)(?P<rest>\S.*)",
    re.IGNORECASE | re.DOTALL,
)
_DISTANCE = re.compile(r"(?P<number>[\d.,' ]*\d)\s*(?P<unit>km|kms|mi|miles?|kilomet(?:er|re)s?)\b", re.IGNORECASE)
MOST_CHARACTERS = 200


def plain_trip(text: str) -> str:
    """Return a trip with clock times "HH:MM", a hyphen between them, and a distance with a point and km or mi.

    Returns
    -------
    The trip; any other text, and a part that cannot be read, as it is.

    Examples
    --------
    >>> plain_trip("7:30–6pm, 12,5 km"), plain_trip("2026-03-03 7.30 to 2026-03-04 18h 60 miles")
    ('07:30-18:00 12.5km', '2026-03-03T07:30-2026-03-04T18:00 60mi')
    >>> plain_trip("half past seven, 96km")
    'half past seven, 96km'
    """
    text = text.strip()
    found = _TIMES.fullmatch(text) if len(text) <= MOST_CHARACTERS else None
    if found is None:
        return text
    return f"{plain_moment(found['depart'])}-{plain_moment(found['return'])} {_plain_distance(found['rest'])}"


def _plain_distance(text: str) -> str:
    """Return a text that begins with a distance, with that distance as "12.5km" or "12.5mi"."""
    found = _DISTANCE.match(text)
    if found is None:
        return text
    try:
        number = parse_number(found["number"])
    except ValueError:
        return text
    unit = "mi" if found["unit"].lower().startswith("mi") else "km"
    plain = found["number"] if found["number"].replace(".", "").isdigit() else f"{number:.12g}"
    return f"{plain}{unit}{text[found.end() :]}"
