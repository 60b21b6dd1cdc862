"""Rows and columns of a program, added in arrays, and the solver's matrix that they make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import highspy
import numpy as np

from models.base.arrays import FloatArray, IntArray
from scheduler.optimizer.objectives import OBJECTIVES

INFINITE = highspy.kHighsInf
MONEY = OBJECTIVES.index("least_money")

Term = tuple[IntArray, FloatArray | float]
"""One column and one coefficient for each of several rows."""


@dataclass(frozen=True, slots=True, eq=False)
class Matrix:
    """The night's program as numbers: rows of A x within bounds.

    Attributes
    ----------
    lp : the rows, and the bounds of the columns. whole : columns of whole numbers.
    cost, offset : of each of OBJECTIVES, shape (objectives, columns) and (objectives,).
    columns, rows : numbers of columns, and of the rows that are read again, by name. A column may stand more than once.
    """

    lp: highspy.HighsLp
    whole: IntArray
    cost: FloatArray
    offset: FloatArray
    columns: dict[str, IntArray]
    rows: dict[str, IntArray] = field(default_factory=dict)


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
    whole: list[IntArray] = field(default_factory=list)
    names: dict[str, IntArray] = field(default_factory=dict)
    row_names: dict[str, IntArray] = field(default_factory=dict)
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
        self.lower.append(_each(lower, count))
        self.upper.append(_each(upper, count))
        if whole:
            self.whole.append(found)
        self.names[name] = found
        self.column_count += count
        return found

    def add_rows(
        self,
        terms: Sequence[Term],
        lower: FloatArray | float = -INFINITE,
        upper: FloatArray | float = INFINITE,
        name: str | None = None,
    ) -> None:
        """Add rows of one shape, (rows,), with a name if they are read again.

        Each term gives one column and coefficient a row.
        """
        count = len(terms[0][0])
        numbers = np.arange(self.row_count, self.row_count + count)
        for columns, values in terms:
            self.rows.append(numbers)
            self.columns.append(columns)
            self.values.append(_each(values, count))
        self.row_lower.append(_each(lower, count))
        self.row_upper.append(_each(upper, count))
        self.row_count += count
        if name is not None:
            self.row_names[name] = numbers

    def add_row(
        self,
        columns: IntArray,
        values: FloatArray | float,
        lower: float = -INFINITE,
        upper: float = INFINITE,
        name: str | None = None,
    ) -> None:
        """Add one row over many columns, with a name if it is read again."""
        number = np.array([self.row_count])
        self.rows.append(number.repeat(len(columns)))
        self.columns.append(columns)
        self.values.append(_each(values, len(columns)))
        self.row_lower.append(np.array([lower]))
        self.row_upper.append(np.array([upper]))
        self.row_count += 1
        if name is not None:
            self.row_names[name] = number

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
        whole = np.concatenate(self.whole) if self.whole else np.zeros(0, dtype=np.int64)
        kinds = [highspy.HighsVarType.kContinuous] * self.column_count
        for column in whole.tolist():
            kinds[column] = highspy.HighsVarType.kInteger
        lp.integrality_ = kinds
        cost = np.zeros((len(OBJECTIVES), self.column_count))
        for objective, where, amounts in self.costs:
            np.add.at(cost[objective], where, amounts)
        return Matrix(lp, whole, cost, self.offset.copy(), dict(self.names), dict(self.row_names))


def _each(values: FloatArray | float, count: int) -> FloatArray:
    """Return values as an array of shape (count,); one value stands for all."""
    return np.full(count, values, dtype=np.float64)
