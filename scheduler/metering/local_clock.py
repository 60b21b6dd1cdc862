"""Convert local clock times of a meter file to instants, through the skipped hour and the doubled hour.

Wall-clock times and instants are whole minutes since 1970-01-01 here, as int64: of local time, or of UTC.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, IntArray
from models.base.clock import MINUTES_A_DAY

Clock = Literal["local", "standard"]
"""What the times of a file follow: the wall clock with its changes, or the zone's winter time all year."""


@dataclass(frozen=True, slots=True)
class ClockChange:
    """One change of the local clock.

    Attributes
    ----------
    begin, end : wall-clock minutes that are skipped or doubled, end excluded.
    before, after : offset from UTC [min].
    """

    begin: int
    end: int
    before: int
    after: int

    @property
    def doubled(self) -> bool:
        """Return whether the clock shows begin to end twice; otherwise it skips them."""
        return self.after < self.before

    @property
    def text(self) -> str:
        """Return the day and the clock times: `2026-10-25 01:00 to 02:00`."""
        begin, end = (np.datetime64(minute, "m").item() for minute in (self.begin, self.end))
        return f"{begin:%Y-%m-%d %H:%M} to {end:%H:%M}"


@dataclass(frozen=True, slots=True, eq=False)
class OnTheWall:
    """How wall-clock times relate to clock changes, arrays of shape (n,).

    Attributes
    ----------
    utc : instants; the first of a doubled time; for a skipped time, by the offset before the change.
    lost : whether the clock skips the time.
    change : number of the clock change that skips or doubles the time, -1 for none.
    changes : every clock change around the times.
    """

    utc: IntArray
    lost: BoolArray
    change: IntArray
    changes: tuple[ClockChange, ...]


def on_the_wall(wall: IntArray, timezone: str) -> OnTheWall:
    """Convert wall-clock minutes of an IANA zone to instants.

    Parameters
    ----------
    wall : wall-clock minutes, shape (n,), at least one.

    Returns
    -------
    Their instants, and how they relate to clock changes.
    """
    first, changes = _changes(int(wall.min()), int(wall.max()), timezone)
    begins = np.array([change.begin for change in changes], dtype=np.int64)
    ends = np.array([change.end for change in changes], dtype=np.int64)
    offsets = np.array([first, *(change.after for change in changes)], dtype=np.int64)
    begun = np.searchsorted(begins, wall, side="right")
    ended = np.searchsorted(ends, wall, side="right")
    inside = begun > ended
    doubled = np.array([change.doubled for change in changes], dtype=np.bool_)
    number = np.where(inside, ended, -1)
    lost = inside.copy()
    if changes:
        lost[inside] = ~doubled[ended[inside]]
    return OnTheWall(wall - offsets[ended], lost, number, changes)


def standard_offset(wall: IntArray, timezone: str) -> IntArray:
    """Return the zone's winter offset from UTC in the year of each wall-clock time [min], shape (n,)."""
    years = wall.astype("datetime64[m]").astype("datetime64[Y]")
    distinct, which = np.unique(years, return_inverse=True)
    winter = []
    for year in distinct:
        halves = np.array([year.astype("datetime64[M]") + month for month in (0, 6)], dtype="datetime64[m]")
        winter.append(int(offsets_at(halves.astype(np.int64), timezone).min()))
    return np.array(winter, dtype=np.int64)[which]


def offsets_at(utc: IntArray, timezone: str) -> IntArray:
    """Return the offset from UTC at each instant [min], shape (n,)."""
    wall = local_minutes(instants(utc), timezone)
    return wall - utc


def instants(utc: IntArray) -> pd.DatetimeIndex:
    """Return UTC minutes, shape (n,), as an index in whole seconds.

    Examples
    --------
    >>> instants(np.array([0, 60])).strftime("%Y-%m-%dT%H:%MZ").tolist()
    ['1970-01-01T00:00Z', '1970-01-01T01:00Z']
    """
    return pd.DatetimeIndex((utc * 60).astype("datetime64[s]")).tz_localize("UTC")


def local_minutes(start: pd.DatetimeIndex, timezone: str) -> IntArray:
    """Return what the wall clock shows at each instant [min], shape (n,)."""
    wall: IntArray = start.tz_convert(timezone).tz_localize(None).as_unit("s").asi8 // 60
    return wall


def _changes(first: int, last: int, timezone: str) -> tuple[int, tuple[ClockChange, ...]]:
    """Return the offset two days before the first wall-clock time [min], and each change until two days after."""
    days = np.arange(first - 2 * MINUTES_A_DAY, last + 3 * MINUTES_A_DAY, MINUTES_A_DAY, dtype=np.int64)
    offsets = offsets_at(days, timezone)
    found = []
    for index in np.flatnonzero(np.diff(offsets)):
        minutes = np.arange(days[index], days[index + 1] + 1, dtype=np.int64)
        within = offsets_at(minutes, timezone)
        for step in np.flatnonzero(np.diff(within)):
            at, before, after = int(minutes[step + 1]), int(within[step]), int(within[step + 1])
            found.append(ClockChange(at + min(before, after), at + max(before, after), before, after))
    return int(offsets[0]), tuple(found)
