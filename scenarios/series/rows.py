"""Times and rows of the invented files."""

from collections.abc import Iterable
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

Drive = tuple[datetime, datetime, int]
"""Depart, return, distance [km]."""


def steps_between(first_day: date, end_day: date, zone: ZoneInfo, minutes: int = 60) -> list[datetime]:
    """Every step in local time with its offset; a clock change leaves a day longer or shorter."""
    start, end = (datetime.combine(day, time(), zone).astimezone(UTC) for day in (first_day, end_day))
    step = timedelta(minutes=minutes)
    return [(start + number * step).astimezone(zone) for number in range((end - start) // step)]


def random_streams(seed: int, count: int) -> list[np.random.Generator]:
    """A random stream for each file, so that none disturbs another."""
    return [np.random.Generator(np.random.PCG64(child)) for child in np.random.SeedSequence(seed).spawn(count)]


def series_text(starts: list[datetime], values: list[float]) -> str:
    rows = [f"{start.isoformat()},{kw:.3f}\n" for start, kw in zip(starts, values, strict=True)]
    return "start,kw\n" + "".join(rows)


def emissions_text(starts: list[datetime], values: list[float]) -> str:
    """Emissions of the grid to the gram."""
    rows = [f"{start.isoformat(timespec='minutes')},{g:.0f}\n" for start, g in zip(starts, values, strict=True)]
    return "start,g_per_kwh\n" + "".join(rows)


def trips_text(drives: Iterable[Drive]) -> str:
    rows = [f"{out.isoformat()},{back.isoformat()},{km}\n" for out, back, km in drives]
    return "depart,return,distance_km\n" + "".join(rows)


def market_text(starts: list[datetime], prices: list[float]) -> str:
    """Prices per MWh to the hundredth."""
    rows = [
        f"{start.isoformat(timespec='minutes')},{round(p, 2) + 0.0:.2f}\n"
        for start, p in zip(starts, prices, strict=True)
    ]
    return "start,price_per_mwh\n" + "".join(rows)
