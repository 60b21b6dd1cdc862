"""The building's load and solar: meter series, energy-true means, and the typical day they show."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray, IntArray
from models.base.clock import MINUTES_A_DAY, SATURDAY

RECENT_DAYS = 28
FEWEST_DAYS = 7


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """A meter series: kW averaged over a regular step.

    Attributes
    ----------
    start : start of each step, UTC, whole minutes, shape (n,).
    kw : mean power over the step [kW], shape (n,).
    step_minutes : [min], 5 to 60.
    """

    start: pd.DatetimeIndex
    kw: FloatArray
    step_minutes: int

    @property
    def end(self) -> pd.Timestamp:
        """End of the last step."""
        return self.start[-1] + pd.Timedelta(minutes=self.step_minutes)


@dataclass(frozen=True, slots=True, eq=False)
class TypicalDay:
    """Power at each minute of a local day [kW], shape (1440,), and the days it was read from.

    `basis` is "recent" (the last 28 days), "same month" (of other years) or "whole series".
    """

    weekday_kw: FloatArray
    weekend_kw: FloatArray
    weekday_basis: str
    weekend_basis: str


def minute_grid(boundaries: pd.DatetimeIndex) -> pd.DatetimeIndex:
    """Every whole minute from the first boundary until just before the last."""
    return pd.date_range(boundaries[0], boundaries[-1], freq="min", inclusive="left")


def interval_means(boundaries: pd.DatetimeIndex, minute_values: FloatArray) -> FloatArray:
    """Energy-true mean over each interval, shape (n,), of values at each minute between n + 1 boundaries."""
    minutes = ((boundaries - boundaries[0]) // pd.Timedelta(minutes=1)).to_numpy(dtype=np.int64)
    means: FloatArray = np.add.reduceat(minute_values, minutes[:-1]) / np.diff(minutes)
    return means


def recorded_means(series: Series, boundaries: pd.DatetimeIndex) -> FloatArray:
    """Energy-true mean [kW] of the series over each interval, shape (n,).

    Raises
    ------
    ValueError : the series does not cover the boundaries.
    """
    if boundaries[0] < series.start[0] or boundaries[-1] > series.end:
        raise ValueError(f"it covers {series.start[0]} to {series.end}, not {boundaries[0]} to {boundaries[-1]}")
    minutes = minute_grid(boundaries)
    row = (minutes - series.start[0]) // pd.Timedelta(minutes=series.step_minutes)
    return interval_means(boundaries, series.kw[row.to_numpy(dtype=np.int64)])


def typical_day(
    series: Series, now: datetime, timezone: str, by_weekend: bool, percentile: float | None = None
) -> TypicalDay:
    """The power usual at each local clock time, as far as it is known at `now`.

    From the last 28 days before now; fewer than 7 such days: from the same month of other years; then from the
    whole series.

    Parameters
    ----------
    timezone : IANA name of the site's zone.
    by_weekend : read weekdays and weekends apart.
    percentile : of the days at each clock time [0 to 100]; None: their mean.
    """
    wall = series.start.tz_convert(timezone).tz_localize(None)
    date = wall.normalize()
    clock_minute = np.asarray(wall.hour * 60 + wall.minute, dtype=np.int64)
    weekend = np.asarray(wall.day_of_week >= SATURDAY, dtype=np.bool_)
    instant = pd.Timestamp(now)
    here = instant.tz_convert(timezone)
    # a step counts as known once it is over
    past = np.asarray(series.start <= instant - pd.Timedelta(minutes=series.step_minutes), dtype=np.bool_)
    recent = past & np.asarray(series.start >= instant - pd.Timedelta(days=RECENT_DAYS), dtype=np.bool_)
    same_month = np.asarray((wall.month == here.month) & (wall.year != here.year), dtype=np.bool_)
    choices = [
        ("recent", recent),
        ("same month", same_month),
        ("whole series", np.ones(len(wall), dtype=np.bool_)),
    ]

    def of(kind: BoolArray) -> tuple[FloatArray, str]:
        for basis, chosen in choices:
            rows = kind & chosen
            if date[rows].nunique() >= FEWEST_DAYS or basis == "whole series":
                if not rows.any():
                    rows = chosen
                profile = _profile(series.kw[rows], clock_minute[rows], series.step_minutes, percentile)
                if profile is None and basis == "whole series":  # too few of the kind's days: any day's
                    profile = _profile(series.kw, clock_minute, series.step_minutes, percentile)
                if profile is not None or basis == "whole series":
                    break
        if profile is None:
            raise ValueError("it holds less than one whole day")
        return profile, basis

    everyday = np.ones(len(wall), dtype=np.bool_)
    weekday_kw, weekday_basis = of(~weekend if by_weekend else everyday)
    weekend_kw, weekend_basis = of(weekend) if by_weekend else (weekday_kw, weekday_basis)
    return TypicalDay(weekday_kw, weekend_kw, weekday_basis, weekend_basis)


def typical_means(day: TypicalDay, boundaries: pd.DatetimeIndex, timezone: str) -> FloatArray:
    """Energy-true mean [kW] of the typical day over each interval, shape (n,)."""
    wall = minute_grid(boundaries).tz_convert(timezone).tz_localize(None)
    clock_minute = np.asarray(wall.hour * 60 + wall.minute, dtype=np.int64)
    weekend = np.asarray(wall.day_of_week >= SATURDAY, dtype=np.bool_)
    return interval_means(boundaries, np.where(weekend, day.weekend_kw[clock_minute], day.weekday_kw[clock_minute]))


def _profile(kw: FloatArray, clock_minute: IntArray, step_minutes: int, percentile: float | None) -> FloatArray | None:
    """Mean or percentile at each minute of the day, shape (1440,); None if a minute has no value."""
    if len(np.unique(clock_minute % step_minutes)) > 1:
        # a clock change by less than a step: rows begin at two sets of clock times
        clock_minute = ((clock_minute[:, None] + np.arange(step_minutes)) % MINUTES_A_DAY).ravel()
        kw, step_minutes = np.repeat(kw, step_minutes), 1
    grouped = pd.Series(kw).groupby(clock_minute)
    at_start = grouped.mean() if percentile is None else grouped.quantile(percentile / 100)
    profile = np.full(MINUTES_A_DAY, np.nan)
    for minute, value in at_start.items():
        profile[(int(str(minute)) + np.arange(step_minutes)) % MINUTES_A_DAY] = value
    return None if np.isnan(profile).any() else profile
