"""Forecast market prices as they are known when planning: published up to some hour, typical prices after that."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray
from models.base.clock import SATURDAY, local_clock
from models.site.series import Series, TypicalDay, typical_day
from models.tariff.market import MarketPrices, known_until, market_price_at
from models.tariff.offer import Offer
from scheduler.nights.request import Request
from scheduler.textio.errors import single_fault
from scheduler.textio.format import clock_text


def offer_as_known(offer: Offer, evening: Request, end: datetime, timezone: str) -> tuple[Offer, tuple[str, ...]]:
    """Return the offer with the market prices that a plan may use, and notes on them.

    A `recorded` forecast uses the series itself. Otherwise the series is used as far as it is known at the time of
    planning; after that, the mean at each clock time over the 28 days before, weekdays and weekends apart.

    Raises
    ------
    InputFaults : the series covers neither the night nor enough days for typical prices.
    """
    market = offer.market
    if market is None:
        return offer, ()
    now = pd.Timestamp(evening.now).tz_convert("UTC")
    last = pd.Timestamp(end).tz_convert("UTC")
    step = pd.Timedelta(minutes=market.step_minutes)
    begins = market.start[0] + ((now - market.start[0]) // step) * step
    start = pd.date_range(begins, last, freq=step, inclusive="left", unit="s")
    price = market_price_at(market, start)
    known_at = now if evening.known_at is None else pd.Timestamp(evening.known_at).tz_convert("UTC")
    known = prices_known_until(market, evening, timezone)
    if evening.forecast == "recorded":
        known = last
    usable = np.asarray(start < known) & ~np.isnan(price)
    if usable.all():
        return replace(offer, market=replace(market, start=start, price_per_kwh=price)), ()
    if evening.forecast == "recorded":
        first = start[int(np.argmin(usable))].to_pydatetime()
        message = f"offer {offer.name!r} has no market price {clock_text(first, timezone)}"
        raise single_fault("--forecast", f"{message}; expected a series that covers the plan")
    typical = _typical_prices(offer, market, max(known, known_at), timezone)
    filled = np.where(usable, price, _at(typical, start, timezone))
    note = f"The market prices of the offer are known until {clock_text(known.to_pydatetime(), timezone)}"
    if not usable.any():
        note = "None of the offer's market prices is known for this time"
    note += "; after that the plan uses typical prices." if usable.any() else "; the plan uses typical prices."
    return replace(offer, market=replace(market, start=start, price_per_kwh=filled)), (note,)


def prices_known_until(market: MarketPrices, evening: Request, timezone: str) -> pd.Timestamp:
    """Return until when market prices are known at the time of planning, UTC."""
    known_at = pd.Timestamp(evening.known_at or evening.now).tz_convert("UTC")
    return min(known_until(market, known_at, timezone), market.end)


def _typical_prices(offer: Offer, market: MarketPrices, until: pd.Timestamp, timezone: str) -> TypicalDay:
    series = Series(market.start, market.price_per_kwh, market.step_minutes)
    try:
        return typical_day(series, until.to_pydatetime(), timezone, by_weekend=True)
    except ValueError as error:
        raise single_fault(
            f"offer {offer.name!r}", f"typical market prices cannot be formed from its series: {error}"
        ) from None


def _at(day: TypicalDay, instants: pd.DatetimeIndex, timezone: str) -> FloatArray:
    """Return the typical day's price at each instant [money per kWh], shape (n,)."""
    clock = local_clock(instants, timezone)
    weekend = clock.day_of_week >= SATURDAY
    return np.where(weekend, day.weekend_kw[clock.minute], day.weekday_kw[clock.minute])
