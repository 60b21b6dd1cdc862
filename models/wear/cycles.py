"""Cycles in a trace of state of charge, by rainflow counting.

Source: ASTM E1049-85, Standard Practices for Cycle Counting in Fatigue Analysis, section 5.4.4, through the `rainflow`
package. The package is given only the turning points, since what lies between them does not change the count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import rainflow

from models.base.arrays import FloatArray, IntArray
from models.wear.soc_trace import SocTrace


@dataclass(frozen=True, slots=True, eq=False)
class Cycles:
    """Counted cycles, k of them, in the order in which they close; arrays of shape (k,).

    Attributes
    ----------
    depth : range of state of charge, as a share of the capacity [0 to 1].
    mean_soc : middle of that range [0 to 1].
    count : 1 for a full cycle, 0.5 for a range that the trace does not close [-].
    begin, end : rows of the trace at which the range begins and ends.
    temp_degc : mean temperature over the time between them [degrees C].
    """

    depth: FloatArray
    mean_soc: FloatArray
    count: FloatArray
    begin: IntArray
    end: IntArray
    temp_degc: FloatArray

    @property
    def equivalent_full_cycles(self) -> float:
        """Return the equivalent full cycles: half the total change of state of charge, in capacities [-]."""
        return float(self.count @ self.depth)


def count_cycles(trace: SocTrace) -> Cycles:
    """Count the cycles in a trace.

    A trace that never changes has none; one that only rises or only falls has one half cycle.

    Parameters
    ----------
    trace : state of charge and temperature.

    Examples
    --------
    The example of ASTM E1049-85, scaled to a state of charge: ranges of 3 (½), 4 (1½), 6 (½), 8 (1) and 9 (½) tenths.

    >>> import pandas as pd
    >>> soc = (np.array([-2, 1, -3, 5, -1, 3, -4, 4, -2]) + 4) / 10
    >>> trace = SocTrace(pd.date_range("2026-03-02", periods=9, freq="h", tz="UTC"), soc, np.full(9, 20.0))
    >>> found = count_cycles(trace)
    >>> sorted(zip(found.depth.round(2).tolist(), found.count.tolist()))
    [(0.3, 0.5), (0.4, 0.5), (0.4, 1.0), (0.6, 0.5), (0.8, 0.5), (0.8, 0.5), (0.9, 0.5)]
    """
    rows = turning_points(trace.soc)
    levels = trace.soc[rows].tolist()
    if len(levels) == 2:  # the package finds nothing in two points; a third one between them changes no range
        rows = rows[[0, 0, 1]]
        levels = [levels[0], (levels[0] + levels[1]) / 2, levels[1]]
    found = np.array(list(rainflow.extract_cycles(levels)), dtype=np.float64).reshape(-1, 5)
    found = found[found[:, 0] > 0]  # the package counts turns of under 1e-160 as none
    begin, end = rows[found[:, 3].astype(np.int64)], rows[found[:, 4].astype(np.int64)]
    return Cycles(found[:, 0], found[:, 1], found[:, 2], begin, end, _mean_between(trace, begin, end))


def turning_points(soc: FloatArray) -> IntArray:
    """Return the rows of the first value, the last value, and every value at which the trace turns.

    Parameters
    ----------
    soc : state of charge, shape (n,).

    Returns
    -------
    Row numbers, rising; for a turn that stays level, its first row. A trace that never changes has row 0 only.

    Examples
    --------
    >>> turning_points(np.array([0.5, 0.3, 0.3, 0.4, 0.6, 0.6, 0.2, 0.1])).tolist()
    [0, 1, 4, 7]
    """
    moved = np.concatenate([[0], np.flatnonzero(np.diff(soc)) + 1])
    direction = np.sign(np.diff(soc[moved]))
    if len(direction) == 0:
        return np.zeros(1, dtype=np.int64)
    turns = np.flatnonzero(np.diff(direction)) + 1
    return np.asarray(moved[np.concatenate([[0], turns, [len(moved) - 1]])], dtype=np.int64)


def _mean_between(trace: SocTrace, begin: IntArray, end: IntArray) -> FloatArray:
    """Return the mean temperature over the time between rows [degrees C]; the trace is linear between its rows."""
    hours, temp = trace.hours_from_begin(), trace.temp_degc
    until = np.concatenate([[0.0], np.cumsum(np.diff(hours) * (temp[1:] + temp[:-1]) / 2)])
    return np.asarray((until[end] - until[begin]) / (hours[end] - hours[begin]), dtype=np.float64)
