"""The compact program at given modes: a linear program, solved again from its last basis."""

from __future__ import annotations

from collections.abc import Sequence

import highspy
import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray
from scheduler.nights.night import Night
from scheduler.optimizer.certificate.dynamic_moves import CHARGE, DISCHARGE
from scheduler.optimizer.certificate.dynamic_program import IDLE, Path, Prices
from scheduler.optimizer.lexicographic import HELD, RANDOM_SEED, SETTLED, SHORTAGES, QuietHighs
from scheduler.optimizer.matrix_builder import Matrix
from scheduler.optimizer.objectives import OBJECTIVES
from scheduler.optimizer.setpoints import setpoints_from_powers
from scheduler.optimizer.smoothing import changes_of_power


def linear_highs(presolve: str = "choose") -> QuietHighs:
    """Return HiGHS for linear programs, on one thread."""
    highs = QuietHighs()  # type: ignore[no-untyped-call]
    for option, value in (("threads", 1), ("random_seed", RANDOM_SEED), ("presolve", presolve)):
        highs.setOptionValue(option, value)
    return highs


class ModeProgram:
    """HiGHS on the compact matrix without its integers: modes are bounds, and every solve begins at the last basis."""

    def __init__(self, night: Night, matrix: Matrix) -> None:
        self.night, self.matrix = night, matrix
        lp = matrix.lp
        self.lower, self.upper = np.array(lp.col_lower_), np.array(lp.col_upper_)
        self.whole = np.flatnonzero([kind == highspy.HighsVarType.kInteger for kind in lp.integrality_])
        self.every = np.arange(lp.num_col_, dtype=np.int32)
        self.values = np.zeros(lp.num_col_)
        self.cost = matrix.cost
        self.held = False
        self.highs = linear_highs()
        kinds, lp.integrality_ = lp.integrality_, []
        self.highs.passModel(lp)
        lp.integrality_ = kinds
        start, index = np.array(lp.a_matrix_.start_), np.array(lp.a_matrix_.index_)
        self.sums = _sum_rows(start, index, matrix)
        self.given_row = _given_row(start, index, matrix) if night.car.discharge_limit_kwh is not None else -1

    def bound(self, columns: IntArray, lower: FloatArray, upper: FloatArray) -> None:
        """Set the bounds of some columns, shape (columns,) each."""
        if len(columns):
            self.highs.changeColsBounds(len(columns), columns.astype(np.int32), lower, upper)

    def nothing_short(self, asked: bool) -> None:
        """Allow no shortage of any trip, or any."""
        for name in SHORTAGES:
            columns = self.matrix.columns.get(name, np.zeros(0, np.int64))
            self.bound(columns, self.lower[columns], np.zeros(len(columns)) if asked else self.upper[columns])

    def relax(self) -> None:
        """Let every mode be anything between off and on."""
        self.bound(self.whole, self.lower[self.whole], self.upper[self.whole])

    def fix(self, modes: BoolArray) -> None:
        """Give the integers, shape (whole,)."""
        values = modes.astype(np.float64)
        self.bound(self.whole, values, values)

    def run(self, objective: str = "least_money") -> bool:
        """Minimise the objective; return whether there is a plan, and keep its values."""
        row = OBJECTIVES.index(objective)
        self.highs.changeColsCost(len(self.every), self.every, self.cost[row])
        self.highs.changeObjectiveOffset(float(self.matrix.offset[row]))
        self.highs.run()
        if self.highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            if not self.held:
                return False
            # presolve may call rows that are held to the last digit infeasible
            self.highs.clearSolver()
            self.highs.setOptionValue("presolve", "off")
            self.highs.run()
            self.highs.setOptionValue("presolve", "choose")
            if self.highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
                return False
        self.values = np.array(self.highs.getSolution().col_value)
        return True

    def run_first(self) -> bool:
        """Minimise money as run does, where there is no basis yet: cheaper edge weights take two thirds of the time."""
        self.highs.setOptionValue("simplex_dual_edge_weight_strategy", 1)
        solved = self.run()
        self.highs.setOptionValue("simplex_dual_edge_weight_strategy", -1)
        return solved

    def exactly(self, objective: str) -> bool:
        """Minimise as run does, to tighter tolerances, so that what is held next is attained; return whether it is."""
        self.highs.setOptionValue("primal_feasibility_tolerance", 1e-9)
        solved = self.run(objective)
        self.highs.setOptionValue("primal_feasibility_tolerance", 1e-7)
        return solved

    def hold(self, objective: str, slack: float) -> None:
        """Hold the objective from now on within slack over its present value."""
        self.held = True
        row = OBJECTIVES.index(objective)
        most = self.value(objective) + slack - self.matrix.offset[row]
        self._add_row(self.cost[row], -highspy.kHighsInf, most)

    def _add_row(self, coefficients: FloatArray, lower: float, upper: float) -> None:
        where = np.flatnonzero(coefficients)
        self.highs.addRow(lower, upper, len(where), where.astype(np.int32), coefficients[where])

    def settle_ties(self, slack: float, others: Sequence[BoolArray] = ()) -> bool:
        """Find the steadiest plan at the present modes, or at others, that costs no more than slack [money] above this.

        Then the best timed of the same energy. Return False if the solver finds none.
        """
        night = self.night
        if not self.exactly("least_money"):
            return False
        own = np.round(self.values[self.whole]) > 0
        self.hold("least_money", slack)
        changes = changes_of_power(self.matrix.columns, self.upper, night)
        if len(changes.power):
            addition = changes.addition(len(self.every))
            addition.add_to(self.highs)
            self.cost = np.concatenate([self.cost, addition.cost], axis=1)
            self.every = np.arange(self.cost.shape[1], dtype=np.int32)
            self.values = np.concatenate([self.values, changes.changes_kw(self.values)])
        if not self._steadiest([own, *others]):
            return False
        self.hold("least_change", HELD)
        if not self.exactly("least_money"):
            return False
        self.hold("least_money", HELD)
        for name in ("charge_kw", "discharge_kw"):
            energy = np.zeros(len(self.every))
            energy[self.matrix.columns[name]] = night.hours
            self._add_row(energy, float(energy @ self.values) - HELD, highspy.kHighsInf)
        if not self.exactly("charge_late_discharge_early"):
            return False
        for name in ("charge_kw", "discharge_kw"):
            columns = self.matrix.columns[name]
            self.bound(columns, self.values[columns] - SETTLED, self.values[columns] + SETTLED)
        return self.exactly("least_money")

    def _steadiest(self, choices: Sequence[BoolArray]) -> bool:
        """Minimise the change of power at the best of some modes, which stay fixed; return whether there is a plan."""
        best, change = choices[0], np.inf
        for modes in choices:
            self.fix(modes)
            if self.exactly("least_change") and self.value("least_change") < change - SETTLED:
                best, change = modes, self.value("least_change")
            if change <= SETTLED:
                break
        self.fix(best)
        if self.exactly("least_change"):
            return True
        self.fix(choices[0])
        return self.exactly("least_change")

    def value(self, objective: str = "least_money") -> float:
        """Return the objective at the present values."""
        row = OBJECTIVES.index(objective)
        return float(self.cost[row] @ self.values + self.matrix.offset[row])

    def prices(self, unit: float) -> Prices:
        """Return what stored energy is worth to wear, and energy given away to the discharge limit [units per kWh]."""
        dual = np.array(self.highs.getSolution().row_dual)
        given = 0.0 if self.given_row < 0 else max(0.0, -float(dual[self.given_row])) / unit
        return Prices(np.concatenate([[0.0], dual[self.sums]]) / unit, given)

    def path(self, unit: float) -> Path:
        """Return the present values as a path, without wear."""
        columns, night = self.matrix.columns, self.night
        out = columns["segment_out_kwh"].reshape(night.intervals, -1)
        wear = night.wear_weight * float((self.values[out] @ night.wear.price_per_kwh).sum())
        through = 0.0
        for number, trip in enumerate(night.trips):
            charged = self.values[columns["on_the_way_kwh"][number]]
            through += min(charged, trip.energy_kwh) * float(night.wear.price_per_kwh[0]) * night.wear_weight
        mode = np.full(night.intervals, IDLE)
        mode[self.values[columns["charging"]] > 0.5] = CHARGE
        mode[self.values[columns["discharging"]] > 0.5] = DISCHARGE
        given = float(night.hours @ self.values[columns["discharge_kw"]])
        return Path(self.values[columns["stored_kwh"]], mode, (self.value() - wear + through) / unit, given)

    def modes_of(self, path: Path) -> BoolArray:
        """Return the integers of a path, in the order and shape of `whole`."""
        night, charger, columns = self.night, self.night.charger, self.matrix.columns
        chosen = np.zeros(len(self.lower), dtype=np.bool_)
        charging, discharging = path.mode == CHARGE, path.mode == DISCHARGE
        chosen[columns["charging"]], chosen[columns["discharging"]] = charging, discharging
        change = np.diff(path.stored_kwh) / night.hours
        charge = np.where(charging, (change + charger.fixed_loss_kw) / charger.charge_efficiency, 0.0)
        discharge = np.where(discharging, -(change + charger.fixed_loss_kw) * charger.discharge_efficiency, 0.0)
        setpoints = setpoints_from_powers(night, charge, discharge, charging * 1.0, discharging * 1.0)
        draw = night.load_kw - night.solar_kw + charge - discharge + setpoints.curtailed_kw
        if len(columns.get("importing", ())):
            tempting = np.flatnonzero(night.export_price > night.import_price)
            chosen[columns["importing"]] = draw[tempting] > 1e-9
        if len(columns.get("curtailing", ())):
            below = np.minimum(night.import_price, night.export_price) < 0
            forced = np.flatnonzero(below & (night.solar_kw - night.load_kw > night.export_limit_kw))
            chosen[columns["curtailing"]] = setpoints.curtailed_kw[forced] > 1e-9
        return np.asarray(chosen[self.whole])


def _sum_rows(start: IntArray, index: IntArray, matrix: Matrix) -> IntArray:
    """Return rows that say that the segments add up to stored energy, by boundary, shape (n,)."""
    filled = start[1:] > start[:-1]
    first = np.where(filled, index[np.minimum(start[:-1], len(index) - 1)], -1)
    last = np.where(filled, index[start[1:] - 1], -1)
    rows = np.flatnonzero(np.isin(first, matrix.columns["segment_kwh"]) & np.isin(last, matrix.columns["stored_kwh"]))
    return np.asarray(rows[np.argsort(last[rows])])


def _given_row(start: IntArray, index: IntArray, matrix: Matrix) -> int:
    """Return the row of the discharge limit."""
    discharge = matrix.columns["discharge_kw"]
    for row in np.flatnonzero(np.diff(start) == len(discharge)):
        if np.array_equal(index[start[row] : start[row + 1]], discharge):
            return int(row)
    raise ValueError("the matrix has no discharge limit")
