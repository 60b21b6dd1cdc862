"""Published market prices: a regular series, and until when it is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class MarketPrices:
    """A published price series, and when its prices become known.

    Attributes
    ----------
    start : start of each interval, UTC, shape (n,).
    price_per_kwh : price in each interval [money per kWh], may be negative, shape (n,).
    step_minutes : length of the intervals [min].
    known_until_minute : local clock time until which prices are known, minutes since midnight, 1 to 1440 [min].
    published_minute : local clock time at which the next day's prices are published, minutes since midnight [min].
    """

    start: pd.DatetimeIndex
    price_per_kwh: FloatArray
    step_minutes: int
    known_until_minute: int
    published_minute: int

    @property
    def end(self) -> pd.Timestamp:
        """Return the end of the last interval."""
        return self.start[-1] + pd.Timedelta(minutes=self.step_minutes)


def market_price_at(market: MarketPrices, instants: pd.DatetimeIndex) -> FloatArray:
    """Return the market price at given instants [money per kWh], shape (n,); NaN outside the series.

    Parameters
    ----------
    market : the published series.
    instants : timezone-aware, shape (n,).

    Examples
    --------
    >>> hours = pd.date_range("2026-03-02T18:00", periods=2, freq="h", tz="UTC")
    >>> market = MarketPrices(hours, np.array([0.21, 0.14]), 60, 1440, 13 * 60)
    >>> market_price_at(market, pd.DatetimeIndex(["2026-03-02T18:45Z", "2026-03-02T20:00Z"])).tolist()
    [0.21, nan]
    """
    row = np.asarray((instants - market.start[0]) // pd.Timedelta(minutes=market.step_minutes), dtype=np.int64)
    inside = (row >= 0) & (row < len(market.price_per_kwh))
    return np.where(inside, market.price_per_kwh[np.clip(row, 0, len(market.price_per_kwh) - 1)], np.nan)


def known_until(market: MarketPrices, now: pd.Timestamp, timezone: str) -> pd.Timestamp:
    """Return until when prices are known at a given moment.

    Parameters
    ----------
    market : the published series.
    now : the moment, timezone-aware.
    timezone : IANA name of the time zone of the market's clock times.

    Returns
    -------
    The instant, UTC: `known_until_minute` of today, or of tomorrow once the next day's prices are published.

    Examples
    --------
    Prices of the next day are published at 13:00 and reach until midnight:

    >>> hours = pd.date_range("2026-03-02", periods=48, freq="h", tz="UTC")
    >>> market = MarketPrices(hours, np.full(48, 0.20), 60, 1440, 13 * 60)
    >>> str(known_until(market, pd.Timestamp("2026-03-02T12:59Z"), "Europe/Dublin"))
    '2026-03-03 00:00:00+00:00'
    >>> str(known_until(market, pd.Timestamp("2026-03-02T13:00Z"), "Europe/Dublin"))
    '2026-03-04 00:00:00+00:00'
    """
    wall = now.tz_convert(timezone).tz_localize(None)
    published = wall.hour * 60 + wall.minute >= market.published_minute
    day = wall.normalize() + pd.Timedelta(days=int(published))
    known = day + pd.Timedelta(minutes=market.known_until_minute)
    return known.tz_localize(timezone, ambiguous=False, nonexistent="shift_forward").tz_convert("UTC")
