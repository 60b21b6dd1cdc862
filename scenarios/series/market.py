"""Invented market prices: a daily shape, calm and windy days that linger, and sunny noons that pull prices below zero.

No real market is copied; the shape is what anyone would draw: dear evenings, cheap nights, cheaper weekends.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from series.weather import persistent

# what a kWh is worth at each hour against the day's mean; the last entry is midnight again
WEEKDAY = (0.7, 0.66, 0.64, 0.64, 0.68, 0.82, 1.05, 1.28, 1.36, 1.2, 1.05, 0.98, 0.94, 0.92, 0.95, 1.05, 1.22)
WEEKDAY += (1.48, 1.68, 1.6, 1.36, 1.12, 0.94, 0.8, 0.7)
WEEKEND = (0.66, 0.62, 0.59, 0.57, 0.57, 0.6, 0.65, 0.74, 0.84, 0.9, 0.9, 0.86, 0.82, 0.76, 0.74, 0.8, 0.94)
WEEKEND += (1.16, 1.34, 1.3, 1.12, 0.96, 0.84, 0.74, 0.66)


@dataclass(frozen=True, slots=True)
class Market:
    """How dear a market is.

    `mean_per_mwh` is the price of an ordinary hour, `winter_share` how much more it is in the dark half of the year
    (in July where negative), `sun_pull` what full sun takes off it, as a share of the mean.
    """

    mean_per_mwh: float
    winter_share: float
    sun_pull: float


def market_prices(
    starts: Sequence[datetime], sun: Sequence[float], market: Market, random: np.random.Generator
) -> list[float]:
    """Price of each step [money per MWh]; `sun` is its share of the panels' peak power, 0 to 1."""
    days = (starts[-1].date() - starts[0].date()).days + 1
    calm = persistent(random.random(days).tolist(), 0.6)
    values = []
    for start, share, flicker in zip(starts, sun, random.random(len(starts)).tolist(), strict=True):
        shape = WEEKEND if start.weekday() >= 5 else WEEKDAY
        inside = start.minute / 60
        worth = (1 - inside) * shape[start.hour] + inside * shape[start.hour + 1]
        winter = math.cos(2 * math.pi * (start.timetuple().tm_yday - 15) / 365)  # 1 in January, −1 in July
        level = (1 + market.winter_share * winter) * (0.35 + 1.3 * calm[(start.date() - starts[0].date()).days])
        values.append(market.mean_per_mwh * (level * worth * (0.94 + 0.12 * flicker) - market.sun_pull * share))
    return values
