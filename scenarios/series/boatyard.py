"""Pellandra boatyard: a shed, a cool room and a house on an invented coast, from January to June, every half hour."""

import math
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from series.market import Market, market_prices
from series.meters import Quality, nem12_text, net_kwh
from series.rows import market_text, random_streams, series_text, steps_between
from series.weather import Panels, persistent, solar_kw

ZONE = ZoneInfo("Australia/Lord_Howe")  # half an hour is put back on the first Sunday in April
FIRST_DAY, END_DAY = date(2026, 1, 1), date(2026, 7, 1)
STEP_MINUTES = 30
PANELS = Panels(peak_kw=9.2, latitude=-31.5, longitude=159.0, tilt=15.0)
SEED = 20260405

MARKET = Market(mean_per_mwh=95.0, winter_share=-0.12, sun_pull=1.5)
MARKET_MINUTES = 15

METER = ("6599000417", "PB204117")  # NMI and serial number, both invented
EXPORT_LIMIT_KW = 1.5
METER_FIRST_DAY, METER_END_DAY = date(2025, 12, 31), date(2026, 4, 1)
READ, ESTIMATED, NONE = "A", "E52", "N"
QUALITIES: dict[date, list[Quality]] = {
    date(2025, 12, 31): [(1, 46, NONE), (47, 48, READ)],  # fitted an hour before midnight in market time
    date(2026, 2, 8): [(1, 21, READ), (22, 30, ESTIMATED), (31, 48, READ)],  # a storm
    date(2026, 2, 9): [(1, 48, ESTIMATED)],
    date(2026, 2, 10): [(1, 48, ESTIMATED)],
    date(2026, 3, 17): [(1, 34, READ), (35, 41, ESTIMATED), (42, 48, READ)],
}
"""Days in market time of which not everything was read."""

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


def meter_text(starts: list[datetime], load: list[float], solar: list[float]) -> str:
    """The quarter from January to March as the meter counts it; its days begin an hour after the site's."""
    flows = {
        start.astimezone(UTC): net_kwh(load_kw, solar_kw, STEP_MINUTES / 60, EXPORT_LIMIT_KW)
        for start, load_kw, solar_kw in zip(starts, load, solar, strict=True)
    }
    return nem12_text(METER, flows, METER_FIRST_DAY, METER_END_DAY, QUALITIES, "20260402083000")


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
        "meter-nem12.csv": meter_text(starts, load, solar),
        "offers/market.csv": market_text(quarters, market_prices(quarters, sun, MARKET, streams[2])),
    }
