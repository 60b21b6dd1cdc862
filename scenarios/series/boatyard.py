"""Pellandra boatyard: a shed, a cool room and a house on an invented coast, from January to June, every half hour."""

import math
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from series.market import Market, market_prices
from series.rows import market_text, random_streams, series_text, steps_between
from series.weather import Panels, persistent, solar_kw

ZONE = ZoneInfo("Australia/Lord_Howe")  # half an hour is put back on the first Sunday in April
FIRST_DAY, END_DAY = date(2026, 1, 1), date(2026, 7, 1)
STEP_MINUTES = 30
PANELS = Panels(peak_kw=9.2, latitude=-31.5, longitude=159.0, tilt=15.0)
SEED = 20260405

MARKET = Market(mean_per_mwh=95.0, winter_share=-0.12, sun_pull=1.5)
MARKET_MINUTES = 15

# kW on top of the standing draw, by hour of the day
SHED = {7: 0.6, 8: 1.6, 9: 2.2, 10: 1.8, 11: 2.4, 12: 0.5, 13: 1.9, 14: 2.1, 15: 1.2}
HOUSE = {5: 0.3, 6: 0.8, 7: 0.7, 12: 0.5, 16: 0.8, 17: 1.6, 18: 2.3, 19: 2.0, 20: 1.5, 21: 0.9}


def load_kw(starts: list[datetime], random: np.random.Generator) -> list[float]:
    """The cool room that works harder in warm weather, tools on working days, and the house."""
    days = (END_DAY - FIRST_DAY).days
    warm = persistent(random.random(days).tolist(), 0.6)
    busy = persistent(random.random(days).tolist(), 0.4)
    values = []
    for start, flicker in zip(starts, random.random(len(starts)).tolist(), strict=True):
        number = (start.date() - FIRST_DAY).days
        summer = math.cos(2 * math.pi * (start.timetuple().tm_yday - 20) / 365)  # 1 in January, −1 in July
        kw = 0.38 + (0.3 + 0.15 * summer) * (0.5 + warm[number])
        kw += HOUSE.get(start.hour, 0.0) * (0.85 + 0.3 * busy[number]) * (1 - 0.1 * summer)
        if start.weekday() < 5:
            kw += SHED.get(start.hour, 0.0) * (0.4 + 1.2 * busy[number])
        values.append(kw * (0.8 + 0.4 * flicker))
    return values


def make() -> dict[str, str]:
    """Each file's name and text."""
    streams = random_streams(SEED, 3)
    starts = steps_between(FIRST_DAY, END_DAY, ZONE, STEP_MINUTES)
    load = load_kw(starts, streams[0])
    solar = solar_kw(starts, FIRST_DAY, PANELS, streams[1], STEP_MINUTES)
    quarters = steps_between(FIRST_DAY, END_DAY + timedelta(days=1), ZONE, MARKET_MINUTES)
    with_a_day = (*solar, *solar[-1440 // STEP_MINUTES :])  # the day after the series is as sunny as its last
    sun = [kw / PANELS.peak_kw for kw in with_a_day for _ in range(STEP_MINUTES // MARKET_MINUTES)]
    return {
        "load.csv": series_text(starts, load),
        "solar.csv": series_text(starts, solar),
        "offers/market.csv": market_text(quarters, market_prices(quarters, sun, MARKET, streams[2])),
    }
