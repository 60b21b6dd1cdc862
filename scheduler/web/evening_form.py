"""The evening's form: what is typed in it, what it is filled with, and tonight's request read from it.

Everything is read by the parsers of the command line; a fault is told at its field, and what was typed stays.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from models.drive.pace import PACES
from models.site.trips import Trip
from scheduler.inputs.site_inputs import Inputs
from scheduler.inputs.usual_trips import usual_trips_tonight
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.nights.parse_trip import parse_trip
from scheduler.nights.request import MOST_TRIPS
from scheduler.textio.errors import Fault, InputFaults, shown
from scheduler.textio.format import number_text
from scheduler.textio.parse_clock import clock_minutes
from scheduler.textio.parse_number import parse_number
from scheduler.web.public_text import in_page_words, public_text

FIELDS = ("soc", "away", "outside", "highest")
"""The fields besides those of trips and of what carries over."""
FIELD_OF_OPTION = {
    "--soc": "soc",
    "--home-at": "away",
    "--outside-degc": "outside",
    "--highest-soc-today": "highest",
    "--trip": "trips",
}
OF_TRIP = ("leaves", "back", "distance")
MOST_TYPED = 200
"""Letters of a field that are kept."""
ANY_SOC = 50.0
"""Stands for a state of charge that cannot be read while the other fields are checked [%]."""
_TRIP_FIELD = re.compile(r"(leaves|back|distance|pace)-([0-9]{1,3})")
_DISTANCE = re.compile(r"(?P<number>.*?)\s*(?P<unit>km|kms|mi|miles?|kilomet(?:er|re)s?)?", re.IGNORECASE | re.DOTALL)
_DATED = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ].*")

FieldFaults = dict[str, list[str]]
"""What is wrong, by field: "soc", "leaves-0", "trip-0" for a whole row, "trips" for all of them, "" for no field."""


@dataclass(frozen=True, slots=True)
class TypedTrip:
    """A row of the trips, as typed; a row with nothing in it is no trip."""

    leaves: str = ""
    back: str = ""
    distance: str = ""
    pace: str = "usual"

    @property
    def is_blank(self) -> bool:
        """Return whether nothing was typed."""
        return not (self.leaves.strip() or self.back.strip() or self.distance.strip())


@dataclass(frozen=True, slots=True)
class TypedEvening:
    """A form, as typed.

    Attributes
    ----------
    soc : state of charge now, or on arrival. carried : what the field was filled with, "" for nothing.
    carried_from : where that is from, in words. confirmed : whether it was confirmed.
    away : until when. outside : temperature [°C]. highest : today's highest state of charge. trips : the rows.
    """

    soc: str = ""
    carried: str = ""
    confirmed: bool = False
    away: str = ""
    outside: str = ""
    highest: str = ""
    trips: tuple[TypedTrip, ...] = ()


def typed_evening(form: Iterable[tuple[str, str]]) -> TypedEvening:
    """Return what a form holds; fields that it does not have are empty, and others are passed over."""
    fields: dict[str, str] = {}
    rows: dict[int, dict[str, str]] = {}
    for name, value in form:
        value = value[:MOST_TYPED]
        if found := _TRIP_FIELD.fullmatch(name):
            rows.setdefault(int(found[2]), {})[found[1]] = value
        else:
            fields[name] = value
    trips = [
        TypedTrip(
            row.get("leaves", ""),
            row.get("back", ""),
            row.get("distance", ""),
            row["pace"] if row.get("pace") in PACES else "usual",
        )
        for _, row in sorted(rows.items())
    ]
    return TypedEvening(
        carried=fields.get("carried", ""),
        confirmed=fields.get("confirmed") == "yes",
        trips=tuple(trips),
        **{name: fields.get(name, "") for name in FIELDS},
    )


def with_row(typed: TypedEvening) -> TypedEvening:
    """Return the form with one more row; the same if it has as many as a night may have."""
    return typed if len(typed.trips) >= MOST_TRIPS else replace(typed, trips=(*typed.trips, TypedTrip()))


def without_row(typed: TypedEvening, number: int) -> TypedEvening:
    """Return the form without a row; the same if it has no such row."""
    return replace(typed, trips=tuple(trip for at, trip in enumerate(typed.trips) if at != number))


def rows_of_trips(trips: Iterable[Trip], now: datetime, timezone: str) -> tuple[TypedTrip, ...]:
    """Return trips as rows, with clock times alone where these mean the trip."""
    return tuple(_row(trip, now, timezone) for trip in trips)


def usual_rows(inputs: Inputs, now: datetime) -> tuple[TypedTrip, ...]:
    """Return the site's usual trips until the end of a plan from now, as rows."""
    site = inputs.site
    until = now + timedelta(hours=site.plan.horizon_hours)
    return rows_of_trips(usual_trips_tonight(site, now, until, site.timezone)[0], now, site.timezone)


def read_evening(
    typed: TypedEvening, inputs: Inputs, now: datetime, until: datetime | None = None
) -> tuple[RequestOptions | None, FieldFaults]:
    """Read tonight's request from a form.

    Parameters
    ----------
    now : whole minute, UTC. until : end of the plan; None for the site's horizon.

    Returns
    -------
    The options as the command line would give them, None if anything is at fault; and the faults by field.
    """
    faults: FieldFaults = {}
    soc = _number(typed.soc, "%", "soc", faults)
    if not typed.soc.strip():
        faults["soc"] = ["none given; expected a number of %, as the car shows it"]
    elif typed.carried and typed.soc.strip() == typed.carried.strip() and not typed.confirmed:
        faults["soc"] = ["not confirmed; expected the tick below if the car shows this, or what it shows"]
    outside = _number(typed.outside, "°C", "outside", faults)
    highest = _number(typed.highest, "%", "highest", faults)
    texts = []
    for number, trip in enumerate(typed.trips):
        if not trip.is_blank:
            text = _trip_text(trip, number, now, inputs.site.timezone, faults)
            texts += [] if text is None else [text]
    options = RequestOptions(
        soc_percent=ANY_SOC if soc is None else soc,
        now=now.astimezone(ZoneInfo(inputs.site.timezone)).isoformat(timespec="minutes"),
        home_at=typed.away.strip() or None,
        highest_soc_today_percent=None if soc is None else highest,
        trips=tuple(texts),
        stay_home=not texts,
        outside_degc=outside,
    )
    try:
        parse_request(options, inputs, until)
    except InputFaults as error:
        for fault in error.faults:
            add_fault(faults, fault, inputs.site.folder)
    return (None if faults else options), faults


def add_fault(faults: FieldFaults, fault: Fault, folder: Path | None = None) -> None:
    """Add a fault at the field of its option, once; at no field if it is not of an option that the form has."""
    field = FIELD_OF_OPTION.get(fault.file, "")
    text = fault.message if field else str(fault)
    told = in_page_words(public_text(text, folder))
    known = faults.setdefault(field, [])
    if told not in known:
        known.append(told)


def as_in_document(document: Mapping[str, object], now: datetime, timezone: str) -> TypedEvening:
    """Return a form with what was asked of an earlier plan: its trips at the same times of day, and what was outside.

    Parameters
    ----------
    document : of plan.json.
    """
    trips = document.get("trips")
    found: list[TypedTrip] = []
    for trip in trips if isinstance(trips, list) else []:
        depart, comeback = (
            datetime.fromisoformat(trip[key]).astimezone(ZoneInfo(timezone)) for key in ("depart", "return")
        )
        if comeback - depart < timedelta(days=1):
            leaves, back = f"{depart:%H:%M}", f"{comeback:%H:%M}"
            found.append(TypedTrip(leaves, back, _distance_text(trip["distance_km"]), str(trip.get("pace", "usual"))))
    outside = document.get("outside_degc")
    home_at = document.get("home_at")
    away = ""
    if isinstance(home_at, Mapping):
        ends = [
            f"{datetime.fromisoformat(str(home_at[key])).astimezone(ZoneInfo(timezone)):%H:%M}"
            for key in ("earliest", "latest")
        ]
        away = ends[1] if ends[0] == ends[1] else "..".join(ends)
    return TypedEvening(
        away=away, outside="" if not isinstance(outside, int | float) else f"{outside:g}", trips=tuple(found)
    )


def soc_text(percent: float) -> str:
    """Return a state of charge as it is typed.

    >>> soc_text(71.04), soc_text(56.55)
    ('71', '56.5')
    """
    return number_text(percent, 1).removesuffix(".0")


def _number(text: str, unit: str, field: str, faults: FieldFaults) -> float | None:
    """Return the number in a field; None for an empty one, or after adding its fault."""
    if not text.strip():
        return None
    try:
        return parse_number(text, unit)
    except ValueError as error:
        faults.setdefault(field, []).append(f"found {shown(text)}; expected a number of {unit}{error}")
        return None


def _trip_text(trip: TypedTrip, number: int, now: datetime, timezone: str, faults: FieldFaults) -> str | None:
    """Return a row as the command line gives a trip; None after adding its faults."""
    before = len(faults)
    for name, typed, such in (("leaves", trip.leaves, "07:30"), ("back", trip.back, "18:00")):
        if not typed.strip():
            faults[f"{name}-{number}"] = [f"none given; expected a time such as {such}"]
        elif clock_minutes(typed) is None and not _DATED.fullmatch(typed.strip()):
            message = f"found {shown(typed)}; expected a time such as {such}, or 2026-03-03 {such}"
            faults[f"{name}-{number}"] = [message]
    distance, problem = read_distance(trip.distance)
    if problem:
        faults[f"distance-{number}"] = [problem]
    if len(faults) > before:
        return None
    pace = "" if trip.pace == "usual" else f" {trip.pace}"
    text = f"{trip.leaves.strip()}-{trip.back.strip()} {distance}{pace}"
    try:
        parse_trip(text, now, timezone)
    except InputFaults as error:
        key = f"distance-{number}" if "distance" in str(error) else f"trip-{number}"
        faults[key] = [in_page_words(fault.message) for fault in error.faults]
        return None
    return text


def _row(trip: Trip, now: datetime, timezone: str) -> TypedTrip:
    leaves, back = (each.astimezone(ZoneInfo(timezone)) for each in (trip.depart_at, trip.return_at))
    distance = _distance_text(trip.distance_km)
    plain = TypedTrip(f"{leaves:%H:%M}", f"{back:%H:%M}", distance, trip.pace)
    try:
        read, _ = parse_trip(f"{plain.leaves}-{plain.back} {distance} km", now, timezone)
        same = (read.depart_at, read.return_at) == (trip.depart_at, trip.return_at)
    except InputFaults:
        same = False
    return plain if same else replace(plain, leaves=f"{leaves:%Y-%m-%d %H:%M}", back=f"{back:%Y-%m-%d %H:%M}")


def _distance_text(km: float) -> str:
    return f"{km:.10g}"


def read_distance(typed: str) -> tuple[str, str]:
    """Return a distance as a trip has it, and what is wrong with it; kilometres where no unit is typed.

    >>> read_distance("12,5"), read_distance("60 mi")
    (('12,5 km', ''), ('60 mi', ''))
    >>> read_distance("far")[1]
    'found "far"; expected a distance such as 96 km or 60 mi'
    """
    expected = "expected a distance such as 96 km or 60 mi"
    found = _DISTANCE.fullmatch(typed.strip())
    if not typed.strip() or found is None:
        return "", f"none given; {expected}"
    try:
        parse_number(found["number"])
    except ValueError as error:
        return "", f"found {shown(typed)}; {expected}{error}"
    return f"{found['number']} {found['unit'] or 'km'}", ""


def count_of(faults: Mapping[str, Sequence[str]]) -> int:
    """Return how many faults there are."""
    return sum(map(len, faults.values()))
