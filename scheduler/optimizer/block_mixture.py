"""The battery's linear program with blocks set by hand for columns: the cheapest mixture of plans, one plan's money.

Stored energy, wear, the window, the trips and the discharge limit are the rows of the compact formulation. What the
charger does enters as columns: a whole plan in one column each, shares adding up to 1, for a lower bound; or the blocks
of one plan at several powers each, for its least money.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import highspy
import numpy as np

from models.base.arrays import FloatArray, IntArray
from scheduler.nights.night import Night
from scheduler.optimizer.cheapest_blocks import CHARGE, DISCHARGE, BlockChoices, HandBlock, Prices
from scheduler.optimizer.compact_battery import battery
from scheduler.optimizer.compact_charger import charger_powers
from scheduler.optimizer.lexicographic import SHORTAGES, NoPlanError, QuietHighs
from scheduler.optimizer.matrix_builder import MONEY, MatrixBuilder

INFINITE = highspy.kHighsInf
SHORT_PRICE = 30.0
"""What more shortage than the least costs, in kWh at the highest price [per kWh]. Any price gives a bound."""
PRIMAL = 4
"""The primal simplex method: a program stays feasible when columns are added."""
NO_PLAN = 1e4
"""What a share of no plan costs [kWh at the highest price]."""
USED = 1e-6
"""A plan with a larger share than this is in the mixture."""
NONE = 1e-12
"""Coefficients under this are 0."""


class BlockPowers(NamedTuple):
    """A block in the intervals first to last - 1 and the choices of power between which its own may lie."""

    direction: int
    first: int
    last: int
    by_itself: bool
    choices: IntArray


class BatteryProgram:
    """Rows of the battery, whose charger is what its columns say.

    More shortage than the least is allowed at a high price.
    """

    def __init__(self, night: Night, choices: BlockChoices, least_short: Sequence[float]) -> None:
        self.choices = choices
        writer = MatrixBuilder()
        powers = charger_powers(writer, night, may_discharge=True)
        standing = writer.add_columns("standing", 2 * (night.intervals + 1), 0.0, 1.0).reshape(2, -1)
        first_row, first_column = writer.row_count, writer.column_count
        battery(writer, night, powers)
        if night.counts_settings:
            self._stand_at_limits(writer, night, standing)
        for objective in range(len(SHORTAGES)):
            self._limit_shortage(writer, objective, least_short[objective], choices.unit)
        matrix = writer.matrix()
        lp = matrix.lp
        top = first_row - (night.car.discharge_limit_kwh is not None)
        self.rows, self.own = lp.num_row_ - top, lp.num_col_ - first_column
        self.excess = np.concatenate([matrix.columns[f"excess {number}"] for number in range(3)]) - first_column
        entries = lp.a_matrix_
        starts, column, value = np.array(entries.start_), np.array(entries.index_), np.array(entries.value_)
        row = np.repeat(np.arange(lp.num_row_), np.diff(starts)) - top
        charger, own = (row >= 0) & (column < first_column), (row >= 0) & (column >= first_column)
        self.row, self.column, self.value = row[charger], column[charger], value[charger]
        self.first_of_row = np.flatnonzero(np.diff(self.row, prepend=-1))
        lp.num_col_, lp.num_row_ = self.own, self.rows
        lp.col_cost_ = matrix.cost[MONEY][first_column:]
        lp.col_lower_, lp.col_upper_ = np.array(lp.col_lower_)[first_column:], np.array(lp.col_upper_)[first_column:]
        lp.row_lower_, lp.row_upper_ = np.array(lp.row_lower_)[top:], np.array(lp.row_upper_)[top:]
        lp.a_matrix_.start_ = np.concatenate([[0], np.cumsum(np.bincount(row[own], minlength=self.rows))])
        lp.a_matrix_.index_, lp.a_matrix_.value_ = column[own] - first_column, value[own]
        lp.integrality_ = []
        lp.offset_ = float(matrix.offset[MONEY]) + choices.idle_money
        self.highs = QuietHighs()  # type: ignore[no-untyped-call]
        self.highs.setOptionValue("threads", 1)
        self.highs.setOptionValue("presolve", "off")
        self.highs.setOptionValue("simplex_strategy", PRIMAL)
        self.highs.passModel(lp)

    @staticmethod
    def _stand_at_limits(writer: MatrixBuilder, night: Night, standing: IntArray) -> None:
        """Add rows by which the car is full, or empty, where blocks end by themselves and until something follows."""
        at = np.flatnonzero(night.end_is_set)
        lower, upper = np.concatenate(writer.lower), np.concatenate(writer.upper)
        stored = writer.names["stored_kwh"][at]
        reach = night.full_from_kwh[at] - lower[stored]
        writer.add_rows([(stored, 1.0), (standing[CHARGE, at], -reach)], lower=lower[stored])
        reach = upper[stored] - night.empty_until_kwh
        writer.add_rows([(stored, 1.0), (standing[DISCHARGE, at], reach)], upper=upper[stored])

    @staticmethod
    def _limit_shortage(writer: MatrixBuilder, objective: int, least: float, unit: float) -> None:
        """Add a column for what one kind of shortage is over its least."""
        parts = [(where, weights) for number, where, weights in writer.costs if number == objective]
        columns = np.concatenate([where for where, _ in parts])
        weights = np.concatenate([weights for _, weights in parts])
        excess = writer.add_columns(f"excess {objective}", 1, 0.0, INFINITE)
        writer.cost(MONEY, excess, SHORT_PRICE * unit)
        writer.add_row(np.append(columns, excess), np.append(weights, -1.0), upper=least)

    def add(self, flows: FloatArray, money: FloatArray, sum_rows: IntArray) -> None:
        """Add columns.

        Parameters
        ----------
        flows : what the charger does in each, as BlockChoices.flows and then BlockChoices.standing, one after the
            other, shape (6 n + 2, columns).
        money : of each, shape (columns,).
        sum_rows : the row that each counts in, shape (columns,).
        """
        count, used = len(money), self.row[self.first_of_row]
        inside = np.add.reduceat(self.value[:, None] * flows[self.column], self.first_of_row, axis=0)
        column, place = np.nonzero(np.abs(inside.T) > NONE)
        index = np.concatenate([used[place], sum_rows])
        values = np.concatenate([inside[place, column], np.ones(count)])
        column = np.concatenate([column, np.arange(count)])
        order = np.argsort(column, kind="stable")
        starts = np.concatenate([[0], np.cumsum(np.bincount(column, minlength=count))[:-1]]).astype(np.int32)
        index, values = index[order].astype(np.int32), values[order]
        self.highs.addCols(count, money, np.zeros(count), np.full(count, INFINITE), len(index), starts, index, values)

    def prices_of(self, dual: FloatArray) -> Prices:
        """Return what power and running cost in the rows at their duals [money]."""
        priced = -self.value * dual[: self.rows][self.row]
        n = self.choices.intervals
        sums = np.asarray(np.bincount(self.column, priced, minlength=6 * n + 2), dtype=np.float64)
        prices = sums[: 4 * n].reshape(4, n)
        return Prices(prices[:2], prices[2:], sums[4 * n :].reshape(2, n + 1))

    def add_sum(self, count: int) -> IntArray:
        """Add rows whose columns add up to 1; return their numbers."""
        first = self.highs.getNumRow()
        none = np.zeros(0)
        self.highs.addRows(
            count, np.ones(count), np.ones(count), 0, np.zeros(count, np.int32), none.astype(np.int32), none
        )
        return np.arange(first, first + count)

    def clear(self) -> None:
        """Leave out every column and row that was added."""
        columns, rows = self.highs.getNumCol(), self.highs.getNumRow()
        if columns > self.own:
            self.highs.deleteCols(columns - self.own, np.arange(self.own, columns, dtype=np.int32))
        if rows > self.rows:
            self.highs.deleteRows(rows - self.rows, np.arange(self.rows, rows, dtype=np.int32))

    def solve(self) -> float | None:
        """Return the least money; None if the columns allow nothing."""
        self.highs.run()
        if self.highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            return None
        return float(self.highs.getInfo().objective_function_value)

    @property
    def shares(self) -> FloatArray:
        """Return the values of the columns that were added."""
        return np.array(self.highs.getSolution().col_value)[self.own :]

    @property
    def excess_kwh(self) -> float:
        """Return the shortages over the least of each kind [kWh]."""
        return float(np.array(self.highs.getSolution().col_value)[self.excess].sum())


class Mixture:
    """The cheapest mixture of plans set by hand: its duals are prices at which better plans are sought.

    A share of none of the plans is allowed at a very high price.
    """

    def __init__(self, night: Night, choices: BlockChoices, least_short: Sequence[float]) -> None:
        self.battery = BatteryProgram(night, choices, least_short)
        self.choices = choices
        self.plans: list[tuple[HandBlock, ...]] = []
        self._known: set[tuple[HandBlock, ...]] = set()
        self._open = np.zeros(0, dtype=np.bool_)
        self._sum = self.battery.add_sum(1)
        self.battery.add(np.zeros((6 * choices.intervals + 2, 1)), np.array([NO_PLAN * choices.unit]), self._sum)

    def add(self, blocks: tuple[HandBlock, ...]) -> bool:
        """Add a plan; return whether it is new."""
        if blocks in self._known:
            return False
        flows = np.concatenate([self.choices.flows(blocks).ravel(), self.choices.standing(blocks).ravel()])
        self.battery.add(flows[:, None], np.array([self.choices.money(blocks)]), self._sum)
        self.plans.append(blocks)
        self._known.add(blocks)
        self._open = np.append(self._open, True)
        return True

    def keep(self, allowed: Sequence[bool]) -> None:
        """Leave in the mixture only plans that are allowed."""
        wanted = np.array(allowed, dtype=np.bool_)
        changed = np.flatnonzero(wanted != self._open)
        upper = np.where(wanted[changed], INFINITE, 0.0)
        columns = (self.battery.own + 1 + changed).astype(np.int32)
        self.battery.highs.changeColsBounds(len(changed), columns, np.zeros(len(changed)), upper)
        self._open = wanted

    def solve(self) -> tuple[float, Prices, float]:
        """Return the money of the best mixture, prices of power and running, and that of a share.

        Raises
        ------
        NoPlanError : HiGHS found no mixture.
        """
        money = self.battery.solve()
        if money is None:
            raise NoPlanError("HiGHS found no mixture of plans set by hand")
        dual = np.array(self.battery.highs.getSolution().row_dual)
        return money, self.battery.prices_of(dual), float(dual[self.battery.rows])

    def parts(self) -> list[tuple[float, tuple[HandBlock, ...]]]:
        """Return the plans in the mixture and their shares, the largest first."""
        shares = self.battery.shares[1:]
        found = [(float(share), plan) for share, plan in zip(shares, self.plans, strict=True) if share > USED]
        return sorted(found, key=lambda part: -part[0])


class PlanMoney:
    """The least money of plans whose blocks begin and end as given, at the best powers."""

    def __init__(self, night: Night, choices: BlockChoices, least_short: Sequence[float]) -> None:
        self.battery = BatteryProgram(night, choices, least_short)
        self.choices = choices

    def least(self, blocks: Sequence[BlockPowers]) -> tuple[float, list[FloatArray]] | None:
        """Return the money of blocks, each a mixture of its choices of power, and the shares of those; None if none."""
        choices, program = self.choices, self.battery
        n = choices.intervals
        program.clear()
        sums = program.add_sum(len(blocks))
        plan = [HandBlock(b.direction, b.first, b.last, int(b.choices[0]), b.by_itself) for b in blocks]
        stands = choices.standing(plan)
        for block, row in zip(blocks, sums, strict=True):
            direction, at = choices.directions[block.direction], slice(block.first, block.last)
            count = len(block.choices)
            flows = np.zeros((4, n, count))
            flows[block.direction, at] = direction.power[at][:, block.choices]
            flows[2 + block.direction, at] = direction.runs[at, None]
            standing = np.zeros((2, n + 1, count))
            if block.by_itself:
                stood = stands[block.direction, block.last :]
                until = block.last + (int(np.argmin(stood)) if (stood == 0).any() else len(stood))
                standing[block.direction, block.last : until] = 1.0
            money = direction.money[at][:, block.choices].sum(axis=0)
            flows = np.concatenate([flows.reshape(4 * n, count), standing.reshape(2 * (n + 1), count)])
            program.add(flows, money, np.full(count, row))
        money_found = program.solve()
        if money_found is None:
            return None
        if not blocks:
            return money_found, []
        edges = np.cumsum([len(block.choices) for block in blocks])[:-1]
        return money_found + choices.starts_money(plan) + choices.settings_money(plan), np.split(program.shares, edges)

    def prices(self) -> tuple[float, Prices]:
        """Return what is left of the money without the blocks, and prices of power and running, at the last duals.

        By duality, no plan costs less than the first and what its blocks cost at the meter and at those prices.
        """
        dual = np.array(self.battery.highs.getSolution().row_dual)
        rows = self.battery.rows
        money = float(self.battery.highs.getInfo().objective_function_value)
        return money - float(dual[rows:].sum()), self.battery.prices_of(dual)
