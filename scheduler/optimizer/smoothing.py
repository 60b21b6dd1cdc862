"""Changes of power inside runs, as columns and rows to be added to a tight program once its money is known."""

from __future__ import annotations

from dataclasses import dataclass

import highspy
import numpy as np

from models.base.arrays import FloatArray, IntArray
from scheduler.nights.night import Night
from scheduler.optimizer.matrix_builder import Matrix
from scheduler.optimizer.objectives import OBJECTIVES


@dataclass(frozen=True, slots=True, eq=False)
class Steadiness:
    """The changes of a night's program: one column for each pair of neighbouring intervals that may both run.

    Attributes
    ----------
    power, mode : columns of the later interval of each pair, shape (pairs,).
    before_power, before_mode : columns of the earlier, shape (pairs,).
    most_kw : the charger's most power in that direction [kW], shape (pairs,).
    """

    power: IntArray
    mode: IntArray
    before_power: IntArray
    before_mode: IntArray
    most_kw: FloatArray

    def changes_kw(self, values: FloatArray) -> FloatArray:
        """Change of power of each pair, 0 outside a run [kW], shape (pairs,), at values of the program's columns."""
        outside = self.most_kw * (2 - values[self.mode] - values[self.before_mode])
        return np.maximum(0.0, np.abs(values[self.power] - values[self.before_power]) - outside)


def steadiness_of(matrix: Matrix, night: Night) -> Steadiness:
    """The pairs of the program, charging first."""
    upper = np.asarray(matrix.lp.col_upper_)
    parts: list[tuple[IntArray, IntArray, IntArray, IntArray, FloatArray]] = []
    for power_name, mode_name, most in (
        ("charge_kw", "charging", night.charger.charge_max_kw),
        ("discharge_kw", "discharging", night.charger.discharge_max_kw),
    ):
        power, mode = matrix.columns[power_name], matrix.columns[mode_name]
        may = upper[mode] > 0
        later = np.flatnonzero(may[1:] & may[:-1]) + 1
        parts.append((power[later], mode[later], power[later - 1], mode[later - 1], np.full(len(later), most)))
    return Steadiness(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def add_steadiness(highs: highspy.Highs, matrix: Matrix, steadiness: Steadiness) -> Matrix:
    """Add the columns and rows to the solver's program; gives the matrix with the longer cost rows.

    ċ_t >= ±(c_t - c_t-1) - c_max (2 - u_t - u_t-1) for charging, and likewise for discharging.
    """
    pairs, first = len(steadiness.power), matrix.lp.num_col_
    nothing = np.zeros(pairs)
    no_entries = np.zeros(0)
    highs.addCols(
        pairs,
        nothing,
        nothing,
        np.full(pairs, highspy.kHighsInf),
        0,
        np.zeros(pairs, np.int32),
        no_entries.astype(np.int32),
        no_entries,
    )
    change = np.arange(first, first + pairs)
    for sign in (1.0, -1.0):
        columns = np.stack(
            [change, steadiness.power, steadiness.before_power, steadiness.mode, steadiness.before_mode], axis=1
        )
        ones = np.ones(pairs)
        values = np.stack([ones, -sign * ones, sign * ones, -steadiness.most_kw, -steadiness.most_kw], axis=1)
        highs.addRows(
            pairs,
            -2 * steadiness.most_kw,
            np.full(pairs, highspy.kHighsInf),
            columns.size,
            (np.arange(pairs) * 5).astype(np.int32),
            columns.ravel().astype(np.int32),
            values.ravel(),
        )
    cost = np.concatenate([matrix.cost, np.zeros((len(OBJECTIVES), pairs))], axis=1)
    cost[OBJECTIVES.index("least_change"), change] = 1.0
    return Matrix(matrix.lp, cost, matrix.offset, matrix.columns)
