"""Work out what an offer's tiers and demand charge mean for one night: what is left of them, and what is unknown."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray, IntArray
from models.base.clock import local_clock
from models.base.time_window import TimeWindow
from models.tariff.demand import DemandMonth
from models.tariff.offer import Band, Offer, TierPeriod
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
    prices = intervals.offered.imports if side == "import" else intervals.offered.exports
    counted = evening.imported_so_far_kwh if side == "import" else evening.exported_so_far_kwh
    factor = offer.tax_factor(side)
    unknown = []
    for tier in prices.tiers:
        band = bands[tier.band]
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
    """Return the demand charge, one for each month of the night in which its window holds."""
    charge = offer.demand_charge
    if charge is None:
        return ()
    begins = intervals.boundaries[:-1]
    wall = begins.tz_convert(timezone).tz_localize(None)
    minute = np.asarray(wall.hour * 60 + wall.minute, dtype=np.int64)
    opens = minute % charge.interval_minutes == 0
    opens[0] = True
    mean_of = np.cumsum(opens) - 1
    counts = intervals.offered.in_demand_window[np.flatnonzero(opens)][mean_of]
    # hours after midnight of a window that began the day before belong to that day's month
    window = charge.window
    carried = (window.from_minute > window.to_minute) & (minute < window.to_minute) & np.asarray(wall.day == 1)
    month = (np.asarray(wall.year * 12 + wall.month, dtype=np.int64) - carried)[np.flatnonzero(opens)][mean_of]
    now = intervals.boundaries[0].tz_convert(timezone)
    found = []
    for number in np.unique(month[counts]):
        here = counts & (month == number)
        so_far = 0.0
        if number == now.year * 12 + now.month:
            so_far = evening.peak_so_far_kw or 0.0
            if evening.peak_so_far_kw is None and _has_begun(offer, window, "month", intervals, timezone):
                so_far = max(0.0, float(building_kw[here].max()))
                warnings.append(
                    "The month's highest demand so far is not known; this plan assumes the most that the building "
                    f"alone should draw tonight, {number_text(so_far, 1)} kW. Give --peak-so-far if you know it."
                )
        numbers = np.full(len(minute), -1, dtype=np.int64)
        numbers[here] = np.unique(mean_of[here], return_inverse=True)[1]
        found.append(
            DemandMonth(numbers, charge.price_per_kw_month * offer.tax_factor("demand_charge"), so_far, int(number))
        )
    return tuple(found)


def _unused(offer: Offer, evening: Request) -> list[str]:
    """Return a note for each amount that was given but that the offer does not use."""
    found = []
    if evening.peak_so_far_kw is not None and offer.demand_charge is None:
        found.append("--peak-so-far is not used: the offer has no demand charge.")
    for option, counted, bands in (
        ("--imported-so-far", evening.imported_so_far_kwh, offer.import_bands),
        ("--exported-so-far", evening.exported_so_far_kwh, offer.export_bands),
    ):
        if counted is not None and not any(band.up_to_kwh is not None for band in bands):
            found.append(f"{option} is not used: the offer has no other price for the first kWh.")
    return found
