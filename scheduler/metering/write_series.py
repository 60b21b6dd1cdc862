"""Write meter series as `read_series` reads them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray
from scheduler.inputs.series_file import COLUMNS
from scheduler.metering.local_clock import local_minutes

DECIMALS = 12
"""Decimals of every power, so that a year's energy is exact to far below 1e-6 kWh."""


def series_text(start: pd.DatetimeIndex, kw: FloatArray, timezone: str) -> str:
    """Return a meter series as `read_series` reads it: local time with its offset, and kW.

    Parameters
    ----------
    start : of each interval, shape (n,).
    kw : mean power over each interval [kW], shape (n,).

    Examples
    --------
    >>> start = pd.date_range("2026-03-29T00:30Z", freq="30min", periods=2)
    >>> print(series_text(start, np.array([0.5, 0.25]), "Europe/Dublin"), end="")
    start,kw
    2026-03-29T00:30+00:00,0.5
    2026-03-29T02:00+01:00,0.25
    """
    wall = local_minutes(start, timezone)
    offsets = wall - start.as_unit("s").asi8 // 60
    texts = {int(offset): _offset_text(int(offset)) for offset in np.unique(offsets)}
    clocks = np.datetime_as_string(wall.astype("datetime64[m]"), unit="m")
    rows = [
        f"{clock}{texts[int(offset)]},{_number(float(power))}"
        for clock, offset, power in zip(clocks, offsets, kw, strict=True)
    ]
    return "\n".join([",".join(COLUMNS), *rows, ""])


def _offset_text(minutes: int) -> str:
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02}:{abs(minutes) % 60:02}"


def _number(value: float) -> str:
    """Return a number with up to 12 decimals and no trailing zeros."""
    text = f"{value:.{DECIMALS}f}".rstrip("0")
    return text.rstrip(".")
