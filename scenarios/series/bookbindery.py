"""Kuutarpi bookbindery: a workshop with a home above it, for a year."""

import math
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from series.market import Market, market_prices
from series.meters import plain_text
from series.rows import Drive, market_text, random_streams, series_text, steps_between, trips_text
from series.weather import Panels, persistent, solar_kw

ZONE = ZoneInfo("Europe/Helsinki")
FIRST_DAY, END_DAY = date(2025, 7, 1), date(2026, 7, 1)
PANELS = Panels(peak_kw=6.6, latitude=61.0, longitude=25.0, tilt=30.0)
EXPORT_LIMIT_KW = 5.0
MARKET = Market(mean_per_mwh=62.0, winter_share=0.3, sun_pull=1.6)
METER_FIRST_DAY, METER_END_DAY = date(2025, 10, 1), date(2026, 1, 1)
SEED = 20260302

CLOSED = {
    *(date(2025, 7, 14) + timedelta(days) for days in range(14)),  # summer closure
    *(date(2025, 12, 24) + timedelta(days) for days in range(14)),  # Christmas to Epiphany
    *(date(2026, month, day) for month, day in ((4, 3), (4, 6), (5, 1), (5, 14), (6, 19))),
}
AWAY = [(date(2025, 7, 16), date(2025, 7, 23), 310), (date(2026, 2, 19), date(2026, 2, 21), 228)]
"""Journeys with nights away: first day, last day, distance [km]."""

EVENING_AT_HOME = {17: 1.35, 18: 1.9, 19: 1.75, 20: 1.6, 21: 1.35, 22: 0.75}  # kW on top of the standing draw
HOME_WEEKDAY = {6: 0.5, 7: 0.8, 8: 0.35, 12: 0.5, 16: 0.6, **EVENING_AT_HOME}
HOME_WEEKEND = {8: 0.5, 9: 0.9, 10: 0.6, 11: 0.5, 12: 0.9, 13: 0.7, 15: 0.6, 16: 0.9, **EVENING_AT_HOME}
WORKSHOP = {8: 0.5, 9: 1.4, 10: 1.7, 11: 1.6, 12: 0.6, 13: 1.6, 14: 1.8, 15: 1.4, 16: 0.7}  # presses, glue

# day of the week: depart, return, distance [km], share of weeks in which it happens
WEEKLY_TRIPS = {
    1: (time(8, 10), time(16, 40), 74, 0.85),
    2: (time(18, 30), time(21, 15), 18, 0.8),
    3: (time(13, 0), time(16, 0), 42, 0.9),
    5: (time(14, 30), time(17, 30), 26, 0.85),
    6: (time(11, 0), time(18, 30), 120, 0.2),
}
SPECIAL_TRIPS = {
    date(2025, 9, 12): (time(6, 30), time(20, 30), 236),  # a book fair
    date(2025, 11, 7): (time(7, 0), time(19, 0), 178),
    date(2026, 3, 3): (time(7, 30), time(18, 0), 96),
    date(2026, 5, 22): (time(6, 45), time(19, 30), 204),
}


def load_kw(hours: list[datetime], random: np.random.Generator) -> list[float]:
    """Standing draw, the home upstairs, and the workshop when it is open."""
    days = (END_DAY - FIRST_DAY).days
    busy = persistent(random.random(days).tolist(), 0.4)
    values = []
    for hour, flicker in zip(hours, random.random(len(hours)).tolist(), strict=True):
        day = hour.date()
        winter = math.cos(2 * math.pi * (hour.timetuple().tm_yday - 15) / 365)  # 1 in January, −1 in July
        weekend, bustle = day.weekday() >= 5 or day in CLOSED, busy[(day - FIRST_DAY).days]
        kw = 0.36 + 0.04 * winter
        if not any(first <= day < last for first, last, _ in AWAY):
            home = (HOME_WEEKEND if weekend else HOME_WEEKDAY).get(hour.hour, 0.0)
            kw += home * (1 + 0.18 * winter) * (0.85 + 0.3 * bustle)
            if not weekend:
                kw += WORKSHOP.get(hour.hour, 0.0) * (1 + 0.1 * winter) * (0.7 + 0.6 * bustle)
        values.append(kw * (0.88 + 0.24 * flicker))
    return values


def trips(random: np.random.Generator) -> list[Drive]:
    """The weekly drives, some left out and none to the minute, and the year's few long ones."""
    found = []
    for number in range((END_DAY - FIRST_DAY).days):
        day = FIRST_DAY + timedelta(days=number)
        happens, early, late, detour = random.random(4).tolist()
        away = next((journey for journey in AWAY if journey[0] <= day <= journey[1]), None)
        if away:
            if day == away[0]:
                found.append((at(day, time(9, 0)), at(away[1], time(16, 30)), away[2]))
            continue
        if day in SPECIAL_TRIPS:
            depart, come_back, distance = SPECIAL_TRIPS[day]
            found.append((at(day, depart), at(day, come_back), distance))
        elif day.weekday() in WEEKLY_TRIPS and day not in CLOSED:
            depart, come_back, distance, share = WEEKLY_TRIPS[day.weekday()]
            if happens < share:
                out = at(day, depart) + timedelta(minutes=5 * math.floor(9 * early - 4))
                back = at(day, come_back) + timedelta(minutes=5 * math.floor(9 * late - 4))
                found.append((out, back, distance + math.floor(10 * detour - 4)))
    return found


def at(day: date, clock: time) -> datetime:
    return datetime.combine(day, clock, ZONE)


def make() -> dict[str, str]:
    """Each file's name and text."""
    streams = random_streams(SEED, 4)
    hours = steps_between(FIRST_DAY, END_DAY, ZONE)
    load = load_kw(hours, streams[0])
    solar = solar_kw(hours, FIRST_DAY, PANELS, streams[1])
    market_hours = steps_between(FIRST_DAY, END_DAY + timedelta(days=1), ZONE)
    sun = [kw / PANELS.peak_kw for kw in (*solar, *solar[-24:])]  # the day after the series is as sunny as its last
    return {
        "load.csv": series_text(hours, load),
        "solar.csv": series_text(hours, solar),
        "trips.csv": trips_text(trips(streams[2])),
        "meter.csv": plain_text(hours, load, solar, METER_FIRST_DAY, METER_END_DAY, EXPORT_LIMIT_KW),
        "offers/market.csv": market_text(market_hours, market_prices(market_hours, sun, MARKET, streams[3])),
    }
