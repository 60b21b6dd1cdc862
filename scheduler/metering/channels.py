"""What a meter file holds: channels of interval energy."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import pandas as pd

from models.base.arrays import BoolArray, FloatArray

ChannelKind = Literal["import", "export", "generation"]
"""What a channel counts: drawn from the grid, fed to it, or made by the site's own generation."""


@dataclass(frozen=True, slots=True, eq=False)
class Channel:
    """Interval energy of one register of one meter, as the file gives it: gaps are left out, not filled.

    Attributes
    ----------
    name : as in the file: "E1", or the name of a column.
    meter : name of the meter or connection point, "" where the file gives none.
    kind : what it counts.
    start : of each interval, UTC, whole seconds, rising, shape (n,).
    kwh : energy of each interval [kWh], shape (n,).
    estimated : whether the file marks the value as estimated or substituted, shape (n,).
    step_minutes : length of every interval [min].
    """

    name: str
    meter: str
    kind: ChannelKind
    start: pd.DatetimeIndex
    kwh: FloatArray
    estimated: BoolArray
    step_minutes: int


@dataclass(frozen=True, slots=True, eq=False)
class MeterReading:
    """A meter file as read.

    Attributes
    ----------
    layout : name of the layout, such as "NEM12" or "one row a day, 48 columns".
    channels : at least one.
    notes : what the reader should know, such as how clock changes were handled; one sentence each.
    """

    layout: str
    channels: tuple[Channel, ...]
    notes: tuple[str, ...] = field(default=())
