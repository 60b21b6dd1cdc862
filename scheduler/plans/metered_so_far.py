"""What an earlier plan of the evening has counted at the meter until now: towards steps, and the month's peak."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from models.base.calendars import public_holidays
from models.tariff.offer import Band, OfferPrices, SidePrices, offer_prices
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.request import Request
from scheduler.plans.saved_plan import SavedPlan, SavedRow


def with_metered_so_far(evening: Request, kept: SavedPlan, inputs: Inputs) -> Request:
    """The evening's question with what the earlier plan was told, and what its part until now adds by its forecast.

    What the question says itself stays. Without bands that count or a demand charge, nothing changes.
    """
    offer, timezone = inputs.offer, inputs.site.timezone
    if kept.offer != offer.name:
        return evening
    past = [row for row in kept.rows if row.start < evening.now]
    if not past or (offer.demand_charge is None and not _steps(offer.import_bands) and not _steps(offer.export_bands)):
        return evening
    now = pd.Timestamp(evening.now)
    starts = pd.DatetimeIndex([row.start.astimezone(UTC) for row in past]).as_unit("s")
    holidays = (
        public_holidays(inputs.site.holiday_calendar, range(now.year - 1, now.year + 2))
        if inputs.site.holiday_calendar is not None and offer.holidays_count_as is not None
        else frozenset()
    )
    # prices do not matter here, and a market's may not reach back: only when bands hold
    plain = replace(
        offer,
        market=None,
        import_bands=tuple(replace(band, market_factor=None) for band in offer.import_bands),
        export_bands=tuple(replace(band, market_factor=None) for band in offer.export_bands),
    )
    prices = offer_prices(plain, starts, timezone, holidays)
    net = np.array([row.load_kw + row.charge_kw - row.discharge_kw - row.solar_kw + row.curtailed_kw for row in past])
    hours = np.array([_hours(row, evening.now) for row in past])
    changes = {}
    if evening.imported_so_far_kwh is None and kept.so_far.imported_kwh is not None:
        energy = np.maximum(net, 0.0) * hours
        told = kept.so_far.imported_kwh
        changes["imported_so_far_kwh"] = _counted(
            told, prices.imports, offer.import_bands, energy, starts, now, timezone
        )
    if evening.exported_so_far_kwh is None and kept.so_far.exported_kwh is not None:
        energy = np.maximum(-net, 0.0) * hours
        told = kept.so_far.exported_kwh
        changes["exported_so_far_kwh"] = _counted(
            told, prices.exports, offer.export_bands, energy, starts, now, timezone
        )
    peak = _peak(evening, kept, prices, net, starts, now, timezone)
    return replace(evening, peak_so_far_kw=peak, **changes)  # type: ignore[arg-type]


def _steps(bands: tuple[Band, ...]) -> bool:
    return any(band.up_to_kwh is not None for band in bands)


def _hours(row: SavedRow, now: datetime) -> float:
    """Hours of the row until now."""
    return (min(row.end, now) - row.start).total_seconds() / 3600


def _counted(
    told: dict[str, float],
    prices: SidePrices,
    bands: tuple[Band, ...],
    energy: np.ndarray,
    starts: pd.DatetimeIndex,
    now: pd.Timestamp,
    timezone: str,
) -> dict[int, float]:
    """Energy counted towards each step of today, or of this month, by number of the band [kWh]."""
    found = {}
    wall, here = starts.tz_convert(timezone), now.tz_convert(timezone)
    for step in prices.tiers:
        same = np.asarray(wall.month == here.month)
        first = wall[0].month == here.month
        if bands[step.band].per == "day":
            same &= np.asarray(wall.day == here.day)
            first = first and wall[0].day == here.day
        before = told.get(str(step.band), 0.0) if first else 0.0
        found[step.band] = before + float(energy[same & step.holds].sum())
    return found


def _peak(
    evening: Request,
    kept: SavedPlan,
    prices: OfferPrices,
    net: np.ndarray,
    starts: pd.DatetimeIndex,
    now: pd.Timestamp,
    timezone: str,
) -> float | None:
    """The month's highest mean so far [kW]: as told to the earlier plan, or what its part until now draws."""
    if evening.peak_so_far_kw is not None or kept.so_far.peak_kw is None:
        return evening.peak_so_far_kw
    wall, here = starts.tz_convert(timezone), now.tz_convert(timezone)
    counts = prices.in_demand_window & np.asarray(wall.month == here.month)
    drawn = float(net[counts].max()) if counts.any() else 0.0
    return max(drawn, kept.so_far.peak_kw if wall[0].month == here.month else 0.0)
