"""Cycles of a trace of state of charge by rainflow counting.

Source: ASTM E1049-85, Standard Practices for Cycle Counting in Fatigue Analysis, section 5.4.4, through the `rainflow`
package. Only the turning points are handed over: what lies between them does not change the count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import rainflow

from models.base.arrays import FloatArray, IntArray
from models.wear.soc_trace import SocTrace


@dataclass(frozen=True, slots=True, eq=False)
class Cycles:
    """Counted cycles, k of them, in the order in which they close; each attribute has shape (k,).

    Attributes
    ----------
    depth : range of state of charge, as a share of the capacity [0 to 1].
    mean_soc : middle of that range [0 to 1].
    count : 1, or a half for a range that the trace does not close.
    begin, end : rows of the trace at which the range begins and ends.
    temp_degc : mean temperature between them, by time [degrees C].
    """

    depth: FloatArray
    mean_soc: FloatArray
    count: FloatArray
    begin: IntArray
    end: IntArray
    temp_degc: FloatArray

    @property
    def equivalent_full_cycles(self) -> float:
        """Half of all change of state of charge, in whole batteries."""
        return float(self.count @ self.depth)


def count_cycles(trace: SocTrace) -> Cycles:
    """The cycles of a trace.

    A trace that stands still has none; one that only rises or only falls has one half cycle.
    """
    rows = turning_points(trace.soc)
    levels = trace.soc[rows].tolist()
    if len(levels) == 2:  # the package takes a first and a last point for nothing; one between them changes no range
        rows = rows[[0, 0, 1]]
        levels = [levels[0], (levels[0] + levels[1]) / 2, levels[1]]
    found = np.array(list(rainflow.extract_cycles(levels)), dtype=np.float64).reshape(-1, 5)
    found = found[found[:, 0] > 0]  # the package takes turns of under 1e-160 for none
    begin, end = rows[found[:, 3].astype(np.int64)], rows[found[:, 4].astype(np.int64)]
    return Cycles(found[:, 0], found[:, 1], found[:, 2], begin, end, _mean_between(trace, begin, end))


def turning_points(soc: FloatArray) -> IntArray:
    """Rows of the first value, the last, and every one at which the trace turns; of a level turn its first row."""
    moved = np.concatenate([[0], np.flatnonzero(np.diff(soc)) + 1])
    direction = np.sign(np.diff(soc[moved]))
    if len(direction) == 0:
        return np.zeros(1, dtype=np.int64)
    turns = np.flatnonzero(np.diff(direction)) + 1
    return np.asarray(moved[np.concatenate([[0], turns, [len(moved) - 1]])], dtype=np.int64)


def _mean_between(trace: SocTrace, begin: IntArray, end: IntArray) -> FloatArray:
    """Mean temperature between rows, by time [degrees C]; the trace is straight between its rows."""
    hours, temp = trace.hours_from_begin(), trace.temp_degc
    until = np.concatenate([[0.0], np.cumsum(np.diff(hours) * (temp[1:] + temp[:-1]) / 2)])
    return np.asarray((until[end] - until[begin]) / (hours[end] - hours[begin]), dtype=np.float64)
