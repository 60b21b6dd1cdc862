"""Least money of a short night: every sequence of modes is tried, and the linear program it leaves is solved.

Written with other variables than the sparse matrices: one power an interval, stored energy and the draw at
the meter as sums of it, money at the meter as the dearer of two prices. Where that is not the truth (export
pays more than import costs, or curtailment begins at a kink) the interval is tried on both sides of the kink.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import linprog

from models.base.arrays import FloatArray
from scheduler.nights.night import Night

SAME = 1e-6
"""Objectives this close are the same [kWh]."""


@dataclass(frozen=True, slots=True)
class BruteForceAnswer:
    """Best of all sequences; the four objectives as in `IndependentAnswer`."""

    on_the_way: float
    missing_at_departure: float
    missing_when_ready: float
    money: float
    sequences: int


@dataclass(frozen=True, slots=True)
class Side:
    """What an interval does: the mode, and the side of each kink, 0 where there is none.

    mode : 0 idle, 1 charge, -1 discharge.
    grid : 1 draws, -1 feeds in. spare : 1 curtails all that cannot be exported, -1 nothing.
    """

    mode: int
    grid: int = 0
    spare: int = 0


@dataclass(slots=True)
class Sums:
    """A linear program; an expression is a vector of coefficients with its constant last."""

    size: int
    used: int = 0
    lower: list[float] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    rows: list[FloatArray] = field(default_factory=list)

    def constant(self, value: float) -> FloatArray:
        expression = np.zeros(self.size + 1)
        expression[-1] = value
        return expression

    def variable(self, lower: float, upper: float = np.inf) -> FloatArray:
        self.lower.append(lower)
        self.upper.append(upper)
        expression = self.constant(0)
        expression[self.used] = 1
        self.used += 1
        return expression

    def not_below_zero(self, expression: FloatArray) -> None:
        self.rows.append(expression)

    def least(self, expression: FloatArray) -> float:
        """Least value of the expression, infinite where the laws cannot be kept."""
        matrix = np.array(self.rows)[:, [*range(self.used), -1]]
        bounds = np.column_stack([self.lower, self.upper])
        result = linprog(expression[: self.used], A_ub=-matrix[:, :-1], b_ub=matrix[:, -1], bounds=bounds)
        if result.status == 2:
            return np.inf
        if result.status != 0:
            raise RuntimeError(result.message)
        return float(result.fun + expression[-1])


def brute_force(night: Night) -> BruteForceAnswer:
    """Best answer of a night over all sequences of modes, after the priorities."""
    hours = night.hours
    programs = [_program(night, hours, sides) for sides in _sequences(night)]
    sequences = len(programs)
    best = []
    for stage in range(4):
        if (number := _same_number([objectives[stage] for _, objectives in programs])) is not None:
            best.append(number)
            continue
        values = np.array([sums.least(objectives[stage]) for sums, objectives in programs])
        least = float(values.min())
        best.append(least)
        programs = [program for program, value in zip(programs, values, strict=True) if value <= least + SAME]
        for sums, objectives in programs:
            sums.not_below_zero(sums.constant(least + SAME) - objectives[stage])
    return BruteForceAnswer(*best, sequences=sequences)


def _same_number(objectives: list[FloatArray]) -> float | None:
    """The value of objectives that are one number whatever is done, as without a trip; they choose nothing."""
    if any(objective[:-1].any() or objective[-1] != objectives[0][-1] for objective in objectives):
        return None
    return float(objectives[0][-1])


def _sequences(night: Night) -> Iterator[tuple[Side, ...]]:
    return itertools.product(*(list(_sides(night, t)) for t in range(night.intervals)))


def _sides(night: Night, t: int) -> Iterator[Side]:
    """Every mode of an interval with every side of a kink that its power can reach."""
    charger, net = night.charger, night.load_kw[t] - night.solar_kw[t]
    reach = {0: (0.0, 0.0)}
    if night.at_home[t]:
        reach[1] = (charger.charge_min_kw, charger.charge_max_kw)
        reach[-1] = (-charger.discharge_max_kw, -charger.discharge_min_kw)
    for mode, (low, high) in reach.items():
        if mode == -1 and charger.discharge_to == "building" and -high > max(0.0, net):
            continue
        lowest, highest = net + low, net + high + night.solar_kw[t] * night.solar_can_be_limited
        grids = [0]
        if night.export_price[t] > night.import_price[t]:
            grids = [1] if lowest >= 0 else [-1] if highest <= 0 else [1, -1]
        spares = [0]
        if not night.solar_can_be_limited and net < -night.connection.export_limit_kw:
            spares = [1, -1] if mode == 1 else [1] if mode == 0 else [-1]
        yield from (Side(mode, grid, spare) for grid in grids for spare in spares)


def _program(night: Night, hours: FloatArray, sides: tuple[Side, ...]) -> tuple[Sums, list[FloatArray]]:
    """The linear program of one sequence and its four objectives."""
    trips = len(night.trips)
    segments = len(night.wear.size_kwh)
    sums = Sums(size=night.intervals * (6 + 2 * segments) + 3 * trips + 2)
    power = [_power(sums, night, side) for side in sides]
    driving = {trip.comeback - 1: number for number, trip in enumerate(night.trips)}
    on_the_way = [sums.variable(0) if trip.trip.distance_km > 0 else sums.constant(0) for trip in night.trips]
    money = sums.constant(0)
    stored = [sums.constant(night.stored_now_kwh)]
    fill = [sums.constant(held) for held in night.initial_fill_kwh]
    given = sums.constant(0)
    running = 0
    for t, side in enumerate(sides):
        money = money + _meter_money(sums, night, hours[t], t, side, power[t])
        gain = _gain(sums, night, hours[t], side, power[t])
        flows = [gain]
        if t in driving:
            flows = [on_the_way[driving[t]], sums.constant(-night.trips[driving[t]].energy_kwh)]
        money = money + _wear_money(sums, night, fill, flows, side)
        stored.append(sum(flows, stored[-1]))
        _keep_window(sums, night, t, side, stored[-1])
        money = money + _outside_money(sums, night, hours[t], t, stored[-1])
        if side.mode not in (0, running):
            money = money + sums.constant(night.charger.start_worth_kwh * night.highest_price)
        running = side.mode
        if side.mode == -1:
            given = given + hours[t] * power[t]
    money = money + _ageing_money(sums, night, hours, stored)
    if night.car.discharge_limit_kwh is not None:
        sums.not_below_zero(sums.constant(night.car.discharge_limit_kwh) - given)
    left, now = stored[-1], night.stored_now_kwh
    for width, price in zip(
        night.stored_energy.width_kwh.tolist(), night.stored_energy.price_per_kwh.tolist(), strict=True
    ):
        counted = sums.variable(0.0, width)
        sums.not_below_zero(left - counted)
        money = money - price * (counted - sums.constant(min(now, width)))
        left, now = left - counted, max(0.0, now - width)
    money = money + night.car.on_the_way_price_per_kwh * sum(on_the_way, sums.constant(0))
    weighted, at_departure, when_ready = (sums.constant(0) for _ in range(3))
    for number, (trip, extra) in enumerate(zip(night.trips, on_the_way, strict=True)):
        leaving = stored[trip.depart]
        if trip.trip.distance_km > 0:
            home_with = leaving + extra - sums.constant(trip.energy_kwh + night.car.return_reserve_kwh)
            sums.not_below_zero(home_with)
        weighted = weighted + (trips - number) * extra
        missing, worst = sums.variable(0), sums.variable(0)
        sums.not_below_zero(leaving + missing - sums.constant(trip.target_kwh))
        for before in stored[trip.ready : trip.depart]:
            sums.not_below_zero(before + worst - sums.constant(trip.target_kwh))
        at_departure, when_ready = at_departure + missing, when_ready + worst
    return sums, [weighted, at_departure, when_ready, money]


def _power(sums: Sums, night: Night, side: Side) -> FloatArray:
    charger = night.charger
    if side.mode == 1:
        return sums.variable(charger.charge_min_kw, charger.charge_max_kw)
    if side.mode == -1:
        return sums.variable(charger.discharge_min_kw, charger.discharge_max_kw)
    return sums.constant(0)


def _gain(sums: Sums, night: Night, hours: float, side: Side, power: FloatArray) -> FloatArray:
    """Energy into the battery in an interval at home [kWh], below zero for energy out of it."""
    charger = night.charger
    if side.mode == 1:
        return hours * (charger.charge_efficiency * power - sums.constant(charger.fixed_loss_kw))
    if side.mode == -1:
        return -hours * (power / charger.discharge_efficiency + sums.constant(charger.fixed_loss_kw))
    return sums.constant(0)


def _meter_money(sums: Sums, night: Night, hours: float, t: int, side: Side, power: FloatArray) -> FloatArray:
    load, solar = night.load_kw[t], night.solar_kw[t]
    most_out = night.connection.export_limit_kw
    draw = sums.constant(load - solar) + side.mode * power
    if side.mode == -1 and night.charger.discharge_to == "building":
        sums.not_below_zero(sums.constant(max(0.0, load - solar)) - power)
    if night.solar_can_be_limited:
        draw = draw + sums.variable(0, solar)
    elif side.spare == 1:
        sums.not_below_zero(sums.constant(-most_out) - draw)
        draw = sums.constant(-most_out)
    sums.not_below_zero(draw + sums.constant(most_out))
    sums.not_below_zero(sums.constant(max(night.connection.import_limit_kw, load - solar)) - draw)
    importing, exporting = hours * night.import_price[t], hours * night.export_price[t]
    if side.grid:
        sums.not_below_zero(side.grid * draw)
        return (importing if side.grid == 1 else exporting) * draw
    cost = sums.variable(-np.inf)
    sums.not_below_zero(cost - importing * draw)
    sums.not_below_zero(cost - exporting * draw)
    return cost


def _ageing_money(sums: Sums, night: Night, hours: FloatArray, stored: list[FloatArray]) -> FloatArray:
    """What standing costs: in each interval the mean of the costs at its two ends, each the highest of some lines."""
    money = sums.constant(0)
    if night.calendar is None:
        return money
    knots, heights = night.calendar.knots_kwh, night.calendar.money_per_hour
    for boundary, energy in enumerate(stored):
        before = hours[boundary - 1] if boundary > 0 else 0.0
        beyond = hours[boundary] if boundary < night.intervals else 0.0
        cost = sums.variable(0)
        for k in range(len(knots) - 1):
            slope = (heights[k + 1] - heights[k]) / (knots[k + 1] - knots[k])
            sums.not_below_zero(cost - slope * energy - sums.constant(heights[k] - slope * knots[k]))
        money = money + night.wear_weight * (before + beyond) / 2 * cost
    return money


def _wear_money(sums: Sums, night: Night, fill: list[FloatArray], flows: list[FloatArray], side: Side) -> FloatArray:
    """Wear of each flow's outward part; moves `fill` on."""
    if len(flows) == 1 and side.mode == 0:
        return sums.constant(0)
    money, entering, leaving = sums.constant(0), sums.constant(0), sums.constant(0)
    for segment, (size, price) in enumerate(zip(night.wear.size_kwh, night.wear.price_per_kwh, strict=True)):
        into, out = sums.variable(0), sums.variable(0)
        entering, leaving = entering + into, leaving + out
        money = money + night.wear_weight * price * out
        fill[segment] = fill[segment] + into - out
        sums.not_below_zero(fill[segment])
        sums.not_below_zero(sums.constant(size) - fill[segment])
    # at least what flows out leaves and at least what flows in enters, and together they make the balance
    short = sum(flows, sums.constant(0)) - entering + leaving
    sums.not_below_zero(short)
    sums.not_below_zero(-short)
    if len(flows) == 2:
        sums.not_below_zero(leaving + flows[1])
    return money


def _keep_window(sums: Sums, night: Night, t: int, side: Side, after: FloatArray) -> None:
    sums.not_below_zero(after)
    sums.not_below_zero(sums.constant(night.car.battery_kwh) - after)
    if side.mode == -1:
        sums.not_below_zero(after - sums.constant(night.car.floor_kwh))
    if side.mode == 1:
        before = [trip for trip in night.trips if _home_before(night, trip.depart) <= t < trip.depart]
        highest = max([night.car.ceiling_kwh, *(trip.target_kwh for trip in before)])
        sums.not_below_zero(sums.constant(highest) - after)


def _home_before(night: Night, depart: int) -> int:
    """Boundary since which the car has been at home before a departure; 0 before the first."""
    return max([0, *(trip.comeback for trip in night.trips if trip.comeback <= depart)])


def _outside_money(sums: Sums, night: Night, hours: float, t: int, after: FloatArray) -> FloatArray:
    if not night.at_home[t]:
        return sums.constant(0)
    outside = sums.variable(0)
    sums.not_below_zero(outside - sums.constant(night.car.floor_kwh) + after)
    sums.not_below_zero(outside + sums.constant(night.car.ceiling_kwh) - after)
    return night.car.outside_window_factor * night.highest_price * hours * outside
