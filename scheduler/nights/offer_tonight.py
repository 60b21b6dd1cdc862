"""Work out what an offer's tiers and demand charge mean for one night: what is left of them, and what is unknown."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray, IntArray
from models.base.clock import local_clock
from models.base.time_window import TimeWindow
from models.tariff.demand import DemandMonth
from models.tariff.offer import Band, DemandCharge, Offer, TierPeriod
from models.tariff.tiers import PriceTier, Side
from scheduler.nights.intervals import Intervals
from scheduler.nights.request import Request
from scheduler.textio.format import number_text

SIDES: tuple[Side, Side] = ("import", "export")


@dataclass(frozen=True, slots=True, eq=False)
class OfferTonight:
    """Tiers and demand charge of a night, and warnings on what was assumed."""

    tiers: tuple[PriceTier, ...]
    demand: tuple[DemandMonth, ...]
    warnings: tuple[str, ...]


def offer_tonight(
    offer: Offer, intervals: Intervals, evening: Request, timezone: str, building_kw: FloatArray
) -> OfferTonight:
    """Return the tiers and demand charge over the night's n intervals, and warnings.

    What was imported or exported so far within a tier comes from tonight's request; without it, the whole tier is
    assumed to be left. The month's highest mean so far comes from the request too; without it, it is assumed to be the
    building's own highest tonight, which the month has most likely seen already.

    Parameters
    ----------
    building_kw : draw of the building without the car [kW], shape (n,), negative for a surplus.
    """
    warnings: list[str] = []
    tiers: list[PriceTier] = []
    for side in SIDES:
        tiers += _tiers(offer, side, intervals, evening, timezone, warnings)
    demand = _demand(offer, intervals, evening, timezone, building_kw, warnings)
    warnings += _unused(offer, evening)
    return OfferTonight(tuple(tiers), demand, tuple(warnings))


def _tiers(
    offer: Offer, side: Side, intervals: Intervals, evening: Request, timezone: str, warnings: list[str]
) -> Iterator[PriceTier]:
    """Yield one tier for each local day or month in which one of this side holds."""
    bands = offer.import_bands if side == "import" else offer.export_bands
    counted = evening.imported_so_far_kwh if side == "import" else evening.exported_so_far_kwh
    unknown = []
    for tier in intervals.offered.tiers(side):
        band = bands[tier.band]
        factor = offer.factor(side, band.part)
        period = _periods(intervals, band, timezone)
        for number in np.unique(period[tier.holds]):
            holds = tier.holds & (period == number)
            left = band.up_to_kwh or 0.0
            under_way = number == period[0]
            if under_way and counted is not None and tier.band in counted:
                left = max(0.0, left - counted[tier.band])
            elif under_way and _has_begun(offer, band.when, band.per, intervals, timezone):
                unknown.append(band)
            yield PriceTier(side, tier.band, holds, left, np.where(holds, tier.difference * factor, 0.0), int(number))
    warnings += _not_counted(side, unknown)


def _periods(intervals: Intervals, band: Band, timezone: str) -> IntArray:
    """Return the number of the local day, or month, of each interval, shape (n,)."""
    wall = intervals.boundaries[:-1].tz_convert(timezone).tz_localize(None)
    if band.per == "month":
        return np.asarray(wall.year * 12 + wall.month, dtype=np.int64)
    return np.asarray(wall.normalize().as_unit("s").asi8 // 86400, dtype=np.int64)


def _has_begun(offer: Offer, window: TimeWindow, per: TierPeriod, intervals: Intervals, timezone: str) -> bool:
    """Return whether energy before now may count: the window held earlier in the day or month."""
    now = intervals.boundaries[0].tz_convert(timezone)
    begins = now.normalize() if per == "day" else now.normalize().replace(day=1)
    if begins >= now:
        return False
    clock = local_clock(pd.date_range(begins, now, freq="min", inclusive="left"), timezone)
    covers = window.covers(clock.minute, offer.days_counted_as(clock), (clock.month, clock.month_before))
    return bool(covers.any())


def _not_counted(side: Side, unknown: list[Band]) -> list[str]:
    """Return a warning if a tier is under way and it is unknown how much of it is used up."""
    if not unknown:
        return []
    periods = " and ".join(sorted({band.per for band in unknown}))
    return [
        f"The first kWh {side}ed each {periods} have another price. How many are used is not known, so this plan "
        f"assumes none; give --{side}ed-so-far if you know it."
    ]


def _demand(
    offer: Offer, intervals: Intervals, evening: Request, timezone: str, building_kw: FloatArray, warnings: list[str]
) -> tuple[DemandMonth, ...]:
    """Return the demand charges, one for each month of the night in which the window of each holds."""
    assumed: list[float] = []
    found = []
    for number, charge in enumerate(offer.demand_charges):
        in_window = intervals.offered.in_demand_window[number]
        for month, mean_of in _months(charge, in_window, intervals, timezone):
            here = mean_of >= 0
            so_far, is_assumed = _so_far_kw(offer, number, month, here, intervals, evening, timezone, building_kw)
            assumed += [so_far] if is_assumed else []
            price = charge.price_per_kw_month * offer.factor("demand_charge") * charge.look_back_months
            so_far = max(so_far, charge.least_kw)
            found.append(DemandMonth(mean_of, price, so_far, month, number, charge.look_back_months))
    if assumed:
        warnings.append(
            "The month's highest demand so far is not known; this plan assumes the most that the building alone should "
            f"draw tonight, {number_text(max(assumed), 1)} kW. Give --peak-so-far if you know it."
        )
    most = max((month.billed_months for month in found), default=1)
    if most > 1:
        warnings.append(
            f"A higher demand would be billed for {most} months; this plan counts all of them. Give --peak-so-far if "
            "you know what is billed already."
        )
    return tuple(found)


def _months(
    charge: DemandCharge, in_window: BoolArray, intervals: Intervals, timezone: str
) -> Iterator[tuple[int, IntArray]]:
    """Yield each month of a charge, and the number of the demand interval of each of the night's intervals.

    The numbers are -1 where the charge does not count, shape (n,).
    """
    wall = intervals.boundaries[:-1].tz_convert(timezone).tz_localize(None)
    minute = np.asarray(wall.hour * 60 + wall.minute, dtype=np.int64)
    opens = minute % charge.interval_minutes == 0
    opens[0] = True
    mean_of = np.cumsum(opens) - 1
    counts = in_window[np.flatnonzero(opens)][mean_of]
    # hours after midnight of a window that began the day before belong to that day's month
    window = charge.window
    carried = (window.from_minute > window.to_minute) & (minute < window.to_minute) & np.asarray(wall.day == 1)
    month = (np.asarray(wall.year * 12 + wall.month, dtype=np.int64) - carried)[np.flatnonzero(opens)][mean_of]
    for number in np.unique(month[counts]):
        here = counts & (month == number)
        numbers = np.full(len(minute), -1, dtype=np.int64)
        numbers[here] = np.unique(mean_of[here], return_inverse=True)[1]
        yield int(number), numbers


def _so_far_kw(
    offer: Offer,
    number: int,
    month: int,
    here: BoolArray,
    intervals: Intervals,
    evening: Request,
    timezone: str,
    building_kw: FloatArray,
) -> tuple[float, bool]:
    """Return the highest mean of a charge before now that is billed in a month of the night [kW], and if it is assumed.

    Parameters
    ----------
    number : of the charge. month : of the night. here : where the charge counts in it, shape (n,).
    """
    now = intervals.boundaries[0].tz_convert(timezone)
    charge = offer.demand_charges[number]
    if month - (now.year * 12 + now.month) >= charge.look_back_months:
        return 0.0, False
    told = evening.peak_of_charge_kw.get(number) if evening.peak_of_charge_kw is not None else evening.peak_so_far_kw
    if told is not None:
        return told, False
    if month != now.year * 12 + now.month and charge.look_back_months == 1:
        return 0.0, False
    if not _has_begun(offer, charge.window, "month", intervals, timezone):
        return 0.0, False
    return max(0.0, float(building_kw[here].max())), True


def _unused(offer: Offer, evening: Request) -> list[str]:
    """Return a note for each amount that was given but that the offer does not use."""
    found = []
    if evening.peak_so_far_kw is not None and not offer.demand_charges:
        found.append("--peak-so-far is not used: the offer has no demand charge.")
    for option, counted, bands in (
        ("--imported-so-far", evening.imported_so_far_kwh, offer.import_bands),
        ("--exported-so-far", evening.exported_so_far_kwh, offer.export_bands),
    ):
        if counted is not None and not any(band.up_to_kwh is not None for band in bands):
            found.append(f"{option} is not used: the offer has no other price for the first kWh.")
    return found
