"""Write meter series as `read_series` reads them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray
from scheduler.inputs.series_file import COLUMNS
from scheduler.metering.local_clock import local_minutes

DECIMALS = 12
"""Kept in every power, so that a year's energy is exact far below 1e-6 kWh."""


def series_text(start: pd.DatetimeIndex, kw: FloatArray, timezone: str) -> str:
    """A meter series as `read_series` reads it: local time with its offset, and kW; arrays of shape (n,)."""
    wall = local_minutes(start, timezone)
    offsets = wall - start.as_unit("s").asi8 // 60
    words = {int(offset): _offset_text(int(offset)) for offset in np.unique(offsets)}
    clocks = np.datetime_as_string(wall.astype("datetime64[m]"), unit="m")
    rows = [
        f"{clock}{words[int(offset)]},{_number(float(power))}"
        for clock, offset, power in zip(clocks, offsets, kw, strict=True)
    ]
    return "\n".join([",".join(COLUMNS), *rows, ""])


def _offset_text(minutes: int) -> str:
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02}:{abs(minutes) % 60:02}"


def _number(value: float) -> str:
    """A number with up to so many decimals, no zeros at its end."""
    text = f"{value:.{DECIMALS}f}".rstrip("0")
    return text.rstrip(".")
