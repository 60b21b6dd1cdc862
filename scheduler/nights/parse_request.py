"""Parse tonight's request as the owner types it, against the site."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TypeVar

from models.site.trips import Trip
from models.tariff.offer import Band
from scheduler.inputs.site_inputs import Inputs
from scheduler.inputs.usual_trips import usual_trips_tonight
from scheduler.nights.parse_trip import check_trips, parse_trip
from scheduler.nights.request import LOOK_AHEAD_BY_SEGMENT, MOST_TRIPS, ForecastKind, Request, SolarKind
from scheduler.nights.todays_cycle import with_todays_cycle
from scheduler.textio.bounds import SO_FAR_KW, SO_FAR_KWH, SOC_PERCENT, WEAR_WEIGHT, Bound
from scheduler.textio.errors import Fault, InputFaults, collected
from scheduler.textio.format import clock_text, sentence_case
from scheduler.textio.parse_time import local_text, parse_moment

Found = TypeVar("Found")


@dataclass(frozen=True, slots=True)
class RequestOptions:
    """The options of `overnight plan`; None where one was not given.

    Attributes
    ----------
    now, home_at, trips : as typed (see parse_moment and parse_trip), or values.
    """

    soc_percent: float
    now: str | datetime | None = None
    home_at: str | datetime | None = None
    highest_soc_today_percent: float | None = None
    trips: tuple[str | Trip, ...] = ()
    stay_home: bool = False
    wear_weight: float | None = None
    forecast: ForecastKind = "typical"
    solar: SolarKind = "typical"
    peak_so_far_kw: float | None = None
    imported_so_far_kwh: float | None = None
    exported_so_far_kwh: float | None = None


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
    home_at = None
    if options.home_at is not None:
        typed = options.home_at
        home_at = collected(lambda: parse_moment(typed, now, timezone, "--home-at"), faults)
        if home_at is not None and home_at >= horizon:
            faults.append(Fault("--home-at", None, None, f"is after this plan ends at {local_text(horizon, timezone)}"))
    notes: list[str] = []
    trips: list[Trip] = []
    for text in options.trips:
        parsed = collected(lambda text=text: parse_trip(text, now, timezone), faults)  # type: ignore[misc]
        if parsed is not None:
            trips.append(parsed[0])
            notes += parsed[1]
    if not options.trips and not options.stay_home:
        trips, notes = _habitual(inputs, options, usual, home_at or now, now, horizon)
    in_order = collected(lambda: check_trips(trips, now, timezone), faults)
    if home_at is not None and in_order and in_order[0].depart_at < home_at:
        departs = clock_text(in_order[0].depart_at, timezone)
        faults.append(Fault("--home-at", None, None, f"a trip departs at {departs}, before the car is home"))
    if faults or in_order is None:
        raise InputFaults(faults)
    asked = Request(
        now=now,
        soc_percent=options.soc_percent,
        trips=in_order,
        home_at=home_at,
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
    )
    return with_todays_cycle(asked, inputs, recorded=options.forecast == "recorded")


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
    left_out = [
        f"the trip at {local_text(trip.depart_at, site.timezone)} is left out; the car is not home by then"
        for trip in trips
        if trip.depart_at < home_since
    ]
    return kept, [*notes, *left_out]


def moment_now(given: str | datetime | None, timezone: str) -> datetime:
    """Return the moment to plan from, in UTC: as given, or this minute."""
    if given is None:
        return datetime.now(UTC).replace(second=0, microsecond=0)
    return parse_moment(given, None, timezone, "--now")


def _out_of(bound: Bound, option: str, value: float | None) -> list[Fault]:
    """Return the fault of a number outside its bound, or nothing."""
    problem = None if value is None else bound.problem(value)
    return [] if problem is None else [Fault(option, None, None, problem)]
