"""Local clocks: what a wall clock shows at instants, both clock changes included."""

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


@dataclass(frozen=True, slots=True, eq=False)
class LocalClock:
    """What the wall clock and calendar of one time zone show at each of n instants; arrays of shape (n,).

    Attributes
    ----------
    minute : minutes since midnight as the wall clock shows them [min]: in a lost hour no instant has them, in a
        doubled hour two instants share them.
    day_of_week, day_of_week_before : of this local date and of the date before, 0 for Monday.
    month, month_before : of this local date and of the date before, 1 to 12.
    holiday, holiday_before : whether this local date, and the date before, is a public holiday.
    """

    minute: IntArray
    day_of_week: IntArray
    day_of_week_before: IntArray
    month: IntArray
    month_before: IntArray
    holiday: BoolArray
    holiday_before: BoolArray


def local_clock(instants: pd.DatetimeIndex, timezone: str, holidays: Collection[date] = ()) -> LocalClock:
    """Read the local clock at instants (timezone-aware, whole minutes).

    Parameters
    ----------
    timezone : IANA name.
    holidays : public holidays as local dates.
    """
    wall = instants.tz_convert(timezone).tz_localize(None)
    before = wall - pd.Timedelta(days=1)
    days_off = pd.DatetimeIndex([pd.Timestamp(day) for day in sorted(holidays)])
    return LocalClock(
        minute=np.asarray(wall.hour * 60 + wall.minute, dtype=np.int64),
        day_of_week=np.asarray(wall.day_of_week, dtype=np.int64),
        day_of_week_before=np.asarray(before.day_of_week, dtype=np.int64),
        month=np.asarray(wall.month, dtype=np.int64),
        month_before=np.asarray(before.month, dtype=np.int64),
        holiday=np.asarray(wall.normalize().isin(days_off), dtype=np.bool_),
        holiday_before=np.asarray(before.normalize().isin(days_off), dtype=np.bool_),
    )


def instants_of(wall: datetime, timezone: str) -> list[datetime]:
    """Every instant at which a naive wall-clock time occurs, in time order and in the zone.

    None in a lost hour, two in a doubled hour, else one.
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
    """First instant after the gap, for a wall-clock time that a clock change leaves out."""
    zone = ZoneInfo(timezone)
    utc = ZoneInfo("UTC")
    instant = wall.replace(tzinfo=zone, fold=0).astimezone(utc)
    while (instant - timedelta(minutes=1)).astimezone(zone).utcoffset() == instant.astimezone(zone).utcoffset():
        instant -= timedelta(minutes=1)
    return instant.astimezone(zone)
