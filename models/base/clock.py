"""Local clocks: what a wall clock shows at given instants, through both clock changes of a year."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, IntArray

MINUTES_A_DAY = 1440
MONDAY, SATURDAY, SUNDAY = 0, 5, 6
EPOCH = date(1970, 1, 1)
"""Day 0."""


@dataclass(frozen=True, slots=True, eq=False)
class LocalClock:
    """Readings of the wall clock and the calendar of one time zone at n instants; arrays of shape (n,).

    Attributes
    ----------
    minute : minutes since midnight on the wall clock [min]. No instant shows the minutes of a skipped hour, two
        instants show each minute of a repeated hour.
    day_of_week, day_of_week_before : day of the week of the local date and of the date before it, 0 for Monday.
    month, month_before : month of the local date and of the date before it, 1 to 12.
    holiday, holiday_before : whether the local date, and the date before it, is a public holiday.
    """

    minute: IntArray
    day_of_week: IntArray
    day_of_week_before: IntArray
    month: IntArray
    month_before: IntArray
    holiday: BoolArray
    holiday_before: BoolArray


def local_clock(instants: pd.DatetimeIndex, timezone: str, holidays: Collection[date] = ()) -> LocalClock:
    """Read the local clock at given instants.

    Parameters
    ----------
    instants : whole minutes, timezone-aware, shape (n,).
    timezone : IANA name.
    holidays : public holidays as local dates.

    Examples
    --------
    At 01:00 UTC on 29 March 2026 Dublin's clock jumps from 01:00 to 02:00:

    >>> at = pd.date_range("2026-03-29T00:30", periods=2, freq="30min", tz="UTC")
    >>> local_clock(at, "Europe/Dublin").minute.tolist()
    [30, 120]
    """
    minutes = wall_minutes(instants, timezone)
    day, minute = np.divmod(minutes, MINUTES_A_DAY)
    days_off = np.array(sorted((each - EPOCH).days for each in holidays), dtype=np.int64)
    return LocalClock(
        minute=minute,
        day_of_week=day_of_week(day),
        day_of_week_before=day_of_week(day - 1),
        month=_month(day),
        month_before=_month(day - 1),
        holiday=np.isin(day, days_off),
        holiday_before=np.isin(day - 1, days_off),
    )


def wall_minutes(instants: pd.DatetimeIndex, timezone: str) -> IntArray:
    """Return what the wall clock and calendar show, as minutes since the beginning of 1970 on them, shape (n,).

    Parameters
    ----------
    instants : timezone-aware, shape (n,). Parts of a minute are left out.
    timezone : IANA name.

    Examples
    --------
    >>> int(wall_minutes(pd.DatetimeIndex(["1970-01-02T00:30+01:00"]), "Etc/UTC")[0])
    1410
    """
    wall = instants.tz_convert(timezone).tz_localize(None).as_unit("s")
    return np.asarray(wall.asi8 // 60, dtype=np.int64)


def day_of_week(day: IntArray) -> IntArray:
    """Return the day of the week, 0 for Monday, of days numbered from 1 January 1970, a Thursday; of their shape."""
    return np.asarray((day + 3) % 7)


def _month(day: IntArray) -> IntArray:
    """Return the month, 1 to 12, of days numbered from 1 January 1970, of their shape."""
    return np.asarray(day.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64) % 12 + 1)


def instants_of(wall: datetime, timezone: str) -> list[datetime]:
    """Return every instant at which the wall clock shows a time, earliest first.

    Parameters
    ----------
    wall : wall-clock time, without a zone.
    timezone : IANA name.

    Returns
    -------
    Instants in that zone: none in a skipped hour, two in a repeated hour, otherwise one.

    Examples
    --------
    >>> len(instants_of(datetime(2026, 3, 29, 1, 30), "Europe/Dublin"))
    0
    >>> [str(at.utcoffset()) for at in instants_of(datetime(2026, 10, 25, 1, 30), "Europe/Dublin")]
    ['1:00:00', '0:00:00']
    """
    zone = ZoneInfo(timezone)
    found: list[datetime] = []
    for fold in (0, 1):
        instant = wall.replace(tzinfo=zone, fold=fold)
        as_utc = instant.astimezone(ZoneInfo("UTC"))
        if as_utc.astimezone(zone).replace(tzinfo=None) == wall and as_utc not in [
            other.astimezone(ZoneInfo("UTC")) for other in found
        ]:
            found.append(instant)
    return found


def end_of_skipped_hour(wall: datetime, timezone: str) -> datetime:
    """Return the first instant after the clock change that skips a wall-clock time.

    Parameters
    ----------
    wall : wall-clock time inside a skipped hour, without a zone.
    timezone : IANA name.

    Examples
    --------
    >>> str(end_of_skipped_hour(datetime(2026, 3, 29, 1, 30), "Europe/Dublin"))
    '2026-03-29 02:00:00+01:00'
    """
    zone = ZoneInfo(timezone)
    utc = ZoneInfo("UTC")
    instant = wall.replace(tzinfo=zone, fold=0).astimezone(utc)
    while (instant - timedelta(minutes=1)).astimezone(zone).utcoffset() == instant.astimezone(zone).utcoffset():
        instant -= timedelta(minutes=1)
    return instant.astimezone(zone)
