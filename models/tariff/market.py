"""Published market prices: a regular series, and until when it is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class MarketPrices:
    """A published price series and how it becomes known.

    Attributes
    ----------
    start : start of each step, UTC, shape (n,).
    price_per_kwh : [money per kWh], may be negative, shape (n,).
    step_minutes : [min].
    known_until_minute : local clock time until which prices are known, minutes since midnight, 1 to 1440.
    published_minute : local clock time at which the next day's become known, minutes since midnight.
    """

    start: pd.DatetimeIndex
    price_per_kwh: FloatArray
    step_minutes: int
    known_until_minute: int
    published_minute: int

    @property
    def end(self) -> pd.Timestamp:
        """End of the last step."""
        return self.start[-1] + pd.Timedelta(minutes=self.step_minutes)


def market_price_at(market: MarketPrices, instants: pd.DatetimeIndex) -> FloatArray:
    """Market price at instants [money per kWh], shape (n,); NaN where the series has none."""
    row = np.asarray((instants - market.start[0]) // pd.Timedelta(minutes=market.step_minutes), dtype=np.int64)
    inside = (row >= 0) & (row < len(market.price_per_kwh))
    return np.where(inside, market.price_per_kwh[np.clip(row, 0, len(market.price_per_kwh) - 1)], np.nan)


def known_until(market: MarketPrices, now: pd.Timestamp, timezone: str) -> pd.Timestamp:
    """Until when prices are known at a moment, UTC; the clock time is that of the next day once it is published."""
    wall = now.tz_convert(timezone).tz_localize(None)
    published = wall.hour * 60 + wall.minute >= market.published_minute
    day = wall.normalize() + pd.Timedelta(days=int(published))
    known = day + pd.Timedelta(minutes=market.known_until_minute)
    return known.tz_localize(timezone, ambiguous=False, nonexistent="shift_forward").tz_convert("UTC")
