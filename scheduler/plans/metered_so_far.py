"""What a replan takes the meter to have counted so far: energy towards tiers, and the month's peak.

That is what the earlier plan was told, and what it forecast for the time from then until now.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pandas as pd

from models.base.calendars import public_holidays
from models.tariff.offer import Band, Offer, OfferPrices, TierPrices, offer_prices
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.request import Request
from scheduler.plans.saved_plan import SavedPlan, SavedRow


def with_metered_so_far(evening: Request, earlier: SavedPlan, inputs: Inputs) -> Request:
    """Return the request with the energy and the peak that the meter has counted until now.

    Figures of the request itself stay. Under an offer without tiers and demand charge nothing changes.

    Parameters
    ----------
    evening : the request of a replan.
    earlier : the plan that it replaces.
    inputs : the site, its series and offer.
    """
    offer, timezone = inputs.offer, inputs.site.timezone
    if earlier.offer != offer.name:
        return evening
    past = [row for row in earlier.rows if row.start < evening.now]
    if not past or not counts_amounts(offer):
        return evening
    now = pd.Timestamp(evening.now)
    starts = pd.DatetimeIndex([row.start.astimezone(UTC) for row in past]).as_unit("s")
    prices = band_times(inputs, starts)
    net = np.array([row.load_kw + row.charge_kw - row.discharge_kw - row.solar_kw + row.curtailed_kw for row in past])
    hours = np.array([_hours(row, evening.now) for row in past])
    changes = {}
    if evening.imported_so_far_kwh is None and earlier.so_far.imported_kwh is not None:
        energy = np.maximum(net, 0.0) * hours
        told = earlier.so_far.imported_kwh
        changes["imported_so_far_kwh"] = counted_kwh(
            told, prices.tiers("import"), offer.import_bands, energy, starts, now, timezone
        )
    if evening.exported_so_far_kwh is None and earlier.so_far.exported_kwh is not None:
        energy = np.maximum(-net, 0.0) * hours
        told = earlier.so_far.exported_kwh
        changes["exported_so_far_kwh"] = counted_kwh(
            told, prices.tiers("export"), offer.export_bands, energy, starts, now, timezone
        )
    peak = _peak(evening, earlier, prices, net, starts, now, timezone)
    return replace(evening, peak_so_far_kw=peak, **changes)  # type: ignore[arg-type]


def counts_amounts(offer: Offer) -> bool:
    """Return whether what an offer charges depends on what the meter has counted before."""
    tiers = _has_tiers(offer.import_bands) or _has_tiers(offer.export_bands)
    return tiers or bool(offer.demand_charges)


def band_times(inputs: Inputs, starts: pd.DatetimeIndex) -> OfferPrices:
    """Return when the bands of the offer hold; its prices without the market's, which may not reach back so far.

    Parameters
    ----------
    starts : start of each interval, UTC.
    """
    offer, calendar = inputs.offer, inputs.site.holiday_calendar
    holidays = frozenset[date]()
    if calendar is not None and offer.holidays_count_as is not None:
        holidays = public_holidays(calendar, range(starts[0].year - 1, starts[-1].year + 2))
    plain = replace(
        offer,
        market=None,
        import_bands=tuple(replace(band, market_factor=None) for band in offer.import_bands),
        export_bands=tuple(replace(band, market_factor=None) for band in offer.export_bands),
    )
    return offer_prices(plain, starts, inputs.site.timezone, holidays)


def _has_tiers(bands: tuple[Band, ...]) -> bool:
    """Return whether a band prices only the first so many kWh."""
    return any(band.up_to_kwh is not None for band in bands)


def _hours(row: SavedRow, now: datetime) -> float:
    """Return the length of the row until now [h]."""
    return (min(row.end, now) - row.start).total_seconds() / 3600


def counted_kwh(
    told: Mapping[str, float],
    tiers: tuple[TierPrices, ...],
    bands: tuple[Band, ...],
    energy: np.ndarray,
    starts: pd.DatetimeIndex,
    now: pd.Timestamp,
    timezone: str,
) -> dict[int, float]:
    """Return the energy counted towards each tier today, or this month [kWh], by number of its band.

    Parameters
    ----------
    told : what was counted when the earlier plan was made [kWh], by number of the band.
    tiers, bands : of one side of the offer.
    energy : energy of each past interval [kWh], shape (n,).
    starts : start of each past interval, UTC.
    """
    found = {}
    wall, here = starts.tz_convert(timezone), now.tz_convert(timezone)
    for tier in tiers:
        same = np.asarray(wall.month == here.month)
        first = wall[0].month == here.month
        if bands[tier.band].per == "day":
            same &= np.asarray(wall.day == here.day)
            first = first and wall[0].day == here.day
        before = told.get(str(tier.band), 0.0) if first else 0.0
        found[tier.band] = before + float(energy[same & tier.holds].sum())
    return found


def _peak(
    evening: Request,
    earlier: SavedPlan,
    prices: OfferPrices,
    net: np.ndarray,
    starts: pd.DatetimeIndex,
    now: pd.Timestamp,
    timezone: str,
) -> float | None:
    """Return the month's highest mean so far [kW]; None where it is not known.

    It is what the earlier plan was told, or what its part until now draws, whichever is higher.

    Parameters
    ----------
    net : draw from the grid of each past interval, negative for export [kW], shape (n,).
    """
    if evening.peak_so_far_kw is not None or earlier.so_far.peak_kw is None:
        return evening.peak_so_far_kw
    wall, here = starts.tz_convert(timezone), now.tz_convert(timezone)
    in_any = np.any(prices.in_demand_window, axis=0) if prices.in_demand_window else np.zeros(len(net), dtype=np.bool_)
    counts = in_any & np.asarray(wall.month == here.month)
    drawn = float(net[counts].max()) if counts.any() else 0.0
    return max(drawn, earlier.so_far.peak_kw if wall[0].month == here.month else 0.0)
