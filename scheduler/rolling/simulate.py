"""Nights one after another: each is planned on what was known, and its plan followed in the night as it happened.

A night of a rolled year is the night that `plan` makes when the same is known. With perfect foresight, and from the
same state, a night costs no more than one that follows a forecast, apart from the solver's gap and the choice among
equally cheap plans, if the charger can run at any power. (A charger that stops inside an interval does what no plan
may.) That does not bound a year: each night values what it leaves behind at the stored-energy price alone, and a
forecast that errs can leave more by luck.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Literal

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray
from models.wear.segments import final_fill_kwh
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.planning_times import LONGEST_USUAL_TRIP, evenings, midnight, trips_between, trips_overlapping
from scheduler.nights.request import LOOK_AHEAD, ForecastKind, Request
from scheduler.optimizer.charge_on_return import charge_on_return
from scheduler.optimizer.find_blocks import find_blocks
from scheduler.optimizer.look_ahead import with_look_ahead
from scheduler.optimizer.setpoints import Answer, Setpoints
from scheduler.optimizer.solve import solve
from scheduler.plans.replay import Replayed, battery_flows_kwh, verify, verify_constraints
from scheduler.rolling.dispatch import follow_plan

Policy = Literal["plan", "charge-only", "charge-on-return"]
"""How the car is used: as planned, as planned without discharging, or charged whenever it is home."""


@dataclass(frozen=True, slots=True, eq=False)
class CarryOver:
    """What one night hands over to the next.

    Attributes
    ----------
    stored_kwh : stored energy [kWh].
    fill_kwh : energy in each wear segment [kWh], shape (segments,); None: the cheapest segments are full.
    peak_kw : highest mean so far [kW], by month.
    counted_kwh : energy counted towards tiers [kWh], by side, number of the band, and number of the day or month.
    """

    stored_kwh: float
    fill_kwh: FloatArray | None = None
    peak_kw: Mapping[int, float] = field(default_factory=dict)
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
    """

    planned: Night
    answer: Answer | None
    expected: Replayed | None
    real: Night
    setpoints: Setpoints
    replayed: Replayed


def rolled_nights(
    inputs: Inputs,
    first: date,
    last: date,
    soc_percent: float,
    forecast: ForecastKind = "typical",
    policy: Policy = "plan",
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
    forecast : what each plan knows: `typical` is what was known that evening, `recorded` is perfect foresight.
    policy : how the car is used.

    Raises
    ------
    InputFaults : a series does not cover the days.
    NoPlanError, PlanRefused : as for a plan.
    """
    carry_over = CarryOver(inputs.site.car.kwh(soc_percent))
    for now, following in pairwise(planning_times(inputs, first, last)):
        night = one_night(inputs, now, following, carry_over, forecast, policy)
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
) -> RolledNight:
    """Plan one night at `now`, and follow the plan until `following`.

    Parameters
    ----------
    inputs : the site, its series and offer.
    now, following : when the night is planned, and when the next one is.
    carry_over : what the night before leaves.
    forecast, policy : as in `rolled_nights`.
    """
    site = inputs.site
    usual = now + timedelta(hours=site.plan.horizon_hours)
    horizon = max(usual, following)  # so that every hour of a day of 25 hours, or until a late return, is planned
    if forecast == "recorded":
        horizon = min(horizon, recorded_until(inputs))
    trips = trips_between(inputs, now, horizon)
    if forecast == "recorded":
        trips = tuple(trip for trip in trips if trip.return_at <= recorded_until(inputs))
    away = [trip.return_at for trip in trips_overlapping(inputs, now, now)]
    asked = Request(
        now=now,
        soc_percent=site.car.percent(carry_over.stored_kwh),
        trips=trips,
        home_at=max(away, default=None),
        forecast=forecast,
        until=None if horizon == usual else horizon,
        peak_so_far_kw=_peak(carry_over, now, site.timezone),
        imported_so_far_kwh=_counted(carry_over, "import", inputs, now),
        exported_so_far_kwh=_counted(carry_over, "export", inputs, now),
        later_trips=trips_between(inputs, horizon, horizon + LOOK_AHEAD + LONGEST_USUAL_TRIP),
    )
    planned = with_state(build_night(inputs, asked)[0], carry_over)
    if policy != "charge-on-return":
        last = recorded_until(inputs) if forecast == "recorded" else None
        planned = with_look_ahead(inputs, asked, planned, policy == "plan", last)
    later = planned.boundaries[1:]
    inside = later[later < pd.Timestamp(following)]
    happened = replace(
        asked,
        trips=trips_between(inputs, now, following),
        forecast="recorded",
        until=following,
        boundaries=tuple(instant.to_pydatetime() for instant in inside),
    )
    real = with_state(build_night(inputs, happened)[0], carry_over)
    if policy == "charge-on-return":
        on_return = charge_on_return(real)
        return RolledNight(planned, None, None, real, on_return, verify_constraints(real, on_return))
    answer = solve(planned, may_discharge=policy == "plan")
    expected = verify(planned, answer)
    blocks = find_blocks(planned, answer.setpoints) if answer.blocks is None else answer.blocks
    if forecast == "recorded":
        blocks = ()  # what happens is what was planned, so no block needs to follow the real draw
    setpoints = follow_plan(real, planned, answer.setpoints, blocks)
    return RolledNight(planned, answer, expected, real, setpoints, verify_constraints(real, setpoints))


def carry_over_from(night: RolledNight, before: CarryOver) -> CarryOver:
    """Return what a night leaves to the next one, from what it began with."""
    real, setpoints, replayed = night.real, night.setpoints, night.replayed
    into, out = battery_flows_kwh(real, setpoints, replayed.on_the_way_kwh)
    peaks = dict(before.peak_kw)
    for month in real.demand:
        peaks[month.month] = month.peak_kw(real.hours, replayed.import_kw)
    counted = dict(before.counted_kwh)
    for tier in real.tiers:
        energy = real.hours * (replayed.import_kw if tier.side == "import" else replayed.export_kw)
        key = (tier.side, tier.band, tier.period)
        counted[key] = counted.get(key, 0.0) + float(energy[tier.holds].sum())
    fill = final_fill_kwh(real.wear, real.initial_fill_kwh, into, out)
    return CarryOver(float(replayed.stored_kwh[-1]), fill, peaks, counted)


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


def _peak(carry_over: CarryOver, now: datetime, timezone: str) -> float:
    """Return the highest mean so far of the month of `now` [kW]."""
    local = pd.Timestamp(now).tz_convert(timezone)
    return carry_over.peak_kw.get(local.year * 12 + local.month, 0.0)


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
