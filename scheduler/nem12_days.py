"""Days of a NEM12 register, put together into a channel."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
import pandas as pd

from models.arrays import BoolArray, FloatArray
from scheduler.meter_channels import Channel, ChannelKind

MARKET_OFFSET_SECONDS = 10 * 3600
"""Market time ahead of UTC, without summer time [s]."""
SECONDS_A_DAY = 86_400


@dataclass(frozen=True, slots=True, eq=False)
class Day:
    """One day of a register, of shape (intervals,).

    Attributes
    ----------
    day : in market time. line : of its 300 record.
    length_minutes : of each interval [min].
    kwh : [kWh]. missing : whether there is no data. estimated : whether the value is not an actual reading.
    updated : when the record was updated, digits that sort by time, or "".
    """

    day: date
    line: int
    length_minutes: int
    kwh: FloatArray
    missing: BoolArray
    estimated: BoolArray
    updated: str


@dataclass(slots=True)
class Register:
    """A register and its days so far; `replaced` counts days that were given again with other values."""

    name: str
    meter: str
    kind: ChannelKind
    days: dict[date, Day] = field(default_factory=dict)
    replaced: int = 0

    def keep(self, day: Day) -> None:
        """Add a day; of a day that is given twice, the later update stays, or else the later record."""
        before = self.days.get(day.day)
        if before is not None:
            self.replaced += not np.array_equal(before.kwh, day.kwh)
            if day.updated < before.updated:
                return
        self.days[day.day] = day


def channel_of(register: Register) -> tuple[Channel, list[str]]:
    """The register's channel at its longest interval length, and notes on it."""
    notes = []
    name = f"{register.name} of {register.meter}"
    if register.replaced:
        many = "day is" if register.replaced == 1 else "days are"
        notes.append(
            f"{name}: {register.replaced} {many} in the file again with other values; the latest update counts."
        )
    length = max(day.length_minutes for day in register.days.values())
    if any(day.length_minutes != length for day in register.days.values()):
        notes.append(f"{name} has intervals of different lengths; all are read as intervals of {length} minutes.")
    days = [_at_length(register.days[key], length) for key in sorted(register.days)]
    midnights = np.array([day.day.toordinal() for day in days], dtype=np.int64) - date(1970, 1, 1).toordinal()
    within = np.arange(1440 // length, dtype=np.int64) * length * 60
    seconds = midnights[:, None] * SECONDS_A_DAY - MARKET_OFFSET_SECONDS + within[None, :]
    there = ~np.stack([day.missing for day in days])
    return (
        Channel(
            name=register.name,
            meter=register.meter,
            kind=register.kind,
            start=pd.DatetimeIndex(seconds[there].view("datetime64[s]"), tz="UTC"),
            kwh=np.stack([day.kwh for day in days])[there],
            estimated=np.stack([day.estimated for day in days])[there],
            step_minutes=length,
        ),
        notes,
    )


def _at_length(day: Day, length_minutes: int) -> Day:
    """The day in longer intervals; one is missing, or estimated, if any part of it is."""
    parts = length_minutes // day.length_minutes
    if parts == 1:
        return day
    return replace(
        day,
        length_minutes=length_minutes,
        kwh=day.kwh.reshape(-1, parts).sum(axis=1),
        missing=np.asarray(day.missing.reshape(-1, parts).any(axis=1)),
        estimated=np.asarray(day.estimated.reshape(-1, parts).any(axis=1)),
    )
