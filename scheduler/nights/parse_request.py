"""Parse tonight's request as the owner types it, against the site."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TypeVar
from zoneinfo import ZoneInfo

from models.site.trips import Trip
from models.tariff.offer import Band
from scheduler.inputs.site_inputs import Inputs
from scheduler.inputs.usual_trips import usual_trips_tonight
from scheduler.nights.parse_trip import check_trips, parse_trip
from scheduler.nights.request import LOOK_AHEAD_BY_SEGMENT, MOST_TRIPS, ForecastKind, Request, SolarKind
from scheduler.nights.todays_cycle import with_todays_cycle
from scheduler.textio.bounds import OUTSIDE_DEGC, SO_FAR_KW, SO_FAR_KWH, SOC_PERCENT, WEAR_WEIGHT, Bound
from scheduler.textio.errors import Fault, InputFaults, collected, shown, single_fault
from scheduler.textio.format import clock_text, sentence_case, span_text
from scheduler.textio.parse_clock import clock_minutes
from scheduler.textio.parse_time import local_text, parse_moment

Found = TypeVar("Found")

FARTHEST_CLOCK = timedelta(hours=18)
"""A clock time at which the car comes home, given without a date, is at most so far away: one that has just passed is
not taken as tomorrow's."""
HOME_AT, RANGE = "--home-at", ".."
LONGEST_RANGE = timedelta(hours=12)
"""A range any longer is two times in the wrong order."""


@dataclass(frozen=True, slots=True)
class RequestOptions:
    """The options of `overnight plan`; None where one was not given.

    Attributes
    ----------
    now, home_at, trips : as typed (see parse_moment, parse_home_at and parse_trip), or values.
    """

    soc_percent: float
    now: str | datetime | None = None
    home_at: str | datetime | None = None
    highest_soc_today_percent: float | None = None
    trips: tuple[str | Trip, ...] = ()
    stay_home: bool = False
    wear_weight: float | None = None
    forecast: ForecastKind = "samples"
    solar: SolarKind = "typical"
    peak_so_far_kw: float | None = None
    imported_so_far_kwh: float | None = None
    exported_so_far_kwh: float | None = None
    outside_degc: float | None = None


def parse_request(
    options: RequestOptions, inputs: Inputs, until: datetime | None = None, usual: Sequence[Trip] | None = None
) -> Request:
    """Parse tonight's request.

    Trips come from the options; if none is given, from the site's recorded trips where the forecast is `recorded` and
    the site has some, else from its usual trips. Today's highest state of charge, unless given, comes from those of
    them that are back today, or is the ceiling.

    Parameters
    ----------
    until : end of the plan, or None for the site's horizon.
    usual : trips of a night for which none is given, or None for the site's.

    Raises
    ------
    InputFaults : every option at fault, at once.
    """
    site, timezone = inputs.site, inputs.site.timezone
    faults = _out_of(SOC_PERCENT, "--soc", options.soc_percent)
    highest = options.highest_soc_today_percent
    if highest is not None:
        faults += _out_of(SOC_PERCENT, "--highest-soc-today", highest)
        if not faults and highest < options.soc_percent:
            faults.append(
                Fault("--highest-soc-today", None, None, f"{highest:g} is under --soc {options.soc_percent:g}")
            )
    weight = options.wear_weight
    for option, bound, amount in (
        ("--wear-weight", WEAR_WEIGHT, weight),
        ("--peak-so-far", SO_FAR_KW, options.peak_so_far_kw),
        ("--imported-so-far", SO_FAR_KWH, options.imported_so_far_kwh),
        ("--exported-so-far", SO_FAR_KWH, options.exported_so_far_kwh),
        ("--outside-degc", OUTSIDE_DEGC, options.outside_degc),
    ):
        faults += _out_of(bound, option, amount)
    if len(options.trips) > MOST_TRIPS:
        raise InputFaults(
            [
                *faults,
                Fault(
                    "--trip",
                    None,
                    None,
                    f"given {len(options.trips)} times; expected up to {MOST_TRIPS} trips in one night",
                ),
            ]
        )
    if options.stay_home and options.trips:
        faults.append(Fault("--stay-home", None, None, "cannot be given with --trip"))
    now = collected(lambda: moment_now(options.now, timezone), faults)
    if now is None:
        raise InputFaults(faults)
    horizon = until or now + timedelta(hours=site.plan.horizon_hours)
    home_at = earliest = None
    if options.home_at is not None:
        typed = options.home_at
        home = collected(lambda: parse_home_at(typed, now, timezone), faults)
        earliest, home_at = (None, None) if home is None else home
        if home_at is not None and home_at >= horizon:
            faults.append(Fault(HOME_AT, None, None, f"is after this plan ends at {local_text(horizon, timezone)}"))
        elif home_at is not None:
            faults += _just_past(typed, home_at, now, timezone)
    notes: list[str] = []
    trips: list[Trip] = []
    for text in options.trips:
        parsed = collected(lambda text=text: parse_trip(text, now, timezone), faults)  # type: ignore[misc]
        if parsed is not None:
            trips.append(parsed[0])
            notes += parsed[1]
    if not options.trips and not options.stay_home:
        trips, notes = _habitual(inputs, options, usual, home_at or now, now, horizon)
    if earliest is not None and home_at is not None:
        notes.append(_planned_for_the_latest(earliest, home_at, timezone))
    in_order = collected(lambda: check_trips(trips, now, timezone), faults)
    if home_at is not None and in_order and in_order[0].depart_at < home_at:
        departs = clock_text(in_order[0].depart_at, timezone)
        faults.append(Fault(HOME_AT, None, None, f"a trip departs at {departs}, before the car is home"))
    if faults or in_order is None:
        raise InputFaults(faults)
    asked = Request(
        now=now,
        soc_percent=options.soc_percent,
        trips=in_order,
        home_at=home_at,
        home_at_earliest=earliest,
        outside_degc=options.outside_degc,
        highest_soc_today_percent=highest,
        wear_weight=weight,
        forecast=options.forecast,
        solar=options.solar,
        notes=tuple(f"{sentence_case(note)}." for note in notes),
        until=until,
        peak_so_far_kw=options.peak_so_far_kw,
        imported_so_far_kwh=_by_band(options.imported_so_far_kwh, inputs.offer.import_bands),
        exported_so_far_kwh=_by_band(options.exported_so_far_kwh, inputs.offer.export_bands),
        later_trips=_later_trips(inputs, options.forecast, in_order, horizon),
        as_usual=_as_usual(inputs, options.forecast, in_order, now, horizon),
    )
    return with_todays_cycle(asked, inputs, recorded=options.forecast == "recorded")


def _just_past(given: str | datetime, home_at: datetime, now: datetime, timezone: str) -> list[Fault]:
    """Return the fault of a clock time without a date that has just passed, and so would mean almost a day; or nothing.

    Parameters
    ----------
    given : as typed. home_at : the moment that it was read as.
    """
    if home_at - now <= FARTHEST_CLOCK or not isinstance(given, str) or clock_minutes(given) is None:
        return []
    hours = (home_at - now).total_seconds() / 3600
    message = (
        f"{shown(given)} is past, and the next is {clock_text(home_at, timezone)}, {hours:.0f} hours away; expected a "
        f"later time, or {home_at.astimezone(ZoneInfo(timezone)):%Y-%m-%dT%H:%M} if that is meant; did you mean that "
        "the car is home? Then leave --home-at out"
    )
    return [Fault("--home-at", None, None, message)]


def parse_home_at(given: str | datetime, now: datetime, timezone: str) -> tuple[datetime | None, datetime]:
    """Parse when the car comes home: a moment, or a range of two.

    Parameters
    ----------
    given : a moment as parse_moment takes it, or two of them with `..` between them, such as "21:00..23:00"; the later
        one is the next such time after the earlier one.
    timezone : IANA name of the site's zone.

    Returns
    -------
    The earliest moment, None if there is only one, and the latest, in UTC.

    Raises
    ------
    InputFaults : either moment is at fault, or they are more than 12 hours apart.

    Examples
    --------
    >>> now = datetime(2026, 3, 2, 18, 20, tzinfo=UTC)
    >>> [each.isoformat() for each in parse_home_at("21:00..00:30", now, "Europe/Dublin") if each]
    ['2026-03-02T21:00:00+00:00', '2026-03-03T00:30:00+00:00']
    """
    ends = given.split(RANGE) if isinstance(given, str) else []
    if len(ends) < 2:
        return None, parse_moment(given, now, timezone, HOME_AT)
    if len(ends) > 2 or not all(end.strip() for end in ends):
        raise single_fault(HOME_AT, f'found {shown(given)}; expected a time such as "21:00", or two: "21:00..23:00"')
    earliest = parse_moment(ends[0], now, timezone, HOME_AT)
    latest = parse_moment(ends[1], earliest, timezone, HOME_AT)
    if latest - earliest > LONGEST_RANGE:
        hours = (latest - earliest) / timedelta(hours=1)
        raise single_fault(
            HOME_AT, f"{shown(given)} is a range of {hours:g} hours; expected up to 12 hours, the earlier time first"
        )
    return (None if earliest == latest else earliest), latest


def _planned_for_the_latest(earliest: datetime, latest: datetime, timezone: str) -> str:
    """Return a note on the end of a range that the plan counts on."""
    return (
        f"the car comes home between {clock_text(earliest, timezone)} and {clock_text(latest, timezone, earliest)}; "
        "this plan counts on the later time, so that no setting needs the car before and the departure holds; if it is "
        "home sooner, overnight replan makes use of it"
    )


def _later_trips(inputs: Inputs, forecast: ForecastKind, trips: Sequence[Trip], horizon: datetime) -> tuple[Trip, ...]:
    """Return the trips of the days after a night: those given for them, and the usual or recorded ones between."""
    given = [trip for trip in trips if trip.depart_at >= horizon]
    begin = max([horizon, *(trip.return_at for trip in trips if trip.depart_at < horizon)])
    until = begin + LOOK_AHEAD_BY_SEGMENT
    if forecast == "recorded" and inputs.recorded_trips is not None:
        others = [trip for trip in inputs.recorded_trips if begin <= trip.depart_at < until]
    else:
        others = list(usual_trips_tonight(inputs.site, begin, until, inputs.site.timezone)[0])
    between = [
        trip
        for trip in others
        if not any(trip.depart_at < known.return_at and known.depart_at < trip.return_at for known in given)
    ]
    return tuple(sorted([*given, *between], key=lambda trip: trip.depart_at))


def _as_usual(
    inputs: Inputs, forecast: ForecastKind, trips: Sequence[Trip], now: datetime, horizon: datetime
) -> tuple[Trip, ...]:
    """Return those of the trips that are usual ones, typed or not; none where recorded trips are known beforehand."""
    if forecast == "recorded" and inputs.recorded_trips is not None:
        return ()
    usual = usual_trips_tonight(inputs.site, now, horizon, inputs.site.timezone)[0]
    return tuple(trip for trip in trips if trip in usual)


def _by_band(kwh: float | None, bands: Sequence[Band]) -> dict[int, float] | None:
    """Return the same amount for each band that is a tier, by its number; None if it is not known."""
    if kwh is None:
        return None
    return {number: kwh for number, band in enumerate(bands) if band.up_to_kwh is not None}


def _habitual(
    inputs: Inputs,
    options: RequestOptions,
    usual: Sequence[Trip] | None,
    home_since: datetime,
    now: datetime,
    until: datetime,
) -> tuple[list[Trip], list[str]]:
    """Return the trips of a night for which none is given, and notes; one before the car is home is left out."""
    site = inputs.site
    trips: Sequence[Trip]
    notes: Sequence[str]
    if usual is not None:
        trips, notes = [trip for trip in usual if now <= trip.depart_at], []
    elif options.forecast == "recorded" and inputs.recorded_trips is not None:
        trips = tuple(trip for trip in inputs.recorded_trips if now <= trip.depart_at < until)
        under_way = [trip for trip in inputs.recorded_trips if trip.depart_at < now < trip.return_at]
        notes = tuple(
            f"a recorded trip is under way until {local_text(trip.return_at, site.timezone)}; planned as if the car "
            "is at home; if not, give --home-at"
            for trip in under_way
        )
    else:
        trips, notes = usual_trips_tonight(site, now, until, site.timezone)
    if options.home_at is not None:
        notes = tuple(note for note in notes if "--home-at" not in note)
    kept = [trip for trip in trips if trip.depart_at >= home_since]
    if kept and usual is None and options.forecast != "recorded":
        notes = [_as_usual_text(kept, site.timezone), *notes]
    left_out = [
        f"the trip at {local_text(trip.depart_at, site.timezone)} is left out; the car is not home by then"
        for trip in trips
        if trip.depart_at < home_since
    ]
    return kept, [*notes, *left_out]


def _as_usual_text(trips: Sequence[Trip], timezone: str) -> str:
    """Return a note on usual trips: `no trip was given; taken as usual: Tue 08:10 to 17:30, 31 km`."""
    each = (f"{span_text(trip.depart_at, trip.return_at, timezone)}, {trip.distance_km:g} km" for trip in trips)
    return f"no trip was given; taken as usual: {'; '.join(each)}"


def moment_now(given: str | datetime | None, timezone: str) -> datetime:
    """Return the moment to plan from, in UTC: as given, or this minute."""
    if given is None:
        return datetime.now(UTC).replace(second=0, microsecond=0)
    return parse_moment(given, None, timezone, "--now")


def _out_of(bound: Bound, option: str, value: float | None) -> list[Fault]:
    """Return the fault of a number outside its bound, or nothing."""
    problem = None if value is None else bound.problem(value)
    return [] if problem is None else [Fault(option, None, None, problem)]
