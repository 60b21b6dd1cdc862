"""Nights one after another: each is planned on what was known, and its plan followed in the night as it happened.

Trips that are really driven are the recorded ones. With `trips` "usual" a plan expects the usual ones until others
become known, and a trip that is not as usual calls for a new plan when it becomes known; the night is then planned
again to its whole horizon, with the battery as it is, and that plan is followed.

A night of a rolled year is the night that `plan` makes when the same is known. With perfect foresight, and from the
same state, a night costs no more than one that follows a forecast, apart from the solver's gap and the choice among
equally cheap plans, if the charger can run at any power. (A charger that stops inside an interval does what no plan
may.) That does not bound a year: each night values what it leaves behind at the stored-energy price alone, and a
forecast that errs can leave more by luck.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Literal

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray
from models.site.trips import Trip
from models.wear.segments import final_fill_kwh
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.known_trips import TripGroup, known_trips, replan_times, trip_groups, trips_as_usual
from scheduler.nights.night import Night
from scheduler.nights.planning_times import LONGEST_USUAL_TRIP, evenings, midnight, trips_between, trips_overlapping
from scheduler.nights.request import LOOK_AHEAD_BY_SEGMENT, ForecastKind, Request, TripsKind
from scheduler.nights.sampled_days import SampledDays, sampled_days
from scheduler.nights.todays_cycle import with_todays_cycle
from scheduler.optimizer.block import Block
from scheduler.optimizer.charge_on_return import charge_on_return
from scheduler.optimizer.find_blocks import find_blocks
from scheduler.optimizer.look_ahead import with_look_ahead
from scheduler.optimizer.setpoints import Answer, Setpoints
from scheduler.optimizer.solve import solve
from scheduler.plans.dispatch import follow_settings, settings_of
from scheduler.plans.outlook import TripChance, trip_chances
from scheduler.plans.recourse import with_recourse
from scheduler.plans.replay import Replayed, battery_flows_kwh, replay, verify, verify_constraints
from scheduler.plans.sampled_choice import choose_forecast

Policy = Literal["plan", "charge-only", "charge-on-return"]
"""How the car is used: as planned, as planned without discharging, or charged whenever it is home."""


@dataclass(frozen=True, slots=True, eq=False)
class CarryOver:
    """What one night hands over to the next.

    Attributes
    ----------
    stored_kwh : stored energy [kWh].
    fill_kwh : energy in each wear segment [kWh], shape (segments,); None: as on an evening of which it is not known how
        full the car was that day, see with_todays_cycle.
    peak_kw : highest mean so far [kW], by number of the demand charge and of the month.
    counted_kwh : energy counted towards tiers [kWh], by side, number of the band, and number of the day or month.
    """

    stored_kwh: float
    fill_kwh: FloatArray | None = None
    peak_kw: Mapping[tuple[int, int], float] = field(default_factory=dict)
    counted_kwh: Mapping[tuple[str, int, int], float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class RolledNight:
    """One night as it was planned and as it happened.

    Attributes
    ----------
    planned : the night as forecast.
    answer, expected : its plan and what that comes to; None for a car that is simply charged on return.
    real : the night as it happened, until the next evening.
    setpoints, replayed : what the charger did in it, and what that came to.
    replans : how often it was planned again before the next evening.
    blocks : of its plan, with what each may do where the night goes otherwise; of the evening's, where it was planned
        again; () where what happens is what was planned.
    chances : what past days said of each trip, by the last plan before it; empty where the forecast is not of samples,
        or there are too few.
    """

    planned: Night
    answer: Answer | None
    expected: Replayed | None
    real: Night
    setpoints: Setpoints
    replayed: Replayed
    replans: int = 0
    blocks: tuple[Block, ...] = ()
    chances: Mapping[Trip, TripChance] = field(default_factory=dict)

    @property
    def chance_short(self) -> float:
        """Return the chance told that any departure of the night is short [-]; NaN where none was told of one."""
        driven = [trip.trip for trip in self.real.trips]
        if not driven or any(trip not in self.chances for trip in driven):
            return float("nan")
        return float(1 - np.prod([1 - self.chances[trip].chance for trip in driven]))


def rolled_nights(
    inputs: Inputs,
    first: date,
    last: date,
    soc_percent: float,
    forecast: ForecastKind = "typical",
    policy: Policy = "plan",
    trips: TripsKind = "recorded",
) -> Iterator[RolledNight]:
    """Yield the nights of the local days from `first` to `last`, each followed to its end before the next is planned.

    The first begins at midnight and the others in the evening. The last ends at midnight, or with the return of a trip
    that is then under way. Stored energy, the depth of the running cycle, the month's peak and the energy counted
    towards tiers carry over from each night to the next.

    Parameters
    ----------
    inputs : the site, its series and offer.
    first, last : local days, both included.
    soc_percent : state of charge when `first` begins, or on the return from a trip that is then under way [%].
    forecast : what each plan knows: `typical` and `samples` are of what was known that evening, the mean of past days
        or several of them one by one; `recorded` is perfect foresight.
    policy : how the car is used.
    trips : what each plan knows of trips, see scheduler.nights.known_trips; with perfect foresight always `recorded`.

    Raises
    ------
    InputFaults : a series does not cover the days.
    NoPlanError, PlanRefused : as for a plan.
    """
    carry_over = CarryOver(inputs.site.car.kwh(soc_percent))
    for now, following in pairwise(planning_times(inputs, first, last)):
        night = one_night(inputs, now, following, carry_over, forecast, policy, trips)
        yield night
        carry_over = carry_over_from(night, carry_over)


def planning_times(inputs: Inputs, first: date, last: date) -> list[datetime]:
    """Return when each night of the days begins, and when the last one ends, UTC."""
    site = inputs.site
    begin, end = midnight(first, site.timezone), midnight(last + timedelta(days=1), site.timezone)
    trips = trips_overlapping(inputs, begin, end)
    between = evenings(site.plan.evening_minute, first, last, trips, site.timezone)
    home_again = max((trip.return_at for trip in trips if trip.depart_at < end < trip.return_at), default=end)
    return [begin, *(instant for instant in between if begin < instant < end), home_again]


def one_night(
    inputs: Inputs,
    now: datetime,
    following: datetime,
    carry_over: CarryOver,
    forecast: ForecastKind = "typical",
    policy: Policy = "plan",
    trips: TripsKind = "recorded",
) -> RolledNight:
    """Plan one night at `now`, and follow the plan until `following`, or until a trip calls for a new one.

    Parameters
    ----------
    inputs : the site, its series and offer.
    now, following : when the night is planned, and when the next one is.
    carry_over : what the night before leaves.
    forecast, policy, trips : as in `rolled_nights`.
    """
    groups = None
    if trips == "usual" and forecast != "recorded" and inputs.recorded_trips is not None:
        ahead = timedelta(hours=inputs.site.plan.horizon_hours) + LOOK_AHEAD_BY_SEGMENT + LONGEST_USUAL_TRIP
        groups = trip_groups(inputs, now, following + ahead)
    horizon = _horizon(inputs, now, following, forecast, groups)
    asked = _request(inputs, now, horizon, carry_over, forecast, groups)
    if carry_over.fill_kwh is None:
        asked = with_todays_cycle(asked, inputs, recorded=True)
    planned = _as_forecast(inputs, asked, carry_over, policy)
    days = _days_like(inputs, asked, planned) if policy != "charge-on-return" else None
    happened = replace(asked, trips=trips_between(inputs, now, following), forecast="recorded", until=following)

    def as_it_happened(boundaries: set[pd.Timestamp]) -> Night:
        inside = tuple(instant.to_pydatetime() for instant in sorted(boundaries) if instant < pd.Timestamp(following))
        return with_state(build_night(inputs, replace(happened, boundaries=inside))[0], carry_over)

    if policy == "charge-on-return":
        real = as_it_happened(set(planned.boundaries[1:]))
        on_return = charge_on_return(real)
        return RolledNight(planned, None, None, real, on_return, verify_constraints(real, on_return))
    planned, answer, expected, blocks = _planned(inputs, planned, policy, days)
    chances = _chances(planned, answer, blocks, days)
    if forecast == "recorded":
        blocks = ()  # what happens is what was planned, so no block needs to follow the real draw
    replans = [] if groups is None else replan_times(groups, now, following, horizon, inputs.site.car)
    boundaries = {*planned.boundaries[1:], *map(pd.Timestamp, replans)}
    real = as_it_happened(boundaries)
    settings = settings_of(real, planned, answer.setpoints, blocks)
    for at in replans:
        done = int(np.searchsorted(real.boundaries.as_unit("s").asi8, int(at.timestamp())))
        setpoints = follow_settings(real, settings)
        so_far = RolledNight(planned, answer, expected, real, setpoints, replay(real, setpoints))
        left = carry_over_from(so_far, carry_over, done)
        asked_again, again = _replanned(inputs, at, following, left, groups, so_far, done, policy, forecast)
        days = _days_like(inputs, asked_again, again)
        again, new_answer, _, new_blocks = _planned(inputs, again, policy, days)
        chances |= _chances(again, new_answer, new_blocks, days)
        boundaries |= set(again.boundaries[1:])
        real = as_it_happened(boundaries)
        settings = settings.until(done, settings_of(real, again, new_answer.setpoints, new_blocks))
    setpoints = follow_settings(real, settings)
    replayed = verify_constraints(real, setpoints)
    return RolledNight(planned, answer, expected, real, setpoints, replayed, len(replans), blocks, chances)


def _horizon(
    inputs: Inputs,
    now: datetime,
    following: datetime,
    forecast: ForecastKind,
    groups: Sequence[TripGroup] | None,
) -> datetime:
    """Return the end of a plan: every hour of a day of 25 hours, or until a late return, is planned.

    A return that is not known yet, as trips come in groups, does not make the plan longer: the car is away until then.
    """
    if groups is not None:
        driven = [trip for group in groups for trip in group.recorded]
        following = max(now, min([following, *(trip.depart_at for trip in driven if trip.return_at == following)]))
    horizon = max(now + timedelta(hours=inputs.site.plan.horizon_hours), following)
    return min(horizon, recorded_until(inputs)) if forecast == "recorded" else horizon


def _request(
    inputs: Inputs,
    now: datetime,
    horizon: datetime,
    carry_over: CarryOver,
    forecast: ForecastKind,
    groups: Sequence[TripGroup] | None,
) -> Request:
    """Return the request of a plan made now, with the trips that are known; all recorded ones without groups."""
    site = inputs.site
    trips = trips_between(inputs, now, horizon) if groups is None else known_trips(groups, now, horizon)
    if forecast == "recorded":
        trips = tuple(trip for trip in trips if trip.return_at <= recorded_until(inputs))
    beyond = horizon + LOOK_AHEAD_BY_SEGMENT + LONGEST_USUAL_TRIP
    later = trips_between(inputs, horizon, beyond) if groups is None else known_trips(groups, horizon, beyond, now)
    away = [trip.return_at for trip in trips_overlapping(inputs, now, now)]
    return Request(
        now=now,
        soc_percent=site.car.percent(carry_over.stored_kwh),
        trips=tuple(trip for trip in trips if trip.depart_at >= max(away, default=now)),
        home_at=max(away, default=None),
        forecast=forecast,
        until=None if horizon == now + timedelta(hours=site.plan.horizon_hours) else horizon,
        peak_of_charge_kw=_peaks(carry_over, inputs, now),
        imported_so_far_kwh=_counted(carry_over, "import", inputs, now),
        exported_so_far_kwh=_counted(carry_over, "export", inputs, now),
        later_trips=later,
        as_usual=() if groups is None else trips_as_usual(groups, now),
    )


def _as_forecast(inputs: Inputs, asked: Request, carry_over: CarryOver, policy: Policy) -> Night:
    """Return the night of a request, with the battery as the night before left it and its end valued."""
    night = with_state(build_night(inputs, asked)[0], carry_over)
    if policy == "charge-on-return":
        return night
    until = recorded_until(inputs) if asked.forecast == "recorded" else None
    return with_look_ahead(inputs, asked, night, policy == "plan", until)


def _days_like(inputs: Inputs, asked: Request, night: Night) -> SampledDays | None:
    """Return the past days like a night; None where the forecast is not of samples."""
    return sampled_days(inputs, asked, night) if asked.forecast == "samples" else None


def _chances(
    night: Night, answer: Answer, blocks: tuple[Block, ...], days: SampledDays | None
) -> dict[Trip, TripChance]:
    """Return what past days say of each trip of a plan; nothing without days."""
    if days is None:
        return {}
    told = trip_chances(night, answer.setpoints, blocks, days)
    return {trip.trip: chance for trip, chance in zip(night.trips, told, strict=bool(told))}


def _planned(
    inputs: Inputs, night: Night, policy: Policy, days: SampledDays | None
) -> tuple[Night, Answer, Replayed, tuple[Block, ...]]:
    """Return a night as forecast, its plan, what that comes to, and its blocks.

    Parameters
    ----------
    days : past days like the night, to choose the forecast on; None to plan on the night as it is.
    """
    may_discharge = policy == "plan"
    if days is not None:
        most_short = inputs.site.plan.short_chance_percent / 100
        chosen, _ = choose_forecast(night, days, may_discharge, most_short)
        return chosen.night, chosen.answer, chosen.expected, chosen.blocks
    answer = solve(night, may_discharge)
    expected = verify(night, answer)
    blocks = find_blocks(night, answer.setpoints) if answer.blocks is None else answer.blocks
    return night, answer, expected, with_recourse(night, answer.setpoints, expected, blocks, may_discharge)


def _replanned(
    inputs: Inputs,
    now: datetime,
    following: datetime,
    carry_over: CarryOver,
    groups: Sequence[TripGroup] | None,
    so_far: RolledNight,
    done: int,
    policy: Policy,
    forecast: ForecastKind,
) -> tuple[Request, Night]:
    """Return the request and the rest of a night as forecast now, once `done` of its intervals are over.

    What the car may still give is the night's limit less what it has given.
    """
    horizon = _horizon(inputs, now, following, forecast, groups)
    car = inputs.site.car
    if car.discharge_limit_kwh is not None:
        given = float((so_far.real.hours * so_far.setpoints.discharge_kw)[:done].sum())
        car = replace(car, discharge_limit_kwh=max(0.0, car.discharge_limit_kwh - given))
    inputs = replace(inputs, site=replace(inputs.site, car=car))
    asked = _request(inputs, now, horizon, carry_over, forecast, groups)
    return asked, _as_forecast(inputs, asked, carry_over, policy)


def carry_over_from(night: RolledNight, before: CarryOver, done: int | None = None) -> CarryOver:
    """Return what a night leaves to the next one, from what it began with.

    Parameters
    ----------
    done : after how many of its intervals; None for all.
    """
    real, setpoints, replayed = night.real, night.setpoints, night.replayed
    count = real.intervals if done is None else done
    is_over = np.arange(real.intervals) < count
    into, out = battery_flows_kwh(real, setpoints, replayed.on_the_way_kwh)
    peaks = dict(before.peak_kw)
    for month in real.demand:
        peaks[month.charge, month.month] = month.peak_kw(real.hours, replayed.import_kw * is_over)
    counted = dict(before.counted_kwh)
    for tier in real.tiers:
        energy = real.hours * (replayed.import_kw if tier.side == "import" else replayed.export_kw)
        key = (tier.side, tier.band, tier.period)
        counted[key] = counted.get(key, 0.0) + float(energy[tier.holds & is_over].sum())
    fill = final_fill_kwh(real.wear, real.initial_fill_kwh, into[:count], out[:count])
    return CarryOver(float(replayed.stored_kwh[count]), fill, peaks, counted)


def recorded_until(inputs: Inputs) -> datetime:
    """Return when the first of the series of the inputs ends, market prices included, UTC."""
    ends = [inputs.load.end, *([] if inputs.solar is None else [inputs.solar.end])]
    if inputs.offer.market is not None:
        ends.append(inputs.offer.market.end)
    return min(ends).to_pydatetime()


def with_state(night: Night, carry_over: CarryOver) -> Night:
    """Return the night with the battery as the night before left it."""
    if carry_over.fill_kwh is None:
        return replace(night, stored_now_kwh=carry_over.stored_kwh)
    # the segments hold exactly what is stored, to the last digit
    fill = carry_over.fill_kwh * (carry_over.stored_kwh / max(float(carry_over.fill_kwh.sum()), 1e-12))
    return replace(
        night, stored_now_kwh=carry_over.stored_kwh, initial_fill_kwh=np.clip(fill, 0.0, night.wear.size_kwh)
    )


def _peaks(carry_over: CarryOver, inputs: Inputs, now: datetime) -> dict[int, float]:
    """Return the highest mean of each demand charge in the month of `now` and those that it looks back on [kW]."""
    local = pd.Timestamp(now).tz_convert(inputs.site.timezone)
    month = local.year * 12 + local.month
    return {
        number: max(carry_over.peak_kw.get((number, month - back), 0.0) for back in range(charge.look_back_months))
        for number, charge in enumerate(inputs.offer.demand_charges)
    }


def _counted(carry_over: CarryOver, side: str, inputs: Inputs, now: datetime) -> dict[int, float]:
    """Return the energy counted so far towards each tier of one side [kWh], by number of its band."""
    local = pd.Timestamp(now).tz_convert(inputs.site.timezone)
    day, month = local.date().toordinal() - date(1970, 1, 1).toordinal(), local.year * 12 + local.month
    bands = inputs.offer.import_bands if side == "import" else inputs.offer.export_bands
    return {
        number: carry_over.counted_kwh.get((side, number, day if band.per == "day" else month), 0.0)
        for number, band in enumerate(bands)
        if band.up_to_kwh is not None
    }
