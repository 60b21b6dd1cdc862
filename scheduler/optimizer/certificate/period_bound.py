"""A whole period at once: a plan for all of its nights with perfect knowledge, and a bound that no policy undercuts.

The bound is that of README.md beside this file, from one pass of the dynamic program over the whole period at the
prices of stored energy that the relaxed compact program gives: its time grows with the number of intervals. Plans come
from paths that are like the relaxed program's, and a linear program at their modes. Nothing is branched on, so a gap
stays, which is told.

Where what a kWh costs depends on other intervals (tiered prices, demand charges), the relaxed program itself is the
bound: a charger that runs for a part of an interval, or in both directions, is in it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import cast

import highspy
import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray
from models.wear.calendar_ageing import CalendarPrice
from scheduler.nights.night import SCHEDULE, Night
from scheduler.optimizer.certificate.certified import covers
from scheduler.optimizer.certificate.dynamic_moves import CHARGE, DISCHARGE, Moves, caps_of, moves_of
from scheduler.optimizer.certificate.dynamic_problem import Limits, Path, Prices, Weights
from scheduler.optimizer.certificate.dynamic_program import ROOM_KWH, DynamicProgram, TooManyCellsError
from scheduler.optimizer.certificate.dynamic_values import FAR
from scheduler.optimizer.certificate.mode_program import ModeProgram
from scheduler.optimizer.compact import compact_matrix
from scheduler.optimizer.lexicographic import NoPlanError
from scheduler.optimizer.matrix_builder import MONEY
from scheduler.optimizer.money_scale import in_units_of, money_scale
from scheduler.optimizer.setpoints import Setpoints, runs_with_power, setpoints_from_powers

PULLS = (0.001, 0.002, 0.003, 0.005)
"""What a path pays for each kWh and boundary away from the relaxed program's energy, in kWh at the highest price."""
BETWEEN = (0.3, 0.6)
"""Bounds are also sought at prices so far from the relaxed program's to those of the best plan found [0 to 1]."""
TIER_PULLS = (0.02, 0.1)
"""And where tiers or a demand charge hold, which the path does not know."""
ROUNDED = (0.5, 0.2)
"""There the charger also runs where the relaxed program runs it for more than such a part of an interval."""
THIN_KWH = 1e-6
"""Most that thinning takes from the values of one stop, in kWh at the highest price."""
INTERIOR_INTERVALS = 600
"""Relaxed programs of more intervals are solved by interior points, which take a fifth of the simplex method's time."""
RELAXED_MARGIN = 1e-6
"""Share of its money by which a relaxed program's value is lowered for the solver's tolerances [-]."""
PROGRAM_SECONDS = 1200.0
"""Longest a single linear program may take [s]."""


@dataclass(frozen=True, slots=True, eq=False)
class Period:
    """Nights one after another as one problem.

    Attributes
    ----------
    night : the whole of it; its wear prices, calendar price and discharge limit do not count.
    first : first interval of each night, rising from 0, shape (nights,).
    wear_price : of each night and segment [money per kWh], shape (nights, segments).
    calendar : what calendar ageing costs in each night; None: nothing.
    discharge_limit_kwh : of each night; None: no limit.
    """

    night: Night
    first: IntArray
    wear_price: FloatArray
    calendar: tuple[CalendarPrice | None, ...]
    discharge_limit_kwh: float | None

    @property
    def night_of(self) -> IntArray:
        """Return the number of the night of each interval, shape (n,)."""
        return np.asarray(np.searchsorted(self.first, np.arange(self.night.intervals), side="right") - 1)

    def in_units_of(self, scale: float) -> Period:
        """Return the period with all of its money divided by the scale."""
        ageing = tuple(
            each if each is None else replace(each, money_per_hour=each.money_per_hour / scale)
            for each in self.calendar
        )
        night = in_units_of(self.night, scale)
        return replace(self, night=night, wear_price=self.wear_price / scale, calendar=ageing)


@dataclass(frozen=True, slots=True, eq=False)
class PeriodBound:
    """A plan of a whole period, and what no policy costs less than.

    Attributes
    ----------
    setpoints : of the best plan found.
    bound : on the total of every policy that sets the charger once an interval and serves the trips as well [money].
    part_bound : the same where a charger may stop inside an interval, as at its floor or ceiling; None: not known.
    relaxed : whether the bound is the relaxed program's.
    stored_price : price of stored energy at each boundary, from which the bound follows [money per kWh], shape
        (n + 1,).
    """

    setpoints: Setpoints
    bound: float
    part_bound: float | None
    relaxed: bool
    stored_price: FloatArray


def bound_period(period: Period, may_discharge: bool = True) -> PeriodBound:
    """Return a plan of the whole period and its bound.

    Raises
    ------
    NoPlanError : HiGHS found no plan.
    """
    scale = money_scale(period.night)
    found = _bound(period.in_units_of(scale), may_discharge)
    part = None if found.part_bound is None else found.part_bound * scale
    return replace(found, bound=found.bound * scale, part_bound=part, stored_price=found.stored_price * scale)


def _bound(period: Period, may_discharge: bool) -> PeriodBound:
    night = replace(
        period.night, setting=SCHEDULE, car=replace(period.night.car, discharge_limit_kwh=None), calendar=None
    )
    period = replace(period, night=night)
    at_prices = covers(night)
    # prices that hold are needed here: those of tiers are the ones beyond them, and paths are only a plan's beginning
    plain = night if at_prices else replace(night, tiers=(), demand=())
    never = period.discharge_limit_kwh == 0 and night.charger.discharge_min_kw > 0
    may_discharge = may_discharge and not never
    program = PeriodProgram(replace(period, night=plain), may_discharge)
    limits = _served(program)
    linear = _Linear(period, may_discharge, limits, exact=not at_prices)
    linear.relaxed()
    relaxed, prices, stored = linear.value(), linear.prices(program.unit), linear.stored_kwh()
    priced = PeriodProgram(replace(period, night=plain), may_discharge, prices.night_given, like=program)
    pulls = PULLS if at_prices else (*PULLS, *TIER_PULLS)
    trials = [prices.stored, *(replace(prices.stored, pull=pull, towards=stored) for pull in pulls)]
    try:
        values = priced.backward(trials, [limits] * len(trials), THIN_KWH)
    except TooManyCellsError:
        raise NoPlanError("The period's dynamic program has too many cells") from None
    bound = _total(priced, period, float(values.bound[0]), prices)
    linear.as_it_is()
    best: tuple[float, FloatArray, _PeriodPrices] | None = None
    inside = np.flatnonzero(values.bound < FAR).tolist()
    attempts = [partial(linear.at_path, path) for path in priced.paths(values, inside)]
    if not at_prices:
        attempts += [partial(linear.at_running, *linear.running(least)) for least in ROUNDED]
    for attempt in attempts:
        if attempt() and (best is None or linear.value() < best[0]):
            best = linear.value(), linear.modes.values, linear.prices(program.unit)
    if best is None:
        raise NoPlanError("HiGHS found no plan of the whole period")
    part_bound = None
    for share in BETWEEN if at_prices else ():
        mixed = prices.towards(best[2], share)
        priced = PeriodProgram(replace(period, night=plain), may_discharge, mixed.night_given, like=program)
        values = priced.backward([mixed.stored], [limits], THIN_KWH)
        bound = max(bound, _total(priced, period, float(values.bound[0]), mixed))
    if at_prices:
        parts = PeriodProgram(replace(period, night=plain), may_discharge, prices.night_given, parts=True)
        begun = parts.backward([prices.stored], [limits], THIN_KWH)
        part_bound = min(bound, _total(parts, period, float(begun.bound[0]), prices))
    else:
        bound = relaxed - RELAXED_MARGIN * abs(relaxed)
    setpoints = linear.setpoints(best[1])
    return PeriodBound(setpoints, bound, part_bound, not at_prices, prices.stored.stored * program.unit)


@dataclass(frozen=True, slots=True, eq=False)
class _PeriodPrices:
    """Prices of stored energy, and of energy given away in each night's limit, in kWh at the highest price per kWh."""

    stored: Prices
    night_given: FloatArray

    def towards(self, other: _PeriodPrices, share: float) -> _PeriodPrices:
        """Return prices between these and others: a share of the others [0 to 1]."""
        stored = (1 - share) * self.stored.stored + share * other.stored.stored
        return _PeriodPrices(Prices(stored), (1 - share) * self.night_given + share * other.night_given)


class PeriodProgram(DynamicProgram):
    """The dynamic program of a whole period, whose wear and calendar prices change from night to night."""

    def __init__(
        self,
        period: Period,
        may_discharge: bool,
        night_given: FloatArray | None = None,
        like: PeriodProgram | None = None,
        parts: bool = False,
    ) -> None:
        """Make the program ready.

        Parameters
        ----------
        night_given : price of energy given away in each night, in kWh at the highest price, shape (nights,).
        like : one of the same period without that, to save time.
        parts : whether the charger may run for a part of an interval.
        """
        self.period, self.night_of = period, period.night_of
        night, nights = period.night, len(period.first)
        if parts:
            moves, idle = _moves_of_parts(night, may_discharge)
        else:
            moves, idle = moves_of(night, caps_of(night, may_discharge)) if like is None else like.moves
        if night_given is not None and night_given.any():
            price = night_given[self.night_of] * (night.highest_price or 1.0)
            moves = tuple(
                None if each is None else _with_given_price(each, float(price[t])) for t, each in enumerate(moves)
            )
        self.moves = (moves, idle)
        self.ageing_of = self._ageing(nights)
        super().__init__(night, may_discharge, Weights(1.0, np.zeros(len(night.trips))), cast(DynamicProgram, self))

    def _ageing(self, nights: int) -> list[list[tuple[float, CalendarPrice]]]:
        """Return the hours and the price of standing at each boundary, from the intervals before and after it."""
        night, found = self.period.night, []
        hours = night.hours / 2
        for boundary in range(night.intervals + 1):
            here: dict[int, float] = {}
            for t in (boundary - 1, boundary):
                if 0 <= t < night.intervals:
                    number = int(self.night_of[t])
                    here[number] = here.get(number, 0.0) + float(hours[t])
            prices = [(length, self.period.calendar[number]) for number, length in here.items()]
            found.append([(length, price) for length, price in prices if price is not None])
        return found

    def bends(self, boundary: int) -> list[float]:
        """Return where the cost of standing at a boundary may bend [kWh]."""
        ageing = {id(price): price for _, price in self.ageing_of[boundary]}
        return super().bends(boundary) + [knot for price in ageing.values() for knot in self.bends_of(price)]

    def standing_cost(self, boundary: int, knots: FloatArray) -> FloatArray:
        """Return the cost of standing at stored energies [kWh] at a boundary, of their shape."""
        money = super().standing_cost(boundary, knots)
        for hours, price in self.ageing_of[boundary]:
            money += self.scale * self.night.wear_weight * hours * price.cost(knots)
        return money

    def through_price(self, t: int) -> float:
        """Return the wear of a kWh that passes through the battery on the way, in interval t [money per kWh]."""
        return float(self.period.wear_price[self.night_of[t], 0])


def least_wear(period: Period, stored_price: FloatArray, unit: float) -> float:
    """Return the least of wear less priced energy in the segments, in kWh at the highest price.

    Every way to fill and empty the segments is in it; each segment is on its own, and among its best ways is one where
    it is full, empty or as it began.

    Parameters
    ----------
    stored_price : of stored energy at the boundaries, in kWh at the highest price per kWh, shape (n + 1,).
    unit : the highest price [money per kWh].
    """
    night = period.night
    levels = np.stack([np.zeros_like(night.wear.size_kwh), night.initial_fill_kwh, night.wear.size_kwh])
    drop = np.maximum(0.0, levels[:, None, :] - levels[None, :, :])  # from, to, segment
    falls = drop[None] * (night.wear_weight * period.wear_price / unit)[:, None, None, :]
    night_of = period.night_of
    later = np.zeros_like(levels)
    for boundary in range(night.intervals, 0, -1):
        later = (falls[night_of[boundary - 1]] + (later - stored_price[boundary] * levels)[None]).min(axis=1)
    return float(later[1].sum())


def _total(program: PeriodProgram, period: Period, paths: float, prices: _PeriodPrices) -> float:
    """Return the bound from the least cost of paths at prices [money]."""
    if paths >= FAR:
        raise NoPlanError("no plan of the whole period serves its trips")
    limits = float(prices.night_given.sum()) * (period.discharge_limit_kwh or 0.0)
    return (paths + least_wear(period, prices.stored.stored, program.unit) - limits) * program.unit


def _served(program: PeriodProgram) -> Limits:
    """Return stored energies within which every trip is served as well as can be.

    The most that can be stored at each boundary does not depend on what is done elsewhere, so that no trip's shortage
    is at the cost of another's. What is missing before a departure counts where it is most.
    """
    night, car, reached = program.night, program.night.car, program.limits()
    most, least = reached.most_kwh, reached.least_kwh.copy()
    for trip in night.trips:
        before, at = slice(trip.ready, trip.depart), trip.depart
        if trip.ready < trip.depart:
            short = max(0.0, trip.target_kwh - float(most[before].min()))
            least[before] = np.maximum(least[before], trip.target_kwh - short)
        wanted = trip.target_kwh
        if trip.energy_kwh > 0:
            wanted = max(wanted, trip.energy_kwh + car.return_reserve_kwh)
        least[at] = max(least[at], min(wanted, float(most[at])))
    return Limits(np.maximum(np.minimum(least, most) - ROOM_KWH, 0.0), most)


def _with_given_price(moves: Moves, price: float) -> Moves:
    """Return moves at their money and a price on what is given away [money per kWh]."""
    return replace(moves, base=moves.base + price * moves.given_kwh, slope=moves.slope + price * moves.given_slope)


def _moves_of_parts(night: Night, may_discharge: bool) -> tuple[tuple[Moves | None, ...], FloatArray]:
    """Return the pieces of each interval where the charger may run for a part of it, and what idling costs [money].

    At a mean power, and while no price is below zero, nothing is better than the highest power for a part: its fixed
    loss is the least. So each direction has any mean power, with the losses of the highest. Where a price is below
    zero, what the fixed loss may gain is taken off.
    """
    charger, caps = night.charger, caps_of(night, may_discharge)
    lossless = replace(
        charger,
        charge_min_kw=0.0,
        discharge_min_kw=0.0,
        charge_efficiency_percent=100.0,
        discharge_efficiency_percent=100.0,
        fixed_loss_kw=0.0,
    )
    found, idle = moves_of(replace(night, charger=lossless), caps)
    least_price = np.minimum(night.import_price, night.export_price)
    wasted_kw = charger.fixed_loss_kw / min(charger.charge_efficiency, 1.0)
    gain = night.hours * wasted_kw * np.maximum(0.0, -least_price)
    moves: list[Moves | None] = []
    for t, each in enumerate(found):
        if each is None:
            moves.append(None)
            continue
        into = charger.charge_efficiency - charger.fixed_loss_kw / max(float(caps.most_charge_kw[t]), 1e-9)
        out = 1 / charger.discharge_efficiency
        out += charger.fixed_loss_kw / max(float(caps.most_discharge_kw[t]), 1e-9)
        share = np.where(each.mode == CHARGE, into, out)
        kept = (each.mode == DISCHARGE) | (into > 0)
        if not kept.any():
            moves.append(None)
            continue
        moves.append(
            Moves(
                each.mode[kept],
                (each.start_kwh * share)[kept],
                (each.width_kwh * share)[kept],
                each.base[kept] - gain[t],
                (each.slope / share)[kept],
                each.given_kwh[kept],
                (each.given_slope / share)[kept],
            )
        )
    return tuple(moves), idle


class _Linear:
    """The compact program of a whole period, without its integers or at modes."""

    def __init__(self, period: Period, may_discharge: bool, limits: Limits, exact: bool) -> None:
        self.period = period
        night = period.night
        ageing = [price for price in period.calendar if price is not None]
        if ageing:  # one price for all nights: the lowest is a bound, that of the middle a good guess
            levels = np.linspace(0.0, night.car.battery_kwh, 9)
            by_cost = sorted(ageing, key=lambda price: float(price.cost(levels).sum()))
            night = replace(night, calendar=by_cost[0] if exact else by_cost[len(by_cost) // 2])
        matrix = compact_matrix(night, may_discharge)
        moving = np.flatnonzero(np.diff(matrix.columns["stored_kwh"]))
        out = matrix.columns["segment_out_kwh"].reshape(len(moving), -1)
        cost = matrix.cost.copy()
        cost[MONEY, out] = night.wear_weight * period.wear_price[period.night_of[moving]]
        self.modes = ModeProgram(night, replace(matrix, cost=cost))
        highs = self.modes.highs
        highs.setOptionValue("time_limit", PROGRAM_SECONDS)
        if night.intervals > INTERIOR_INTERVALS:
            highs.setOptionValue("solver", "ipm")
            highs.setOptionValue("run_crossover", "off")
        stored = matrix.columns["stored_kwh"]
        least = self.modes.lower.copy()  # boundaries between which nothing can happen share a column
        np.maximum.at(least, stored, np.clip(limits.least_kwh, self.modes.lower[stored], self.modes.upper[stored]))
        later = np.setdiff1d(stored, stored[:1])
        self.modes.bound(later, least[later], self.modes.upper[later])
        # nothing more is charged on the way than a trip needs
        wanted = [
            trip.energy_kwh + night.car.return_reserve_kwh - float(limits.least_kwh[trip.depart])
            for trip in night.trips
        ]
        most = np.array([0.0 if each <= 2 * ROOM_KWH else each for each in wanted])
        at = matrix.columns["on_the_way_kwh"]
        self.modes.bound(at, np.zeros(len(at)), np.minimum(most, self.modes.upper[at]))
        self.passing = [] if exact else self._passing_rows()
        self.limit_rows = highs.getNumRow() + np.arange(len(period.first))
        if period.discharge_limit_kwh is not None:
            discharge = matrix.columns["discharge_kw"].astype(np.int32)
            for number in range(len(period.first)):
                at = np.flatnonzero(period.night_of == number)
                highs.addRow(-highspy.kHighsInf, period.discharge_limit_kwh, len(at), discharge[at], night.hours[at])

    def relaxed(self) -> None:
        """Minimise money without the integers.

        Raises
        ------
        NoPlanError : HiGHS gives nothing.
        """
        self._one_way(True)
        if not self._run():
            raise NoPlanError("HiGHS found no relaxed plan of the whole period")

    def _passing_rows(self) -> list[tuple[int, IntArray, FloatArray, FloatArray]]:
        """Return steps in which energy may enter and leave at once, the rows that tie their segments, their bounds.

        Those rows leave the prices of stored energy there to chance; `_one_way` takes them away and charges what passes
        through on the way at the price of the first segment.
        """
        night, matrix = self.modes.night, self.modes.matrix
        into = matrix.columns["segment_in_kwh"].reshape(-1, len(night.wear.size_kwh))
        passing = np.flatnonzero(matrix.rows["segments_leave"] >= 0)
        lp = matrix.lp
        row_of = np.repeat(np.arange(lp.num_row_), np.diff(np.array(lp.a_matrix_.start_)))
        index, lower, upper = np.array(lp.a_matrix_.index_), np.array(lp.row_lower_), np.array(lp.row_upper_)
        column_row: dict[int, list[int]] = {int(column): [] for column in into.ravel()}
        for row, column in zip(row_of.tolist(), index.tolist(), strict=True):
            if column in column_row:
                column_row[column].append(row)
        found = []
        for step, columns in zip(passing.tolist(), into, strict=True):
            rows = np.unique([row for column in columns.tolist() for row in column_row[column]])
            rows = np.append(rows, rows[-1] + 1)  # what leaves is the row after what enters
            found.append((step, rows, lower[rows], upper[rows]))
        return found

    def _one_way(self, asked: bool) -> None:
        """Tie the segments of those intervals as everywhere else, or as they are."""
        highs, night, columns = self.modes.highs, self.modes.night, self.modes.matrix.columns
        count, cost = len(night.wear.size_kwh), self.modes.cost
        held, out = (columns[name].reshape(-1, count) for name in ("segment_kwh", "segment_out_kwh"))
        moving = np.flatnonzero(np.diff(columns["stored_kwh"]))
        first = highs.getNumRow() - count * len(self.passing)
        for number, (step, rows, lower, upper) in enumerate(self.passing):
            for row, low, high in zip(rows.tolist(), lower.tolist(), upper.tolist(), strict=True):
                highs.changeRowBounds(row, *((-highspy.kHighsInf, highspy.kHighsInf) if asked else (low, high)))
            for segment in range(count):
                if asked:
                    three = np.array([out[step, segment], held[step, segment], held[step + 1, segment]], dtype=np.int32)
                    highs.addRow(0.0, highspy.kHighsInf, 3, three, np.array([1.0, -1.0, 1.0]))
                else:
                    highs.changeRowBounds(first + count * number + segment, -highspy.kHighsInf, highspy.kHighsInf)
            t = int(moving[step])
            through = night.wear_weight * self.period.wear_price[self.period.night_of[t], 0]
            for trip, column in zip(night.trips, columns["on_the_way_kwh"].tolist(), strict=True):
                if trip.comeback - 1 == t:
                    cost[MONEY, column] += through if asked else -through

    def as_it_is(self) -> None:
        """Give back what `relaxed` changed."""
        self._one_way(False)

    def at_path(self, path: Path) -> bool:
        """Minimise money at the modes of a path; return whether there is a plan. Integers of tiers stay free."""
        if not self.modes.night.prices_depend_on_amounts:
            modes = self.modes.modes_of(path)
            self.modes.bound(self.modes.whole, modes.astype(np.float64), modes.astype(np.float64))
            return self._run()
        return self.at_running(path.mode == CHARGE, path.mode == DISCHARGE)

    def at_running(self, charging: BoolArray, discharging: BoolArray) -> bool:
        """Minimise money where the charger charges and discharges, shape (n,); return whether there is a plan."""
        for name, running in (("charging", charging), ("discharging", discharging)):
            columns = self.modes.matrix.columns[name]
            values = np.minimum(running.astype(np.float64), self.modes.upper[columns])
            self.modes.bound(columns, values, values)
        return self._run()

    def _run(self) -> bool:
        """Minimise money; by the simplex method where interior points do not end."""
        if self.modes.run():
            return True
        if self.modes.highs.getModelStatus() == highspy.HighsModelStatus.kInfeasible:
            return False
        self.modes.highs.setOptionValue("solver", "simplex")
        return self.modes.run()

    def value(self) -> float:
        """Return the money at the present values."""
        return self.modes.value()

    def running(self, least: float) -> tuple[BoolArray, BoolArray]:
        """Return where the present values charge, and discharge, for more than a part of the interval, shape (n,)."""
        charging, discharging = (
            self.modes.values[self.modes.matrix.columns[name]] for name in ("charging", "discharging")
        )
        return (charging > least) & (charging >= discharging), (discharging > least) & (discharging > charging)

    def stored_kwh(self) -> FloatArray:
        """Return the stored energy at the present values [kWh], shape (n + 1,)."""
        return np.asarray(self.modes.values[self.modes.matrix.columns["stored_kwh"]])

    def prices(self, unit: float) -> _PeriodPrices:
        """Return the duals as prices, in kWh at the highest price per kWh."""
        given = np.zeros(len(self.period.first))
        if self.period.discharge_limit_kwh is not None:
            dual = np.array(self.modes.highs.getSolution().row_dual)
            given = np.maximum(0.0, -dual[self.limit_rows]) / unit
        return _PeriodPrices(self.modes.prices(unit), given)

    def setpoints(self, values: FloatArray) -> Setpoints:
        """Return the setpoints of values of the columns."""
        night, columns = self.period.night, self.modes.matrix.columns
        charge_kw, charging = runs_with_power(night, values, columns, "charge_kw", "charging")
        discharge_kw, discharging = runs_with_power(night, values, columns, "discharge_kw", "discharging")
        shares = charging.astype(np.float64), discharging.astype(np.float64)
        charger = night.charger
        charge_kw = np.where(charging, np.clip(charge_kw, charger.charge_min_kw, charger.charge_max_kw), 0.0)
        discharge_kw = np.where(
            discharging, np.clip(discharge_kw, charger.discharge_min_kw, charger.discharge_max_kw), 0.0
        )
        return setpoints_from_powers(night, charge_kw, discharge_kw, *shares, values[columns["curtailed_kw"]])
