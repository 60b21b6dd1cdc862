"""One objective after another on one program: what solving a night is made of.

A `Program` is the night's matrix with bounds and rows of its own; a `Stage` is a program and the best plan found for it
so far. Both are values: fixing a power, or holding an objective, gives a new one and leaves the old as it was. Behind
them one `Solver` keeps HiGHS and hands it only what differs from the program it solved last, or, where the program at
hand does not go on from that one, the whole of it.

    stage = first_stage(matrix).with_priorities(gap).holding("least_money", slack).settled("least_change")
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import highspy
import numpy as np

from models.base.arrays import FloatArray, IntArray
from scheduler.nights.night import Night
from scheduler.optimizer.matrix_builder import Addition, Matrix
from scheduler.optimizer.objectives import OBJECTIVES
from scheduler.optimizer.setpoints import Answer
from scheduler.optimizer.smoothing import changes_of_power

HELD = 5e-7
"""How far an objective that is held may rise again [kWh, kW or money]: below what replay refuses."""
SETTLED = 1e-9
"""How far a settled power may still move [kW]."""
TIE_EFFORT = 8_000
"""Branch-and-bound nodes times intervals spent on each choice among equally cheap plans."""
GAP_WORTH_KWH = 0.003
"""The money is solved to the worth of this much energy at the highest import price [kWh]."""
TIE_WORTH_KWH = 0.010
"""Plans whose money differs by less than the worth of this much energy count as equally cheap, gap included [kWh]."""
LEAST_TIE_KWH = 0.001
"""The same beyond the gap where the night's prices hardly differ (`tie_allowance`) [kWh]."""
CHANGE_GAP_KW, TIMING_GAP_KWH_HOURS, TIE_GAP_SHARE = 0.05, 0.1, 0.002
"""How nearly the steadiest and the best timed plan are found: within this much, or this share of it."""
FEW_HEURISTICS = {
    "mip_heuristic_run_rins": False,
    "mip_heuristic_run_rens": False,
    "mip_heuristic_run_root_reduced_cost": False,
    "mip_heuristic_run_feasibility_jump": False,
    "mip_allow_restart": False,
    "mip_detect_symmetry": False,
}
"""Searches of smaller programs, blind jumps and restarts: on nights like these they take two thirds of the time and
find nothing that a few nodes of branching do not. No two intervals are alike, so symmetry is not looked for either."""
SMALLER_PROGRAMS = {"mip_heuristic_run_rins": True, "mip_heuristic_run_rens": True}
"""But of plans set by hand, whose relaxation is less close, these two find the best plan many nodes earlier, where the
search is not bounded by a number of nodes."""
RANDOM_SEED = 0
"""Of HiGHS; nothing else here draws numbers."""
TIME_LIMIT_SECONDS = 300.0
"""Longest a single solve may take [s]."""

SHORTAGES = ("on_the_way_kwh", "missing_at_departure_kwh", "missing_when_ready_kwh")


class NoPlanError(Exception):
    """The solver gave no plan; the text says why."""


class QuietHighs(highspy.Highs):
    """HiGHS without its banner, which the constructor prints when it sets up its callbacks."""

    def enableCallbacks(self) -> None:  # noqa: N802 - highspy's name
        """Keep quiet before the callbacks are set up."""
        self.silent()
        super().enableCallbacks()  # type: ignore[no-untyped-call]


def tie_allowance(night: Night) -> float:
    """Return how much more than the cheapest plan found an equally cheap one may cost [money].

    The worth of TIE_WORTH_KWH, less the gap, at the highest import price; where the lowest one is more than half of
    that, at twice the difference of the two, and at least the worth of LEAST_TIE_KWH. For where prices hardly differ,
    any choice of hours gains little, and a few Wh at the highest price would be much of that.
    """
    highest = night.highest_price
    spread = highest - float(night.possible_prices("import").min())
    return max(LEAST_TIE_KWH * highest, (TIE_WORTH_KWH - GAP_WORTH_KWH) * min(highest, 2 * spread))


@dataclass(frozen=True, slots=True, eq=False)
class Program:
    """A matrix with its columns' bounds, and what was added to it.

    Attributes
    ----------
    matrix : as it was written.
    whole : columns of whole numbers.
    lower, upper : bounds of every column, those of additions included.
    cost : a row for each of OBJECTIVES over every column. Constants are in the matrix.
    additions : further columns and rows, in the order of adding.
    """

    matrix: Matrix
    whole: IntArray
    lower: FloatArray
    upper: FloatArray
    cost: FloatArray
    additions: tuple[Addition, ...] = ()

    @staticmethod
    def of(matrix: Matrix) -> Program:
        """Return the program of a matrix as it was written."""
        lower, upper = np.array(matrix.lp.col_lower_), np.array(matrix.lp.col_upper_)
        return Program(matrix, matrix.whole, lower, upper, matrix.cost)

    @property
    def columns(self) -> dict[str, IntArray]:
        """Return the matrix's columns by name."""
        return self.matrix.columns

    def bounded(self, columns: IntArray, lower: FloatArray | float, upper: FloatArray | float) -> Program:
        """Return the program with other bounds of some columns."""
        lowers, uppers = self.lower.copy(), self.upper.copy()
        lowers[columns], uppers[columns] = lower, upper
        return replace(self, lower=lowers, upper=uppers)

    def extended(self, addition: Addition) -> Program:
        """Return the program with further columns, of 0 or more, and rows."""
        columns = addition.columns
        return replace(
            self,
            lower=np.concatenate([self.lower, np.zeros(columns)]),
            upper=np.concatenate([self.upper, np.full(columns, highspy.kHighsInf)]),
            cost=np.concatenate([self.cost, addition.cost], axis=1),
            additions=(*self.additions, addition),
        )

    def with_row(self, coefficients: FloatArray, lower: float, upper: float) -> Program:
        """Return the program with one more row."""
        where = np.flatnonzero(coefficients)
        row = Addition(np.array([0]), where, coefficients[where], np.array([lower]), np.array([upper]))
        return self.extended(row)

    def with_power(self, interval: int, setpoint_kw: float) -> Program:
        """Return the program with one interval's power given [kW]; at 0 the charger is idle."""
        values = {
            "charge_kw": max(setpoint_kw, 0.0),
            "discharge_kw": max(-setpoint_kw, 0.0),
            "charging": float(setpoint_kw > 0),
            "discharging": float(setpoint_kw < 0),
        }
        columns = np.array([self.columns[name][interval] for name in values])
        given = np.array(list(values.values()))
        return self.bounded(columns, given, given)

    def serving_no_worse(self, answer: Answer) -> Program:
        """Return the program in which each trip has no more shortage than the answer has."""
        found = self
        most = (answer.on_the_way_kwh, answer.missing_kwh, answer.missing_when_ready_kwh)
        for name, allowed in zip(SHORTAGES, most, strict=True):
            if name in self.columns:
                found = found.bounded(self.columns[name], 0.0, allowed + HELD)
        return found

    def without_shortages(self) -> Program:
        """Return the program in which nothing is missing and nothing is charged on the way."""
        shortages = np.concatenate([self.columns.get(name, np.array([], np.int64)) for name in SHORTAGES])
        return self.bounded(shortages, 0.0, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What HiGHS gives: the values of every column, its status, and its gap and bound in the objective's unit."""

    values: FloatArray
    status: str
    gap: float
    bound: float


class Solver:
    """HiGHS, with the program that it holds.

    What `run` returns is a solution of the program it is given, whatever was solved before; only which of several
    equally good ones it is, and how fast, goes by what HiGHS knows already.
    """

    def __init__(self, smaller_programs: bool = False) -> None:
        self._loaded: Program | None = None
        self._smaller_programs = smaller_programs
        self._highs = QuietHighs()  # type: ignore[no-untyped-call]
        self._options(threads=1, random_seed=RANDOM_SEED, time_limit=TIME_LIMIT_SECONDS, **FEW_HEURISTICS)

    def run(
        self,
        program: Program,
        objective: str,
        gap: float,
        *,
        begin: FloatArray | None = None,
        presolve: bool = True,
        most_nodes: int | None = None,
        gap_share: float = 0.0,
    ) -> Found | str:
        """Minimise one objective; returns the status alone if HiGHS has no solution.

        Parameters
        ----------
        gap : stop within this much of the bound, in the objective's unit. gap_share : or within this share of it.
        begin : values to begin from, which satisfy every row. most_nodes : of branch and bound; None for any number.
        """
        self._load(program)
        smaller = self._smaller_programs and most_nodes is None
        self._options(
            **(SMALLER_PROGRAMS if smaller else dict.fromkeys(SMALLER_PROGRAMS, False)),
            presolve="on" if presolve else "off",
            mip_abs_gap=max(gap, 1e-9),
            mip_rel_gap=gap_share,
            mip_max_nodes=highspy.kHighsIInf if most_nodes is None else most_nodes,
        )
        return self._run(program, objective, begin)

    def run_at(self, program: Program, objective: str, values: FloatArray) -> Found | str:
        """Minimise one objective with every whole number as in the values, as a linear program."""
        self._load(program)
        modes = np.round(values[program.whole])
        self._bound(program.whole, modes, modes)
        self._integrality(program.whole, highspy.HighsVarType.kContinuous)
        self._options(presolve="on", mip_abs_gap=1e-9, primal_feasibility_tolerance=1e-9)
        found = self._run(program, objective)
        self._options(primal_feasibility_tolerance=1e-7)
        self._bound(program.whole, program.lower[program.whole], program.upper[program.whole])
        self._integrality(program.whole, highspy.HighsVarType.kInteger)
        return found

    def _run(self, program: Program, objective: str, begin: FloatArray | None = None) -> Found | str:
        row = OBJECTIVES.index(objective)
        count = program.cost.shape[1]
        self._highs.changeColsCost(count, np.arange(count, dtype=np.int32), program.cost[row])
        self._highs.changeObjectiveOffset(float(program.matrix.offset[row]))
        if begin is not None:  # after the costs, for changing those drops it
            solution = highspy.HighsSolution()
            solution.col_value = list(begin)
            self._highs.setSolution(solution)
        self._highs.run()
        status = self._highs.modelStatusToString(self._highs.getModelStatus()).lower()
        info = self._highs.getInfo()
        if info.primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
            return status
        bound = float(info.mip_dual_bound)
        gap = max(0.0, float(info.objective_function_value) - bound)
        return Found(np.array(self._highs.getSolution().col_value), status, gap, bound)

    def _load(self, program: Program) -> None:
        """Hand HiGHS what differs from the program that it holds."""
        loaded = self._loaded
        known = () if loaded is None else loaded.additions
        goes_on = len(known) <= len(program.additions) and all(
            mine is theirs for mine, theirs in zip(known, program.additions, strict=False)
        )
        if loaded is None or loaded.matrix is not program.matrix or not goes_on:
            self._highs.passModel(program.matrix.lp)
            loaded, known = Program.of(program.matrix), ()
        count = len(loaded.lower)
        for addition in program.additions[len(known) :]:
            addition.add_to(self._highs)
            count += addition.columns
        held = len(loaded.lower)
        lower = np.concatenate([loaded.lower, np.zeros(count - held)])
        upper = np.concatenate([loaded.upper, np.full(count - held, highspy.kHighsInf)])
        differs = np.flatnonzero((lower != program.lower) | (upper != program.upper))
        self._bound(differs, program.lower[differs], program.upper[differs])
        self._loaded = program

    def _options(self, **options: float | str) -> None:
        for option, value in options.items():
            self._highs.setOptionValue(option, value)

    def _integrality(self, columns: IntArray, kind: highspy.HighsVarType) -> None:
        self._highs.changeColsIntegrality(
            len(columns), columns.astype(np.int32), np.full(len(columns), int(kind), np.uint8)
        )

    def _bound(self, columns: IntArray, lower: FloatArray, upper: FloatArray) -> None:
        if len(columns):
            self._highs.changeColsBounds(len(columns), columns.astype(np.int32), lower, upper)


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """A program and the best plan found for it so far.

    After every integer solve the modes are fixed and the linear program that is left is solved once more, so that what
    is held next is attained exactly and not only within the integrality tolerance.

    Attributes
    ----------
    program : what a plan must satisfy.
    values : of every column.
    status, gap : of the last integer solve.
    bound : which it proved for its objective.
    solver : HiGHS.
    """

    program: Program
    values: FloatArray
    status: str
    gap: float
    solver: Solver
    bound: float = float("-inf")

    def value(self, objective: str) -> float:
        """Return the objective at the present values."""
        row = OBJECTIVES.index(objective)
        return float(self.program.cost[row] @ self.values + self.program.matrix.offset[row])

    def on(self, program: Program) -> Stage:
        """Return the same plan, from which another program's is sought."""
        return replace(self, program=program)

    def with_priorities(self, gap: float) -> Stage:
        """Return the plan with least shortages, in their order, and then least money.

        Raises
        ------
        NoPlanError : HiGHS found no plan.
        """
        served = self.without_shortages(gap)
        if served is not None:
            return served
        stage = self
        for shortage in OBJECTIVES[:3]:
            stage = stage.minimised(shortage, gap=HELD).holding(shortage, HELD)
        return stage.minimised_both_ways("least_money", gap)

    def without_shortages(self, gap: float, begin: FloatArray | None = None) -> Stage | None:
        """Return the plan of least money with nothing missing and nothing on the way; None if no plan does that.

        Parameters
        ----------
        gap, begin : as for `Solver.run`.
        """
        return self.on(self.program.without_shortages()).cheapest(gap, begin)

    def cheapest(self, gap: float, begin: FloatArray | None = None) -> Stage | None:
        """Return the plan of least money; None if there is none; gap and values to begin from as for `Solver.run`."""
        found = self.solver.run(self.program, "least_money", gap, begin=begin)
        return None if isinstance(found, str) else self._with(found).settled("least_money")

    def minimised(self, objective: str, gap: float) -> Stage:
        """Return the plan with the least of the objective, to an absolute gap.

        Raises
        ------
        NoPlanError : HiGHS found nothing.
        """
        found = self.solver.run(self.program, objective, gap)
        if isinstance(found, str):  # presolve may call a row that is held to the last digit infeasible
            found = self.solver.run(self.program, objective, gap, presolve=False)
        if isinstance(found, str):
            raise NoPlanError(f"HiGHS stopped with: {found}")
        return self._with(found).settled(objective)

    def minimised_both_ways(self, objective: str, gap: float) -> Stage:
        """Return the better of what is found with presolve and without.

        Behind rows that are held to the last digit presolve may lose the best plan.
        """
        best = self.minimised(objective, gap)
        found = self.solver.run(self.program, objective, gap, presolve=False)
        if isinstance(found, str):
            return best
        other = self._with(found).settled(objective)
        return other if other.value(objective) < best.value(objective) else best

    def improved(self, objective: str, gap: float, intervals: int) -> Stage:
        """Return a better plan, sought with bounded effort from the best at the present modes, or that one."""
        if self.value(objective) <= gap:
            return self
        stage = self.settled(objective)
        if stage.value(objective) <= gap:
            return stage
        nodes = max(1, TIE_EFFORT // intervals)
        found = self.solver.run(
            self.program, objective, gap, begin=stage.values, most_nodes=nodes, gap_share=TIE_GAP_SHARE
        )
        if isinstance(found, str):
            return stage
        return stage._with(found).settled(objective)

    def tried(
        self, objective: str, gap: float, most_nodes: int, *, begin: bool = False, presolve: bool = True
    ) -> Stage | None:
        """Return the plan with the least of the objective that so many nodes find; None if they find none.

        Parameters
        ----------
        gap : stop within this much of the bound, in the objective's unit.
        begin : from the plan at hand.
        """
        values = self.values if begin else None
        found = self.solver.run(self.program, objective, gap, begin=values, presolve=presolve, most_nodes=most_nodes)
        return None if isinstance(found, str) else self._with(found).settled(objective)

    def settled(self, objective: str) -> Stage:
        """Return the plan with the least of the objective at the present modes."""
        found = self.solver.run_at(self.program, objective, self.values)
        return self if isinstance(found, str) else replace(self, values=found.values)

    def claimed(self) -> Stage:
        """Return the plan of least money at the present powers: no segment or slack is higher than it must be."""
        program = self.program
        for name in ("charge_kw", "discharge_kw"):
            powers = self.values[program.columns[name]]
            program = program.bounded(program.columns[name], powers - SETTLED, powers + SETTLED)
        return self.on(program).settled("least_money")

    def counting_changes(self, night: Night) -> Stage:
        """Return the plan of the program with the changes of power inside runs as columns, at their present values."""
        changes = changes_of_power(self.program.columns, self.program.upper, night)
        if not len(changes.power):
            return self
        longer = self.program.extended(changes.addition(len(self.values)))
        return replace(self, program=longer, values=np.concatenate([self.values, changes.changes_kw(self.values)]))

    def holding(self, objective: str, slack: float) -> Stage:
        """Return the plan of the program in which the objective may not rise by more than slack over its value."""
        row = OBJECTIVES.index(objective)
        most = self.value(objective) + slack - self.program.matrix.offset[row]
        return self.on(self.program.with_row(self.program.cost[row], -highspy.kHighsInf, most))

    def holding_energy(self, hours: FloatArray) -> Stage:
        """Return the plan of the program in which no less is charged, and no less discharged, than in it."""
        program = self.program
        for name in ("charge_kw", "discharge_kw"):
            energy = np.zeros(len(self.values))
            energy[program.columns[name]] = hours
            program = program.with_row(energy, float(energy @ self.values) - HELD, highspy.kHighsInf)
        return self.on(program)

    def _with(self, found: Found) -> Stage:
        return replace(self, values=found.values, status=found.status, gap=found.gap, bound=found.bound)


def first_stage(matrix: Matrix, by_hand: bool = False) -> Stage:
    """Return the stage before anything is solved, of a plan set by hand or of a schedule."""
    program = Program.of(matrix)
    return Stage(program, np.zeros(len(program.lower)), "not solved", float("inf"), Solver(by_hand))
