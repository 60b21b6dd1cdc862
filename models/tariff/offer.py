"""Electricity offers: bands of local clock time, steps of quantity, market prices, taxes and fees."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray, IntArray
from models.base.clock import MINUTES_A_DAY, LocalClock, local_clock
from models.base.time_window import ALWAYS, DaysAndBefore, TimeWindow
from models.tariff.market import MarketPrices, market_price_at

TierPeriod = Literal["day", "month"]
LineKind = Literal["import", "export", "daily_fee", "demand_charge"]
"""Kinds of line on a bill that a tax can cover."""


@dataclass(frozen=True, slots=True)
class Band:
    """A stretch of local clock time, days and months with one price.

    Attributes
    ----------
    price_per_kwh : [money per kWh], may be negative; of a band that follows the market, what is added to it.
    from_minute, to_minute : minutes since local midnight, 0 to 1440; a band that passes midnight belongs to the
        day it began.
    days : days of the week on which it begins, 0 for Monday; None: every day.
    months : months in which it begins, 1 to 12; None: every month.
    up_to_kwh : the price holds on the first so many kWh of each local day or month [kWh]; None: on all of them.
    per : what `up_to_kwh` is counted over.
    market_factor : factor on the market price; None: the price does not follow the market.
    no_grid_charging : of an export band: the car is not charged from the grid while it holds.
    name : as the offer calls it, or None.
    """

    price_per_kwh: float
    from_minute: int = 0
    to_minute: int = MINUTES_A_DAY
    days: frozenset[int] | None = None
    months: frozenset[int] | None = None
    up_to_kwh: float | None = None
    per: TierPeriod = "day"
    market_factor: float | None = None
    no_grid_charging: bool = False
    name: str | None = None

    @property
    def when(self) -> TimeWindow:
        """When it holds."""
        return TimeWindow(self.from_minute, self.to_minute, self.days, self.months)

    def covers(self, minute: IntArray, days: DaysAndBefore, months: DaysAndBefore) -> BoolArray:
        """Whether the band holds, as TimeWindow.covers."""
        return self.when.covers(minute, days, months)


@dataclass(frozen=True, slots=True)
class DemandCharge:
    """A price on the highest mean import of each month.

    Attributes
    ----------
    price_per_kw_month : [money per kW and month].
    interval_minutes : length of the means, which begin at multiples of it on the local clock [min].
    window : a mean counts if it begins inside.
    """

    price_per_kw_month: float
    interval_minutes: int
    window: TimeWindow = ALWAYS


@dataclass(frozen=True, slots=True)
class Offer:
    """One electricity retailer's set of import and export prices and fixed charges.

    Attributes
    ----------
    name, currency : as on the offer; ISO 4217.
    daily_fee : [money per day].
    import_bands, export_bands : the last band that matches gives the price. A band with `up_to_kwh` gives it only
        until its kWh are used up, then the matching band before it does.
    holidays_count_as : day of the week whose bands hold on public holidays, 0 for Monday, or None.
    tax_percent : on top of the lines in `tax_covers` [%].
    market : the market prices that bands follow, or None.
    demand_charge : or None.
    """

    name: str
    currency: str
    daily_fee: float
    import_bands: tuple[Band, ...]
    export_bands: tuple[Band, ...] = ()
    holidays_count_as: int | None = None
    tax_percent: float = 0.0
    tax_covers: frozenset[LineKind] = frozenset()
    market: MarketPrices | None = None
    demand_charge: DemandCharge | None = None

    def days_counted_as(self, clock: LocalClock) -> DaysAndBefore:
        """Day of the week of each date and of the date before, public holidays counted as the offer says."""
        if self.holidays_count_as is None:
            return clock.day_of_week, clock.day_of_week_before
        return (
            np.where(clock.holiday, self.holidays_count_as, clock.day_of_week),
            np.where(clock.holiday_before, self.holidays_count_as, clock.day_of_week_before),
        )

    def tax_factor(self, line: LineKind) -> float:
        """Factor from a price to the price with tax [-]."""
        return 1 + self.tax_percent / 100 if line in self.tax_covers else 1.0

    @property
    def time_windows(self) -> tuple[TimeWindow, ...]:
        """Every stretch of local time that the offer names, in no order that matters."""
        bands = tuple(band.when for band in (*self.import_bands, *self.export_bands))
        return bands if self.demand_charge is None else (*bands, self.demand_charge.window)


@dataclass(frozen=True, slots=True, eq=False)
class TierPrices:
    """A band with `up_to_kwh` at n instants; arrays of shape (n,).

    Attributes
    ----------
    band : its number among the offer's bands of that side.
    holds : whether energy counts towards its kWh: it matches, and no later band without steps does.
    difference : its price less the price of what holds once it is used up [money per kWh]; 0 where it does not hold.
    """

    band: int
    holds: BoolArray
    difference: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class SidePrices:
    """Prices of import, or of export, at n instants.

    Attributes
    ----------
    beyond : price once every step is used up [money per kWh], shape (n,); NaN where no band matches.
    band : number of the band that gives it, shape (n,); -1 where none does.
    steps : one for each band with `up_to_kwh`, in the order of the bands.
    """

    beyond: FloatArray
    band: IntArray
    tiers: tuple[TierPrices, ...]


def side_prices(
    bands: Sequence[Band],
    minute: IntArray,
    days: DaysAndBefore,
    months: DaysAndBefore,
    market_price: FloatArray | None = None,
) -> SidePrices:
    """Prices of a list of bands at wall-clock minutes on days and months.

    Parameters
    ----------
    market_price : [money per kWh], shape (n,); for bands that follow the market.
    """
    beyond = np.full(len(minute), np.nan)
    number = np.full(len(minute), -1, dtype=np.int64)
    top = beyond.copy()
    steps: list[TierPrices] = []
    for index, band in enumerate(bands):
        covers = band.covers(minute, days, months)
        price: FloatArray = np.full(len(minute), band.price_per_kwh)
        if band.market_factor is not None and market_price is not None:
            price = band.market_factor * market_price + band.price_per_kwh
        if band.up_to_kwh is None:
            beyond = np.where(covers, price, beyond)
            number[covers] = index
            steps = [TierPrices(s.band, s.holds & ~covers, np.where(covers, 0.0, s.difference)) for s in steps]
        else:
            below = np.nan_to_num(top, nan=0.0)
            steps.append(TierPrices(index, covers, np.where(covers, price - below, 0.0)))
        top = np.where(covers, price, top)
    return SidePrices(beyond, number, tuple(steps))


def band_prices(bands: Sequence[Band], minute: IntArray, days: DaysAndBefore, months: DaysAndBefore) -> FloatArray:
    """Price of the last band without steps that matches [money per kWh], shape (n,); NaN where none does."""
    return side_prices(bands, minute, days, months).beyond


@dataclass(frozen=True, slots=True, eq=False)
class OfferPrices:
    """An offer's prices at n instants, without tax; arrays of shape (n,).

    Attributes
    ----------
    imports, exports : prices of each side; export without a match is 0.
    no_grid_charging : whether an export band that forbids charging from the grid holds.
    in_demand_window : whether a mean that begins there counts for the demand charge.
    """

    imports: SidePrices
    exports: SidePrices
    no_grid_charging: BoolArray
    in_demand_window: BoolArray


def offer_prices(
    offer: Offer, instants: pd.DatetimeIndex, timezone: str, holidays: Collection[date] = ()
) -> OfferPrices:
    """Prices and rules of an offer at instants.

    A clock change is read literally: a band holds whenever the wall clock shows a time inside it, so the band of a
    doubled hour holds twice and an edge inside a lost hour takes effect right after it.

    Parameters
    ----------
    instants : timezone-aware, shape (n,).
    timezone : IANA name of the site's zone.
    holidays : public holidays as local dates.

    Raises
    ------
    ValueError : an instant has no import price, or one that follows the market has no market price.
    """
    clock = local_clock(instants, timezone, holidays)
    days = offer.days_counted_as(clock)
    months = (clock.month, clock.month_before)
    market = None if offer.market is None else market_price_at(offer.market, instants)
    imports = side_prices(offer.import_bands, clock.minute, days, months, market)
    exports = side_prices(offer.export_bands, clock.minute, days, months, market)
    _check_priced(offer, instants, timezone, imports.beyond, market, imports, exports)
    forbids = np.array([band.no_grid_charging for band in offer.export_bands] + [False], dtype=np.bool_)
    no_grid_charging = forbids[exports.band]
    for step in exports.tiers:
        no_grid_charging = no_grid_charging | (step.holds & forbids[step.band])
    in_window = np.zeros(len(instants), dtype=np.bool_)
    if offer.demand_charge is not None:
        in_window = offer.demand_charge.window.covers(clock.minute, days, months)
    exports = SidePrices(np.where(exports.band < 0, 0.0, exports.beyond), exports.band, exports.tiers)
    return OfferPrices(imports, exports, no_grid_charging, in_window)


def _check_priced(
    offer: Offer,
    instants: pd.DatetimeIndex,
    timezone: str,
    import_price: FloatArray,
    market: FloatArray | None,
    imports: SidePrices,
    exports: SidePrices,
) -> None:
    """Raise unless every instant has its prices."""
    missing = imports.band < 0
    what = f"offer {offer.name!r} has no import price"
    if market is not None and not missing.any():
        missing = np.isnan(import_price) | (np.isnan(exports.beyond) & (exports.band >= 0))
        for step in (*imports.tiers, *exports.tiers):
            missing = missing | (step.holds & np.isnan(step.difference))
        what = f"the market prices of offer {offer.name!r} have none"
    if missing.any():
        first = instants[int(np.argmax(missing))].tz_convert(timezone)
        raise ValueError(f"{what} at {first.isoformat()}")


def prices(
    offer: Offer, instants: pd.DatetimeIndex, timezone: str, holidays: Collection[date] = ()
) -> tuple[FloatArray, FloatArray]:
    """Import and export prices [money per kWh] at instants once every step is used up, each of shape (n,).

    Parameters and errors as offer_prices; without tax.
    """
    found = offer_prices(offer, instants, timezone, holidays)
    return found.imports.beyond, found.exports.beyond


def situations(bands: Sequence[Band], holidays_count_as: int | None) -> IntArray:
    """Every situation that can matter to bands: rows of month, month before, day, day before and minute.

    Every month and day of the week is there with every date that may come before it (the day and month before,
    and, where public holidays count as another day, any mix of the two), at every band edge: between two edges
    nothing changes.
    """
    edges = sorted({0, *(edge for band in bands for edge in (band.from_minute, band.to_minute))})
    minutes = [edge for edge in edges if edge < MINUTES_A_DAY]
    pairs = {(day, (day - 1) % 7) for day in range(7)}
    if holidays_count_as is not None:
        counted = holidays_count_as
        pairs |= {(counted, before) for _, before in set(pairs)} | {(day, counted) for day in range(7)}
        pairs.add((counted, counted))
    return np.array(
        [
            (month, month_before, day, day_before, minute)
            for month in range(1, 13)
            for month_before in (month, (month - 2) % 12 + 1)
            for day, day_before in sorted(pairs)
            for minute in minutes
        ],
        dtype=np.int64,
    )


def first_unpriced_time(offer: Offer) -> tuple[int, int, int] | None:
    """First (month, day of the week, minute) without an import price in any year, or None.

    A band with steps does not count, for once it is used up another must give the price.
    """
    rows = situations(offer.import_bands, offer.holidays_count_as)
    month, month_before, day, day_before, minute = rows.T
    missing = side_prices(offer.import_bands, minute, (day, day_before), (month, month_before)).band < 0
    if not missing.any():
        return None
    row = rows[int(np.argmax(missing))]
    return int(row[0]), int(row[2]), int(row[4])


def overridden_tier(bands: Sequence[Band], holidays_count_as: int | None) -> int | None:
    """First band with `up_to_kwh` that later ones without cover at all times, so that it never counts, by number."""
    month, month_before, day, day_before, minute = situations(bands, holidays_count_as).T
    found = side_prices(bands, minute, (day, day_before), (month, month_before))
    return next((step.band for step in found.tiers if not step.holds.any()), None)


def overlapping_tiers(bands: Sequence[Band], holidays_count_as: int | None) -> tuple[int, int] | None:
    """First two bands with `up_to_kwh` that can hold at once without being steps of one stair, by number, or None.

    Steps of one stair hold at the same times, are counted over the same period, and the later in the list is the
    shorter: so the one that holds first is used up first.
    """
    stepped = [index for index, band in enumerate(bands) if band.up_to_kwh is not None]
    month, month_before, day, day_before, minute = situations(bands, holidays_count_as).T
    for position, earlier in enumerate(stepped):
        for later in stepped[position + 1 :]:
            low, high = bands[later], bands[earlier]
            if low.when == high.when and low.per == high.per and (low.up_to_kwh or 0) < (high.up_to_kwh or 0):
                continue
            both = [band.covers(minute, (day, day_before), (month, month_before)) for band in (low, high)]
            if (both[0] & both[1]).any():
                return earlier, later
    return None
