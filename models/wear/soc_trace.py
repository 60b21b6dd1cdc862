"""A trace of state of charge and temperature, with straight lines between its instants."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray

SECONDS_AN_HOUR = 3600.0


@dataclass(frozen=True, slots=True, eq=False)
class SocTrace:
    """State of charge and temperature at n instants, two or more.

    Attributes
    ----------
    instants : UTC, rising, shape (n,).
    soc : state of charge, as a share of the capacity [0 to 1], shape (n,).
    temp_degc : temperature of the battery [degrees C], shape (n,).
    """

    instants: pd.DatetimeIndex
    soc: FloatArray
    temp_degc: FloatArray

    def hours_from_begin(self) -> FloatArray:
        """Return each instant's time since the first one [h], shape (n,)."""
        seconds = self.instants.as_unit("s").asi8
        return np.asarray((seconds - seconds[0]) / SECONDS_AN_HOUR, dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class TimeSpent:
    """The conditions under which the battery spent its time: m periods, one after another.

    Attributes
    ----------
    hours : length of each period [h], shape (m,).
    soc : mean state of charge in each period [0 to 1], shape (m,).
    temp_degc : mean temperature in each period [degrees C], shape (m,).
    """

    hours: FloatArray
    soc: FloatArray
    temp_degc: FloatArray


def time_spent(trace: SocTrace) -> TimeSpent:
    """Return the periods between the instants of a trace, each at the mean of its two ends.

    Parameters
    ----------
    trace : of n instants; there are n - 1 periods.

    Examples
    --------
    >>> hours = pd.date_range("2026-03-02T18:00", periods=3, freq="h", tz="UTC")
    >>> time = time_spent(SocTrace(hours, np.array([0.8, 0.6, 0.6]), np.array([15.0, 15.0, 13.0])))
    >>> time.hours.tolist(), time.soc.round(2).tolist(), time.temp_degc.tolist()
    ([1.0, 1.0], [0.7, 0.6], [15.0, 14.0])
    """

    def mean_of_ends(values: FloatArray) -> FloatArray:
        return np.asarray((values[1:] + values[:-1]) / 2, dtype=np.float64)

    return TimeSpent(np.diff(trace.hours_from_begin()), mean_of_ends(trace.soc), mean_of_ends(trace.temp_degc))
