"""A stretch of nights, one after another: each planned on what was known, carried out against what happened."""

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
from scheduler.nights.planning_times import evenings, midnight, trips_between, trips_overlapping
from scheduler.nights.request import ForecastKind, Request
from scheduler.optimizer.charge_on_return import charge_on_return
from scheduler.optimizer.find_blocks import find_blocks
from scheduler.optimizer.setpoints import Answer, Setpoints
from scheduler.optimizer.solve import solve
from scheduler.plans.replay import Replayed, battery_flows_kwh, verify, verify_constraints
from scheduler.rolling.dispatch import follow_plan

Policy = Literal["plan", "charge-only", "charge-on-return"]
"""How the car is used: as planned, as planned without discharging, or charged whenever it is home."""


@dataclass(frozen=True, slots=True, eq=False)
class CarryOver:
    """What goes from one night into the next.

    Attributes
    ----------
    stored_kwh : in the battery [kWh]. fill_kwh : in each wear segment [kWh]; None: the cheapest are full.
    peak_kw : the month's highest mean so far [kW], by month.
    counted_kwh : towards steps, by side, number of the band and number of the day or month [kWh].
    """

    stored_kwh: float
    fill_kwh: FloatArray | None = None
    peak_kw: Mapping[int, float] = field(default_factory=dict)
    counted_kwh: Mapping[tuple[str, int, int], float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class RolledNight:
    """One night as planned and as it went.

    Attributes
    ----------
    planned : the night as forecast. answer, expected : its plan, and what that comes to; None for a car that is simply
        charged on return.
    real, setpoints, replayed : the night as it was until the next evening, and what the charger did.
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
    """The nights of the local days from `first` to `last`, each carried out before the next is planned.

    The first begins at midnight, the others in the evening, and the last ends at midnight, or with the return of a trip
    that is then under way. Stored energy, the depth of the running cycle, the month's peak and the steps so far go from
    each into the next.

    Parameters
    ----------
    soc_percent : when `first` begins, or on the return from a trip that is then under way [%].
    forecast : what each plan goes by: `typical` is what was known then, `recorded` is hindsight.
    policy : how the car is used.

    Raises
    ------
    InputFaults : a series does not cover the days.
    NoPlanError, PlanRefused : as for a plan.
    """
    carried = CarryOver(inputs.site.car.kwh(soc_percent))
    for now, following in pairwise(planning_times(inputs, first, last)):
        night = one_night(inputs, now, following, carried, forecast, policy)
        yield night
        carried = after(night, carried)


def planning_times(inputs: Inputs, first: date, last: date) -> list[datetime]:
    """When the nights of the days begin, and when the last one ends, UTC."""
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
    carried: CarryOver,
    forecast: ForecastKind = "typical",
    policy: Policy = "plan",
) -> RolledNight:
    """Plan one night at `now`, and carry it out until `following`."""
    site = inputs.site
    usual = now + timedelta(hours=site.plan.horizon_hours)
    horizon = max(usual, following)  # a day of 25 hours, or a late return: no hour goes unplanned
    if forecast == "recorded":
        horizon = min(horizon, recorded_until(inputs))
    trips = trips_between(inputs, now, horizon)
    if forecast == "recorded":
        trips = tuple(trip for trip in trips if trip.return_at <= recorded_until(inputs))
    away = [trip.return_at for trip in trips_overlapping(inputs, now, now)]
    asked = Request(
        now=now,
        soc_percent=site.car.percent(carried.stored_kwh),
        trips=trips,
        home_at=max(away, default=None),
        forecast=forecast,
        until=None if horizon == usual else horizon,
        peak_so_far_kw=_peak(carried, now, site.timezone),
        imported_so_far_kwh=_counted(carried, "import", inputs, now),
        exported_so_far_kwh=_counted(carried, "export", inputs, now),
    )
    planned = _with_state(build_night(inputs, asked)[0], carried)
    later = planned.boundaries[1:]
    inside = later[later < pd.Timestamp(following)]
    happened = replace(
        asked,
        trips=trips_between(inputs, now, following),
        forecast="recorded",
        until=following,
        boundaries=tuple(instant.to_pydatetime() for instant in inside),
    )
    real = _with_state(build_night(inputs, happened)[0], carried)
    if policy == "charge-on-return":
        on_return = charge_on_return(real)
        return RolledNight(planned, None, None, real, on_return, verify_constraints(real, on_return))
    answer = solve(planned, may_discharge=policy == "plan")
    expected = verify(planned, answer)
    blocks = find_blocks(planned, answer.setpoints) if answer.blocks is None else answer.blocks
    if forecast == "recorded":
        blocks = ()  # what happens is what was planned, interval by interval; nothing needs to follow anything
    setpoints = follow_plan(real, planned, answer.setpoints, blocks)
    return RolledNight(planned, answer, expected, real, setpoints, verify_constraints(real, setpoints))


def after(night: RolledNight, before: CarryOver) -> CarryOver:
    """What goes on into the next night."""
    real, setpoints, replayed = night.real, night.setpoints, night.replayed
    into, out = battery_flows_kwh(real, setpoints, replayed.on_the_way_kwh)
    peaks = dict(before.peak_kw)
    for month in real.demand:
        peaks[month.month] = month.peak_kw(real.hours, replayed.import_kw)
    counted = dict(before.counted_kwh)
    for step in real.tiers:
        energy = real.hours * (replayed.import_kw if step.side == "import" else replayed.export_kw)
        key = (step.side, step.band, step.period)
        counted[key] = counted.get(key, 0.0) + float(energy[step.holds].sum())
    fill = final_fill_kwh(real.wear, real.initial_fill_kwh, into, out)
    return CarryOver(float(replayed.stored_kwh[-1]), fill, peaks, counted)


def recorded_until(inputs: Inputs) -> datetime:
    """End of what the series of the inputs, market prices included, tell, UTC."""
    ends = [inputs.load.end, *([] if inputs.solar is None else [inputs.solar.end])]
    if inputs.offer.market is not None:
        ends.append(inputs.offer.market.end)
    return min(ends).to_pydatetime()


def _with_state(night: Night, carried: CarryOver) -> Night:
    """The night with the battery as it is."""
    if carried.fill_kwh is None:
        return replace(night, stored_now_kwh=carried.stored_kwh)
    # what the segments hold is what is stored, to the last digit
    fill = carried.fill_kwh * (carried.stored_kwh / max(float(carried.fill_kwh.sum()), 1e-12))
    return replace(night, stored_now_kwh=carried.stored_kwh, initial_fill_kwh=np.clip(fill, 0.0, night.wear.size_kwh))


def _peak(carried: CarryOver, now: datetime, timezone: str) -> float:
    local = pd.Timestamp(now).tz_convert(timezone)
    return carried.peak_kw.get(local.year * 12 + local.month, 0.0)


def _counted(carried: CarryOver, side: str, inputs: Inputs, now: datetime) -> dict[int, float]:
    """Counted so far towards each step of the side under way, by number of the band [kWh]."""
    local = pd.Timestamp(now).tz_convert(inputs.site.timezone)
    day, month = local.date().toordinal() - date(1970, 1, 1).toordinal(), local.year * 12 + local.month
    bands = inputs.offer.import_bands if side == "import" else inputs.offer.export_bands
    return {
        number: carried.counted_kwh.get((side, number, day if band.per == "day" else month), 0.0)
        for number, band in enumerate(bands)
        if band.up_to_kwh is not None
    }
