"""Build the night: every number that the program needs, from the site's files and tonight's request."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from datetime import date, datetime, timedelta

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray
from models.base.calendars import public_holidays
from models.site.car import Car
from models.site.series import Series
from models.site.trips import Trip, departure_target_kwh, trip_energy_kwh
from models.wear.segments import WearSegments, fill_after_kwh, initial_fill_kwh
from scheduler.inputs.site import Site
from scheduler.inputs.site_file import SITE_FILE
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.drives import Drives, drive_notes, drives_tonight
from scheduler.nights.forecast import forecast_load, forecast_solar
from scheduler.nights.intervals import Intervals, cut
from scheduler.nights.market_forecast import offer_as_known
from scheduler.nights.night import Night, NightTrip, usual_stored_energy_price
from scheduler.nights.offer_tonight import OfferTonight, offer_tonight
from scheduler.nights.parse_trip import TRIP_OPTION, trip_text
from scheduler.nights.request import (
    LONGEST_NIGHT,
    MOST_INTERVALS,
    MOST_INTERVALS_BY_HAND,
    MOST_INTERVALS_HOME,
    MOST_TRIPS,
    Request,
)
from scheduler.nights.stored_energy import one_price
from scheduler.nights.wear_prices import wear_tonight
from scheduler.textio.errors import Fault, InputFaults, single_fault
from scheduler.textio.format import clock_text, number_text
from scheduler.textio.parse_time import local_text

G_A_TONNE = 1e6


def build_night(inputs: Inputs, evening: Request) -> tuple[Night, tuple[str, ...]]:
    """Build the night to plan.

    Returns
    -------
    The night, and notes and warnings on its inputs.

    Raises
    ------
    InputFaults : a series does not cover what the night needs, or the night is longer than can be planned.
    """
    site, drives = inputs.site, drives_tonight(inputs, evening)
    car = drives.car
    trips, later = _trips_of_the_night(site, evening)
    horizon = _horizon(site, evening).replace(second=0, microsecond=0)
    end = max([horizon, *(trip.return_at for trip in trips)])
    if not evening.whole_period:
        _refuse_long(site, evening, trips)
    offer, market_notes = offer_as_known(inputs.offer, evening, end, site.timezone)
    intervals = cut(
        evening.now,
        end,
        site.timezone,
        site.plan.step_minutes,
        offer,
        holidays_tonight(inputs, evening.now, end),
        [*_instants(car, trips, evening), *evening.boundaries],
        site.connection,
    )
    at_home = _at_home(intervals, trips, evening)
    if not evening.whole_period:
        _refuse_many_intervals(site, at_home)
    grid_g_per_kwh, grid_warnings = _grid_emissions(inputs, evening, intervals.boundaries)
    emissions_price = site.plan.emissions_price_per_tonne / G_A_TONNE
    if grid_g_per_kwh is not None and emissions_price:
        extra = emissions_price * grid_g_per_kwh
        intervals = replace(
            intervals, import_price=intervals.import_price + extra, export_price=intervals.export_price + extra
        )
    load_kw, warnings = forecast_load(
        inputs.load,
        site.load_file,
        evening.forecast,
        intervals.boundaries,
        evening.known_at or evening.now,
        site.timezone,
    )
    solar_kw, solar_warnings = _solar(inputs, inputs.solar, evening, intervals.boundaries)
    tonight = offer_tonight(offer, intervals, evening, site.timezone, load_kw - solar_kw)
    stored_energy_price = site.plan.stored_energy_price_per_kwh
    if stored_energy_price is None:
        refill_price = _refill_price(intervals, tonight, load_kw - solar_kw)
        may_refill = at_home & ~intervals.offered.no_grid_charging
        stored_energy_price = usual_stored_energy_price(site.charger, refill_price, may_refill)
    wear = wear_tonight(site, evening.now)
    stored_now = car.kwh(evening.soc_percent)
    night = Night(
        boundaries=intervals.boundaries,
        timezone=site.timezone,
        at_home=at_home,
        load_kw=load_kw,
        solar_kw=solar_kw,
        import_price=intervals.import_price,
        export_price=intervals.export_price,
        car=car,
        charger=site.charger,
        connection=site.connection,
        solar_can_be_limited=site.solar_can_be_limited,
        wear=wear.segments,
        wear_weight=site.wear.weight if evening.wear_weight is None else evening.wear_weight,
        initial_fill_kwh=_initial_fill_kwh(wear.segments, car, evening),
        trips=_night_trips(drives, trips, intervals, evening),
        stored_now_kwh=stored_now,
        stored_energy=one_price(stored_energy_price, car.ceiling_kwh),
        setting=site.setting,
        tiers=tonight.tiers,
        demand=tonight.demand,
        no_grid_charging=intervals.offered.no_grid_charging,
        export_limits_kw=intervals.export_limit_kw,
        calendar=wear.calendar,
        grid_g_per_kwh=grid_g_per_kwh,
        emissions_price=emissions_price,
    )
    offer_notes = (*market_notes, *tonight.warnings)
    assumed = (*drives.notes, *drive_notes(drives, trips, site.timezone))
    notes = (*evening.notes, *later, *assumed, *warnings, *solar_warnings, *grid_warnings, *offer_notes, *wear.warnings)
    return night, (*notes, *_over_the_limit(night))


def _refuse_long(site: Site, evening: Request, trips: Collection[Trip]) -> None:
    """Refuse too many trips, or one that returns after the longest night that can be planned."""
    if len(trips) > MOST_TRIPS:
        message = f"{len(trips)} trips depart before this plan ends; expected up to {MOST_TRIPS} in one night"
        raise single_fault(TRIP_OPTION, message)
    latest = evening.now + LONGEST_NIGHT
    faults = [
        Fault(
            TRIP_OPTION,
            None,
            None,
            f"{trip_text(trip, site.timezone)} returns after the longest night that can be planned; expected a return "
            f"by {local_text(latest, site.timezone)}, 28 days from now, even if the car stays away longer",
        )
        for trip in trips
        if trip.return_at > latest
    ]
    if faults:
        raise InputFaults(faults)


def _refuse_many_intervals(site: Site, at_home: BoolArray) -> None:
    """Refuse a night with more intervals than can be planned in bounded time, and say how many can."""
    count, home = len(at_home), int(at_home.sum())
    by_hand = site.setting.by_hand
    most = MOST_INTERVALS_BY_HAND if by_hand else MOST_INTERVALS_HOME
    if count <= MOST_INTERVALS and home <= most:
        return
    where, found, allowed = ("", count, MOST_INTERVALS) if home <= most else (" with the car at home", home, most)
    step = site.plan.step_minutes
    raise single_fault(
        site.folder / SITE_FILE,
        f"the night has {found} intervals{where}; expected up to {allowed}"
        f"{' where it is set by hand' if where and by_hand else ''}, about {allowed * step / 60:.0f} hours at {step} "
        "minutes; give a shorter horizon_hours or a longer step_minutes",
        key="plan.step_minutes",
    )


def _refill_price(intervals: Intervals, tonight: OfferTonight, building_kw: FloatArray) -> FloatArray:
    """Return the price of a kWh on top of what the building alone imports [money per kWh], shape (n,).

    A tier that the building uses up by itself leaves nothing for the car.
    """
    price = intervals.import_price.copy()
    hours = np.diff(intervals.boundaries.as_unit("s").asi8) / 3600.0
    energy = hours * np.maximum(0.0, building_kw)
    for tier in tonight.tiers:
        if tier.side == "import" and float(energy[tier.holds].sum()) < tier.left_kwh:
            price = price + tier.difference
    return price


def _initial_fill_kwh(segments: WearSegments, car: Car, evening: Request) -> FloatArray:
    """Return the energy in each wear segment before the night [kWh]: of the cycles that today has begun."""
    stored_now, highest = car.kwh(evening.soc_percent), evening.highest_soc_today_percent
    if evening.soc_so_far_percent:
        return fill_after_kwh(segments, [*map(car.kwh, evening.soc_so_far_percent), stored_now])
    return initial_fill_kwh(segments, stored_now, None if highest is None else car.kwh(highest))


def _horizon(site: Site, evening: Request) -> datetime:
    return evening.until or evening.now + timedelta(hours=site.plan.horizon_hours)


def _trips_of_the_night(site: Site, evening: Request) -> tuple[tuple[Trip, ...], list[str]]:
    """Return the trips that depart before the horizon ends, and a warning for each other trip."""
    horizon = _horizon(site, evening)
    tonight = tuple(trip for trip in evening.trips if trip.depart_at < horizon)
    later = [
        f"The trip at {clock_text(trip.depart_at, site.timezone)} departs after this plan ends and is not planned for."
        for trip in evening.trips
        if trip.depart_at >= horizon
    ]
    return tonight, later


def _instants(car: Car, trips: Collection[Trip], evening: Request) -> list[datetime]:
    """Return all instants that need a boundary of their own: ready times, departures, returns and coming home."""
    ready = [_ready_at(car, trip) for trip in trips]
    away = [instant for trip in trips for instant in (trip.depart_at, trip.return_at)]
    return [*ready, *away, *([] if evening.home_at is None else [evening.home_at])]


def _ready_at(car: Car, trip: Trip) -> datetime:
    return trip.depart_at - timedelta(minutes=car.ready_minutes_before)


def _at_home(intervals: Intervals, trips: Collection[Trip], evening: Request) -> BoolArray:
    begins = intervals.boundaries[:-1]
    home = np.ones(len(begins), dtype=np.bool_)
    if evening.home_at is not None:
        home &= np.asarray(begins >= pd.Timestamp(evening.home_at))
    for trip in trips:
        home &= ~np.asarray((begins >= pd.Timestamp(trip.depart_at)) & (begins < pd.Timestamp(trip.return_at)))
    return home


def _night_trips(
    drives: Drives, trips: Collection[Trip], intervals: Intervals, evening: Request
) -> tuple[NightTrip, ...]:
    """Return the trips with their boundaries; a ready time before the car is home moves to its coming home."""
    found = []
    home_since = evening.home_at or evening.now
    car = drives.car
    for trip in trips:
        factor = drives.factor(trip)
        found.append(
            NightTrip(
                trip=trip,
                ready=intervals.boundary_at(max(_ready_at(car, trip), home_since)),
                depart=intervals.boundary_at(trip.depart_at),
                comeback=intervals.boundary_at(trip.return_at),
                energy_kwh=trip_energy_kwh(car, trip.distance_km, factor.middle),
                target_kwh=departure_target_kwh(car, trip.distance_km, factor.middle),
                consumption=factor,
            )
        )
        home_since = trip.return_at
    return tuple(found)


def _solar(
    inputs: Inputs, series: Series | None, evening: Request, boundaries: pd.DatetimeIndex
) -> tuple[FloatArray, list[str]]:
    site = inputs.site
    if series is None or site.solar_file is None:
        return np.zeros(len(boundaries) - 1), []
    return forecast_solar(
        series,
        site.solar_file,
        evening.forecast,
        evening.solar,
        boundaries,
        evening.known_at or evening.now,
        site.timezone,
    )


def _grid_emissions(
    inputs: Inputs, evening: Request, boundaries: pd.DatetimeIndex
) -> tuple[FloatArray | None, list[str]]:
    """Return the grid's emissions over each interval [g per kWh], shape (n,), None where they are not known."""
    series, file = inputs.emissions, inputs.site.emissions_file
    if series is None or file is None:
        return None, []
    known_at = evening.known_at or evening.now
    return forecast_load(series, file, evening.forecast, boundaries, known_at, inputs.site.timezone)


def holidays_tonight(inputs: Inputs, now: datetime, end: datetime) -> frozenset[date]:
    """Return the public holidays from now to an end that the offer treats apart, as local dates."""
    calendar = inputs.site.holiday_calendar
    if calendar is None or inputs.offer.holidays_count_as is None:
        return frozenset()
    return public_holidays(calendar, range((now - timedelta(days=2)).year, (end + timedelta(days=2)).year + 1))


def _over_the_limit(night: Night) -> list[str]:
    """Return a warning if the building alone draws more than the connection allows."""
    draw = night.load_kw - night.solar_kw
    worst = int(np.argmax(draw))
    if draw[worst] <= night.connection.import_limit_kw:
        return []
    return [
        f"The building alone is expected to draw up to {number_text(float(draw[worst]), 2)} kW, around "
        f"{clock_text(night.boundaries[worst].to_pydatetime(), night.timezone)}: more than its import limit of "
        f"{night.connection.import_limit_kw:g} kW. The plan charges nothing on top of that."
    ]
