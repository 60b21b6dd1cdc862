"""When the car is home, where that is not certain: drawn for each past day, over the range that was given or recorded.

A range such as 21:00 to 23:00 is drawn from evenly. A usual trip comes back as recorded drives on the same weekday did
that left at about its time, where at least FEWEST_RETURNS of them are known; else as usual. Of S samples each takes its
own S-th part of the range, or of the recorded returns from the earliest to the latest, in an order that has no pattern,
so that the first few of them are spread out too: the same samples every time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray, IntArray
from models.base.clock import end_of_skipped_hour, instants_of
from models.site.trips import Trip
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.night import Night
from scheduler.nights.request import Request

FEWEST_RETURNS = 8
"""From fewer recorded drives nothing is drawn: as many as it takes to learn what a drive uses."""
SAME_DRIVE = timedelta(hours=2)
"""A recorded drive that left no further than this from a usual trip's departure is one of its kind."""
ANOTHER_DRIVE = timedelta(hours=6)
"""One that came back further than this from its usual return is not."""
LAST_RETURNS = timedelta(days=365)
"""Drives longer ago say nothing."""
SPREADS = (5.0, 2.0, 3.0, 7.0, 11.0)
"""Multiples of their square roots, without the whole part, are spread evenly and do not go together."""


@dataclass(frozen=True, slots=True, eq=False)
class SampledReturns:
    """When the car is home in each of S samples [s since 1970].

    Attributes
    ----------
    home_at : shape (S,), with NaN where the night begins with the car at home, or at a time that is certain.
    comeback : from each trip of the night, shape (S, trips), with NaN where it is as planned.
    """

    home_at: FloatArray
    comeback: FloatArray

    def first(self, count: int) -> SampledReturns:
        """Return the first ones, at most so many."""
        return SampledReturns(self.home_at[:count], self.comeback[:count])

    def before(self, number: int) -> FloatArray:
        """Return when the car is home before a trip [s since 1970], shape (S,); NaN where that is certain."""
        return self.home_at if number == 0 else self.comeback[:, number - 1]

    @property
    def latest(self) -> FloatArray:
        """Return the latest return from each trip [s since 1970], shape (trips,)."""
        return np.asarray(self.comeback.max(axis=0), dtype=np.float64)


def sampled_returns(inputs: Inputs, evening: Request, night: Night, count: int) -> SampledReturns | None:
    """Return when the car is home in so many samples; None where all of it is certain.

    Parameters
    ----------
    inputs, evening, night : the site's inputs with its recorded trips, the request, and the night built from them;
        nothing after the moment of the forecast is read.
    """
    home_at, comeback = np.full(count, np.nan), np.full((count, len(night.trips)), np.nan)
    if evening.home_at is not None and evening.home_at_earliest is not None:
        earliest, latest = evening.home_at_earliest.timestamp(), evening.home_at.timestamp()
        home_at[:] = _whole_minutes(earliest + spread_evenly(count, 0) * (latest - earliest))
    for number, trip in enumerate(night.trips):
        if trip.trip not in evening.as_usual:
            continue
        past = recorded_returns(inputs, evening, trip.trip)
        if len(past) >= FEWEST_RETURNS:
            drawn = (spread_evenly(count, number + 1) * len(past)).astype(np.int64)
            comeback[:, number] = np.array([instant.timestamp() for instant in past])[drawn]
    if count == 0 or (np.isnan(home_at).all() and np.isnan(comeback).all()):
        return None
    return SampledReturns(home_at, comeback)


def recorded_returns(inputs: Inputs, evening: Request, usual: Trip) -> list[datetime]:
    """Return when the car would be back from a usual trip at the clock times of recorded ones, in time order, UTC."""
    zone = ZoneInfo(inputs.site.timezone)
    known_at = evening.known_at or evening.now
    departs, returns = (_wall(instant, zone) for instant in (usual.depart_at, usual.return_at))
    found = []
    for trip in inputs.recorded_trips or ():
        left, back = (_wall(instant, zone) for instant in (trip.depart_at, trip.return_at))
        moved = timedelta(days=(departs.date() - left.date()).days)
        is_like = (
            left.weekday() == departs.weekday()
            and abs(left + moved - departs) <= SAME_DRIVE
            and abs(back + moved - returns) <= ANOTHER_DRIVE
        )
        if is_like and known_at - LAST_RETURNS <= trip.return_at <= known_at:
            found.append(max(_instant(back + moved, inputs.site.timezone), usual.depart_at + timedelta(minutes=1)))
    return sorted(found)


def spread_evenly(count: int, number: int) -> FloatArray:
    """Return the middles of `count` equal parts of 0 to 1, in an order of which every beginning is spread out too.

    Parameters
    ----------
    number : of what is drawn; the orders of different ones do not go together.

    Examples
    --------
    >>> spread_evenly(5, 0).round(2).tolist()
    [0.1, 0.3, 0.5, 0.7, 0.9]
    >>> spread_evenly(8, 1)[:4].round(4).tolist()
    [0.0625, 0.4375, 0.8125, 0.3125]
    """
    at = (np.arange(count) * SPREADS[number % len(SPREADS)] ** 0.5) % 1.0
    return np.asarray((np.argsort(np.argsort(at)) + 0.5) / count, dtype=np.float64)


def coming_home(night: Night, home_at: float, comeback: FloatArray) -> Night:
    """Return a night in which the car is home at other times, with a boundary at each of them.

    The car is back from a trip by the next departure, or by the night's end, at the latest. What a trip takes stays.

    Parameters
    ----------
    home_at : [s since 1970]; NaN for the night's own. comeback : likewise from each trip, shape (trips,).
    """
    edges = night.boundaries.as_unit("s").asi8
    departs = [int(edges[trip.depart]) for trip in night.trips]
    latest = [*departs[1:], int(edges[-1])]
    returns = [
        int(edges[trip.comeback]) if np.isnan(at) else int(np.clip(at, departs[number] + 60, latest[number]))
        for number, (trip, at) in enumerate(zip(night.trips, comeback.tolist(), strict=True))
    ]
    home = [] if np.isnan(home_at) else [int(np.clip(home_at, edges[0], edges[-1]))]
    wanted = np.union1d(edges, np.array([*returns, *home], dtype=np.int64))
    begins = wanted[:-1]
    rows = rows_of(edges, begins)
    at_home = np.ones(len(begins), dtype=np.bool_)
    if home:
        at_home &= begins >= home[0]
    elif not night.at_home[0] and not (night.trips and night.trips[0].depart == 0):
        away = np.flatnonzero(night.at_home)
        at_home &= begins >= (edges[away[0]] if len(away) else edges[-1])
    for left, back in zip(departs, returns, strict=True):
        at_home &= ~((begins >= left) & (begins < back))
    at = {int(instant): number for number, instant in enumerate(wanted.tolist())}
    trips, since = [], 0
    for trip, back in zip(night.trips, returns, strict=True):
        depart = at[int(edges[trip.depart])]
        ready = min(max(at[int(edges[trip.ready])], since), depart)
        trips.append(replace(trip, ready=ready, depart=depart, comeback=at[back]))
        since = at[back]
    return replace(_with_rows(night, rows, wanted), at_home=at_home, trips=tuple(trips))


def rows_of(edges: IntArray, begins: IntArray) -> IntArray:
    """Return in which interval each instant lies.

    Parameters
    ----------
    edges : boundaries of n intervals, shape (n + 1,). begins : instants, in the same unit, shape (m,).
    """
    return np.asarray(np.searchsorted(edges, begins, side="right") - 1, dtype=np.int64)


def _with_rows(night: Night, rows: IntArray, edges: IntArray) -> Night:
    """Return a night cut further, each interval with what holds in the one that it is a part of."""

    def of(values: FloatArray | None) -> FloatArray | None:
        return None if values is None else values[rows]

    return replace(
        night,
        boundaries=pd.DatetimeIndex(edges.astype("datetime64[s]")).tz_localize("UTC"),
        load_kw=night.load_kw[rows],
        solar_kw=night.solar_kw[rows],
        import_price=night.import_price[rows],
        export_price=night.export_price[rows],
        tiers=tuple(replace(tier, holds=tier.holds[rows], difference=tier.difference[rows]) for tier in night.tiers),
        demand=tuple(replace(month, mean_of=month.mean_of[rows]) for month in night.demand),
        no_grid_charging=None if night.no_grid_charging is None else night.no_grid_charging[rows],
        export_limits_kw=of(night.export_limits_kw),
        grid_g_per_kwh=of(night.grid_g_per_kwh),
    )


def _whole_minutes(seconds: FloatArray) -> FloatArray:
    return np.asarray(np.floor(seconds / 60) * 60, dtype=np.float64)


def _wall(instant: datetime, zone: ZoneInfo) -> datetime:
    return instant.astimezone(zone).replace(tzinfo=None)


def _instant(wall: datetime, timezone: str) -> datetime:
    """Return the last instant at which the clock shows a time; the end of a skipped hour where it never does."""
    instants = instants_of(wall, timezone) or [end_of_skipped_hour(wall, timezone)]
    return instants[-1].astimezone(UTC)
