"""Bills: what metered import and export cost under an offer, band by band and month by month.

A bill depends on the meter alone, not on any plan. Its amounts are exact. `printed_bill` rounds each line to the
currency's minor unit, as a printed bill does, and computes the tax from the rounded lines.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal
from math import gcd
from typing import Literal

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray, IntArray
from models.base.clock import local_clock
from models.tariff.offer import Band, DemandCharge, LineKind, Offer, OfferPrices, SidePrices, Tax, offer_prices
from models.tariff.tiers import NOTHING_KWH, Side, within_tier_kwh

MINUTE = pd.Timedelta(minutes=1)

BillLineKind = Literal[LineKind, "discount", "tax"]


def import_cost(hours: FloatArray, import_kw: FloatArray, import_price: FloatArray) -> FloatArray:
    """Return the cost of imported energy in each interval [money], shape (n,).

    Parameters
    ----------
    hours : length of each interval [h], shape (n,).
    import_kw : mean import in each interval [kW], shape (n,).
    import_price : [money per kWh], shape (n,).

    Examples
    --------
    >>> import_cost(np.array([0.5]), np.array([4.0]), np.array([0.25])).tolist()
    [0.5]
    """
    return hours * import_kw * import_price


def export_credit(hours: FloatArray, export_kw: FloatArray, export_price: FloatArray) -> FloatArray:
    """Return the credit for exported energy in each interval [money], shape (n,); negative where exporting costs money.

    Parameters
    ----------
    hours : length of each interval [h], shape (n,).
    export_kw : mean export in each interval [kW], shape (n,).
    export_price : [money per kWh], shape (n,).

    Examples
    --------
    >>> export_credit(np.array([0.5]), np.array([4.0]), np.array([0.125])).tolist()
    [0.25]
    """
    return hours * export_kw * export_price


@dataclass(frozen=True, slots=True, eq=False)
class GridFlows:
    """Energy at the meter over n regular intervals without a gap.

    Attributes
    ----------
    start : start of each interval, UTC, whole minutes, shape (n,).
    step_minutes : length of the intervals [min].
    import_kwh, export_kwh : energy in each interval [kWh], shape (n,).
    """

    start: pd.DatetimeIndex
    step_minutes: int
    import_kwh: FloatArray
    export_kwh: FloatArray

    @property
    def end(self) -> pd.Timestamp:
        """Return the end of the last interval."""
        return self.start[-1] + self.step_minutes * MINUTE


@dataclass(frozen=True, slots=True)
class BillLine:
    """One line of a bill.

    Attributes
    ----------
    month : first day of the month.
    kind : what is charged.
    band : number of the band among the offer's bands of that side, of the demand charge or of the tax, where there are
        several; None for other kinds and for unpaid export.
    quantity : quantity charged [kWh, days or kW]; for a tax, the amount taxed [money].
    unit : "kWh", "day", "month", "kW" or "percent".
    unit_price : price per unit, the mean where prices follow the market [money per unit]; for a tax or a discount, its
        rate [%].
    amount : amount of the line, negative for a credit [money].
    days, of_days : billed days and all days of the month, if the amount is in proportion to them; otherwise 0.
    at : start of the highest mean of a demand charge, UTC; otherwise None.
    """

    month: date
    kind: BillLineKind
    band: int | None
    quantity: float
    unit: str
    unit_price: float
    amount: float
    days: int = 0
    of_days: int = 0
    at: pd.Timestamp | None = None


@dataclass(frozen=True, slots=True)
class Bill:
    """A bill over whole local days.

    Attributes
    ----------
    begin, end : first day, and the day after the last.
    lines : lines month by month, in the order of printing.
    cell_minutes : length of the pieces of time within which the offer does not change, at most a meter interval [min].
    """

    begin: date
    end: date
    lines: tuple[BillLine, ...]
    cell_minutes: int = 0

    @property
    def total(self) -> float:
        """Return the sum of all amounts [money]."""
        return sum(line.amount for line in self.lines)

    def sum_of(self, kind: BillLineKind) -> float:
        """Return the sum of the amounts of one kind [money]."""
        return sum(line.amount for line in self.lines if line.kind == kind)


def bill(
    offer: Offer,
    flows: GridFlows,
    timezone: str,
    begin: date,
    end: date,
    holidays: Collection[date] = (),
) -> Bill:
    """Bill the local days from `begin` on, `end` excluded.

    Energy is spread evenly over a meter interval, so that a price can change inside one. The kWh of a tier are counted
    from the start of each local day or calendar month, including metered energy before `begin`. Charges by the month,
    of one that is billed in part, are in proportion to its days. Where a demand charge looks back, the highest means of
    the months before count as far as the meter has them.

    Parameters
    ----------
    offer : prices as offered, discount and taxes.
    flows : metered energy; covers at least the billed days.
    timezone : IANA name.
    begin, end : first day, and the day after the last.
    holidays : public holidays as local dates.

    Returns
    -------
    The bill, with exact amounts.

    Raises
    ------
    ValueError : there are no days to bill; the meter does not cover them; an instant has no price; the means of the
        demand charge are not whole multiples of the meter's intervals.

    Examples
    --------
    A day at 1 kWh an hour: 8 × 0.12 + 16 × 0.34 + 0.74.

    >>> day_and_night = Offer("Day and night", "EUR", 0.74, (Band(0.34), Band(0.12, 23 * 60, 7 * 60)))
    >>> hours = pd.date_range("2026-01-14", periods=24, freq="h", tz="UTC")
    >>> flows = GridFlows(hours, 60, np.ones(24), np.zeros(24))
    >>> billed = bill(day_and_night, flows, "Etc/UTC", date(2026, 1, 14), date(2026, 1, 15))
    >>> round(billed.total, 2), round(billed.sum_of("import"), 2)
    (7.14, 6.4)
    """
    first, last = (_midnight(day, timezone) for day in (begin, end))
    if begin >= end:
        raise ValueError(f"a bill from {begin} to {end}, the latter excluded, has no days")
    if flows.start[0] > first or flows.end < last:
        raise ValueError(f"the meter covers {flows.start[0]} to {flows.end}, not {first} to {last}")
    for charge in offer.demand_charges:
        if charge.interval_minutes % flows.step_minutes:
            raise ValueError(
                f"meter intervals of {flows.step_minutes} minutes do not give the means over {charge.interval_minutes} "
                "minutes that the demand charge is based on"
            )
    counted_from = _midnight(counted_from_day(offer, begin), timezone)
    cells = _Cells.of(offer, flows, timezone, counted_from, last)
    prices = offer_prices(offer, cells.start, timezone, holidays)
    billed = np.asarray(cells.start >= first)
    lines: list[BillLine] = []
    for month in np.unique(cells.month[billed]):
        here = billed & (cells.month == month)
        first_of_month = date(int(month) // 12, int(month) % 12 + 1, 1)
        days, of_days = _billed_days(first_of_month, begin, end)
        in_month = [
            *_fee_lines(offer, first_of_month, days, of_days),
            *_energy_lines("import", offer.import_bands, prices.imports, cells, here, first_of_month),
            *_demand_lines(offer, prices, cells, billed, int(month), timezone, first_of_month, days, of_days),
            *_energy_lines("export", offer.export_bands, prices.exports, cells, here, first_of_month),
        ]
        lines += [*in_month, *_discount_lines(offer, in_month), *_tax_lines(offer, in_month)]
    return Bill(begin, end, tuple(lines), cells.minutes)


def counted_from_day(offer: Offer, begin: date) -> date:
    """Return the first day whose metered values a bill from `begin` on depends on, where the meter has them.

    Examples
    --------
    >>> ratchet = DemandCharge(4.0, 30, look_back_months=12)
    >>> counted_from_day(Offer("Peak", "AUD", 0.9, (Band(0.3),), demand_charges=(ratchet,)), date(2026, 3, 20))
    datetime.date(2025, 4, 1)
    """
    look_back = max((charge.look_back_months for charge in offer.demand_charges), default=1)
    if look_back == 1 and not any(band.up_to_kwh is not None and band.per == "month" for band in offer.import_bands):
        return begin
    month = begin.year * 12 + begin.month - look_back
    return date(month // 12, month % 12 + 1, 1)


def printed_bill(exact: Bill, offer: Offer, digits: int) -> Bill:
    """Round a bill as a printed bill is: each line half up to the minor unit, and tax on the rounded lines.

    Parameters
    ----------
    exact : bill with exact amounts.
    offer : its tax.
    digits : decimals of the currency's minor unit.

    Examples
    --------
    >>> taxed = Offer("Taxed", "EUR", 0.0, (Band(0.25),), taxes=(Tax(50.0, frozenset({"import"})),))
    >>> january = date(2026, 1, 1)
    >>> lines = (
    ...     BillLine(january, "import", 0, 0.5, "kWh", 0.25, 0.125),
    ...     BillLine(january, "tax", None, 0.125, "percent", 50.0, 0.0625),
    ... )
    >>> printed = printed_bill(Bill(january, date(2026, 1, 2), lines), taxed, 2)
    >>> [line.amount for line in printed.lines]
    [0.13, 0.07]
    """
    lines: list[BillLine] = []
    for month in dict.fromkeys(line.month for line in exact.lines):
        printed = [
            replace(line, amount=rounded(line.amount, digits))
            for line in exact.lines
            if line.month == month and line.kind not in ("discount", "tax")
        ]
        for after in (_discount_lines, _tax_lines):
            printed += [replace(line, amount=rounded(line.amount, digits)) for line in after(offer, printed)]
        lines += printed
    return replace(exact, lines=tuple(lines))


def rounded(amount: float, digits: int) -> float:
    """Round an amount half up, away from zero, ignoring floating-point noise far below the last digit.

    Parameters
    ----------
    amount : [money].
    digits : decimals to keep.

    Examples
    --------
    >>> rounded(0.125, 2), rounded(-0.125, 2), rounded(3 * 0.115, 2)
    (0.13, -0.13, 0.35)
    """
    exact = Decimal(repr(round(float(amount), digits + 7)))
    return float(exact.quantize(Decimal(1).scaleb(-digits), rounding=ROUND_HALF_UP)) + 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Cells:
    """Meter intervals cut so finely that the offer does not change within a cell; arrays of shape (cells,).

    Attributes
    ----------
    start : start of each cell, UTC.
    minutes : length of the cells [min].
    import_kwh, export_kwh : energy in each cell [kWh].
    month, day : number of the month (since the year 0) and of the day (since 1970) on the local calendar.
    minute : minutes since local midnight [min].
    """

    start: pd.DatetimeIndex
    minutes: int
    import_kwh: FloatArray
    export_kwh: FloatArray
    month: IntArray
    day: IntArray
    minute: IntArray

    @staticmethod
    def of(offer: Offer, flows: GridFlows, timezone: str, first: pd.Timestamp, last: pd.Timestamp) -> _Cells:
        """Cut the cells from `first`, or where the flows begin, up to `last`."""
        begins = max(0, int(flows.start.searchsorted(first, side="right")) - 1)
        chosen = slice(begins, int(flows.start.searchsorted(last)))
        start = flows.start[chosen].as_unit("s")
        rows = len(start)
        minute = local_clock(start, timezone).minute
        interval = flows.step_minutes
        edges = [edge for each in offer.time_windows for edge in (each.from_minute, each.to_minute)]
        shifts = {int(value) % interval for value in (*np.unique(minute % interval), *edges)}
        if offer.market is not None:
            between = (start[0] - offer.market.start[0]) // MINUTE
            shifts |= {between % interval, offer.market.step_minutes % interval}
        length = gcd(interval, *shifts)
        parts = interval // length
        offsets = np.tile(np.arange(parts) * length * 60, rows)
        cells = pd.DatetimeIndex((np.repeat(start.asi8, parts) + offsets).view("datetime64[s]"), tz="UTC")
        inside = np.asarray((cells >= first) & (cells < last))
        cells = cells[inside]
        wall = cells.tz_convert(timezone).tz_localize(None)
        return _Cells(
            start=cells,
            minutes=length,
            import_kwh=np.repeat(flows.import_kwh[chosen] / parts, parts)[inside],
            export_kwh=np.repeat(flows.export_kwh[chosen] / parts, parts)[inside],
            month=np.asarray(wall.year * 12 + wall.month - 1, dtype=np.int64),
            day=np.asarray(wall.normalize().as_unit("s").asi8 // 86400, dtype=np.int64),
            minute=np.asarray(wall.hour * 60 + wall.minute, dtype=np.int64),
        )


def _fee_lines(offer: Offer, month: date, days: int, of_days: int) -> Iterator[BillLine]:
    """Yield the lines of the daily fee, and of the fees by the month, in proportion to the days that are billed."""
    yield BillLine(month, "daily_fee", None, days, "day", offer.daily_fee, days * offer.daily_fee)
    share = days / of_days
    if offer.monthly_fee:
        fee = offer.monthly_fee
        yield BillLine(month, "monthly_fee", None, share, "month", fee, share * fee, days=days, of_days=of_days)
    if offer.connection_fee is not None:
        price, kw = offer.connection_fee.price_per_kw_month, offer.connection_fee.kw
        yield BillLine(month, "connection_fee", None, kw, "kW", price, kw * price * share, days=days, of_days=of_days)


def _energy_lines(
    side: Side, bands: tuple[Band, ...], parts: tuple[SidePrices, ...], cells: _Cells, here: BoolArray, month: date
) -> Iterator[BillLine]:
    """Yield a line for each band that priced energy in the month, part by part."""
    for prices in parts:
        yield from _part_lines(side, bands, prices, cells, here, month, len(parts) == 1)


def _part_lines(
    side: Side, bands: tuple[Band, ...], prices: SidePrices, cells: _Cells, here: BoolArray, month: date, is_only: bool
) -> Iterator[BillLine]:
    """Yield a line for each band of one part that priced energy, in the order of the bands; unpaid export last."""
    energy = cells.import_kwh if side == "import" else cells.export_kwh
    sign = 1.0 if side == "import" else -1.0
    kwh, money = [0.0] * (len(bands) + 1), [0.0] * (len(bands) + 1)
    left, below_kwh = energy, np.zeros(len(energy))
    price = _band_price_arrays(bands, prices)
    held = [False] * (len(bands) + 1)
    for tier in reversed(prices.tiers):  # the shortest first, which is used up first
        band = bands[tier.band]
        period = cells.day if band.per == "day" else cells.month
        within = within_tier_kwh(energy, tier.holds, period, band.up_to_kwh or 0.0)
        mine = np.where(tier.holds, np.maximum(0.0, within - below_kwh), 0.0)
        below_kwh = np.where(tier.holds, within, below_kwh)
        left = left - mine
        kwh[tier.band] = float(mine[here].sum())
        money[tier.band] = float((mine * price[tier.band])[here].sum())
        held[tier.band] = bool(tier.holds[here].any())
    for number in np.unique(prices.band[here]):
        rows = here & (prices.band == number)
        kwh[number] = float(left[rows].sum())
        money[number] = float((left * np.nan_to_num(prices.beyond))[rows].sum())
        held[number] = True
    for number in range(len(bands)):
        if held[number] and (kwh[number] or bands[number].price_per_kwh or money[number]):
            usual = 0.0 if bands[number].market_factor is not None else bands[number].price_per_kwh
            mean = money[number] / kwh[number] if kwh[number] and bands[number].market_factor is not None else usual
            yield BillLine(month, side, number, kwh[number], "kWh", mean, sign * money[number])
    if kwh[-1] > NOTHING_KWH and is_only:
        yield BillLine(month, side, None, kwh[-1], "kWh", 0.0, 0.0)


def _band_price_arrays(bands: tuple[Band, ...], prices: SidePrices) -> dict[int, FloatArray]:
    """Return the price of each tier where it holds [money per kWh], by the number of its band, each of shape (n,)."""
    found: dict[int, FloatArray] = {}
    below = np.nan_to_num(prices.beyond)
    for tier in prices.tiers:
        below = np.where(tier.holds, below + tier.difference, below)
        found[tier.band] = below
    return found


def _demand_lines(
    offer: Offer,
    prices: OfferPrices,
    cells: _Cells,
    billed: BoolArray,
    month_number: int,
    timezone: str,
    month: date,
    days: int,
    of_days: int,
) -> Iterator[BillLine]:
    """Yield a line for each demand charge: on the highest mean import of the month, or of those it looks back on."""
    several = len(offer.demand_charges) > 1
    for number, charge in enumerate(offer.demand_charges):
        in_window = prices.in_demand_window[number]
        of_month = _highest_mean(charge, in_window, cells, billed, month_number, timezone)
        if of_month is None:
            continue
        peak, at = of_month
        for earlier in range(1, charge.look_back_months):
            before = _highest_mean(charge, in_window, cells, np.ones_like(billed), month_number - earlier, timezone)
            if before is not None and before[0] > peak:
                peak, at = before
        if charge.least_kw > peak:
            peak, at = charge.least_kw, None
        yield BillLine(
            month,
            "demand_charge",
            number if several else None,
            peak,
            "kW",
            charge.price_per_kw_month,
            peak * charge.price_per_kw_month * days / of_days,
            days=days,
            of_days=of_days,
            at=at if peak > 0 else None,
        )


def _highest_mean(
    charge: DemandCharge, in_window: BoolArray, cells: _Cells, counts: BoolArray, month_number: int, timezone: str
) -> tuple[float, pd.Timestamp | None] | None:
    """Return the highest mean import of a month [kW] and when it begins, UTC; None if the window does not hold in it.

    Parameters
    ----------
    in_window, counts : which cells begin in the charge's window, and which count, shapes (cells,).
    month_number : its year × 12 + its number from 0.
    """
    # in a window that passes midnight, the hours after midnight belong to the month of the day on which it began
    window = charge.window
    carried = (window.from_minute > window.to_minute) & (cells.minute < window.to_minute)
    first_of_its_month = np.asarray(cells.start.tz_convert(timezone).day == 1)
    own_month = cells.month - (carried & first_of_its_month)
    rows = np.flatnonzero(counts & (own_month == month_number) & in_window)
    if len(rows) == 0:
        return None
    # a mean begins when the local clock shows a multiple of its length, and counts if it begins in the window
    begins = np.flatnonzero(cells.minute % charge.interval_minutes < cells.minutes)
    mean_of = np.searchsorted(begins, np.arange(len(cells.minute)), side="right") - 1
    chosen = np.unique(mean_of[rows][np.isin(rows, begins)])
    counted = np.isin(mean_of, chosen) & counts
    energy = np.bincount(mean_of[counted], weights=cells.import_kwh[counted], minlength=len(begins))
    hours = np.bincount(mean_of[counted], minlength=len(begins)) * cells.minutes / 60
    means = np.where(hours > 0, energy / np.where(hours > 0, hours, 1.0), 0.0)
    return float(means.max()), cells.start[begins[int(np.argmax(means))]]


def _discount_lines(offer: Offer, lines: list[BillLine]) -> Iterator[BillLine]:
    """Yield the line for the discount on a month's lines, if the offer has one."""
    if offer.discount is None or not lines:
        return
    percent = offer.discount.percent
    covered = sum(line.amount for line in lines if line.kind in offer.discount.covers)
    yield BillLine(lines[0].month, "discount", None, covered, "percent", percent, -covered * percent / 100)


def _tax_lines(offer: Offer, lines: list[BillLine]) -> Iterator[BillLine]:
    """Yield a line for each tax on a month's lines, after the discount."""
    several = len(offer.taxes) > 1
    for number, tax in enumerate(offer.taxes):
        if tax.percent == 0 or not lines:
            continue
        covered = sum(
            line.amount * (1 - offer.discount_share(line.kind))
            for line in lines
            if line.kind in tax.covers and _is_of_part(offer, line, tax)
        )
        yield BillLine(
            lines[0].month,
            "tax",
            number if several else None,
            covered,
            "percent",
            tax.percent,
            covered * tax.percent / 100,
        )


def _is_of_part(offer: Offer, line: BillLine, tax: Tax) -> bool:
    """Return whether a line belongs to the part of the price that a tax is on."""
    if tax.part is None:
        return True
    bands = offer.import_bands if line.kind == "import" else offer.export_bands if line.kind == "export" else ()
    return line.band is not None and line.band < len(bands) and bands[line.band].part == tax.part


def _billed_days(first_of_month: date, begin: date, end: date) -> tuple[int, int]:
    """Return how many days of a month are billed, and how many it has."""
    next_month = (first_of_month + timedelta(days=32)).replace(day=1)
    billed = (min(end, next_month) - max(begin, first_of_month)).days
    return billed, (next_month - first_of_month).days


def _midnight(day: date, timezone: str) -> pd.Timestamp:
    """Return the first instant of a local day, UTC."""
    wall = pd.Timestamp(day).tz_localize(timezone, ambiguous=True, nonexistent="shift_forward")
    return wall.tz_convert("UTC")
