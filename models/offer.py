"""Electricity offers: bands of local clock time, and the prices they give at instants."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from models.arrays import BoolArray, FloatArray, IntArray
from models.clock import MINUTES_A_DAY, LocalClock, local_clock


@dataclass(frozen=True, slots=True)
class Band:
    """A stretch of local clock time, days and months with one price.

    Attributes
    ----------
    price_per_kwh : [money per kWh], may be negative.
    from_minute, to_minute : minutes since local midnight, 0 to 1440; a band that passes midnight belongs to the
        day it began.
    days : days of the week on which it begins, 0 for Monday; None: every day.
    months : months in which it begins, 1 to 12; None: every month.
    """

    price_per_kwh: float
    from_minute: int = 0
    to_minute: int = MINUTES_A_DAY
    days: frozenset[int] | None = None
    months: frozenset[int] | None = None

    def covers(self, minute: IntArray, days: tuple[IntArray, IntArray], months: tuple[IntArray, IntArray]) -> BoolArray:
        """Whether the band holds at wall-clock minutes on days of the week and months; arrays of shape (n,).

        `days` and `months` each give the value of the date itself and of the date before.
        """
        begun_today = self._begins_on(days[0], months[0])
        if self.from_minute < self.to_minute:
            return begun_today & (minute >= self.from_minute) & (minute < self.to_minute)
        begun_yesterday = self._begins_on(days[1], months[1])
        return (begun_today & (minute >= self.from_minute)) | (begun_yesterday & (minute < self.to_minute))

    def _begins_on(self, day: IntArray, month: IntArray) -> BoolArray:
        begins = np.ones(len(day), dtype=np.bool_)
        if self.days is not None:
            begins &= np.isin(day, list(self.days))
        if self.months is not None:
            begins &= np.isin(month, list(self.months))
        return begins


@dataclass(frozen=True, slots=True)
class Offer:
    """One electricity retailer's set of import and export prices and fixed charges.

    Attributes
    ----------
    name, currency : as on the offer; ISO 4217.
    daily_fee : [money per day].
    import_bands, export_bands : the last band that matches gives the price.
    holidays_count_as : day of the week whose bands hold on public holidays, 0 for Monday, or None.
    """

    name: str
    currency: str
    daily_fee: float
    import_bands: tuple[Band, ...]
    export_bands: tuple[Band, ...] = ()
    holidays_count_as: int | None = None

    def days_counted_as(self, clock: LocalClock) -> tuple[IntArray, IntArray]:
        """Day of the week of each date and of the date before, public holidays counted as the offer says."""
        if self.holidays_count_as is None:
            return clock.day_of_week, clock.day_of_week_before
        return (
            np.where(clock.holiday, self.holidays_count_as, clock.day_of_week),
            np.where(clock.holiday_before, self.holidays_count_as, clock.day_of_week_before),
        )


def band_prices(
    bands: Sequence[Band],
    minute: IntArray,
    days: tuple[IntArray, IntArray],
    months: tuple[IntArray, IntArray],
) -> FloatArray:
    """Price of the last band that matches [money per kWh], shape (n,); NaN where none does."""
    price = np.full(len(minute), np.nan)
    for band in bands:
        price[band.covers(minute, days, months)] = band.price_per_kwh
    return price


def prices(
    offer: Offer, instants: pd.DatetimeIndex, timezone: str, holidays: Collection[date] = ()
) -> tuple[FloatArray, FloatArray]:
    """Import and export prices [money per kWh] at instants, each of shape (n,).

    A clock change is read literally: a band holds whenever the wall clock shows a time inside it, so the band of a
    doubled hour holds twice and an edge inside a lost hour takes effect right after it.

    Parameters
    ----------
    instants : timezone-aware, shape (n,).
    timezone : IANA name of the site's zone.
    holidays : public holidays as local dates.

    Raises
    ------
    ValueError : an instant has no import price.
    """
    clock = local_clock(instants, timezone, holidays)
    days = offer.days_counted_as(clock)
    months = (clock.month, clock.month_before)
    import_price = band_prices(offer.import_bands, clock.minute, days, months)
    if np.isnan(import_price).any():
        first = instants[int(np.argmax(np.isnan(import_price)))].tz_convert(timezone)
        raise ValueError(f"offer {offer.name!r} has no import price at {first.isoformat()}")
    export_price = band_prices(offer.export_bands, clock.minute, days, months)
    return import_price, np.nan_to_num(export_price, nan=0.0)


def first_unpriced(offer: Offer) -> tuple[int, int, int] | None:
    """First (month, day of the week, minute) without an import price in any year, or None.

    Every month and day of the week is tried with every date that may come before it (the day and month before,
    and, where public holidays count as another day, any mix of the two), at every band edge: between two edges
    nothing changes.
    """
    edges = sorted({0, *(edge for band in offer.import_bands for edge in (band.from_minute, band.to_minute))})
    minutes = [edge for edge in edges if edge < MINUTES_A_DAY]
    pairs = {(day, (day - 1) % 7) for day in range(7)}
    if offer.holidays_count_as is not None:
        counted = offer.holidays_count_as
        pairs |= {(counted, before) for _, before in set(pairs)} | {(day, counted) for day in range(7)}
        pairs.add((counted, counted))
    rows = np.array(
        [
            (month, month_before, day, day_before, minute)
            for month in range(1, 13)
            for month_before in (month, (month - 2) % 12 + 1)
            for day, day_before in sorted(pairs)
            for minute in minutes
        ],
        dtype=np.int64,
    )
    month, month_before, day, day_before, minute = rows.T
    price = band_prices(offer.import_bands, minute, (day, day_before), (month, month_before))
    missing = np.isnan(price)
    if not missing.any():
        return None
    row = rows[int(np.argmax(missing))]
    return int(row[0]), int(row[2]), int(row[4])
