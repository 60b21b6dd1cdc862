"""Gyvelsund veterinary practice: consulting rooms, a kennel and a flat, from October to March, no panels."""

import math
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from series.market import Market, market_prices
from series.rows import Drive, emissions_text, market_text, random_streams, series_text, steps_between, trips_text
from series.weather import Panels, persistent, solar_kw

ZONE = ZoneInfo("Europe/Copenhagen")
FIRST_DAY, END_DAY = date(2025, 10, 1), date(2026, 4, 1)
MARKET = Market(mean_per_mwh=560.0, winter_share=0.2, sun_pull=1.9)
PANELS_AROUND = Panels(peak_kw=1.0, latitude=55.5, longitude=9.5, tilt=35.0)
"""Other people's panels, which make the market cheap at noon."""
SEED = 20260114

CLOSED = {
    *(date(2025, 12, 23) + timedelta(days) for days in range(11)),  # Christmas to New Year
    *(date(2026, 2, 9) + timedelta(days) for days in range(5)),  # winter holiday
}

# kW on top of the standing draw, by hour of the day
CONSULTING = {7: 0.4, 8: 1.3, 9: 1.8, 10: 1.9, 11: 1.5, 12: 0.5, 13: 1.2, 14: 1.6, 15: 1.4, 16: 0.9}
FLAT_WEEKDAY = {6: 0.6, 7: 0.5, 16: 0.5, 17: 1.5, 18: 2.1, 19: 1.7, 20: 1.3, 21: 1.1, 22: 0.5}
FLAT_WEEKEND = {8: 0.6, 9: 0.9, 12: 0.9, 13: 0.6, 16: 0.7, 17: 1.4, 18: 1.9, 19: 1.5, 20: 1.3, 21: 1.2, 22: 0.7}

# day of the week: depart, return, distance [km], share of weeks in which it happens
ROUNDS = {
    0: (time(12, 30), time(16, 15), 58, 0.9),
    2: (time(12, 30), time(16, 45), 76, 0.9),
    4: (time(7, 15), time(12, 0), 64, 0.85),
    5: (time(10, 0), time(13, 0), 22, 0.7),
}
NIGHT_CALL_SHARE, NIGHT_CALL_KM = 0.09, 44
LONG_DRIVES = {
    date(2025, 11, 20): (time(6, 0), time(20, 15), 214),  # a day of lectures
    date(2026, 3, 12): (time(6, 30), time(19, 45), 188),
}


def load_kw(hours: list[datetime], random: np.random.Generator) -> list[float]:
    """Medicine fridges, the warm kennel, the rooms when they are open, and the flat."""
    days = (END_DAY - FIRST_DAY).days
    cold = persistent(random.random(days).tolist(), 0.7)
    busy = persistent(random.random(days).tolist(), 0.3)
    values = []
    for hour, flicker in zip(hours, random.random(len(hours)).tolist(), strict=True):
        day = hour.date()
        number, open_today = (day - FIRST_DAY).days, day.weekday() < 5 and day not in CLOSED
        winter = math.cos(2 * math.pi * (hour.timetuple().tm_yday - 20) / 365)
        kw = 0.42 + (0.22 + 0.12 * winter) * (0.6 + 0.8 * cold[number])
        kw += (FLAT_WEEKDAY if open_today else FLAT_WEEKEND).get(hour.hour, 0.0) * (0.85 + 0.3 * busy[number])
        if open_today:
            kw += CONSULTING.get(hour.hour, 0.0) * (0.7 + 0.6 * busy[number])
        values.append(kw * (0.9 + 0.2 * flicker))
    return values


def trips(random: np.random.Generator) -> list[Drive]:
    """Rounds of the farms, now and then a call at night, and two days away."""
    found: list[Drive] = []
    for number in range((END_DAY - FIRST_DAY).days):
        day = FIRST_DAY + timedelta(days=number)
        happens, early, late, detour, call = random.random(5).tolist()
        if day in LONG_DRIVES:
            depart, come_back, distance = LONG_DRIVES[day]
            found.append((_at(day, depart), _at(day, come_back), distance))
        elif day.weekday() in ROUNDS and day not in CLOSED:
            depart, come_back, distance, share = ROUNDS[day.weekday()]
            if happens < share:
                out = _at(day, depart) + timedelta(minutes=5 * math.floor(7 * early - 3))
                back = _at(day, come_back) + timedelta(minutes=5 * math.floor(9 * late - 4))
                found.append((out, back, distance + math.floor(16 * detour - 7)))
        if call < NIGHT_CALL_SHARE:
            out = _at(day, time(20, 30)) + timedelta(minutes=5 * math.floor(18 * early))
            back = out + timedelta(minutes=75 + 5 * math.floor(9 * late))
            found.append((out, back, NIGHT_CALL_KM + math.floor(20 * detour - 10)))
    return found


def grid_g_per_kwh(hours: list[datetime], sun: list[float], random: np.random.Generator) -> list[float]:
    """Emissions of an invented grid: windy days that linger, sun at noon, and coal for the evening."""
    days = (END_DAY - FIRST_DAY).days
    calm = persistent(random.random(days + 1).tolist(), 0.7)
    evening = {17: 60.0, 18: 90.0, 19: 90.0, 20: 60.0}
    return [
        max(12.0, 60 + 260 * calm[(hour.date() - FIRST_DAY).days] + evening.get(hour.hour, 0.0) - 180 * share)
        for hour, share in zip(hours, sun, strict=True)
    ]


def _at(day: date, clock: time) -> datetime:
    return datetime.combine(day, clock, ZONE)


def make() -> dict[str, str]:
    """Each file's name and text."""
    streams = random_streams(SEED, 5)
    hours = steps_between(FIRST_DAY, END_DAY, ZONE)
    market_hours = steps_between(FIRST_DAY, END_DAY + timedelta(days=1), ZONE)
    sun = solar_kw(market_hours, FIRST_DAY, PANELS_AROUND, streams[2])
    return {
        "load.csv": series_text(hours, load_kw(hours, streams[0])),
        "emissions.csv": emissions_text(market_hours, grid_g_per_kwh(market_hours, sun, streams[4])),
        "trips.csv": trips_text(trips(streams[1])),
        "offers/market.csv": market_text(market_hours, market_prices(market_hours, sun, MARKET, streams[3])),
    }
