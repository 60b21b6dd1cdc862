"""Electricity offers: bands of local clock time, tiered and market prices, taxes and fees."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray, IntArray
from models.base.clock import MINUTES_A_DAY, LocalClock, local_clock
from models.base.time_window import ALWAYS, DaysAndBefore, TimeWindow
from models.tariff.market import MarketPrices, market_price_at

TierPeriod = Literal["day", "month"]
LineKind = Literal["import", "export", "daily_fee", "monthly_fee", "connection_fee", "demand_charge"]
"""Kinds of bill line that a tax or a discount can cover."""


@dataclass(frozen=True, slots=True)
class Band:
    """A window of local clock time, days and months with one price.

    Attributes
    ----------
    price_per_kwh : price, may be negative; for a band that follows the market, what is added to it [money per kWh].
    from_minute, to_minute : begin and end, minutes since local midnight, 0 to 1440 [min]. A band that passes midnight
        belongs to the day on which it began.
    days : days of the week on which it begins, 0 for Monday; None for every day.
    months : months in which it begins, 1 to 12; None for every month.
    up_to_kwh : for a tier, the price holds for the first so many kWh of each day or month [kWh]; None for all of them.
    per : whether `up_to_kwh` is counted by local day or by calendar month.
    market_factor : factor on the market price [-]; None for a price that does not follow the market.
    no_grid_charging : for an export band, whether the car must not be charged from the grid while it holds.
    name : as the offer calls it, or None.
    part : of the price that the band belongs to, such as "network"; None for an offer whose price has no parts. In each
        part the last band that matches gives the price, and the prices of the parts are added.
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
    part: str | None = None

    @property
    def when(self) -> TimeWindow:
        """Return the window of time in which the band holds."""
        return TimeWindow(self.from_minute, self.to_minute, self.days, self.months)

    def covers(self, minute: IntArray, days: DaysAndBefore, months: DaysAndBefore) -> BoolArray:
        """Return whether the band holds at each of n times, shape (n,); parameters as in TimeWindow.covers."""
        return self.when.covers(minute, days, months)


@dataclass(frozen=True, slots=True)
class DemandCharge:
    """A price on the highest mean import of each month.

    Attributes
    ----------
    price_per_kw_month : price of the month's highest mean [money per kW and month].
    interval_minutes : length of the means; they begin at multiples of it on the local clock [min].
    window : a mean counts if it begins in this window.
    least_kw : billed at least, in each month in which the window holds [kW].
    look_back_months : the highest of so many months is billed, this one included.
    name : as the offer calls it, or None.
    """

    price_per_kw_month: float
    interval_minutes: int
    window: TimeWindow = ALWAYS
    least_kw: float = 0.0
    look_back_months: int = 1
    name: str | None = None


@dataclass(frozen=True, slots=True)
class Tax:
    """A tax on some lines of a bill.

    Attributes
    ----------
    percent : of what it covers, after any discount [%].
    covers : kinds of line.
    part : of the price; None for every part.
    """

    percent: float
    covers: frozenset[LineKind]
    part: str | None = None


@dataclass(frozen=True, slots=True)
class Discount:
    """A discount on some lines of a bill, before tax: percent of them [%], and their kinds."""

    percent: float
    covers: frozenset[LineKind]


@dataclass(frozen=True, slots=True)
class ConnectionFee:
    """A fee by the power of the connection: price [money per kW and month], and the power agreed on [kW]."""

    price_per_kw_month: float
    kw: float


@dataclass(frozen=True, slots=True)
class Offer:
    """One electricity retailer's set of import and export prices and fixed charges.

    Attributes
    ----------
    name : as on the offer.
    currency : ISO 4217 code.
    daily_fee : fixed charge [money per day].
    import_bands, export_bands : the last band that matches gives the price. A tier (a band with `up_to_kwh`) gives it
        only until it is used up; then the matching band before it does.
    holidays_count_as : day of the week whose bands hold on public holidays, 0 for Monday; None for the actual day.
    taxes : each on the lines that it covers.
    market : the market prices that bands follow, or None.
    demand_charges : prices on the month's highest mean import.
    monthly_fee : fixed charge, in proportion to the days that are billed [money per month].
    connection_fee : charge for the connection's power, likewise, or None.
    discount : on the bill before tax, or None.

    Examples
    --------
    >>> night = Band(0.12, from_minute=23 * 60, to_minute=7 * 60)
    >>> vat = Tax(9.0, frozenset({"import"}))
    >>> offer = Offer("Day and night", "EUR", 0.74, (Band(0.34), night), taxes=(vat,))
    >>> offer.factor("import"), offer.factor("export")
    (1.09, 1.0)
    """

    name: str
    currency: str
    daily_fee: float
    import_bands: tuple[Band, ...]
    export_bands: tuple[Band, ...] = ()
    holidays_count_as: int | None = None
    taxes: tuple[Tax, ...] = ()
    market: MarketPrices | None = None
    demand_charges: tuple[DemandCharge, ...] = ()
    monthly_fee: float = 0.0
    connection_fee: ConnectionFee | None = None
    discount: Discount | None = None

    def days_counted_as(self, clock: LocalClock) -> DaysAndBefore:
        """Return the day of the week of each date and of the date before it, with holidays as the offer counts them."""
        if self.holidays_count_as is None:
            return clock.day_of_week, clock.day_of_week_before
        return (
            np.where(clock.holiday, self.holidays_count_as, clock.day_of_week),
            np.where(clock.holiday_before, self.holidays_count_as, clock.day_of_week_before),
        )

    def factor(self, line: LineKind, part: str | None = None) -> float:
        """Return the factor from a price as offered to what it comes to, discount and taxes included [-].

        Parameters
        ----------
        part : of the price that the line belongs to.
        """
        percent = sum(tax.percent for tax in self.taxes if line in tax.covers and tax.part in (None, part))
        return (1 - self.discount_share(line)) * (1 + percent / 100)

    def discount_share(self, line: LineKind) -> float:
        """Return the share of a line that the discount takes off [-]."""
        return self.discount.percent / 100 if self.discount is not None and line in self.discount.covers else 0.0

    @property
    def time_windows(self) -> tuple[TimeWindow, ...]:
        """Return every window of time that the offer names, in no particular order."""
        bands = tuple(band.when for band in (*self.import_bands, *self.export_bands))
        return (*bands, *(charge.window for charge in self.demand_charges))


def parts_of(bands: Sequence[Band]) -> tuple[str | None, ...]:
    """Return the parts of the price that bands belong to, each once, in the order of the bands.

    Examples
    --------
    >>> parts_of((Band(0.20), Band(0.08, part="network"), Band(0.15, 23 * 60, 7 * 60)))
    (None, 'network')
    """
    return tuple(dict.fromkeys(band.part for band in bands))


@dataclass(frozen=True, slots=True, eq=False)
class TierPrices:
    """A tier (a band with `up_to_kwh`) at n instants; arrays of shape (n,).

    Attributes
    ----------
    band : number of the band among the offer's bands of that side.
    holds : whether energy counts towards the tier: its band matches, and no later band that is not a tier does.
    difference : its price minus the price once it is used up [money per kWh]; 0 where it does not hold.
    """

    band: int
    holds: BoolArray
    difference: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class SidePrices:
    """The prices of import, or of export, at n instants.

    Attributes
    ----------
    beyond : price once every tier is used up [money per kWh], shape (n,); NaN where no band matches.
    band : number of the band that gives this price, shape (n,); -1 where none does.
    tiers : one for each band with `up_to_kwh`, in the order of the bands.
    part : of the price that this is; None where the price has no parts.
    """

    beyond: FloatArray
    band: IntArray
    tiers: tuple[TierPrices, ...]
    part: str | None = None


def side_prices(
    bands: Sequence[Band],
    minute: IntArray,
    days: DaysAndBefore,
    months: DaysAndBefore,
    market_price: FloatArray | None = None,
) -> SidePrices:
    """Return the prices that a list of bands gives at n times on the wall clock.

    Parameters
    ----------
    bands : of one part of the price, in the order of the offer; the last one that matches gives the price.
    minute : minutes since local midnight [min], shape (n,).
    days : day of the week of each date and of the date before it, 0 for Monday.
    months : month of each date and of the date before it, 1 to 12.
    market_price : for bands that follow the market [money per kWh], shape (n,).

    Examples
    --------
    0.34 at all times, but 0.30 for the first 10 kWh of each day:

    >>> bands = (Band(0.34), Band(0.30, up_to_kwh=10.0))
    >>> noon, monday, march = np.array([720]), (np.array([0]), np.array([6])), (np.array([3]), np.array([3]))
    >>> found = side_prices(bands, noon, monday, march)
    >>> float(found.beyond[0]), round(float(found.tiers[0].difference[0]), 2)
    (0.34, -0.04)
    """
    beyond = np.full(len(minute), np.nan)
    number = np.full(len(minute), -1, dtype=np.int64)
    top = beyond.copy()
    tiers: list[TierPrices] = []
    for index, band in enumerate(bands):
        covers = band.covers(minute, days, months)
        price: FloatArray = np.full(len(minute), band.price_per_kwh)
        if band.market_factor is not None and market_price is not None:
            price = band.market_factor * market_price + band.price_per_kwh
        if band.up_to_kwh is None:
            beyond = np.where(covers, price, beyond)
            number[covers] = index
            tiers = [
                TierPrices(tier.band, tier.holds & ~covers, np.where(covers, 0.0, tier.difference)) for tier in tiers
            ]
        else:
            below = np.nan_to_num(top, nan=0.0)
            tiers.append(TierPrices(index, covers, np.where(covers, price - below, 0.0)))
        top = np.where(covers, price, top)
    return SidePrices(beyond, number, tuple(tiers))


@dataclass(frozen=True, slots=True, eq=False)
class OfferPrices:
    """An offer's prices at n instants, as offered; arrays of shape (n,).

    Attributes
    ----------
    imports, exports : prices of each part of each side, at least one; export, and every part of import but the first,
        is 0 where no band matches.
    no_grid_charging : whether an export band holds that forbids charging from the grid.
    in_demand_window : for each demand charge, whether a mean that begins at the instant counts for it.
    """

    imports: tuple[SidePrices, ...]
    exports: tuple[SidePrices, ...]
    no_grid_charging: BoolArray
    in_demand_window: tuple[BoolArray, ...]

    def beyond(self, offer: Offer, side: Literal["import", "export"]) -> FloatArray:
        """Return what a kWh comes to once every tier is used up, discount and taxes included, shape (n,)."""
        sides = self.imports if side == "import" else self.exports
        return np.asarray(sum(prices.beyond * offer.factor(side, prices.part) for prices in sides), dtype=np.float64)

    def tiers(self, side: Literal["import", "export"]) -> tuple[TierPrices, ...]:
        """Return the tiers of all parts of a side, in the order of the bands."""
        found = [tier for prices in (self.imports if side == "import" else self.exports) for tier in prices.tiers]
        return tuple(sorted(found, key=lambda tier: tier.band))


def offer_prices(
    offer: Offer, instants: pd.DatetimeIndex, timezone: str, holidays: Collection[date] = ()
) -> OfferPrices:
    """Return the prices of an offer at given instants, and its conditions.

    Clock changes are taken literally: a band holds whenever the wall clock shows a time inside it. So a band inside the
    repeated hour holds twice, and a band edge inside the skipped hour takes effect right after it.

    Parameters
    ----------
    offer : prices without tax.
    instants : timezone-aware, shape (n,).
    timezone : IANA name of the site's time zone.
    holidays : public holidays as local dates.

    Raises
    ------
    ValueError : an instant has no import price, or a band follows the market at an instant without a market price.

    Examples
    --------
    >>> offer = Offer("Day and night", "EUR", 0.74, (Band(0.34), Band(0.12, 23 * 60, 7 * 60)), (Band(0.05),))
    >>> found = offer_prices(offer, pd.DatetimeIndex(["2026-03-02T18:20Z", "2026-03-02T23:20Z"]), "Europe/Dublin")
    >>> found.beyond(offer, "import").tolist(), found.beyond(offer, "export").tolist()
    ([0.34, 0.12], [0.05, 0.05])
    """
    clock = local_clock(instants, timezone, holidays)
    days = offer.days_counted_as(clock)
    months = (clock.month, clock.month_before)
    market = None if offer.market is None else market_price_at(offer.market, instants)
    imports, exports = (
        tuple(_part_prices(bands, part, clock.minute, days, months, market) for part in parts_of(bands) or (None,))
        for bands in (offer.import_bands, offer.export_bands)
    )
    _check_priced(offer, instants, timezone, market, imports, exports)
    forbids = np.array([band.no_grid_charging for band in offer.export_bands] + [False], dtype=np.bool_)
    no_grid_charging = np.zeros(len(instants), dtype=np.bool_)
    for side in exports:
        no_grid_charging |= forbids[side.band]
        for tier in side.tiers:
            no_grid_charging |= tier.holds & forbids[tier.band]
    in_windows = tuple(charge.window.covers(clock.minute, days, months) for charge in offer.demand_charges)
    rest = tuple(map(_nothing_where_unpriced, (*imports[1:], *exports)))
    return OfferPrices((imports[0], *rest[: len(imports) - 1]), rest[len(imports) - 1 :], no_grid_charging, in_windows)


def _part_prices(
    bands: Sequence[Band],
    part: str | None,
    minute: IntArray,
    days: DaysAndBefore,
    months: DaysAndBefore,
    market_price: FloatArray | None,
) -> SidePrices:
    """Return the prices of one part of a side, with the numbers of the bands among all of that side."""
    numbers = np.array([number for number, band in enumerate(bands) if band.part == part] + [-1], dtype=np.int64)
    of_part = [band for band in bands if band.part == part]
    found = side_prices(of_part, minute, days, months, market_price)
    tiers = tuple(replace(tier, band=int(numbers[tier.band])) for tier in found.tiers)
    return SidePrices(found.beyond, numbers[found.band], tiers, part)


def _nothing_where_unpriced(side: SidePrices) -> SidePrices:
    return replace(side, beyond=np.where(side.band < 0, 0.0, side.beyond))


def _check_priced(
    offer: Offer,
    instants: pd.DatetimeIndex,
    timezone: str,
    market: FloatArray | None,
    imports: tuple[SidePrices, ...],
    exports: tuple[SidePrices, ...],
) -> None:
    """Raise a ValueError unless every instant has its prices."""
    missing = imports[0].band < 0
    what = f"offer {offer.name!r} has no import price"
    if market is not None and not missing.any():
        for side in (*imports, *exports):
            missing = missing | (np.isnan(side.beyond) & (side.band >= 0))
            for tier in side.tiers:
                missing = missing | (tier.holds & np.isnan(tier.difference))
        what = f"the market prices of offer {offer.name!r} have none"
    if missing.any():
        first = instants[int(np.argmax(missing))].tz_convert(timezone)
        raise ValueError(f"{what} at {first.isoformat()}")


def prices(
    offer: Offer, instants: pd.DatetimeIndex, timezone: str, holidays: Collection[date] = ()
) -> tuple[FloatArray, FloatArray]:
    """Return the import and the export prices once every tier is used up; parameters and errors as in offer_prices.

    Returns
    -------
    Prices as offered, their parts added [money per kWh], each of shape (n,).

    Examples
    --------
    >>> offer = Offer("Day and night", "EUR", 0.74, (Band(0.34), Band(0.12, 23 * 60, 7 * 60)))
    >>> imported, exported = prices(offer, pd.DatetimeIndex(["2026-03-02T23:20Z"]), "Europe/Dublin")
    >>> imported.tolist(), exported.tolist()
    ([0.12], [0.0])
    """
    found = offer_prices(offer, instants, timezone, holidays)
    imported, exported = (np.sum([part.beyond for part in side], axis=0) for side in (found.imports, found.exports))
    return imported, exported


def calendar_cases(bands: Sequence[Band], holidays_count_as: int | None) -> IntArray:
    """List every case of the calendar and the clock that can matter to the bands.

    Each month and each day of the week appears with every date that can come before it (the previous day and month, and
    any combination with public holidays if these count as another day), at every band edge. Between two edges nothing
    changes.

    Parameters
    ----------
    bands : bands of one side.
    holidays_count_as : day of the week as which public holidays count, 0 for Monday, or None.

    Returns
    -------
    Rows of month, month before, day of the week, day before, and minute; shape (cases, 5).

    Examples
    --------
    12 months, each after the same month or the one before; 7 days; edges at 00:00, 07:00 and 23:00:

    >>> calendar_cases((Band(0.34), Band(0.12, 23 * 60, 7 * 60)), None).shape
    (504, 5)
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
    """Return the first time at which an offer has no import price, in any year.

    Tiers do not count, since once one is used up another band must give the price; nor do parts of the price but the
    first, which may hold at some times alone.

    Parameters
    ----------
    offer : its import bands are checked.

    Returns
    -------
    Month, day of the week (0 for Monday) and minute since midnight; None if there always is a price.

    Examples
    --------
    >>> first_unpriced_time(Offer("Days only", "EUR", 0.74, (Band(0.34, from_minute=7 * 60),)))
    (1, 0, 0)
    """
    bands = [band for band in offer.import_bands if band.part == offer.import_bands[0].part]
    rows = calendar_cases(bands, offer.holidays_count_as)
    month, month_before, day, day_before, minute = rows.T
    missing = side_prices(bands, minute, (day, day_before), (month, month_before)).band < 0
    if not missing.any():
        return None
    row = rows[int(np.argmax(missing))]
    return int(row[0]), int(row[2]), int(row[4])


def overridden_tier(bands: Sequence[Band], holidays_count_as: int | None) -> int | None:
    """Return the first tier that later bands override at all times, so that it never applies.

    Parameters
    ----------
    bands : bands of one side.
    holidays_count_as : day of the week as which public holidays count, 0 for Monday, or None.

    Returns
    -------
    The number of its band, or None.

    Examples
    --------
    >>> overridden_tier((Band(0.30, up_to_kwh=10.0), Band(0.34)), None)
    0
    >>> overridden_tier((Band(0.34), Band(0.30, up_to_kwh=10.0)), None) is None
    True
    """
    month, month_before, day, day_before, minute = calendar_cases(bands, holidays_count_as).T
    tiers = [
        tier
        for part in parts_of(bands)
        for tier in _part_prices(bands, part, minute, (day, day_before), (month, month_before), None).tiers
    ]
    return next((tier.band for tier in tiers if not tier.holds.any()), None)


def overlapping_tiers(bands: Sequence[Band], holidays_count_as: int | None) -> tuple[int, int] | None:
    """Return the first two tiers that can hold at the same time without being nested.

    Nested tiers hold at the same times and count over the same period, and the later one in the list is the shorter. So
    the one that applies first is used up first.

    Parameters
    ----------
    bands : bands of one side.
    holidays_count_as : day of the week as which public holidays count, 0 for Monday, or None.

    Returns
    -------
    The numbers of their bands, or None.

    Examples
    --------
    >>> overlapping_tiers((Band(0.34), Band(0.30, up_to_kwh=10.0), Band(0.20, up_to_kwh=3.0)), None) is None
    True
    >>> overlapping_tiers((Band(0.34), Band(0.30, up_to_kwh=10.0), Band(0.20, from_minute=720, up_to_kwh=3.0)), None)
    (1, 2)
    """
    numbers = [index for index, band in enumerate(bands) if band.up_to_kwh is not None]
    month, month_before, day, day_before, minute = calendar_cases(bands, holidays_count_as).T
    for position, earlier in enumerate(numbers):
        for later in numbers[position + 1 :]:
            low, high = bands[later], bands[earlier]
            if low.part != high.part:
                continue
            if low.when == high.when and low.per == high.per and (low.up_to_kwh or 0) < (high.up_to_kwh or 0):
                continue
            both = [band.covers(minute, (day, day_before), (month, month_before)) for band in (low, high)]
            if (both[0] & both[1]).any():
                return earlier, later
    return None
