"""A trace of state of charge and temperature, straight between its instants."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray

SECONDS_AN_HOUR = 3600.0


@dataclass(frozen=True, slots=True, eq=False)
class SocTrace:
    """State of charge at instants, n of them, two or more.

    Attributes
    ----------
    instants : UTC, rising, shape (n,).
    soc : share of the capacity [0 to 1], shape (n,).
    temp_degc : of the battery [degrees C], shape (n,).
    """

    instants: pd.DatetimeIndex
    soc: FloatArray
    temp_degc: FloatArray

    def hours_from_begin(self) -> FloatArray:
        """Each instant's time since the first [h], shape (n,)."""
        seconds = self.instants.as_unit("s").asi8
        return np.asarray((seconds - seconds[0]) / SECONDS_AN_HOUR, dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class TimeSpent:
    """Where the battery spent its time: m stretches, one after another.

    Attributes
    ----------
    hours : length of each stretch [h], shape (m,).
    soc : its mean state of charge [0 to 1], shape (m,).
    temp_degc : its mean temperature [degrees C], shape (m,).
    """

    hours: FloatArray
    soc: FloatArray
    temp_degc: FloatArray


def time_spent(trace: SocTrace) -> TimeSpent:
    """The stretches between a trace's instants, each by the means of its ends."""

    def middle(values: FloatArray) -> FloatArray:
        return np.asarray((values[1:] + values[:-1]) / 2, dtype=np.float64)

    return TimeSpent(np.diff(trace.hours_from_begin()), middle(trace.soc), middle(trace.temp_degc))
