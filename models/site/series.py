"""Meter series of the building's load and solar: means that keep the energy, and the typical day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray, IntArray
from models.base.clock import MINUTES_A_DAY, SATURDAY, day_of_week, wall_minutes

SECONDS_A_DAY = 86_400
RECENT_DAYS = 28
FEWEST_DAYS = 7
HALF_LIFE_DAYS = 7.0
"""After so many days a recent day counts half in the mean of load and solar (tests/benchmarks/README.md, Forecasts)."""


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """A meter series: mean power over regular intervals.

    Attributes
    ----------
    start : start of each interval, UTC, whole minutes, shape (n,).
    kw : mean power over each interval [kW], shape (n,).
    step_minutes : length of the intervals, 5 to 60 [min].

    Examples
    --------
    >>> series = Series(pd.date_range("2026-03-02", periods=4, freq="15min", tz="UTC"), np.array([1.0, 2, 3, 4]), 15)
    >>> str(series.end)
    '2026-03-02 01:00:00+00:00'
    """

    start: pd.DatetimeIndex
    kw: FloatArray
    step_minutes: int

    @property
    def end(self) -> pd.Timestamp:
        """Return the end of the last interval."""
        return self.start[-1] + pd.Timedelta(minutes=self.step_minutes)


@dataclass(frozen=True, slots=True, eq=False)
class TypicalDay:
    """The typical power at each minute of a local day, and the days it was taken from.

    Attributes
    ----------
    weekday_kw, weekend_kw : power at each minute of the day [kW], shape (1440,).
    weekday_basis, weekend_basis : "recent" (the last 28 days), "same month" (of other years) or "whole series".
    """

    weekday_kw: FloatArray
    weekend_kw: FloatArray
    weekday_basis: str
    weekend_basis: str


def minute_grid(boundaries: pd.DatetimeIndex) -> pd.DatetimeIndex:
    """Return every whole minute from the first boundary on, the last boundary excluded.

    Parameters
    ----------
    boundaries : interval boundaries, timezone-aware, shape (n + 1,).

    Examples
    --------
    >>> len(minute_grid(pd.DatetimeIndex(["2026-03-02T18:20Z", "2026-03-02T19:00Z", "2026-03-02T20:00Z"])))
    100
    """
    return pd.date_range(boundaries[0], boundaries[-1], freq="min", inclusive="left")


def interval_means(boundaries: pd.DatetimeIndex, minute_values: FloatArray) -> FloatArray:
    """Average values by the minute over intervals, so that the energy is kept.

    Parameters
    ----------
    boundaries : interval boundaries, shape (n + 1,).
    minute_values : a value for each minute of `minute_grid`.

    Returns
    -------
    The mean over each interval, shape (n,).

    Examples
    --------
    >>> boundaries = pd.DatetimeIndex(["2026-03-02T18:58Z", "2026-03-02T19:00Z", "2026-03-02T19:04Z"])
    >>> interval_means(boundaries, np.array([1.0, 2, 3, 3, 5, 5])).tolist()
    [1.5, 4.0]
    """
    minutes = ((boundaries - boundaries[0]) // pd.Timedelta(minutes=1)).to_numpy(dtype=np.int64)
    means: FloatArray = np.add.reduceat(minute_values, minutes[:-1]) / np.diff(minutes)
    return means


def recorded_means(series: Series, boundaries: pd.DatetimeIndex) -> FloatArray:
    """Average a recorded series over intervals, so that the energy is kept.

    Parameters
    ----------
    series : the recorded power.
    boundaries : interval boundaries, timezone-aware, shape (n + 1,).

    Returns
    -------
    The mean power over each interval [kW], shape (n,).

    Raises
    ------
    ValueError : the series does not cover the boundaries.

    Examples
    --------
    >>> series = Series(pd.date_range("2026-03-02", periods=4, freq="15min", tz="UTC"), np.array([1.0, 2, 3, 4]), 15)
    >>> recorded_means(series, pd.DatetimeIndex(["2026-03-02T00:05Z", "2026-03-02T00:30Z"])).tolist()
    [1.6]
    """
    if boundaries[0] < series.start[0] or boundaries[-1] > series.end:
        raise ValueError(f"it covers {series.start[0]} to {series.end}, not {boundaries[0]} to {boundaries[-1]}")
    minutes = minute_grid(boundaries)
    row = (minutes - series.start[0]) // pd.Timedelta(minutes=series.step_minutes)
    return interval_means(boundaries, series.kw[row.to_numpy(dtype=np.int64)])


def typical_day(
    series: Series,
    now: datetime,
    timezone: str,
    by_weekend: bool,
    percentile: float | None = None,
    half_life_days: float | None = None,
) -> TypicalDay:
    """Return the typical power at each local clock time, from what is known at `now`.

    It is taken from the last 28 days; if they hold fewer than 7 days of data, from the same month of other years; if
    these do too, from the whole series.

    Parameters
    ----------
    series : the recorded power.
    now : only intervals that have ended by then count as recent.
    timezone : IANA name of the site's time zone.
    by_weekend : whether to treat weekdays and weekends separately.
    percentile : percentile of the days at each clock time [0 to 100]; None for their mean.
    half_life_days : of the last 28 days, one so much older than another counts half as much in the mean; None: all
        count the same, as they do in percentiles and in what is taken from other years.

    Returns
    -------
    The day, and what it was taken from.

    Raises
    ------
    ValueError : the series holds less than one whole day.

    Examples
    --------
    >>> start = pd.date_range("2026-02-01", periods=24 * 28, freq="h", tz="UTC")
    >>> series = Series(start, np.where(start.hour < 6, 0.2, 1.0), 60)
    >>> day = typical_day(series, datetime.fromisoformat("2026-03-01T18:00Z"), "Europe/Dublin", by_weekend=False)
    >>> day.weekday_basis, float(day.weekday_kw[0]), float(day.weekday_kw[720])
    ('recent', 0.2, 1.0)
    """
    wall = _wall(series, timezone)
    day, clock_minute = wall.day, wall.minute
    weekend = day_of_week(day) >= SATURDAY
    instant = pd.Timestamp(now)
    here = instant.tz_convert(timezone)
    second = int(instant.as_unit("s").value // 10**9)
    # an interval is known once it has ended
    past = wall.begins <= second - 60 * series.step_minutes
    recent = past & (wall.begins >= second - SECONDS_A_DAY * RECENT_DAYS)
    same_month = (wall.month % 12 + 1 == here.month) & (wall.month // 12 + 1970 != here.year)
    choices = [
        ("recent", recent),
        ("same month", same_month),
        ("whole series", np.ones(len(day), dtype=np.bool_)),
    ]

    # whole days before now, so that the 24 hours of each count the same
    age_days = (second - 1 - wall.begins) // SECONDS_A_DAY

    def weights_of(rows: BoolArray, basis: str) -> FloatArray | None:
        if half_life_days is None or percentile is not None or basis != "recent":
            return None
        return np.asarray(0.5 ** (age_days[rows] / half_life_days), dtype=np.float64)

    def profile_of(kind: BoolArray) -> tuple[FloatArray, str]:
        for basis, chosen in choices:
            rows = kind & chosen
            if len(np.unique(day[rows])) >= FEWEST_DAYS or basis == "whole series":
                if not rows.any():
                    rows = chosen
                weights = weights_of(rows, basis)
                profile = _profile(series.kw[rows], clock_minute[rows], series.step_minutes, percentile, weights)
                if profile is None and basis == "whole series":  # too few days of the kind: take all days
                    profile = _profile(series.kw, clock_minute, series.step_minutes, percentile)
                if profile is not None or basis == "whole series":
                    break
        if profile is None:
            raise ValueError("it holds less than one whole day")
        return profile, basis

    everyday = np.ones(len(day), dtype=np.bool_)
    weekday_kw, weekday_basis = profile_of(~weekend if by_weekend else everyday)
    weekend_kw, weekend_basis = profile_of(weekend) if by_weekend else (weekday_kw, weekday_basis)
    return TypicalDay(weekday_kw, weekend_kw, weekday_basis, weekend_basis)


@dataclass(frozen=True, slots=True, eq=False)
class _Wall:
    """When the intervals of a series begin: seconds since 1970 in UTC; on the local clock day, month and minute.

    Days and months are counted from January 1970, minutes from midnight; shape (n,) each.
    """

    begins: IntArray
    day: IntArray
    month: IntArray
    minute: IntArray


@lru_cache(maxsize=8)
def _wall(series: Series, timezone: str) -> _Wall:
    """Return when the intervals begin, kept for the nights to come."""
    day, minute = np.divmod(wall_minutes(series.start, timezone), MINUTES_A_DAY)
    month = day.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    return _Wall(series.start.as_unit("s").asi8, day, month, minute)


def typical_means(day: TypicalDay, boundaries: pd.DatetimeIndex, timezone: str) -> FloatArray:
    """Average a typical day over intervals, so that the energy is kept.

    Parameters
    ----------
    day : typical power at each minute.
    boundaries : interval boundaries, timezone-aware, shape (n + 1,).
    timezone : IANA name of the site's time zone.

    Returns
    -------
    The mean power over each interval [kW], shape (n,).

    Examples
    --------
    >>> weekday, weekend = np.full(1440, 1.0), np.full(1440, 2.0)
    >>> saturday_from_midnight = pd.DatetimeIndex(["2026-02-27T23:30Z", "2026-02-28T00:30Z"])
    >>> typical_means(TypicalDay(weekday, weekend, "recent", "recent"), saturday_from_midnight, "Etc/UTC").tolist()
    [1.5]
    """
    day_number, clock_minute = np.divmod(wall_minutes(minute_grid(boundaries), timezone), MINUTES_A_DAY)
    weekend = day_of_week(day_number) >= SATURDAY
    return interval_means(boundaries, np.where(weekend, day.weekend_kw[clock_minute], day.weekday_kw[clock_minute]))


def _profile(
    kw: FloatArray,
    clock_minute: IntArray,
    step_minutes: int,
    percentile: float | None,
    weights: FloatArray | None = None,
) -> FloatArray | None:
    """Return the mean or percentile at each minute of the day, shape (1440,); None if a minute has no value."""
    if len(np.unique(clock_minute % step_minutes)) > 1:
        # a clock change by less than an interval: intervals begin at two sets of clock times
        clock_minute = ((clock_minute[:, None] + np.arange(step_minutes)) % MINUTES_A_DAY).ravel()
        weights = None if weights is None else np.repeat(weights, step_minutes)
        kw, step_minutes = np.repeat(kw, step_minutes), 1
    if weights is not None:
        return _weighted_profile(kw, clock_minute, step_minutes, weights)
    grouped = pd.Series(kw).groupby(clock_minute)
    at_start = grouped.mean() if percentile is None else grouped.quantile(percentile / 100)
    profile = np.full(MINUTES_A_DAY, np.nan)
    for minute, value in at_start.items():
        profile[(int(str(minute)) + np.arange(step_minutes)) % MINUTES_A_DAY] = value
    return None if np.isnan(profile).any() else profile


def _weighted_profile(
    kw: FloatArray, clock_minute: IntArray, step_minutes: int, weights: FloatArray
) -> FloatArray | None:
    """Return the weighted mean at each minute of the day, shape (1440,); None if a minute has no value."""
    total = np.bincount(clock_minute, weights, minlength=MINUTES_A_DAY)
    at_start = np.flatnonzero(total)
    latest = np.zeros(MINUTES_A_DAY)
    latest[clock_minute] = kw  # the mean difference from it is exactly 0 where all days are alike
    differences = np.bincount(clock_minute, weights * (kw - latest[clock_minute]), minlength=MINUTES_A_DAY)
    mean = latest[at_start] + differences[at_start] / total[at_start]
    profile = np.full(MINUTES_A_DAY, np.nan)
    for later in range(step_minutes):
        profile[(at_start + later) % MINUTES_A_DAY] = mean
    return None if np.isnan(profile).any() else profile
