"""Ticks of a time axis by the local clock: round hours and midnights, days, months or years."""

from __future__ import annotations

from collections.abc import Iterator
from zoneinfo import ZoneInfo

import pandas as pd

from scheduler.render.scale import Tick

SHORT_DAYS = 7.0
"""Longest time whose axis is marked by the clock, not by dates [d]."""
DAY_STEPS = (1, 2, 3, 7, 14)
MONTH_STEPS = (1, 2, 3, 6, 12, 24, 60)
HOUR_STEPS = (1, 2, 3, 6, 12, 24)
"""Hours between ticks that a clock face makes easy to read."""
QUARTER = pd.Timedelta(minutes=15)
"""Every zone's offset is a whole number of these, so that a round local hour is never missed."""


def clock_ticks(begin: pd.Timestamp, end: pd.Timestamp, timezone: str, most: int) -> tuple[Tick, ...]:
    """Return ticks at round local hours; of an hour that the clock shows twice, at the first.

    Parameters
    ----------
    begin, end : instants. timezone : IANA name. most : how many labels have room side by side.

    Examples
    --------
    >>> begin, end = pd.Timestamp("2026-03-02T17:20Z"), pd.Timestamp("2026-03-03T04:20Z")
    >>> [tick.label for tick in clock_ticks(begin, end, "Europe/Dublin", 4)]
    ['18:00', '21:00', 'Tue', '03:00']
    """
    length = end - begin
    every = next((step for step in HOUR_STEPS if length / pd.Timedelta(hours=step) <= most), HOUR_STEPS[-1])
    days = max(1, -int(-(length / pd.Timedelta(days=1)) // most)) if every == HOUR_STEPS[-1] else 1
    found: list[Tick] = []
    shown: set[str] = set()
    midnights = 0
    for instant, local in _quarters(begin, end, timezone):
        if local.minute or local.hour % every:
            continue
        wall = f"{local:%Y-%m-%dT%H}"
        if wall in shown:
            continue
        shown.add(wall)
        if local.hour == 0:
            midnights += 1
            if midnights % days != 1 % days:
                continue
        found.append(Tick((instant - begin) / length, f"{local:%a}" if local.hour == 0 else f"{local:%H:%M}"))
    return tuple(found)


def time_ticks(begin: pd.Timestamp, end: pd.Timestamp, timezone: str, most: int) -> tuple[Tick, ...]:
    """Return ticks at round local hours of a few days, or at days, months or years of a longer time.

    Parameters
    ----------
    begin, end : instants. timezone : IANA name. most : how many labels have room side by side.
    """
    days = (end - begin) / pd.Timedelta(days=1)
    if days <= SHORT_DAYS:
        return clock_ticks(begin, end, timezone, most)
    first, last = begin.tz_convert(timezone).ceil("D"), end.tz_convert(timezone)
    every = next((step for step in DAY_STEPS if days / step <= most), None)
    if every is not None:
        marks = pd.date_range(first, last, freq=f"{every}D")
        names = [f"{mark.day} {mark:%b}" for mark in marks]
    else:
        months = next((step for step in MONTH_STEPS if days / 30.4 / step <= most), MONTH_STEPS[-1])
        marks = pd.date_range(first, last, freq=f"{months}MS")
        names = [f"{mark:%b}" if months < 12 else f"{mark:%Y}" for mark in marks]
    return tuple(Tick(float((mark - begin) / (end - begin)), name) for mark, name in zip(marks, names, strict=True))


def clock_changes(begin: pd.Timestamp, end: pd.Timestamp, timezone: str) -> tuple[Tick, ...]:
    """Return a tick wherever the local clock changes between two instants, labelled "clock +1 h"."""
    found = []
    before = begin.tz_convert(ZoneInfo(timezone)).utcoffset()
    for instant, local in _quarters(begin, end, timezone):
        after = local.utcoffset()
        assert before is not None
        assert after is not None
        if after != before:
            hours = (after - before).total_seconds() / 3600
            sign = "+" if hours > 0 else "−"
            found.append(Tick((instant - begin) / (end - begin), f"clock {sign}{abs(hours):g} h"))
        before = after
    return tuple(found)


def _quarters(begin: pd.Timestamp, end: pd.Timestamp, timezone: str) -> Iterator[tuple[pd.Timestamp, pd.Timestamp]]:
    """Yield every quarter of an hour from begin to end, as an instant and on the local clock."""
    zone = ZoneInfo(timezone)
    for instant in pd.date_range(begin.ceil(QUARTER), end, freq=QUARTER):
        yield instant, instant.tz_convert(zone)
