"""Settle a night: what its plan really came to, and what the same night would have come to without the plan.

The night is the one that happened: real load and solar, trips as they were driven where that was told. The plan is
carried out as it was saved, as in a rolled year; it is not solved again. Beside it stand two other ways to use the car
in the same night, from the same state of charge and with the same value of energy left at the end:

- charge-on-return: it is charged at full power whenever it is home.
- charge-only: it is charged at the cheapest times by a plan that never discharges. That plan is made with what was
  known that evening, on a typical day's load and solar, and carried out in the real night. Planned with perfect
  foresight it would look better than any owner can be.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from math import prod

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray
from models.drive.factor import Factor
from models.site.trips import Trip, trip_energy_kwh
from models.tariff.demand import demand_means_kw
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import SCHEDULE, Night, NightTrip
from scheduler.nights.request import Request
from scheduler.optimizer.charge_on_return import charge_on_return
from scheduler.optimizer.find_blocks import find_blocks
from scheduler.optimizer.setpoints import Setpoints
from scheduler.optimizer.solve import solve
from scheduler.plans.departures import MISSED_KWH
from scheduler.plans.dispatch import follow_settings, settings_of
from scheduler.plans.recourse import with_recourse
from scheduler.plans.replay import Replayed, verify, verify_constraints
from scheduler.plans.saved_plan import SavedPlan, SavedSoFar, SavedTrip
from scheduler.plans.wear_law_sensitivity import cycle_wear_by_law
from scheduler.record.carry_out import boundaries_of_saved, saved_stored_energy_value, settings_in_force
from scheduler.record.settled import WAYS, NightFlows, SettledNight, Way
from scheduler.record.store import DrivenTrip
from scheduler.record.why import why_text
from scheduler.textio.errors import single_fault
from scheduler.textio.format import money_digits, rows_that_add_up

SAME_TRIP = timedelta(hours=2)
"""A trip that was driven is the planned one if the two departed no further apart than this."""


@dataclass(frozen=True, slots=True)
class Evening:
    """An evening to settle.

    Attributes
    ----------
    begin, end : of its night, UTC.
    plans : its first plan and those replans that were set or may have been, in time order.
    was_set : whether one of them was set.
    trips : as driven, where any was told of; None: those of the last plan.
    soc_told_percent : at the end [%]; None where it was not told.
    """

    begin: datetime
    end: datetime
    plans: tuple[SavedPlan, ...]
    was_set: bool
    trips: tuple[DrivenTrip, ...] | None = None
    soc_told_percent: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Settlement:
    """A settled night with its flows, each way."""

    night: SettledNight
    flows: Mapping[Way, NightFlows]


@dataclass(frozen=True, slots=True, eq=False)
class CarriedOut:
    """One way to use the car in the night as it happened, and what it came to."""

    real: Night
    setpoints: Setpoints
    replayed: Replayed

    @property
    def cost(self) -> float:
        """Return grid, charging on the way and unweighted wear, less the worth of energy gained [money]."""
        costs = self.replayed.costs
        return costs.cash + costs.wear - costs.stored_energy


def settle(
    evening: Evening, known: Inputs, happened: Inputs, so_far: Mapping[Way, SavedSoFar | None] | None = None
) -> Settlement:
    """Settle an evening.

    Parameters
    ----------
    evening : its plans and what was told of its night.
    known : the site with the series that a plan of that evening is made on.
    happened : the site with the series of what happened.
    so_far : what the meter had counted towards tiers and the month's peak when the night began, each way; without it,
        what the plan was told.

    Raises
    ------
    InputFaults : the series do not cover the night, or a plan does not say what is needed.
    NoPlanError, PlanRefused : as for a plan.
    """
    first, last = evening.plans[0], evening.plans[-1]
    plan = replace(happened.site.plan, emissions_price_per_tonne=0.0)  # it is on no bill
    happened = replace(happened, site=replace(happened.site, plan=plan))
    car = happened.site.car
    value = saved_stored_energy_value(last, car)
    if first.soc_start_percent is None or value is None:
        message = "this plan does not say what state of charge it began with and what energy left is worth"
        raise single_fault(first.folder, message)
    charge_only = replace(_known_night(evening, known), stored_energy=value, segment_value=None, setting=SCHEDULE)
    never = solve(charge_only, may_discharge=False)
    expected = verify(charge_only, never)
    blocks = find_blocks(charge_only, never.setpoints) if never.blocks is None else never.blocks
    blocks = with_recourse(charge_only, never.setpoints, expected, blocks, may_discharge=False)

    boundaries = boundaries_of_saved(evening.plans) | set(charge_only.boundaries) | _meter_boundaries(happened, evening)
    inside = tuple(each.to_pydatetime() for each in sorted(boundaries) if evening.begin < each < evening.end)

    def as_it_happened(way: Way) -> Night:
        told = (so_far or {}).get(way) or first.so_far
        asked = _request(evening, evening.end, _real_trips(evening), told)
        asked = replace(asked, forecast="recorded", boundaries=inside, whole_period=True)
        night = build_night(happened, asked)[0]
        # of a demand that is billed for months, each month bears its own
        demand = tuple(replace(each, price_per_kw=each.price_per_kw / each.billed_months) for each in night.demand)
        return replace(night, stored_energy=value, trips=_as_driven(night, evening), demand=demand)

    found: dict[Way, CarriedOut] = {}
    for way in WAYS:
        real = as_it_happened(way)
        if way == "plan":
            setpoints = follow_settings(real, settings_in_force(real, evening.plans))
        elif way == "charge-only":
            setpoints = follow_settings(real, settings_of(real, charge_only, never.setpoints, blocks))
        else:
            setpoints = charge_on_return(real)
        found[way] = CarriedOut(real, setpoints, verify_constraints(real, setpoints))
    return Settlement(_settled_night(evening, happened, found), {way: _flows(done) for way, done in found.items()})


def _known_night(evening: Evening, known: Inputs) -> Night:
    """Return the night as it was forecast that evening, with the trips of the last plan."""
    first, last = evening.plans[0], evening.plans[-1]
    asked = _request(evening, first.end.astimezone(UTC), _planned_trips(last, evening.begin), first.so_far)
    return build_night(known, replace(asked, forecast="typical"))[0]


def _request(evening: Evening, until: datetime, trips: Sequence[Trip], so_far: SavedSoFar) -> Request:
    """Return what was asked of the evening's plan."""
    first = evening.plans[0]
    home_at = _home_at(evening)
    return Request(
        now=evening.begin,
        soc_percent=min(100.0, max(0.0, first.soc_start_percent or 0.0)),
        trips=_one_after_another(trips, home_at or evening.begin, until),
        home_at=home_at,
        highest_soc_today_percent=first.highest_soc_today_percent,
        wear_weight=first.wear_weight,
        until=until,
        peak_so_far_kw=so_far.peak_kw,
        imported_so_far_kwh=_by_band(so_far.imported_kwh),
        exported_so_far_kwh=_by_band(so_far.exported_kwh),
        outside_degc=_outside_degc(evening),
    )


def _by_band(counted: Mapping[str, float] | None) -> dict[int, float] | None:
    return None if counted is None else {int(band): kwh for band, kwh in counted.items()}


def _home_at(evening: Evening) -> datetime | None:
    """Return when the car came home, as told or else as planned; None if it was home."""
    told = [each.trip.return_at for each in evening.trips or () if each.trip.depart_at < evening.begin]
    home_at = evening.plans[0].home_at
    planned = None if home_at is None else home_at.latest.astimezone(UTC)
    came = max(told, default=planned)
    return came if came is not None and evening.begin < came < evening.end else None


def _outside_degc(evening: Evening) -> float | None:
    told = [each.outside_degc for each in evening.trips or () if each.outside_degc is not None]
    return told[0] if told else evening.plans[-1].outside_degc


def _real_trips(evening: Evening) -> list[Trip]:
    """Return the trips of the night: as driven where any was told of, else as planned."""
    if evening.trips is not None:
        return [each.trip for each in evening.trips]
    return _planned_trips(evening.plans[-1], evening.begin)


def _planned_trips(plan: SavedPlan, begin: datetime) -> list[Trip]:
    trips = (*plan.past_trips, *plan.trips)
    return [
        Trip(each.depart.astimezone(UTC), each.return_at.astimezone(UTC), each.distance_km, each.pace)
        for each in trips
        if each.depart >= begin
    ]


def _one_after_another(trips: Sequence[Trip], begin: datetime, end: datetime) -> tuple[Trip, ...]:
    """Return the trips that depart in a span, without any that overlap; one under way at its end returns then."""
    found: list[Trip] = []
    home_since = begin
    for trip in sorted(trips, key=lambda trip: trip.depart_at):
        if home_since <= trip.depart_at < end:
            found.append(replace(trip, return_at=min(trip.return_at, end)))
            home_since = trip.return_at
    return tuple(found)


def _as_driven(night: Night, evening: Evening) -> tuple[NightTrip, ...]:
    """Return the night's trips: with what each took from the battery where that was told, and the target as planned.

    A departure is short if the car leaves with less than the plan was to give it, and not if the trip was longer.
    """
    found = []
    for trip in night.trips:
        used, usual_kwh = trip.trip.soc_used_percent, trip_energy_kwh(night.car, trip.trip.distance_km)
        planned = _planned_as(evening, trip.trip)
        if planned is not None:
            trip = replace(trip, target_kwh=min(night.car.battery_kwh, night.car.kwh(planned.target_percent)))
        if used is not None and used > 0 and usual_kwh > 0:
            factor = night.car.kwh(used) / usual_kwh
            trip = replace(trip, energy_kwh=usual_kwh * factor, consumption=Factor(factor, factor, factor))
        found.append(trip)
    return tuple(found)


def _meter_boundaries(happened: Inputs, evening: Evening) -> set[pd.Timestamp]:
    """Return the boundaries of the meter's own intervals: what covers the building follows each of them."""
    series = [happened.load, *([] if happened.solar is None else [happened.solar])]
    finest = min(series, key=lambda each: each.step_minutes)
    inside = (finest.start > pd.Timestamp(evening.begin)) & (finest.start < pd.Timestamp(evening.end))
    return set(finest.start[inside])


def _settled_night(evening: Evening, happened: Inputs, found: Mapping[Way, CarriedOut]) -> SettledNight:
    """Return the figures of a night, its money rounded to the currency's minor unit."""
    offer = happened.offer
    digits = money_digits(offer.currency)
    done = found["plan"]
    real, setpoints, replayed = done.real, done.setpoints, done.replayed
    costs, hours, car = replayed.costs, done.real.hours, done.real.car
    by_law = {way: cycle_wear_by_law(happened, each.real, each.setpoints, each.replayed) for way, each in found.items()}
    wears = [cycles + costs.calendar_wear for cycles in by_law["plan"].values()] + [costs.wear]

    def earned(way: Way) -> list[float]:
        """Return what the night cost less than this way, by the site's wear law and by every other [money]."""
        other = found[way]
        by_site = other.cost - done.cost
        without_cycles = by_site - (other.replayed.costs.cycle_wear - costs.cycle_wear)
        laws = [without_cycles + by_law[way][law] - cycles for law, cycles in by_law["plan"].items()]
        return [round(each, digits) + 0.0 for each in (by_site, *laws)]

    on_return, charge_only = earned("charge-on-return"), earned("charge-only")
    grid, on_the_way, wear, stored_energy = rows_that_add_up(
        [costs.cash - costs.on_the_way, costs.on_the_way, costs.wear, -costs.stored_energy], digits
    )
    forecast_kw = _forecast_kw(evening, real)
    short = [number for number in range(len(real.trips)) if replayed.missing_kwh[number] >= MISSED_KWH]
    night = SettledNight(
        begin=evening.begin,
        end=evening.end,
        was_set=evening.was_set,
        cost=round(grid + on_the_way + wear + stored_energy, digits) + 0.0,
        cost_on_return=round(found["charge-on-return"].cost, digits) + 0.0,
        cost_charge_only=round(found["charge-only"].cost, digits) + 0.0,
        grid_cost=grid,
        wear=wear,
        wear_low=min(round(min(wears), digits) + 0.0, wear),
        wear_high=max(round(max(wears), digits) + 0.0, wear),
        imported_kwh=float(hours @ replayed.import_kw),
        exported_kwh=float(hours @ replayed.export_kw),
        charged_kwh=float(hours @ setpoints.charge_kw),
        discharged_kwh=float(hours @ setpoints.discharge_kw),
        load_kwh=float(hours @ real.load_kw),
        solar_kwh=float(hours @ real.solar_kw),
        load_forecast_kwh=float(hours @ forecast_kw[0]),
        solar_forecast_kwh=float(hours @ forecast_kw[1]),
        departures=len(real.trips),
        short=len(short),
        chance_short=_chance_short(evening, [trip.trip for trip in real.trips]),
        soc_begin_percent=car.percent(float(replayed.stored_kwh[0])),
        soc_end_percent=car.percent(float(replayed.stored_kwh[-1])),
        soc_told_percent=evening.soc_told_percent,
        why="",
        on_the_way_cost=on_the_way,
        stored_energy=-stored_energy + 0.0,
        earned_low=min(on_return),
        earned_high=max(on_return),
        earned_only_low=min(charge_only),
        earned_only_high=max(charge_only),
        offer=offer.name,
        currency=offer.currency,
    )
    return replace(night, why=why_text(night, evening.plans[0], real, replayed, forecast_kw))


def _forecast_kw(evening: Evening, real: Night) -> tuple[FloatArray, FloatArray]:
    """Return load and solar as the first plan had them in the intervals of the night [kW], shape (n,) each.

    After its end they are those of its last interval.
    """
    rows = evening.plans[0].rows
    ends = np.array([row.end.timestamp() for row in rows])
    at = np.minimum(np.searchsorted(ends, real.boundaries[:-1].as_unit("s").asi8, side="right"), len(rows) - 1)
    load, solar = np.array([row.load_kw for row in rows]), np.array([row.solar_kw for row in rows])
    return load[at], solar[at]


def _chance_short(evening: Evening, trips: Sequence[Trip]) -> float | None:
    """Return the chance told that any departure is short [-]; None where none was told of one of them."""
    chances = [_told_of(evening, trip) for trip in trips]
    told = [chance for chance in chances if chance is not None]
    return 1 - prod(1 - chance for chance in told) if trips and len(told) == len(chances) else None


def _told_of(evening: Evening, trip: Trip) -> float | None:
    """Return the chance that the last plan before a departure told of it."""
    planned = _planned_as(evening, trip)
    return None if planned is None else planned.chance_short


def _planned_as(evening: Evening, trip: Trip) -> SavedTrip | None:
    """Return a trip as the last plan before its departure had it; None where none did."""

    def apart(planned: SavedTrip) -> timedelta:
        return abs(planned.depart - trip.depart_at)

    for plan in reversed(evening.plans):
        near = min(plan.trips, key=apart, default=None)
        if plan.start <= trip.depart_at and near is not None and apart(near) <= SAME_TRIP:
            return near
    return None


def _flows(done: CarriedOut) -> NightFlows:
    """Return what flowed in a night, by interval."""
    real, setpoints, found = done.real, done.setpoints, done.replayed
    on_the_way, demand = np.zeros(real.intervals), np.zeros(real.intervals)
    for number, trip in enumerate(real.trips):
        on_the_way[trip.comeback - 1] += found.on_the_way_kwh[number] * real.car.on_the_way_price_per_kwh
    for month in real.demand:
        means = demand_means_kw(month.mean_of, real.hours, found.import_kw)
        if len(means):
            at = int(np.flatnonzero(month.mean_of == np.unique(month.mean_of[month.mean_of >= 0])[means.argmax()])[0])
            demand[at] += month.cost(real.hours, found.import_kw)
    return NightFlows(
        start=real.boundaries[:-1].as_unit("s"),
        minutes=np.rint(real.hours * 60).astype(np.int64),
        columns={
            "import_kwh": real.hours * found.import_kw,
            "export_kwh": real.hours * found.export_kw,
            "charge_kwh": real.hours * setpoints.charge_kw,
            "discharge_kwh": real.hours * setpoints.discharge_kw,
            "load_kwh": real.hours * real.load_kw,
            "solar_kwh": real.hours * real.solar_kw,
            "curtailed_kwh": real.hours * setpoints.curtailed_kw,
            "stored_kwh": found.stored_kwh[1:],
            "import_cost": found.import_cost,
            "export_credit": found.export_credit,
            "demand_cost": demand,
            "wear_cost": found.wear_cost,
            "on_the_way_cost": on_the_way,
        },
    )
