"""Bills: what metered import and export cost under an offer, band by band and month by month.

A bill comes from the meter alone; planning has no part in it. Amounts are exact; `printed_bill` rounds each line to the
currency's minor unit, as a printed bill does, and taxes the rounded lines.
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
from models.tariff.offer import Band, Offer, OfferPrices, SidePrices, offer_prices
from models.tariff.tiers import NOTHING_KWH, Side, within_tier_kwh

MINUTES_A_DAY = 1440
MINUTE = pd.Timedelta(minutes=1)

BillLineKind = Literal["import", "export", "daily_fee", "demand_charge", "tax"]


def import_cost(hours: FloatArray, import_kw: FloatArray, import_price: FloatArray) -> FloatArray:
    """Money for imported energy in each interval, shape (n,): hours [h] × power [kW] × price [money per kWh]."""
    return hours * import_kw * import_price


def export_credit(hours: FloatArray, export_kw: FloatArray, export_price: FloatArray) -> FloatArray:
    """Money earned by exported energy in each interval, shape (n,); negative where exporting costs."""
    return hours * export_kw * export_price


@dataclass(frozen=True, slots=True, eq=False)
class GridFlows:
    """Energy at the meter over n steps without a gap.

    Attributes
    ----------
    start : start of each step, UTC, whole minutes, shape (n,).
    step_minutes : [min].
    import_kwh, export_kwh : [kWh], shape (n,).
    """

    start: pd.DatetimeIndex
    step_minutes: int
    import_kwh: FloatArray
    export_kwh: FloatArray

    @property
    def end(self) -> pd.Timestamp:
        """End of the last step."""
        return self.start[-1] + self.step_minutes * MINUTE


@dataclass(frozen=True, slots=True)
class BillLine:
    """One line of a bill.

    Attributes
    ----------
    month : first day of the month.
    kind : what is charged.
    band : number of the band among the offer's of that side; None for other kinds and for unpaid export.
    quantity : kWh, days, kW, or for a tax the money it is on.
    unit : "kWh", "day", "kW" or "percent".
    unit_price : money per unit; the mean where prices follow the market; for a tax its percent.
    amount : [money], negative for a credit.
    days, of_days : days billed of the month's days, where the amount goes by that; else 0.
    at : when the mean of a demand charge begins, UTC; else None.
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
    lines : month by month in the order they are printed; amounts exact.
    cell_minutes : pieces of time in which nothing of the offer changes, at most a meter step [min].
    """

    begin: date
    end: date
    lines: tuple[BillLine, ...]
    cell_minutes: int = 0

    @property
    def total(self) -> float:
        """Sum of all amounts [money]."""
        return sum(line.amount for line in self.lines)

    def sum_of(self, kind: BillLineKind) -> float:
        """Sum of the amounts of one kind [money]."""
        return sum(line.amount for line in self.lines if line.kind == kind)


def bill(
    offer: Offer,
    flows: GridFlows,
    timezone: str,
    begin: date,
    end: date,
    holidays: Collection[date] = (),
) -> Bill:
    """The bill of the local days from `begin` until before `end`.

    Energy is spread evenly inside a meter step, so that a price may change inside one. The kWh of steps are counted
    from the start of each local day or calendar month, flows before `begin` included as far as they reach. A demand
    charge of a month that is billed in part goes by its days.

    Parameters
    ----------
    offer : prices without tax, and the tax.
    flows : cover at least the days asked for.
    timezone : IANA name. holidays : public holidays as local dates.

    Raises
    ------
    ValueError : the flows do not cover the days; an instant has no price; the meter's steps are longer than the means
        of the demand charge.
    """
    first, last = (_midnight(day, timezone) for day in (begin, end))
    if begin >= end:
        raise ValueError(f"a bill from {begin} until before {end} has no days")
    if flows.start[0] > first or flows.end < last:
        raise ValueError(f"the meter covers {flows.start[0]} to {flows.end}, not {first} to {last}")
    charge = offer.demand_charge
    if charge is not None and charge.interval_minutes % flows.step_minutes:
        raise ValueError(
            f"steps of {flows.step_minutes} minutes do not tell the means of {charge.interval_minutes} minutes "
            "that the demand charge is on"
        )
    by_month = any(band.up_to_kwh is not None and band.per == "month" for band in offer.import_bands)
    counted_from = _midnight(begin.replace(day=1), timezone) if by_month else first
    cells = _Cells.of(offer, flows, timezone, counted_from, last)
    prices = offer_prices(offer, cells.start, timezone, holidays)
    billed = np.asarray(cells.start >= first)
    lines: list[BillLine] = []
    for month in np.unique(cells.month[billed]):
        here = billed & (cells.month == month)
        first_of_month = date(int(month) // 12, int(month) % 12 + 1, 1)
        days, of_days = _billed_days(first_of_month, begin, end)
        fee = offer.daily_fee
        in_month = [
            BillLine(first_of_month, "daily_fee", None, days, "day", fee, days * fee),
            *_energy_lines("import", offer.import_bands, prices.imports, cells, here, first_of_month),
            *_demand_lines(offer, prices, cells, billed, int(month), timezone, first_of_month, days, of_days),
            *_energy_lines("export", offer.export_bands, prices.exports, cells, here, first_of_month),
        ]
        lines += [*in_month, *_tax_lines(offer, in_month)]
    return Bill(begin, end, tuple(lines), cells.minutes)


def printed_bill(exact: Bill, offer: Offer, digits: int) -> Bill:
    """The bill as it is printed: each line rounded half up to the minor unit, taxes on the rounded lines.

    Parameters
    ----------
    digits : decimals of the currency's minor unit.
    """
    lines: list[BillLine] = []
    month: list[BillLine] = []
    for line in exact.lines:
        if line.kind == "tax":
            lines += [replace(each, amount=rounded(each.amount, digits)) for each in _tax_lines(offer, month)]
            month = []
        else:
            month.append(replace(line, amount=rounded(line.amount, digits)))
            lines.append(month[-1])
    return replace(exact, lines=tuple(lines))


def rounded(amount: float, digits: int) -> float:
    """An amount rounded half up, away from zero, after float noise far below the last digit is dropped."""
    exact = Decimal(repr(round(float(amount), digits + 7)))
    return float(exact.quantize(Decimal(1).scaleb(-digits), rounding=ROUND_HALF_UP)) + 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Cells:
    """Meter steps cut so finely that nothing of the offer changes inside; arrays of shape (cells,).

    `month` counts months and `day` days since the year 0, on the local calendar; `minute` is the local clock's.
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
        """The cells from `first`, or where the flows begin, until before `last`."""
        begins = max(0, int(flows.start.searchsorted(first, side="right")) - 1)
        chosen = slice(begins, int(flows.start.searchsorted(last)))
        start = flows.start[chosen].as_unit("s")
        rows = len(start)
        minute = local_clock(start, timezone).minute
        step = flows.step_minutes
        edges = [edge for each in offer.time_windows for edge in (each.from_minute, each.to_minute)]
        shifts = {int(value) % step for value in (*np.unique(minute % step), *edges)}
        if offer.market is not None:
            between = (start[0] - offer.market.start[0]) // MINUTE
            shifts |= {between % step, offer.market.step_minutes % step}
        length = gcd(step, *shifts)
        parts = step // length
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


def _energy_lines(
    side: Side, bands: tuple[Band, ...], prices: SidePrices, cells: _Cells, here: BoolArray, month: date
) -> Iterator[BillLine]:
    """One line for each band that priced energy in the month, in the order of the bands; unpaid export last."""
    energy = cells.import_kwh if side == "import" else cells.export_kwh
    sign = 1.0 if side == "import" else -1.0
    kwh, money = [0.0] * (len(bands) + 1), [0.0] * (len(bands) + 1)
    left, below_kwh = energy, np.zeros(len(energy))
    price = _band_price_arrays(bands, prices)
    held = [False] * (len(bands) + 1)
    for step in reversed(prices.tiers):  # the shortest first: it is used up first
        band = bands[step.band]
        period = cells.day if band.per == "day" else cells.month
        within = within_tier_kwh(energy, step.holds, period, band.up_to_kwh or 0.0)
        mine = np.where(step.holds, np.maximum(0.0, within - below_kwh), 0.0)
        below_kwh = np.where(step.holds, within, below_kwh)
        left = left - mine
        kwh[step.band] = float(mine[here].sum())
        money[step.band] = float((mine * price[step.band])[here].sum())
        held[step.band] = bool(step.holds[here].any())
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
    if kwh[-1] > NOTHING_KWH:
        yield BillLine(month, side, None, kwh[-1], "kWh", 0.0, 0.0)


def _band_price_arrays(bands: tuple[Band, ...], prices: SidePrices) -> dict[int, FloatArray]:
    """Price of each stepped band where it holds [money per kWh], by its number, each of shape (n,)."""
    found: dict[int, FloatArray] = {}
    below = np.nan_to_num(prices.beyond)
    for step in prices.tiers:
        below = np.where(step.holds, below + step.difference, below)
        found[step.band] = below
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
    charge = offer.demand_charge
    if charge is None:
        return
    # hours after midnight of a window that began the day before belong to that day's month
    window = charge.window
    carried = (window.from_minute > window.to_minute) & (cells.minute < window.to_minute)
    first_of_its_month = np.asarray(cells.start.tz_convert(timezone).day == 1)
    own_month = cells.month - (carried & first_of_its_month)
    rows = np.flatnonzero(billed & (own_month == month_number) & prices.in_demand_window)
    if len(rows) == 0:
        return
    # a mean begins where the local clock shows a multiple of its length, and counts if it begins in the window
    begins = np.flatnonzero(cells.minute % charge.interval_minutes < cells.minutes)
    mean_of = np.searchsorted(begins, np.arange(len(cells.minute)), side="right") - 1
    chosen = np.unique(mean_of[rows][np.isin(rows, begins)])
    counted = np.isin(mean_of, chosen) & billed
    energy = np.bincount(mean_of[counted], weights=cells.import_kwh[counted], minlength=len(begins))
    hours = np.bincount(mean_of[counted], minlength=len(begins)) * cells.minutes / 60
    means = np.where(hours > 0, energy / np.where(hours > 0, hours, 1.0), 0.0)
    peak = float(means.max())
    share = days / of_days
    yield BillLine(
        month,
        "demand_charge",
        None,
        peak,
        "kW",
        charge.price_per_kw_month,
        peak * charge.price_per_kw_month * share,
        days=days,
        of_days=of_days,
        at=cells.start[begins[int(np.argmax(means))]] if peak > 0 else None,
    )


def _tax_lines(offer: Offer, lines: list[BillLine]) -> Iterator[BillLine]:
    """The tax on a month's lines, where the offer has one."""
    if offer.tax_percent == 0 or not lines:
        return
    covered = sum(line.amount for line in lines if line.kind in offer.tax_covers)
    percent = offer.tax_percent
    yield BillLine(lines[0].month, "tax", None, covered, "percent", percent, covered * percent / 100)


def _billed_days(first_of_month: date, begin: date, end: date) -> tuple[int, int]:
    """Days billed of a month, and days in it."""
    next_month = (first_of_month + timedelta(days=32)).replace(day=1)
    billed = (min(end, next_month) - max(begin, first_of_month)).days
    return billed, (next_month - first_of_month).days


def _midnight(day: date, timezone: str) -> pd.Timestamp:
    """The first instant of a local day, UTC."""
    wall = pd.Timestamp(day).tz_localize(timezone, ambiguous=True, nonexistent="shift_forward")
    return wall.tz_convert("UTC")
