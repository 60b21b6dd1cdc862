"""HiGHS on one matrix, one objective after another: what solving a night is made of."""

from __future__ import annotations

from collections.abc import Sequence

import highspy
import numpy as np

from models.base.arrays import FloatArray, IntArray
from scheduler.nights.night import Night
from scheduler.optimizer.matrix_builder import Matrix
from scheduler.optimizer.objectives import OBJECTIVES
from scheduler.optimizer.setpoints import Answer
from scheduler.optimizer.smoothing import add_steadiness, steadiness_of

HELD = 5e-7
"""How far an objective that is held may rise again [kWh, kW or money]: below what replay refuses."""
SETTLED = 1e-9
"""How far a settled power may still move [kW]."""
TIE_EFFORT = 8_000
"""Branch-and-bound nodes times intervals spent on each choice among equally cheap plans."""
CHANGE_GAP_KW, TIMING_GAP_KWH_HOURS, TIE_GAP_SHARE = 0.05, 0.1, 0.002
"""How nearly the steadiest and the best timed plan are found: within this much, or this share of it."""
FEW_HEURISTICS = {
    "mip_heuristic_run_rins": False,
    "mip_heuristic_run_rens": False,
    "mip_heuristic_run_root_reduced_cost": False,
    "mip_heuristic_run_feasibility_jump": False,
    "mip_allow_restart": False,
}
"""Searches of smaller programs, blind jumps and restarts: on nights like these they take two thirds of the time and
find nothing that a few nodes of branching do not."""
RANDOM_SEED = 0
"""Of HiGHS; nothing else here draws numbers."""
TIME_LIMIT_SECONDS = 300.0
"""Longest a single solve may take [s]."""

SHORTAGES = ("on_the_way_kwh", "missing_at_departure_kwh", "missing_when_ready_kwh")


class NoPlanError(Exception):
    """The solver gave no plan; the text says why."""


class _QuietHighs(highspy.Highs):
    """HiGHS without its banner, which the constructor prints when it sets up its callbacks."""

    def enableCallbacks(self) -> None:  # noqa: N802 - highspy's name
        self.silent()
        super().enableCallbacks()  # type: ignore[no-untyped-call]


class Stages:
    """HiGHS on one matrix, minimising one objective after another.

    After every integer solve the modes are fixed and the linear program that is left is solved once more, so that
    what is held next is attained exactly and not only within the integrality tolerance.
    """

    def __init__(self, matrix: Matrix) -> None:
        self.matrix = matrix
        self.every = np.arange(matrix.lp.num_col_, dtype=np.int32)
        self.whole = np.flatnonzero([kind == highspy.HighsVarType.kInteger for kind in matrix.lp.integrality_])
        self.values = np.zeros(matrix.lp.num_col_)
        self.status, self.gap = "not solved", float("inf")
        self.highs = _QuietHighs()  # type: ignore[no-untyped-call]
        self._options(
            threads=1,
            random_seed=RANDOM_SEED,
            presolve="on",
            mip_rel_gap=0.0,
            time_limit=TIME_LIMIT_SECONDS,
            **FEW_HEURISTICS,
        )
        self.highs.passModel(matrix.lp)

    def priorities(self, gap: float) -> None:
        """Least shortages in their order, then least money.

        Raises
        ------
        NoPlanError : HiGHS found no plan.
        """
        if self.try_without_shortages(gap):
            return
        for shortage in OBJECTIVES[:3]:
            self.minimise(shortage, gap=HELD)
            self.hold(shortage, HELD)
        self.minimise_both_ways("least_money", gap)

    def try_without_shortages(self, gap: float) -> bool:
        """Least money with nothing missing and nothing on the way; False, and nothing changed, if no plan does that."""
        shortages = np.concatenate([self.matrix.columns.get(name, np.array([], np.int64)) for name in SHORTAGES])
        lower, upper = np.zeros(len(shortages)), np.full(len(shortages), highspy.kHighsInf)
        self._bound(shortages, lower, lower)
        if self.run("least_money", gap):
            self.settle("least_money")
            return True
        self._bound(shortages, lower, upper)
        return False

    def serve_no_worse(self, answer: Answer) -> None:
        """Allow each trip no more shortage than the answer has."""
        most = (answer.on_the_way_kwh, answer.missing_kwh, answer.missing_when_ready_kwh)
        for name, allowed in zip(SHORTAGES, most, strict=True):
            if name in self.matrix.columns:
                self._bound(self.matrix.columns[name], np.zeros(len(allowed)), allowed + HELD)

    def fix_power(self, interval: int, setpoint_kw: float) -> None:
        """Give one interval's power; at 0 the charger is idle."""
        values = {
            "charge_kw": max(setpoint_kw, 0.0),
            "discharge_kw": max(-setpoint_kw, 0.0),
            "charging": float(setpoint_kw > 0),
            "discharging": float(setpoint_kw < 0),
        }
        for name, value in values.items():
            column = self.matrix.columns[name][interval : interval + 1]
            self.matrix.lp.col_lower_ = _with(self.matrix.lp.col_lower_, column, value)
            self.matrix.lp.col_upper_ = _with(self.matrix.lp.col_upper_, column, value)
            self._bound(column, np.array([value]), np.array([value]))

    def minimise(self, objective: str, gap: float) -> None:
        """Find the least of the objective, to an absolute gap.

        Raises
        ------
        NoPlanError : HiGHS found nothing.
        """
        if not self.run(objective, gap) and not self._run_without_presolve(objective, gap):
            raise NoPlanError(f"HiGHS stopped with: {self.status}")
        self.settle(objective)

    def minimise_both_ways(self, objective: str, gap: float) -> None:
        """As minimise, with presolve and without, and the better of the two.

        Behind rows that are held to the last digit presolve may lose the best plan.
        """
        self.minimise(objective, gap)
        values, status, found_gap, best = self.values, self.status, self.gap, self.value(objective)
        if self._run_without_presolve(objective, gap):
            self.settle(objective)
            if self.value(objective) < best:
                return
        self.values, self.status, self.gap = values, status, found_gap

    def improve(self, objective: str, gap: float, intervals: int) -> None:
        """As minimise, but with bounded effort from the best at the present modes, which stays if nothing beats it."""
        if self.value(objective) <= gap:
            return
        self.settle(objective)
        if self.value(objective) <= gap:
            return
        self._options(mip_max_nodes=max(1, TIE_EFFORT // intervals), mip_rel_gap=TIE_GAP_SHARE)
        if self.run(objective, gap, begin=self.values):
            self.settle(objective)

    def settle(self, objective: str) -> None:
        """Least of the objective at the present modes, as a linear program."""
        modes = np.round(self.values[self.whole])
        self._bound(self.whole, modes, modes)
        self._integrality(highspy.HighsVarType.kContinuous)
        status, gap = self.status, self.gap
        self._options(primal_feasibility_tolerance=1e-9)
        self.run(objective, 0.0)
        self._options(primal_feasibility_tolerance=1e-7)
        self.status, self.gap = status, gap
        self._bound(
            self.whole,
            np.asarray(self.matrix.lp.col_lower_)[self.whole],
            np.asarray(self.matrix.lp.col_upper_)[self.whole],
        )
        self._integrality(highspy.HighsVarType.kInteger)

    def claim(self) -> FloatArray:
        """Least money at the present powers, so that no segment or slack is left higher than it must be."""
        for name in ("charge_kw", "discharge_kw"):
            columns = self.matrix.columns[name]
            self._bound(columns, self.values[columns] - SETTLED, self.values[columns] + SETTLED)
        self.settle("least_money")
        return self.values

    def add_steadiness(self, night: Night) -> None:
        """Add the changes of power inside runs to the program, at their present values."""
        steadiness = steadiness_of(self.matrix, night)
        if len(steadiness.power):
            self.matrix = add_steadiness(self.highs, self.matrix, steadiness)
            self.values = np.concatenate([self.values, steadiness.changes_kw(self.values)])
            self.every = np.arange(len(self.values), dtype=np.int32)

    def value(self, objective: str) -> float:
        """The objective at the present values."""
        row = OBJECTIVES.index(objective)
        return float(self.matrix.cost[row] @ self.values + self.matrix.offset[row])

    def hold(self, objective: str, slack: float) -> None:
        """From now on the objective may not rise by more than slack over its present value."""
        row = OBJECTIVES.index(objective)
        most = self.value(objective) + slack - self.matrix.offset[row]
        self._add_row(self.matrix.cost[row], -highspy.kHighsInf, most)

    def hold_energy(self, hours: FloatArray) -> None:
        """From now on no less is charged, and no less discharged, than in the present plan."""
        for name in ("charge_kw", "discharge_kw"):
            energy = np.zeros(len(self.every))
            energy[self.matrix.columns[name]] = hours
            self._add_row(energy, float(energy @ self.values) - HELD, highspy.kHighsInf)

    def run(self, objective: str, gap: float, begin: FloatArray | None = None) -> bool:
        """Solve for one objective; True, and the new values kept, if HiGHS has a solution.

        Parameters
        ----------
        begin : values to begin from, which satisfy every row.
        """
        row = OBJECTIVES.index(objective)
        self.highs.changeColsCost(len(self.every), self.every, self.matrix.cost[row])
        self.highs.changeObjectiveOffset(float(self.matrix.offset[row]))
        self._options(mip_abs_gap=max(gap, 1e-9))
        if begin is not None:  # after the costs, for changing those drops it
            solution = highspy.HighsSolution()
            solution.col_value = list(begin)
            self.highs.setSolution(solution)
        self.highs.run()
        self.status = self.highs.modelStatusToString(self.highs.getModelStatus()).lower()
        info = self.highs.getInfo()
        if info.primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
            return False
        self.gap = max(0.0, float(info.objective_function_value - info.mip_dual_bound))
        self.values = np.array(self.highs.getSolution().col_value)
        return True

    def _run_without_presolve(self, objective: str, gap: float) -> bool:
        """As _run: presolve may call a row that is held to the last digit infeasible."""
        self._options(presolve="off")
        solved = self.run(objective, gap)
        self._options(presolve="on")
        return solved

    def _options(self, **options: float | str) -> None:
        for option, value in options.items():
            self.highs.setOptionValue(option, value)

    def _integrality(self, kind: highspy.HighsVarType) -> None:
        kinds = np.full(len(self.whole), int(kind), dtype=np.uint8)
        self.highs.changeColsIntegrality(len(self.whole), self.whole.astype(np.int32), kinds)

    def _bound(self, columns: IntArray, lower: FloatArray, upper: FloatArray) -> None:
        if len(columns):
            self.highs.changeColsBounds(len(columns), columns.astype(np.int32), lower, upper)

    def _add_row(self, coefficients: FloatArray, lower: float, upper: float) -> None:
        where = np.flatnonzero(coefficients)
        self.highs.addRow(lower, upper, len(where), where.astype(np.int32), coefficients[where])


def _with(bounds: Sequence[float] | FloatArray, columns: IntArray, value: float) -> FloatArray:
    """The bounds with some columns at a value."""
    changed = np.array(bounds, dtype=np.float64)
    changed[columns] = value
    return changed
