"""The same energy at better times: whole runs, and the ends of runs, moved to where they cost no more.

Linear programs at fixed modes cannot move a run to another hour of the same price. Here many schedules that differ from
one plan by one move are priced at once, as arrays over schedules, and the best timed that costs no more is taken.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray, runs
from models.site.connection import grid_flows_kw, net_draw_kw
from scheduler.nights.night import Night
from scheduler.optimizer.certificate.dynamic_moves import Caps
from scheduler.optimizer.objectives import charger_start_worth
from scheduler.optimizer.setpoints import setpoints_from_powers

NO_MORE = 1e-9
"""Money [kWh at the highest price], energy [kWh] and power [kW] differing by less are the same."""
MOST_MOVES = 6
"""Moves made one after another."""
EDGES, FREE_EDGES = (1,), (1, 2, 4)
"""Intervals that a run gains or loses at one end in a move, and where running costs nothing by itself."""


@dataclass(frozen=True, slots=True, eq=False)
class Schedules:
    """Schedules of one night: powers [kW] and whether it charges or discharges; shape (schedules, n) each."""

    charge_kw: FloatArray
    discharge_kw: FloatArray
    charging: BoolArray
    discharging: BoolArray

    def one(self, number: int) -> Schedules:
        """Return one of them, shape (1, n)."""
        here = slice(number, number + 1)
        return Schedules(self.charge_kw[here], self.discharge_kw[here], self.charging[here], self.discharging[here])


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """What schedules cost and how they serve.

    Attributes
    ----------
    money : the total, as the program counts it [money], shape (schedules,).
    short_kwh : on the way, missing at the departure and missing when ready of each trip [kWh], shape (schedules, 3 k).
    outside_kwh : by how much stored energy leaves its bounds [kWh], shape (schedules,); 0 where it does not.
    """

    money: FloatArray
    short_kwh: FloatArray
    outside_kwh: FloatArray


def judge(night: Night, plans: Schedules) -> Judged:
    """Price schedules: energy, wear, ageing, window, trips and starts, as replay does one by one."""
    setpoints = setpoints_from_powers(
        night, plans.charge_kw, plans.discharge_kw, plans.charging.astype(np.float64), plans.discharging * 1.0
    )
    net = net_draw_kw(night.load_kw, night.solar_kw, plans.charge_kw, plans.discharge_kw)
    imported, exported = grid_flows_kw(net, setpoints.curtailed_kw)
    money = (imported * night.import_price - exported * night.export_price) @ night.hours
    for running in (plans.charging, plans.discharging):
        before = np.concatenate([np.zeros((len(running), 1), np.bool_), running[:, :-1]], axis=1)
        money += (running & ~before).sum(axis=1) * charger_start_worth(night)
    stored, wear, short = _stored(night, plans)
    money += night.wear_weight * wear
    if night.calendar is not None:
        money += night.wear_weight * (night.calendar.cost(stored) @ night.hours_around)
    car, after = night.car, stored[:, 1:]
    outside = np.maximum(0.0, car.floor_kwh - after) + np.maximum(0.0, after - car.ceiling_kwh)
    money += outside @ (night.hours * night.at_home) * car.outside_window_factor * night.highest_price
    trips = len(night.trips)
    money += short[:, :trips].sum(axis=1) * car.on_the_way_price_per_kwh
    gained = np.minimum(stored[:, -1], car.ceiling_kwh) - min(night.stored_now_kwh, car.ceiling_kwh)
    money -= night.stored_energy_price * gained
    least = np.where(plans.discharging, car.floor_kwh, 0.0)
    most = np.where(plans.charging, night.ceiling_kwh[1:], car.battery_kwh)
    leaves = np.maximum(least - after, after - most).max(axis=1)
    return Judged(money, short, np.maximum(0.0, leaves))


def _stored(night: Night, plans: Schedules) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return stored energy [kWh], shape (schedules, n + 1), unweighted wear by cycling, and the trips' shortages."""
    charger, hours = night.charger, night.hours
    into = charger.charge_efficiency * plans.charge_kw - charger.fixed_loss_kw * plans.charging
    out = plans.discharge_kw / charger.discharge_efficiency + charger.fixed_loss_kw * plans.discharging
    change = hours * (into - out)
    count, trips = len(change), len(night.trips)
    stored, short = np.zeros((count, night.intervals + 1)), np.zeros((count, 3 * trips))
    stored[:, 0] = night.stored_now_kwh
    passed = np.zeros(count)
    first = 0
    for number, trip in enumerate(night.trips):
        last = trip.comeback
        stored[:, first + 1 : last + 1] = stored[:, first : first + 1] + np.cumsum(change[:, first:last], axis=1)
        departs, ready = stored[:, trip.depart], stored[:, trip.ready : trip.depart]
        if trip.energy_kwh > 0:
            wanted = trip.energy_kwh + night.car.return_reserve_kwh
            short[:, number] = np.maximum(0.0, wanted - departs)
        short[:, trips + number] = np.maximum(0.0, trip.target_kwh - departs)
        short[:, 2 * trips + number] = np.maximum(0.0, trip.target_kwh - ready).max(axis=1, initial=0.0)
        passed += np.minimum(short[:, number], trip.energy_kwh)
        change[:, last - 1] += short[:, number] - trip.energy_kwh
        stored[:, last] += short[:, number] - trip.energy_kwh
        first = last
    stored[:, first + 1 :] = stored[:, first : first + 1] + np.cumsum(change[:, first:], axis=1)
    return stored, _wear(night, change) + passed * night.wear.price_per_kwh[0], short


def _wear(night: Night, change: FloatArray) -> FloatArray:
    """Return the wear of changes of stored energy [kWh], shape (schedules, n): cheapest segments first, in and out."""
    price, size = night.wear.price_per_kwh, night.wear.size_kwh
    worn = np.zeros(len(change))
    if night.wear_weight == 0:
        return worn
    held = np.repeat(night.initial_fill_kwh[None, :], len(change), axis=0)
    for interval in np.flatnonzero((change != 0).any(axis=0)).tolist():
        into, out = np.maximum(change[:, interval], 0.0)[:, None], np.maximum(-change[:, interval], 0.0)[:, None]
        taken = np.diff(np.minimum(np.cumsum(held, axis=1), out), axis=1, prepend=0.0)
        put_in = np.diff(np.minimum(np.cumsum(size - held, axis=1), into), axis=1, prepend=0.0)
        held += put_in - taken
        worn += taken @ price
    return worn


def better_timed(night: Night, plan: Schedules, caps: Caps) -> Schedules:
    """Move runs of one plan, shape (1, n), and their ends, as long as that is better timed and costs no more.

    Returns
    -------
    The best found, shape (1, n): the same plan if nothing helps.
    """
    here = judge(night, plan)
    allowed = float(here.money[0]) + NO_MORE * night.highest_price
    for _ in range(MOST_MOVES):
        moved = _moved(night, plan)
        if moved is None:
            return plan
        gain = timing(night, plan)[0] - timing(night, moved)
        fits = (moved.charge_kw <= caps.most_charge_kw + NO_MORE) & (caps.may_charge | ~moved.charging)
        fits &= (moved.discharge_kw <= caps.most_discharge_kw + NO_MORE) & (caps.may_discharge | ~moved.discharging)
        steady = change_of_power(moved) <= change_of_power(plan)[0] + NO_MORE
        hopeful = np.flatnonzero(fits.all(axis=1) & steady & (gain > NO_MORE))
        if not len(hopeful):
            return plan
        some = Schedules(
            moved.charge_kw[hopeful], moved.discharge_kw[hopeful], moved.charging[hopeful], moved.discharging[hopeful]
        )
        judged = judge(night, some)
        good = (judged.money <= allowed) & (judged.outside_kwh <= here.outside_kwh[0] + NO_MORE)
        good &= (judged.short_kwh <= here.short_kwh + NO_MORE).all(axis=1)
        if not good.any():
            return plan
        plan = some.one(int(np.where(good, gain[hopeful], -np.inf).argmax()))
    return plan


def timing(night: Night, plans: Schedules) -> FloatArray:
    """Return the objective `charge_late_discharge_early` [kWh h], shape (schedules,)."""
    hours = night.hours
    middle = np.cumsum(hours) - hours / 2
    late, early = hours * (hours.sum() - middle), hours * middle
    return np.asarray(plans.charge_kw @ late + plans.discharge_kw @ early)


def change_of_power(plans: Schedules) -> FloatArray:
    """Return the change of power inside runs [kW], shape (schedules,)."""
    total = np.zeros(len(plans.charge_kw))
    for power, running in ((plans.charge_kw, plans.charging), (plans.discharge_kw, plans.discharging)):
        inside = running[:, 1:] & running[:, :-1]
        total += (np.abs(np.diff(power, axis=1)) * inside).sum(axis=1)
    return total


def _moved(night: Night, plan: Schedules) -> Schedules | None:
    """Return what one move makes of a plan; None if there is no move.

    Every move takes the powers of some intervals to others as long as they, idle so far.
    """
    moves = list(_moves(night, plan))
    if not moves:
        return None
    count, n = len(moves), night.intervals
    power = {True: np.repeat(plan.charge_kw, count, axis=0), False: np.repeat(plan.discharge_kw, count, axis=0)}
    mode = {True: np.repeat(plan.charging, count, axis=0), False: np.repeat(plan.discharging, count, axis=0)}
    before = {True: plan.charge_kw[0], False: plan.discharge_kw[0]}
    assert n == plan.charge_kw.shape[1]
    for row, (charges, source, target) in enumerate(moves):
        power[charges][row, source], mode[charges][row, source] = 0.0, False
        power[charges][row, target], mode[charges][row, target] = before[charges][source], True
    return Schedules(power[True], power[False], mode[True], mode[False])


def _moves(night: Night, plan: Schedules) -> Iterator[tuple[bool, IntArray, IntArray]]:
    """Yield whether it charges, the intervals that are left and those that are taken instead."""
    idle = ~(plan.charging[0] | plan.discharging[0]) & night.at_home
    hours, n = night.hours, night.intervals
    for charges, running in ((True, plan.charging[0]), (False, plan.discharging[0])):
        found = list(runs(running))
        for first, last in found:
            free = idle.copy()
            free[first:last] = True
            source = np.arange(first, last)
            for shift in range(1, n - last + 1) if charges else range(-first, 0):
                target = source + shift
                if free[target].all() and np.allclose(hours[target], hours[source], rtol=0.0, atol=1e-9):
                    yield charges, source, target
        for first, last in found:
            for other_first, other_last in found:
                for end in {first, last - 1}:
                    for place in (other_first - 1, other_last):
                        later = place > end
                        if not 0 <= place < n or not idle[place] or later != charges:
                            continue
                        if abs(hours[place] - hours[end]) < 1e-9:
                            yield charges, np.array([end]), np.array([place])


def reshaped(night: Night, plan: Schedules, caps: Caps) -> Schedules | None:
    """Return schedules whose modes differ from a plan's, shape (1, n), by one move, whatever they cost.

    A run loses some intervals at one end, gains some, or both; an end moves from one run to another; and where starts
    are free, whole runs that follow each other are left out. None if there is no such move.
    """
    moves = list(_reshapings(night, plan, caps))
    if not moves:
        return None
    power = [np.repeat(part, len(moves), axis=0) for part in (plan.charge_kw, plan.discharge_kw)]
    mode = [np.repeat(part, len(moves), axis=0) for part in (plan.charging, plan.discharging)]
    for row, (direction, left, taken) in enumerate(moves):
        for each in (0, 1) if direction is None else (direction,):
            power[each][row, left], mode[each][row, left] = 0.0, False
            if len(taken):
                power[each][row, taken], mode[each][row, taken] = power[each][row].max(), True
    return Schedules(power[0], power[1], mode[0], mode[1])


def _reshapings(
    night: Night, plan: Schedules, caps: Caps
) -> Iterator[tuple[int | None, IntArray, IntArray]]:
    """Yield the direction, the intervals that are left, and those that are taken."""
    n, none = night.intervals, np.zeros(0, np.int64)
    idle = ~(plan.charging[0] | plan.discharging[0])
    for direction, (running, may) in enumerate(
        ((plan.charging[0], caps.may_charge), (plan.discharging[0], caps.may_discharge))
    ):
        free, found = idle & may, list(runs(running))
        for first, last in found:
            for count in EDGES if night.charger.fixed_loss_kw > 0 else FREE_EDGES:
                head, tail = np.arange(first, first + count), np.arange(last - count, last)
                before, after = head - count, tail + count
                shorter = last - first > count
                if shorter:
                    yield direction, head, none
                    yield direction, tail, none
                if before[0] >= 0 and free[before].all():
                    yield direction, none, before
                    if shorter:
                        yield direction, tail, before
                if after[-1] < n and free[after].all():
                    yield direction, none, after
                    if shorter:
                        yield direction, head, after
        for first, last in found:
            for end in sorted({first, last - 1}):
                for other in found:
                    for place in (other[0] - 1, other[1]):
                        if other != (first, last) and 0 <= place < n and free[place]:
                            yield direction, np.array([end]), np.array([place])
    if night.charger.start_worth_kwh == 0:
        both = sorted([*runs(plan.charging[0]), *runs(plan.discharging[0])])
        for count in range(len(both), 0, -1):
            for some in range(len(both) - count + 1):
                yield None, np.concatenate([np.arange(*run) for run in both[some : some + count]]), none
