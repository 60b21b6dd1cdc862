"""The compact program at given modes: a linear program, solved again from its last basis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import highspy
import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray
from scheduler.nights.night import Night
from scheduler.optimizer.certificate.dynamic_moves import CHARGE, DISCHARGE, Caps
from scheduler.optimizer.certificate.dynamic_problem import Path, Prices
from scheduler.optimizer.certificate.dynamic_program import IDLE
from scheduler.optimizer.certificate.moved_runs import Schedules, better_timed, judge, reshaped
from scheduler.optimizer.few_settings import (
    SETTING_EFFORT,
    Shape,
    held_columns,
    settings_of,
    shape_of,
    shapes_with_less,
)
from scheduler.optimizer.lexicographic import HELD, RANDOM_SEED, SETTLED, SHORTAGES, QuietHighs
from scheduler.optimizer.matrix_builder import Matrix
from scheduler.optimizer.objectives import OBJECTIVES
from scheduler.optimizer.setpoints import Setpoints, runs_with_power, setpoints_from_powers
from scheduler.optimizer.smoothing import changes_of_power

DEVEX = 1
"""HiGHS's number for edge weights that cost little to begin with: most of these programs take few iterations."""
SAME_KWH = 1e-7
"""Stored energy that differs by less is the same [kWh]."""
SAME_CHANGE_KW = 0.01
"""Changes of power over a night closer than this are one [kW]."""
MONEY_SHARE = 1e-3
"""What a kWh at the highest price weighs beside a kW of change, or a kWh that waits an hour. Nothing that changes less,
or is better timed, gains a thousand times that in money, so the other objective comes first all the same."""
TRIAL_EFFORT = 1500
"""Linear programs times intervals spent on modes near the steadiest plan's."""
FAR_FROM_A_TIE = 4.0
"""A shape that costs more than so many times what a tie may, at about its powers, is not tried."""


@dataclass(frozen=True, slots=True, eq=False)
class Bound:
    """A bound on an objective by modes: its least at some is convex in them, and the reduced costs are its slope.

    Attributes
    ----------
    modes : at which it was minimised, shape (whole,). value : its least there.
    slope : reduced costs of the modes, shape (whole,). most : that is allowed.
    """

    modes: BoolArray
    value: float
    slope: FloatArray
    most: float

    def at(self, modes: BoolArray) -> FloatArray:
        """Return what the objective is no less than at other modes, shape (choices, whole) to (choices,)."""
        return np.asarray(self.value + (modes.astype(np.float64) - self.modes) @ self.slope)


@dataclass(frozen=True, slots=True, eq=False)
class Steady:
    """The steadiest plan at some modes.

    Attributes
    ----------
    modes : shape (whole,). values : of every column. change_kw : of power inside runs [kW]. starts : how many.
    settings : how many it asks for. bound : on the change of power at other modes.
    """

    modes: BoolArray
    values: FloatArray
    change_kw: float
    starts: int
    settings: int
    bound: Bound

    def steadier(self, other: Steady) -> bool:
        """Return whether it asks for fewer settings than another, or changes power less, or starts less often."""
        if self.settings != other.settings:
            return self.settings < other.settings
        if self.change_kw < other.change_kw - SAME_CHANGE_KW:
            return True
        return self.change_kw <= other.change_kw + SETTLED and self.starts < other.starts


def _schedules(powers: Setpoints) -> Schedules:
    """Return one schedule's powers and modes, shape (1, n)."""
    return Schedules(
        powers.charge_kw[None, :], powers.discharge_kw[None, :], powers.charging[None, :], powers.discharging[None, :]
    )


def linear_highs() -> QuietHighs:
    """Return HiGHS for small linear programs that are solved again and again, on one thread."""
    highs = QuietHighs()  # type: ignore[no-untyped-call]
    options: dict[str, int | str] = {
        "threads": 1,
        "random_seed": RANDOM_SEED,
        "presolve": "off",
        "simplex_dual_edge_weight_strategy": DEVEX,
    }
    for option, value in options.items():
        highs.setOptionValue(option, value)
    return highs


class ModeProgram:
    """HiGHS on the compact matrix without its integers: modes are bounds, and every solve begins at the last basis."""

    def __init__(self, night: Night, matrix: Matrix) -> None:
        self.night, self.matrix = night, matrix
        lp = matrix.lp
        self.lower, self.upper = np.array(lp.col_lower_), np.array(lp.col_upper_)
        self.whole = matrix.whole
        self.every = np.arange(lp.num_col_, dtype=np.int32)
        self.values = np.zeros(lp.num_col_)
        self.cost = matrix.cost
        self.held = False
        self.unit = night.highest_price or 1.0
        self.least_money, self.most_over = 0.0, 0.0
        self.changes = changes_of_power(matrix.columns, self.upper, night)
        self.first_change = lp.num_col_
        self.minimised: tuple[str, bool, float, int] | None = None
        self.highs = linear_highs()
        self.highs.passModel(lp)
        linear = np.full(len(self.whole), int(highspy.HighsVarType.kContinuous), np.uint8)
        self.highs.changeColsIntegrality(len(self.whole), self.whole.astype(np.int32), linear)

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

    def run(self, objective: str = "least_money", again: bool = True, then_money: bool = False) -> bool:
        """Minimise the objective; return whether there is a plan, and keep its values.

        Parameters
        ----------
        again : from the beginning, if there is none with rows that are held.
        then_money : of all that have the least of the objective, the one of least money.
        """
        minimised = (objective, then_money, self.least_money, len(self.every))
        if minimised != self.minimised:
            cost, offset = self._objective(objective, then_money)
            self.highs.changeColsCost(len(self.every), self.every, cost)
            self.highs.changeObjectiveOffset(offset)
            self.minimised = minimised
        self.highs.run()
        if self.highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            if not (self.held and again):
                return False
            # from an old basis, rows that are held to the last digit may seem infeasible
            self.highs.clearSolver()
            self.highs.run()
            if self.highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
                return False
        self.values = np.array(self.highs.getSolution().col_value)
        return True

    def _objective(self, objective: str, then_money: bool) -> tuple[FloatArray, float]:
        """Return the cost of every column and the constant, with a little of the money over the least if asked."""
        row, money = OBJECTIVES.index(objective), OBJECTIVES.index("least_money")
        cost, offset = self.cost[row], float(self.matrix.offset[row])
        if not then_money:
            return cost, offset
        weight = MONEY_SHARE / self.unit
        return cost + weight * self.cost[money], offset + weight * (float(self.matrix.offset[money]) - self.least_money)

    def exactly(self, objective: str, then_money: bool = False) -> bool:
        """Minimise as run does, to tighter tolerances, so that what is held next is attained; return whether it is."""
        self.highs.setOptionValue("primal_feasibility_tolerance", 1e-9)
        solved = self.run(objective, then_money=then_money)
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
        """Find the plan with the fewest settings at the present modes, at others, and near them; then the steadiest.

        It costs at most slack [money] more than this one. Then find the best timed of the same energy. Return False if
        the solver finds none.
        """
        night = self.night
        if not self.exactly("least_money"):
            return False
        self.least_money, self.most_over = self.value(), MONEY_SHARE * slack / self.unit
        own = np.round(self.values[self.whole]) > 0
        money = self._bound_at(own, self.value(), self.value() + slack)
        self.hold("least_money", slack)
        changes = self.changes
        if len(changes.power):
            addition = changes.addition(self.first_change)
            addition.add_to(self.highs)
            self.cost = np.concatenate([self.cost, addition.cost], axis=1)
            self.every = np.arange(self.cost.shape[1], dtype=np.int32)
            self.values = np.concatenate([self.values, changes.changes_kw(self.values)])
        best = self._steadiest([own, *others], money)
        if best is None:
            return False
        shape = self._fewest_settings(best.modes, money)
        self.hold("least_change", HELD)
        self.hold("least_money", HELD)
        for name in ("charge_kw", "discharge_kw"):
            energy = np.zeros(len(self.every))
            energy[self.matrix.columns[name]] = night.hours
            self._add_row(energy, float(energy @ self.values) - HELD, highspy.kHighsInf)
        return self._best_timed(shape)

    def _steadiest(self, choices: Sequence[BoolArray], money: Bound) -> Steady | None:
        """Return the plan of least change of power at the best of some modes and of those near it; None without a plan.

        The best have the fewest settings, then the least change, then the fewest starts. The modes stay fixed.

        Parameters
        ----------
        money : what other modes cost at least.
        """
        best = self._steady_at(choices[0])
        for modes in choices[1:]:
            if best is not None and best.change_kw <= SETTLED and self.night.charger.start_worth_kwh > 0:
                break
            found = self._steady_at(modes)
            if found is not None and (best is None or found.steadier(best)):
                best = found
        trials, tried = TRIAL_EFFORT // self.night.intervals, {modes.tobytes() for modes in choices}
        better = best
        while better is not None:
            best, better = better, None
            for modes in self._hopeful(best, money):
                if trials <= 0:
                    break
                if modes.tobytes() in tried:
                    continue
                trials -= 1
                tried.add(modes.tobytes())
                found = self._steady_at(modes, most_kw=best.change_kw + SETTLED)
                if found is not None and found.steadier(best):
                    better = found
                    break
        if best is not None:
            self.fix(best.modes)
            self.values = best.values
        return best

    def _fewest_settings(self, modes: BoolArray, money: Bound) -> Shape:
        """Join or leave out blocks of the present plan as long as the money allows it; return its shape then.

        Modes and shape stay fixed, and the values are those of the plan found.

        Parameters
        ----------
        modes : of the present plan, shape (whole,). money : what other modes cost at least.
        """
        night, trials = self.night, SETTING_EFFORT // self.night.intervals
        powers = self._powers()
        shape = shape_of(settings_of(night, powers), powers)
        fewer = True
        while fewer and len(shape.blocks) > 1:
            fewer = False
            kept, kept_modes = self.values, modes
            for other in self._near_ties(shape, money):
                if trials <= 0:
                    break
                trials -= 1
                modes = self._moved_modes(_schedules(shape.powers), kept_modes, _schedules(other.powers))[0]
                if money.at(modes) > money.most or not self._solved_at(modes, other):
                    continue
                powers = self._powers()
                found = settings_of(night, powers)
                if len(found) < len(shape.blocks):
                    shape, fewer = shape_of(found, powers), True
                    break
            if not fewer:
                self.values, modes = kept, kept_modes
        self.fix(modes)
        return shape

    def _near_ties(self, shape: Shape, money: Bound) -> list[Shape]:
        """Return shapes with fewer settings that may be as cheap, those that cost least first."""
        near = list(shapes_with_less(self.night, shape.blocks, shape.powers))
        if not near:
            return near
        guessed = _schedules(shape.powers)
        for other in near:
            guessed = guessed.followed_by(_schedules(other.powers))
        more = judge(self.night, guessed).money
        more = more[1:] - more[0]
        hopeful = more <= FAR_FROM_A_TIE * (money.most - money.value)
        return [near[at] for at in np.argsort(more, kind="stable").tolist() if hopeful[at]]

    def _solved_at(self, modes: BoolArray, shape: Shape) -> bool:
        """Find the plan of least change at modes, held to a shape; return whether there is one."""
        self.fix(modes)
        bounded = self._hold_shape(shape, np.zeros(len(self.changes.power)))
        solved = self.run("least_change", again=False, then_money=True)
        self._let_go(bounded)
        return solved

    def _hold_shape(self, shape: Shape, most_kw: FloatArray) -> IntArray:
        """Bound a shape's powers and changes, these by most_kw [kW], shape (pairs,); return the columns bounded."""
        held, lower, upper = held_columns(shape, self.matrix.columns, self.changes, self.first_change, most_kw)
        self.bound(held, lower, upper)
        return held

    def _let_go(self, held: IntArray) -> None:
        """Bound columns as they were."""
        most = np.append(self.upper, np.full(len(self.changes.power), highspy.kHighsInf))
        self.bound(held, np.zeros(len(held)), most[held])

    def _powers(self) -> Setpoints:
        """Return the powers of the present values."""
        values, columns = self.values, self.matrix.columns
        charge, charging = runs_with_power(self.night, values, columns, "charge_kw", "charging")
        discharge, discharging = runs_with_power(self.night, values, columns, "discharge_kw", "discharging")
        shares = charging.astype(np.float64), discharging.astype(np.float64)
        return Setpoints(charge, discharge, *shares, np.zeros(self.night.intervals))

    def _steady_at(self, modes: BoolArray, most_kw: float | None = None) -> Steady | None:
        """Return the steadiest plan at modes, shape (whole,); None if there is none. They stay fixed.

        Parameters
        ----------
        most_kw : change of power from which on the plan is of no use, so that the solver may stop [kW].
        """
        self.fix(modes)
        if most_kw is None:
            solved = self.exactly("least_change", then_money=True)
        else:
            self.highs.setOptionValue("objective_bound", most_kw + self.most_over)
            solved = self.run("least_change", again=False, then_money=True)
            self.highs.setOptionValue("objective_bound", highspy.kHighsInf)
        if not solved:
            return None
        powered = self._powered(modes)
        if (powered != modes).any():
            return self._steady_at(powered, most_kw)
        change = self.value("least_change")
        starts = int(self._starts(modes[None, :])[0])
        settings = len(settings_of(self.night, self._powers()))
        over = MONEY_SHARE * (self.value() - self.least_money) / self.unit
        bound = self._bound_at(modes, change + over, change - SAME_CHANGE_KW + self.most_over)
        return Steady(modes, self.values, change, starts, settings, bound)

    def _powered(self, modes: BoolArray) -> BoolArray:
        """Return modes, shape (whole,), without the ends of runs that the present values give no power."""
        if self.night.charger.fixed_loss_kw > 0:
            return modes
        chosen, columns = np.zeros(len(self.lower), dtype=np.bool_), self.matrix.columns
        chosen[self.whole] = modes
        for power, mode in (("charge_kw", "charging"), ("discharge_kw", "discharging")):
            chosen[columns[mode]] = runs_with_power(self.night, self.values, columns, power, mode)[1]
        return np.asarray(chosen[self.whole])

    def _hopeful(self, best: Steady, money: Bound) -> BoolArray:
        """Return modes near the best that may be steadier, those of the lowest bound first, shape (choices, whole)."""
        if best.change_kw <= SETTLED and self.night.charger.start_worth_kwh > 0:
            return np.zeros((0, len(self.whole)), np.bool_)
        plan = self._schedule(best.values)
        modes = self._moved_modes(plan, best.modes, reshaped(self.night, plan, self._caps()))
        change = best.bound.at(modes)
        fewer = self._starts(modes) < best.starts
        hopeful = (money.at(modes) <= money.most) & (
            change <= np.where(fewer, best.change_kw + self.most_over, best.bound.most)
        )
        return modes[hopeful][np.argsort(change[hopeful], kind="stable")]

    def _starts(self, modes: BoolArray) -> IntArray:
        """Return how many starts choices of modes have, shape (choices, whole)."""
        chosen = np.zeros((len(modes), len(self.lower)), dtype=np.bool_)
        chosen[:, self.whole] = modes
        starts = np.zeros(len(modes), np.int64)
        for name in ("charging", "discharging"):
            running = chosen[:, self.matrix.columns[name]]
            starts += running[:, 0] + (running[:, 1:] & ~running[:, :-1]).sum(axis=1)
        return starts

    def _bound_at(self, modes: BoolArray, least: float, most: float) -> Bound:
        """Return the bound on an objective, just minimised at modes, by other modes."""
        return Bound(modes, least, np.array(self.highs.getSolution().col_dual)[self.whole], most)

    def _best_timed(self, shape: Shape) -> bool:
        """Minimise the timing at the present modes and where runs can be moved to; return whether there is a plan.

        It asks for no more settings than the shape.
        """
        before, settings = np.round(self.values[self.whole]) > 0, len(shape.blocks)
        if not self._timed_at(before, shape):
            return False
        timed, plan = self.values, self._schedule(self.values)
        moved = better_timed(self.night, plan, self._caps(), settings)
        if moved is plan:
            return True
        powers = moved.setpoints(0)
        self.values = timed.copy()
        self.values[self.matrix.columns["charge_kw"]] = powers.charge_kw
        self.values[self.matrix.columns["discharge_kw"]] = powers.discharge_kw
        other = shape_of(settings_of(self.night, powers), powers)
        if self._timed_at(self._moved_modes(plan, before, moved)[0], other):
            return True
        self.fix(before)
        self.values = timed
        return True

    def _timed_at(self, modes: BoolArray, shape: Shape) -> bool:
        """Find the best timed plan at modes, held to a shape and to the present changes inside its blocks."""
        self.fix(modes)
        now = self.changes.changes_kw(self.values) if len(self.changes.power) else np.zeros(0)
        held = self._hold_shape(shape, now + SETTLED)
        solved = self.exactly("ready_soonest", then_money=True)
        self._let_go(held)
        return solved

    def _schedule(self, values: FloatArray) -> Schedules:
        """Return the powers and modes of values of the columns, shape (1, n)."""
        charge, discharge, charging, discharging = (
            values[self.matrix.columns[name]][None, :]
            for name in ("charge_kw", "discharge_kw", "charging", "discharging")
        )
        return Schedules(charge, discharge, np.round(charging) > 0, np.round(discharging) > 0)

    def _caps(self) -> Caps:
        """Return the most powers, and where the charger may run."""
        charge, discharge, charging, discharging = (
            self.upper[self.matrix.columns[name]] for name in ("charge_kw", "discharge_kw", "charging", "discharging")
        )
        return Caps(charge, discharge, charging > 0, discharging > 0)

    def _moved_modes(self, plan: Schedules, modes: BoolArray, moved: Schedules) -> BoolArray:
        """Return the integers of moved schedules, a plan's modes but where they differ; shape (schedules, whole)."""
        own, other = self._modes(plan), self._modes(moved)
        return np.asarray(np.where(own == other, modes, other))

    def value(self, objective: str = "least_money") -> float:
        """Return the objective at the present values."""
        row = OBJECTIVES.index(objective)
        return float(self.cost[row] @ self.values + self.matrix.offset[row])

    def prices(self, unit: float) -> Prices:
        """Return what stored energy is worth to wear, and energy given away to the discharge limit [units per kWh].

        Where energy can enter and leave in one interval, what leaves has a row of its own and so has what enters. The
        price of that row is one of stored energy before the interval, less one after it. Where stored energy stays the
        same, its price moves to boundaries before as far as running in between stays no cheaper than standing still.
        Then the bound is no lower than the relaxed program's, and most paths stand still there too.
        """
        solution, rows = self.highs.getSolution(), self.matrix.rows
        dual, columns = np.array(solution.row_dual), self.matrix.columns["stored_kwh"]
        moving = np.flatnonzero(columns[1:] > columns[:-1])
        price = np.zeros(len(moving) + 1)  # of each state
        price[1:] = dual[rows["segments_add_up"]]
        change, leave = self.values[columns[moving + 1]] - self.values[columns[moving]], rows["segments_leave"]
        passing = np.where(change > SAME_KWH, -dual[leave - 1], dual[leave])
        passing[leave < 0] = 0.0
        price[:-1] += passing
        price[1:] -= passing
        reduced = np.array(solution.col_dual)
        most, least = self._spare(reduced, moving, "charging"), -self._spare(reduced, moving, "discharging")
        for step in np.flatnonzero(np.abs(change) <= SAME_KWH)[::-1].tolist():
            moved = min(max(price[step + 1], least[step]), most[step])
            price[step] += moved
            price[step + 1] -= moved
        stored = np.zeros(len(columns))
        stored[moving + 1] = price[1:]  # what is stored now is given
        given = max(0.0, -float(dual[rows["discharge_total"][0]])) if "discharge_total" in rows else 0.0
        return Prices(stored / unit, given / unit)

    def _spare(self, reduced: FloatArray, at: IntArray, mode: str) -> FloatArray:
        """Return how much cheaper charging or discharging may get before it pays [money per kWh], shape (at,).

        Parameters
        ----------
        reduced : costs of the columns. at : intervals in which nothing runs. mode : "charging" or "discharging".
        """
        charger, columns = self.night.charger, self.matrix.columns
        if mode == "charging":
            power, least_kw = columns["charge_kw"][at], charger.charge_min_kw
            kwh_per_kwh, loss_kw = charger.charge_efficiency, -charger.fixed_loss_kw
        else:
            power, least_kw = columns["discharge_kw"][at], charger.discharge_min_kw
            kwh_per_kwh, loss_kw = 1 / charger.discharge_efficiency, charger.fixed_loss_kw
        spare, most_kw = np.full(len(at), np.inf), self.upper[power]
        for kw in (np.full(len(at), least_kw), most_kw):
            energy = self.night.hours[at] * (kwh_per_kwh * kw + loss_kw)
            cost = np.maximum(0.0, reduced[power] * kw + reduced[columns[mode][at]])
            counts = (most_kw > 0) & (energy > SAME_KWH)
            spare[counts] = np.minimum(spare[counts], cost[counts] / energy[counts])
        return spare

    def path(self, unit: float) -> Path:
        """Return the present values as a path, without wear."""
        columns, night = self.matrix.columns, self.night
        out = columns["segment_out_kwh"].reshape(-1, len(night.wear.price_per_kwh))
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
        night, charger = self.night, self.night.charger
        charging, discharging = path.mode == CHARGE, path.mode == DISCHARGE
        change = np.diff(path.stored_kwh) / night.hours
        charge = np.where(charging, (change + charger.fixed_loss_kw) / charger.charge_efficiency, 0.0)
        discharge = np.where(discharging, -(change + charger.fixed_loss_kw) * charger.discharge_efficiency, 0.0)
        plan = Schedules(charge[None, :], discharge[None, :], charging[None, :], discharging[None, :])
        return np.asarray(self._modes(plan)[0])

    def _modes(self, plans: Schedules) -> BoolArray:
        """Return the integers of schedules, in the order of `whole`, shape (schedules, whole)."""
        night, columns = self.night, self.matrix.columns
        chosen = np.zeros((len(plans.charging), len(self.lower)), dtype=np.bool_)
        chosen[:, columns["charging"]], chosen[:, columns["discharging"]] = plans.charging, plans.discharging
        if len(columns.get("importing", ())) or len(columns.get("curtailing", ())):
            charge, discharge = plans.charge_kw, plans.discharge_kw
            shares = plans.charging.astype(np.float64), plans.discharging.astype(np.float64)
            setpoints = setpoints_from_powers(night, charge, discharge, *shares)
            draw = night.load_kw - night.solar_kw + charge - discharge + setpoints.curtailed_kw
            if len(columns.get("importing", ())):
                tempting = np.flatnonzero(night.export_price > night.import_price)
                chosen[:, columns["importing"]] = draw[:, tempting] > 1e-9
            if len(columns.get("curtailing", ())):
                below = np.minimum(night.import_price, night.export_price) < 0
                forced = np.flatnonzero(below & (night.solar_kw - night.load_kw > night.export_limit_kw))
                chosen[:, columns["curtailing"]] = setpoints.curtailed_kw[:, forced] > 1e-9
        return np.asarray(chosen[:, self.whole])
