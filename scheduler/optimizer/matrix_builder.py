"""Rows and columns of a program, added in arrays, and the solver's matrix that they make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import highspy
import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray
from scheduler.optimizer.objectives import OBJECTIVES

INFINITE = highspy.kHighsInf
MONEY = OBJECTIVES.index("least_money")

Term = tuple[IntArray, FloatArray | float]
"""One column and one coefficient for each of several rows."""


@dataclass(frozen=True, slots=True, eq=False)
class Matrix:
    """The night's program as numbers: rows of A x within bounds, columns by name, one cost row per objective."""

    lp: highspy.HighsLp
    cost: FloatArray
    offset: FloatArray
    columns: dict[str, IntArray]


@dataclass(frozen=True, slots=True, eq=False)
class Addition:
    """Rows, and columns of 0 or more that they may need, for a program that is there already.

    Attributes
    ----------
    starts, index, values : the rows' entries, row by row: where each begins, their columns, their coefficients.
    lower, upper : of each row.
    cost : a row for each of OBJECTIVES over the new columns, which come after all others.
    """

    starts: IntArray
    index: IntArray
    values: FloatArray
    lower: FloatArray
    upper: FloatArray
    cost: FloatArray = field(default_factory=lambda: np.zeros((len(OBJECTIVES), 0)))

    @property
    def columns(self) -> int:
        """Return how many columns are new."""
        return int(self.cost.shape[1])

    def add_to(self, highs: highspy.Highs) -> None:
        """Add the columns and rows to the program that HiGHS holds."""
        new, index, rows = self.columns, self.index.astype(np.int32), len(self.lower)
        if new:
            zeros, none, starts = np.zeros(new), np.zeros(0), np.zeros(new, np.int32)
            highs.addCols(new, zeros, zeros, np.full(new, INFINITE), 0, starts, none.astype(np.int32), none)
        highs.addRows(rows, self.lower, self.upper, len(index), self.starts.astype(np.int32), index, self.values)


@dataclass(slots=True)
class MatrixBuilder:
    """Columns and rows as they are added; numbers of columns are arrays of the shape they were asked in."""

    lower: list[FloatArray] = field(default_factory=list)
    upper: list[FloatArray] = field(default_factory=list)
    whole: list[BoolArray] = field(default_factory=list)
    names: dict[str, IntArray] = field(default_factory=dict)
    rows: list[IntArray] = field(default_factory=list)
    columns: list[IntArray] = field(default_factory=list)
    values: list[FloatArray] = field(default_factory=list)
    row_lower: list[FloatArray] = field(default_factory=list)
    row_upper: list[FloatArray] = field(default_factory=list)
    costs: list[tuple[int, IntArray, FloatArray]] = field(default_factory=list)
    offset: FloatArray = field(default_factory=lambda: np.zeros(len(OBJECTIVES)))
    column_count: int = 0
    row_count: int = 0

    def add_columns(
        self, name: str, count: int, lower: FloatArray | float, upper: FloatArray | float, whole: bool = False
    ) -> IntArray:
        """Add columns; return their numbers, shape (count,)."""
        found = np.arange(self.column_count, self.column_count + count)
        self.lower.append(np.broadcast_to(np.asarray(lower, dtype=np.float64), (count,)))
        self.upper.append(np.broadcast_to(np.asarray(upper, dtype=np.float64), (count,)))
        self.whole.append(np.full(count, whole))
        self.names[name] = found
        self.column_count += count
        return found

    def add_rows(
        self,
        terms: Sequence[Term],
        lower: FloatArray | float = -INFINITE,
        upper: FloatArray | float = INFINITE,
    ) -> None:
        """Add rows of one shape, (rows,): each term gives one column and coefficient a row."""
        count = len(terms[0][0])
        numbers = np.arange(self.row_count, self.row_count + count)
        for columns, values in terms:
            self.rows.append(numbers)
            self.columns.append(columns)
            self.values.append(np.broadcast_to(np.asarray(values, dtype=np.float64), (count,)))
        self.row_lower.append(np.broadcast_to(np.asarray(lower, dtype=np.float64), (count,)))
        self.row_upper.append(np.broadcast_to(np.asarray(upper, dtype=np.float64), (count,)))
        self.row_count += count

    def add_row(
        self, columns: IntArray, values: FloatArray | float, lower: float = -INFINITE, upper: float = INFINITE
    ) -> None:
        """Add one row over many columns."""
        self.rows.append(np.full(len(columns), self.row_count))
        self.columns.append(columns)
        self.values.append(np.broadcast_to(np.asarray(values, dtype=np.float64), (len(columns),)))
        self.row_lower.append(np.array([lower]))
        self.row_upper.append(np.array([upper]))
        self.row_count += 1

    def cost(self, objective: int, columns: IntArray, values: FloatArray | float) -> None:
        """Add to an objective."""
        self.costs.append((objective, columns, np.broadcast_to(np.asarray(values, dtype=np.float64), columns.shape)))

    def matrix(self) -> Matrix:
        """Return what was written, row by row."""
        rows, columns = np.concatenate(self.rows), np.concatenate(self.columns)
        values = np.concatenate(self.values)
        there = values != 0
        rows, columns, values = rows[there], columns[there], values[there]
        order = np.argsort(rows, kind="stable")
        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = self.column_count, self.row_count
        lp.col_cost_ = np.zeros(self.column_count)
        lp.col_lower_, lp.col_upper_ = np.concatenate(self.lower), np.concatenate(self.upper)
        lp.row_lower_, lp.row_upper_ = np.concatenate(self.row_lower), np.concatenate(self.row_upper)
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.start_ = np.concatenate([[0], np.cumsum(np.bincount(rows, minlength=self.row_count))])
        lp.a_matrix_.index_, lp.a_matrix_.value_ = columns[order], values[order]
        kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
        lp.integrality_ = [kinds[int(whole)] for whole in np.concatenate(self.whole)]
        cost = np.zeros((len(OBJECTIVES), self.column_count))
        for objective, where, amounts in self.costs:
            np.add.at(cost[objective], where, amounts)
        return Matrix(lp, cost, self.offset.copy(), dict(self.names))
