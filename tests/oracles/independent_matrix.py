"""One night's program written out a second time, as plain sparse matrices for `scipy.optimize.milp`.

The program as it is stated, constraint by constraint, with one binary for each direction and none of the tightening
that a fast formulation needs. It shares no code with the scheduler beyond the `Night` record, so that the two
can be held against each other. Priorities are separate solves: each earlier objective is held at its optimum
in the next.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, OptimizeResult, milp
from scipy.sparse import csr_matrix

from models.base.arrays import FloatArray, IntArray
from scheduler.nights.night import Night
from scheduler.nights.stored_energy import SegmentValue

HELD_WITHIN = 1e-5
"""How far an earlier objective may move in a later solve [kWh].

Well above the solver's own tolerances (1e-6 and 1e-7): held more tightly, a few nights in a thousand come out one
start too dear or without an answer. It can make money less by about this times the dearest price.
"""

INFEASIBLE = 2
"""What `milp` calls a program that nothing keeps to."""

WIDER_KWH = 1e-5
"""By how much bounds given for stored energy are widened [kWh].

HiGHS may take a plan that is 1e-6 outside a bound, its tolerance, for the optimum, and end with "Solve error" for that
very reason. The parts of a proof are bounds on which plans lie, so that it did on some nights.
"""

Term = tuple[int, float]


class InfeasibleError(RuntimeError):
    """No values of the columns keep to all rows."""


@dataclass(frozen=True, slots=True, eq=False)
class IndependentAnswer:
    """Optimum of one night.

    Attributes
    ----------
    on_the_way : weighted sum over trips [kWh]: K, K - 1, ... 1 for K trips, earlier trips weigh more.
    missing_at_departure : summed over trips [kWh].
    missing_when_ready : each trip's worst boundary from ready until just before departure, summed [kWh].
    money : least objective. money_bound : proved lower bound of it [money].
    charge_kw, discharge_kw, curtailed_kw : the setpoints [kW], shape (n,).
    stored_kwh : at the boundaries [kWh], shape (n + 1,).
    on_the_way_kwh : of each trip [kWh], shape (trips,).
    """

    on_the_way: float
    missing_at_departure: float
    missing_when_ready: float
    money: float
    money_bound: float
    charge_kw: FloatArray
    discharge_kw: FloatArray
    curtailed_kw: FloatArray
    stored_kwh: FloatArray
    on_the_way_kwh: FloatArray


@dataclass(slots=True)
class Matrix:
    """A mixed-integer program that grows by columns and rows."""

    lower: list[float] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    integer: list[int] = field(default_factory=list)
    entries: list[tuple[int, int, float]] = field(default_factory=list)
    row_lower: list[float] = field(default_factory=list)
    row_upper: list[float] = field(default_factory=list)

    def columns(self, upper: FloatArray | Iterable[float], binary: bool = False) -> IntArray:
        """Add one column from 0 to each upper bound; returns their numbers."""
        bounds = [float(bound) for bound in upper]
        first = len(self.lower)
        self.lower += [0.0] * len(bounds)
        self.upper += bounds
        self.integer += [int(binary)] * len(bounds)
        return np.arange(first, first + len(bounds))

    def row(self, terms: Iterable[Term], least: float = -np.inf, most: float = np.inf) -> None:
        """Add the law least <= sum of coefficient × column <= most."""
        number = len(self.row_lower)
        self.entries += [(number, int(column), float(value)) for column, value in terms]
        self.row_lower.append(least)
        self.row_upper.append(most)

    def minimise(self, cost: FloatArray) -> OptimizeResult:
        """Solve.

        Raises
        ------
        InfeasibleError : nothing keeps to all rows, with presolve and without. RuntimeError : the solver gave up.
        """
        rows, columns, values = (np.array(part) for part in zip(*self.entries, strict=True))
        shape = (len(self.row_lower), len(self.lower))
        coefficients = csr_matrix((values, (rows, columns)), shape=shape)
        laws = LinearConstraint(coefficients, np.array(self.row_lower), np.array(self.row_upper))
        for presolve in (True, False):
            result = milp(
                cost,
                integrality=np.array(self.integer),
                bounds=Bounds(np.array(self.lower), np.array(self.upper)),
                constraints=laws,
                options={"mip_rel_gap": 0.0, "presolve": presolve},
            )
            if result.x is not None and result.status == 0:
                return result
        if result.status == INFEASIBLE:
            raise InfeasibleError(f"no optimum: {result.message}")
        raise RuntimeError(f"no optimum: {result.message}")


@dataclass(slots=True)
class Columns:
    """Column numbers: powers and modes of shape (n,), stored of shape (n + 1,), the rest by trip."""

    charge: IntArray
    discharge: IntArray
    imported: IntArray
    exported: IntArray
    curtailed: IntArray
    charging: IntArray
    discharging: IntArray
    stored: IntArray
    on_the_way: IntArray
    missing_at_departure: IntArray
    missing_when_ready: IntArray


def independent_optimum(night: Night, may_discharge: bool = True) -> IndependentAnswer:
    """Least money of a night after its priorities; `may_discharge=False` is the charge-only alternative.

    Raises
    ------
    RuntimeError : no optimum was found.
    ValueError : stored energy worth less than nothing, which this statement cannot hold.
    """
    if night.stored_energy.price_per_kwh.min() < 0:
        raise ValueError("a negative price of stored energy makes the capped value non-concave")
    matrix = Matrix()
    columns, money, constant = add_laws_and_money(matrix, night, may_discharge)
    count = len(night.trips)
    priorities = (
        (columns.on_the_way, np.arange(count, 0, -1.0)),
        (columns.missing_at_departure, np.ones(count)),
        (columns.missing_when_ready, np.ones(count)),
    )
    best: list[float] = []
    for chosen, weights in priorities if count else ():
        result = _next_priority(matrix, dict(zip(chosen, weights, strict=True)), best)
        best.append(max(0.0, float(result.fun)))
        matrix.row(zip(chosen, weights, strict=True))
    result = _next_priority(matrix, money, best)
    on_the_way, at_departure, when_ready = best or (0.0, 0.0, 0.0)
    return IndependentAnswer(
        on_the_way=on_the_way,
        missing_at_departure=at_departure,
        missing_when_ready=when_ready,
        money=float(result.fun) + constant,
        money_bound=float(result.mip_dual_bound) + constant,
        charge_kw=result.x[columns.charge],
        discharge_kw=result.x[columns.discharge],
        curtailed_kw=result.x[columns.curtailed],
        stored_kwh=result.x[columns.stored],
        on_the_way_kwh=result.x[columns.on_the_way],
    )


def add_laws_and_money(
    matrix: Matrix, night: Night, may_discharge: bool = True
) -> tuple[Columns, dict[int, float], float]:
    """Add a night to a matrix; returns its columns, and the objective by column with its constant [money]."""
    columns = _add_laws(matrix, night, may_discharge)
    money: dict[int, float] = {}
    _add_meter_money(columns, night, money)
    _add_steps(matrix, columns, night, money)
    left = _add_wear(matrix, columns, night, money)
    _add_ageing(matrix, columns, night, money)
    _add_outside_window(matrix, columns, night, money)
    _add_starts(matrix, columns, night, money)
    if night.segment_value is None:
        constant = _add_stored_energy(matrix, columns, night, money)
    else:
        constant = _add_segment_value(matrix, left, night, night.segment_value, money)
    constant += _add_demand(matrix, columns, night, money)
    return columns, money, constant


def least_at_prices(
    night: Night, least_kwh: FloatArray, most_kwh: FloatArray, stored_price: FloatArray, given_price: float
) -> float:
    """Least money of a night without wear and without the discharge limit, prices on stored and given energy included.

    A limit of 0 with a least power over 0 stays: nothing may be discharged then. No trip may be short of anything. What
    cannot be kept to costs infinitely much. Bounds are `WIDER_KWH` wider than given: the least of more plans is no
    more, so what it proves of a bound holds.

    Parameters
    ----------
    least_kwh, most_kwh : of stored energy at each boundary [kWh], shape (n + 1,).
    stored_price : [money per kWh], shape (n + 1,). given_price : [money per kWh].

    Raises
    ------
    RuntimeError : the solver gave up.
    """
    nothing_given = night.car.discharge_limit_kwh == 0 and night.charger.discharge_min_kw > 0
    night = replace(night, car=replace(night.car, discharge_limit_kwh=None))
    matrix = Matrix()
    columns = _add_laws(matrix, night, not nothing_given)
    money: dict[int, float] = {}
    _add_meter_money(columns, night, money)
    _add_ageing(matrix, columns, night, money)
    _add_outside_window(matrix, columns, night, money)
    _add_starts(matrix, columns, night, money)
    constant = _add_stored_energy(matrix, columns, night, money)
    for column, low, high, price in zip(columns.stored, least_kwh, most_kwh, stored_price, strict=True):
        matrix.lower[column] = max(matrix.lower[column], low - WIDER_KWH)
        matrix.upper[column] = min(matrix.upper[column], high + WIDER_KWH)
        money[column] = money.get(column, 0.0) + price
    for column, hours in zip(columns.discharge, night.hours, strict=True):
        money[column] = money.get(column, 0.0) + given_price * hours
    for column in (*columns.on_the_way, *columns.missing_at_departure, *columns.missing_when_ready):
        matrix.upper[column] = 0.0
    if any(low > high for low, high in zip(matrix.lower, matrix.upper, strict=True)):
        return np.inf
    objective = np.zeros(len(matrix.lower))
    objective[list(money)] = list(money.values())
    try:
        result = matrix.minimise(objective)
    except InfeasibleError:
        return np.inf
    return float(result.mip_dual_bound) + constant


def _next_priority(matrix: Matrix, cost: dict[int, float], best: list[float]) -> OptimizeResult:
    """Minimise with the objectives so far, which are the last rows, held at their optimum."""
    objective = np.zeros(len(matrix.lower))
    objective[list(cost)] = list(cost.values())
    matrix.row_upper[len(matrix.row_upper) - len(best) :] = [least + HELD_WITHIN for least in best]
    return matrix.minimise(objective)


def _add_laws(matrix: Matrix, night: Night, may_discharge: bool) -> Columns:
    """Add the columns of a night and what holds between them, all but what money alone brings in."""
    columns = _add_columns(matrix, night, may_discharge)
    _add_power_laws(matrix, columns, night)
    _add_solar_law(matrix, columns, night)
    _add_battery_laws(matrix, columns, night)
    _add_trip_laws(matrix, columns, night)
    return columns


def _add_columns(matrix: Matrix, night: Night, may_discharge: bool) -> Columns:
    home = night.at_home.astype(np.float64)
    may = home if may_discharge else np.zeros(night.intervals)
    net_load = night.load_kw - night.solar_kw
    most_out = np.full(night.intervals, night.connection.export_limit_kw)
    if night.export_limits_kw is not None:
        most_out = night.export_limits_kw
    spare = np.maximum(0.0, -net_load - most_out)
    charge = np.full(night.intervals, night.charger.charge_max_kw)
    if night.no_grid_charging is not None:
        charge = np.where(night.no_grid_charging, np.minimum(charge, np.maximum(0.0, -net_load)), charge)
    may_charge = home * (charge >= night.charger.charge_min_kw)
    endless = np.full(len(night.trips), np.inf)
    columns = Columns(
        charge=matrix.columns(charge * may_charge),
        discharge=matrix.columns(night.charger.discharge_max_kw * may),
        imported=matrix.columns(np.maximum(night.connection.import_limit_kw, net_load)),
        exported=matrix.columns(most_out),
        curtailed=matrix.columns(night.solar_kw if night.solar_can_be_limited else spare),
        charging=matrix.columns(may_charge, binary=True),
        discharging=matrix.columns(may, binary=True),
        stored=matrix.columns(np.full(night.intervals + 1, night.car.battery_kwh)),
        on_the_way=matrix.columns([np.inf if trip.trip.distance_km > 0 else 0.0 for trip in night.trips]),
        missing_at_departure=matrix.columns(endless),
        missing_when_ready=matrix.columns(endless),
    )
    matrix.lower[columns.stored[0]] = matrix.upper[columns.stored[0]] = night.stored_now_kwh
    return columns


def _add_power_laws(matrix: Matrix, columns: Columns, night: Night) -> None:
    """Semi-continuous powers, one direction, the balance at the meter, and what the car may give."""
    charger = night.charger
    for t in range(night.intervals):
        charge, charging = columns.charge[t], columns.charging[t]
        discharge, discharging = columns.discharge[t], columns.discharging[t]
        imported, exported = columns.imported[t], columns.exported[t]
        matrix.row([(charge, 1), (charging, -charger.charge_min_kw)], least=0)
        matrix.row([(charge, 1), (charging, -charger.charge_max_kw)], most=0)
        matrix.row([(discharge, 1), (discharging, -charger.discharge_min_kw)], least=0)
        matrix.row([(discharge, 1), (discharging, -charger.discharge_max_kw)], most=0)
        matrix.row([(charging, 1), (discharging, 1)], most=1)
        net_load = night.load_kw[t] - night.solar_kw[t]
        balance = [(imported, 1), (exported, -1), (charge, -1), (discharge, 1), (columns.curtailed[t], -1)]
        matrix.row(balance, least=net_load, most=net_load)
        if charger.discharge_to == "building":
            matrix.row([(discharge, 1)], most=max(0.0, net_load))
        if night.export_price[t] > night.import_price[t] or night.tiers:
            importing = matrix.columns([1], binary=True)[0]
            matrix.row([(imported, 1), (importing, -matrix.upper[imported])], most=0)
            matrix.row([(exported, 1), (importing, matrix.upper[exported])], most=matrix.upper[exported])
    if night.car.discharge_limit_kwh is not None:
        matrix.row(zip(columns.discharge, night.hours, strict=True), most=night.car.discharge_limit_kwh)


def _add_solar_law(matrix: Matrix, columns: Columns, night: Night) -> None:
    """Where solar cannot be limited, only what can neither be used nor exported is curtailed.

    The bound on the column says how much at most; a battery that charges leaves less. Curtailing more than
    that could pay only where an import or export price is negative, but the law holds everywhere.
    """
    if night.solar_can_be_limited:
        _add_no_grid_charging(matrix, columns, night)
        return
    surplus = night.solar_kw - night.load_kw - np.array([matrix.upper[column] for column in columns.exported])
    for t in np.flatnonzero(surplus > 0):
        curtailing = matrix.columns([1], binary=True)[0]
        curtailed, charge = columns.curtailed[t], columns.charge[t]
        most = night.charger.charge_max_kw
        matrix.row([(curtailed, 1), (curtailing, -surplus[t])], most=0)
        matrix.row([(curtailed, 1), (charge, 1), (curtailing, most)], most=surplus[t] + most)


def _add_no_grid_charging(matrix: Matrix, columns: Columns, night: Night) -> None:
    """Where the offer forbids charging from the grid, solar that is curtailed cannot be charged."""
    for t in range(night.intervals):
        if night.no_grid_charging is not None and night.no_grid_charging[t]:
            terms = [(columns.charge[t], 1.0), (columns.curtailed[t], 1.0), (columns.charging[t], 1000.0)]
            matrix.row(terms, most=max(0.0, night.solar_kw[t] - night.load_kw[t]) + 1000.0)


def _add_battery_laws(matrix: Matrix, columns: Columns, night: Night) -> None:
    """Stored energy from boundary to boundary, and the window of ordinary use."""
    battery, floor, ceiling = night.car.battery_kwh, night.car.floor_kwh, night.ceiling_kwh
    for t, (into, out, driven) in enumerate(_energy_terms(columns, night)):
        taken = [(column, -value) for column, value in out]
        change = [*into, *taken, (columns.stored[t], 1), (columns.stored[t + 1], -1)]
        matrix.row(change, least=driven, most=driven)
        after = columns.stored[t + 1]
        matrix.row([(after, 1), (columns.discharging[t], -floor)], least=0)
        matrix.row([(after, 1), (columns.charging[t], battery - ceiling[t + 1])], most=battery)


def _energy_terms(columns: Columns, night: Night) -> list[tuple[list[Term], list[Term], float]]:
    """For each interval: terms into the battery, terms out of it, and what driving takes [kWh]."""
    charger = night.charger
    terms: list[tuple[list[Term], list[Term], float]] = []
    for t, hours in enumerate(night.hours):
        into = [
            (columns.charge[t], hours * charger.charge_efficiency_percent / 100),
            (columns.charging[t], -hours * charger.fixed_loss_kw),
        ]
        out = [
            (columns.discharge[t], hours * 100 / charger.discharge_efficiency_percent),
            (columns.discharging[t], hours * charger.fixed_loss_kw),
        ]
        driven = 0.0
        for number, trip in enumerate(night.trips):
            if t == trip.comeback - 1:
                driven = trip.energy_kwh
                into.append((columns.on_the_way[number], 1.0))
        terms.append((into, out, driven))
    return terms


def _add_trip_laws(matrix: Matrix, columns: Columns, night: Night) -> None:
    """Departure targets with what is missing of them, and the energy charged on the way."""
    for number, trip in enumerate(night.trips):
        at_departure = columns.stored[trip.depart]
        matrix.row([(at_departure, 1), (columns.missing_at_departure[number], 1)], least=trip.target_kwh)
        for boundary in range(trip.ready, trip.depart):
            stored = columns.stored[boundary]
            matrix.row([(stored, 1), (columns.missing_when_ready[number], 1)], least=trip.target_kwh)
        if trip.trip.distance_km > 0:
            wanted = trip.energy_kwh + night.car.return_reserve_kwh
            matrix.row([(at_departure, 1), (columns.on_the_way[number], 1)], least=wanted)


def _add_meter_money(columns: Columns, night: Night, money: dict[int, float]) -> None:
    for t, hours in enumerate(night.hours):
        money[columns.imported[t]] = hours * night.import_price[t]
        money[columns.exported[t]] = -hours * night.export_price[t]
    for column in columns.on_the_way:
        money[column] = night.car.on_the_way_price_per_kwh


def _add_steps(matrix: Matrix, columns: Columns, night: Night, money: dict[int, float]) -> None:
    """Steps of kWh, always in order of time: after each interval, `within` is the lesser of what was counted and left.

    The binary says which of the two it is; no use is made of a price that would see to that by itself.
    """
    for step in night.tiers:
        power = columns.imported if step.side == "import" else columns.exported
        sign = 1.0 if step.side == "import" else -1.0
        left = max(0.0, step.left_kwh)
        counted: list[Term] = []
        most, before = 0.0, None
        for t in np.flatnonzero(step.holds):
            counted.append((power[t], night.hours[t]))
            most += night.hours[t] * matrix.upper[power[t]]
            within, over = matrix.columns([left])[0], matrix.columns([1], binary=True)[0]
            negative = [(column, -hours) for column, hours in counted]
            matrix.row([(within, 1.0), *negative], most=0)
            matrix.row([(within, 1.0), *negative, (over, most + 1.0)], least=0)
            matrix.row([(within, 1.0), (over, -left)], least=0)
            money[within] = money.get(within, 0.0) + sign * step.difference[t]
            if before is not None:
                money[before] -= sign * step.difference[t]
            before = within


def _add_demand(matrix: Matrix, columns: Columns, night: Night, money: dict[int, float]) -> float:
    """The highest mean import of each month above its highest so far; gives what does not depend on the night."""
    constant = 0.0
    for month in night.demand:
        peak = matrix.columns([np.inf])[0]
        matrix.row([(peak, 1.0)], least=month.so_far_kw)
        for mean in set(month.mean_of.tolist()) - {-1}:
            at = [t for t in range(night.intervals) if month.mean_of[t] == mean]
            length = sum(night.hours[t] for t in at)
            terms = [(columns.imported[t], -night.hours[t] / length) for t in at]
            matrix.row([(peak, 1.0), *terms], least=0)
        money[peak] = month.price_per_kw
        constant -= month.price_per_kw * month.so_far_kw
    return constant


def _add_wear(matrix: Matrix, columns: Columns, night: Night, money: dict[int, float]) -> IntArray:
    """Energy in each segment; what enters and leaves the battery enters and leaves segments. Returns that at the end.

    A charging power that does not cover the fixed loss takes energy out of the battery: `uncovered`.
    """
    sizes = night.wear.size_kwh
    held = matrix.columns(night.initial_fill_kwh)
    for column, initial in zip(held, night.initial_fill_kwh, strict=True):
        matrix.lower[column] = initial
    for into, out, driven in _energy_terms(columns, night):
        entering = matrix.columns(np.full(len(sizes), np.inf))
        leaving = matrix.columns(np.full(len(sizes), np.inf))
        after = matrix.columns(sizes)
        uncovered = matrix.columns([np.inf])[0]
        taken = [(uncovered, -1.0), *((column, -value) for column, value in out)]
        brought = [(uncovered, -1.0), *((column, -value) for column, value in into)]
        matrix.row([*((column, 1.0) for column in entering), *brought], least=0, most=0)
        matrix.row([*((column, 1.0) for column in leaving), *taken], least=driven, most=driven)
        for j in range(len(sizes)):
            matrix.row([(held[j], 1), (entering[j], 1), (leaving[j], -1), (after[j], -1)], least=0, most=0)
            money[leaving[j]] = night.wear_weight * night.wear.price_per_kwh[j]
        held = after
    return held


def _add_ageing(matrix: Matrix, columns: Columns, night: Night, money: dict[int, float]) -> None:
    """What standing costs: in each interval the mean of the costs at its two ends, each the highest of some lines."""
    if night.calendar is None:
        return
    knots, heights = night.calendar.knots_kwh, night.calendar.money_per_hour
    costs = matrix.columns(np.full(len(columns.stored), np.inf))
    for stored, cost in zip(columns.stored, costs, strict=True):
        for k in range(len(knots) - 1):
            slope = (heights[k + 1] - heights[k]) / (knots[k + 1] - knots[k])
            matrix.row([(cost, 1.0), (stored, -slope)], least=heights[k] - slope * knots[k])
        money[cost] = 0.0
    for t, hours in enumerate(night.hours):
        money[costs[t]] += night.wear_weight * hours / 2
        money[costs[t + 1]] += night.wear_weight * hours / 2


def _add_outside_window(matrix: Matrix, columns: Columns, night: Night, money: dict[int, float]) -> None:
    """Energy outside floor_percent to ceiling_percent at the end of intervals at home."""
    rate = night.car.outside_window_factor * night.highest_price
    for t in np.flatnonzero(night.at_home):
        under, over = matrix.columns([np.inf, np.inf])
        matrix.row([(columns.stored[t + 1], 1), (under, 1)], least=night.car.floor_kwh)
        matrix.row([(columns.stored[t + 1], 1), (over, -1)], most=night.car.ceiling_kwh)
        money[under] = money[over] = rate * night.hours[t]


def _add_starts(matrix: Matrix, columns: Columns, night: Night, money: dict[int, float]) -> None:
    """A change to charging from not charging, or to discharging from not discharging; idle before now."""
    for mode in (columns.charging, columns.discharging):
        starts = matrix.columns(np.ones(night.intervals))
        for t in range(night.intervals):
            before = [(mode[t - 1], 1.0)] if t else []
            matrix.row([(starts[t], 1), (mode[t], -1), *before], least=0)
            money[starts[t]] = night.charger.start_worth_kwh * night.highest_price


def _add_segment_value(
    matrix: Matrix, left: IntArray, night: Night, value: SegmentValue, money: dict[int, float]
) -> float:
    """Worth of what is left in each segment, the least of the planes, as two columns; returns the constant part."""
    more, less = matrix.columns([np.inf, np.inf])
    for constant, prices in zip(value.constant, value.price_per_kwh, strict=True):
        slopes = [(column, -price) for column, price in zip(left, prices, strict=True)]
        matrix.row([(more, 1.0), (less, -1.0), *slopes], most=constant)
    money[more], money[less] = -1.0, 1.0
    return min(
        float(constant + sum(price * kwh for price, kwh in zip(prices, night.initial_fill_kwh, strict=True)))
        for constant, prices in zip(value.constant, value.price_per_kwh, strict=True)
    )


def _add_stored_energy(matrix: Matrix, columns: Columns, night: Night, money: dict[int, float]) -> float:
    """Worth of what is left, piece by piece; returns the constant part of the objective."""
    value = night.stored_energy
    counted = matrix.columns(value.width_kwh)
    matrix.row([*((column, 1.0) for column in counted), (columns.stored[-1], -1)], most=0)
    constant, below = 0.0, 0.0
    for column, width, price in zip(counted, value.width_kwh, value.price_per_kwh, strict=True):
        money[column] = -price
        constant += price * min(max(night.stored_now_kwh - below, 0.0), width)
        below += width
    return float(constant)
