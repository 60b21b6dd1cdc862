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
from scheduler.optimizer.few_settings import settings_of
from scheduler.optimizer.objectives import ABOVE_CEILING, charger_start_worth, hours_waited
from scheduler.optimizer.setpoints import Setpoints, setpoints_from_powers

NO_MORE = 1e-9
"""Money [kWh at the highest price], energy [kWh] and power [kW] differing by less are the same."""
MOST_MOVES = 6
"""Moves made one after another."""
SAME_HOURS = 1e-9
"""Intervals whose lengths differ by less are as long [h]."""
EDGES, FREE_EDGES = (1,), (1, 2, 4)
"""Intervals that a run gains or loses at one end in a move, and where running costs nothing by itself."""


@dataclass(frozen=True, slots=True, eq=False)
class Schedules:
    """Schedules of one night: powers [kW] and whether it charges or discharges; shape (schedules, n) each."""

    charge_kw: FloatArray
    discharge_kw: FloatArray
    charging: BoolArray
    discharging: BoolArray

    def some(self, rows: IntArray) -> Schedules:
        """Return copies of some of them, by their rows."""
        return Schedules(self.charge_kw[rows], self.discharge_kw[rows], self.charging[rows], self.discharging[rows])

    def setpoints(self, row: int) -> Setpoints:
        """Return the powers of one of them."""
        shares = self.charging[row].astype(np.float64), self.discharging[row].astype(np.float64)
        return Setpoints(self.charge_kw[row], self.discharge_kw[row], *shares, np.zeros(self.charge_kw.shape[1]))

    def followed_by(self, others: Schedules) -> Schedules:
        """Return these and others after them."""
        return Schedules(
            np.concatenate([self.charge_kw, others.charge_kw]),
            np.concatenate([self.discharge_kw, others.discharge_kw]),
            np.concatenate([self.charging, others.charging]),
            np.concatenate([self.discharging, others.discharging]),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """What schedules cost and how they serve.

    Attributes
    ----------
    money : the total, as the program counts it [money], shape (schedules,).
    short_kwh : on the way, missing at the departure and missing when ready of each trip [kWh], shape (schedules, 3 k).
    outside_kwh : by how much stored energy leaves its bounds [kWh], shape (schedules,); 0 where it does not.
    above_kwh_hours : energy above the ceiling at home, times how long it is there [kWh h], shape (schedules,).
    """

    money: FloatArray
    short_kwh: FloatArray
    outside_kwh: FloatArray
    above_kwh_hours: FloatArray


def judge(night: Night, plans: Schedules) -> Judged:
    """Price schedules: energy, wear, ageing, window, trips and starts, as replay does one by one."""
    shares = plans.charging.astype(np.float64), plans.discharging.astype(np.float64)
    setpoints = setpoints_from_powers(night, plans.charge_kw, plans.discharge_kw, *shares)
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
    at_home, above = night.hours * night.at_home, np.maximum(0.0, after - car.ceiling_kwh)
    outside = np.maximum(0.0, car.floor_kwh - after) + above
    money += outside @ at_home * car.outside_window_factor * night.highest_price
    trips = len(night.trips)
    money += short[:, :trips].sum(axis=1) * car.on_the_way_price_per_kwh
    money -= night.stored_energy.worths(stored[:, -1]) - night.stored_energy.worth(night.stored_now_kwh)
    least = np.where(plans.discharging, car.floor_kwh, 0.0)
    most = np.where(plans.charging, night.ceiling_kwh[1:], car.battery_kwh)
    leaves = np.maximum(least - after, after - most).max(axis=1)
    return Judged(money, short, np.maximum(0.0, leaves), above @ at_home)


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
    per_total = price - np.append(price[1:], 0.0)  # a price for what leaves a segment and all those before it
    worn = np.zeros(len(change))
    if night.wear_weight == 0:
        return worn
    held = np.repeat(night.initial_fill_kwh[None, :], len(change), axis=0)
    for interval in np.flatnonzero((change != 0).any(axis=0)).tolist():
        into, out = np.maximum(change[:, interval], 0.0)[:, None], np.maximum(-change[:, interval], 0.0)[:, None]
        up_to = np.minimum(np.cumsum(held, axis=1), out)
        worn += up_to @ per_total
        up_to -= np.minimum(np.cumsum(size - held, axis=1), into)
        held -= up_to
        held[:, 1:] += up_to[:, :-1]
    return worn


def better_timed(night: Night, plan: Schedules, caps: Caps, most_settings: int | None = None) -> Schedules:
    """Move runs of one plan, shape (1, n), and their ends, as long as that is better timed and costs no more.

    Better timed is what waits less, an hour of a kWh above the ceiling weighing ABOVE_CEILING times as much. Moves to
    later hours are tried only where there is energy above the ceiling.

    Parameters
    ----------
    most_settings : that it may ask for; None for any number.

    Returns
    -------
    The best found, shape (1, n): the same plan if nothing helps.
    """
    allowed: Judged | None = None
    above = float(judge(night, plan).above_kwh_hours[0]) if _may_be_above(night) else 0.0
    for _ in range(MOST_MOVES):
        moved = _shifted(night, plan, later=above > NO_MORE)
        gain = timing(night, plan)[0] - timing(night, moved)
        steady = change_of_power(moved) <= change_of_power(plan)[0] + NO_MORE
        hopeful = np.flatnonzero((gain > NO_MORE - ABOVE_CEILING * above) & steady & _within(night, moved, caps))
        if not len(hopeful):
            break
        choices = plan.followed_by(moved.some(hopeful))
        judged = judge(night, choices)
        allowed = judged if allowed is None else allowed
        good = judged.money <= allowed.money[0] + NO_MORE * night.highest_price
        good &= judged.outside_kwh <= allowed.outside_kwh[0] + NO_MORE
        good &= (judged.short_kwh <= allowed.short_kwh[0] + NO_MORE).all(axis=1)
        gained = np.append(NO_MORE, gain[hopeful]) + ABOVE_CEILING * (above - judged.above_kwh_hours)
        best = 0
        for row in np.argsort(np.where(good, -gained, np.inf), kind="stable").tolist():
            few = most_settings is None or row == 0 or len(settings_of(night, choices.setpoints(row))) <= most_settings
            if few or not good[row]:
                best = row if good[row] else 0
                break
        if best == 0:
            break
        plan, above = choices.some(np.array([best])), float(judged.above_kwh_hours[best])
    return plan


def _may_be_above(night: Night) -> bool:
    """Return whether any plan may store energy above the ceiling."""
    most = max(float(night.ceiling_kwh.max()), night.stored_now_kwh, night.car.return_reserve_kwh)
    return most > night.car.ceiling_kwh + NO_MORE


def _within(night: Night, plans: Schedules, caps: Caps) -> BoolArray:
    """Return which schedules keep the least and the most powers, shape (schedules,)."""
    charger, fits = night.charger, np.ones(plans.charging.shape, np.bool_)
    for power, running, least, most, may in (
        (plans.charge_kw, plans.charging, charger.charge_min_kw, caps.most_charge_kw, caps.may_charge),
        (plans.discharge_kw, plans.discharging, charger.discharge_min_kw, caps.most_discharge_kw, caps.may_discharge),
    ):
        fits &= ~running | ((power >= least - NO_MORE) & (power <= most + NO_MORE) & may)
    return np.asarray(fits.all(axis=1))


def timing(night: Night, plans: Schedules) -> FloatArray:
    """Return how long what is charged and discharged waits [kWh h], shape (schedules,)."""
    return np.asarray((plans.charge_kw + plans.discharge_kw) @ (night.hours * hours_waited(night)))


def change_of_power(plans: Schedules) -> FloatArray:
    """Return the change of power inside runs [kW], shape (schedules,)."""
    total = np.zeros(len(plans.charge_kw))
    for power, running in ((plans.charge_kw, plans.charging), (plans.discharge_kw, plans.discharging)):
        inside = running[:, 1:] & running[:, :-1]
        total += (np.abs(np.diff(power, axis=1)) * inside).sum(axis=1)
    return total


def _shifted(night: Night, plan: Schedules, later: bool) -> Schedules:
    """Return what one move of equal energy makes of a plan, shape (1, n); to earlier hours, or to later ones too."""
    moves = [*_shifts(night, plan, 0, later), *_shifts(night, plan, 1, later)]
    moved = plan.some(np.zeros(len(moves), np.int64))
    powers, modes = (moved.charge_kw, moved.discharge_kw), (moved.charging, moved.discharging)
    for row, (direction, left, taken, taken_kw) in enumerate(moves):
        powers[direction][row, left], modes[direction][row, left] = 0.0, False
        powers[direction][row, taken], modes[direction][row, taken] = taken_kw, True
    return moved


def _shifts(
    night: Night, plan: Schedules, direction: int, later: bool
) -> Iterator[tuple[int, IntArray, IntArray, FloatArray]]:
    """Yield the direction, the intervals that are left, those that run instead or otherwise, and their powers [kW].

    A whole run moves to intervals as long as its own. Or one end of a run moves to an end of this run or of another,
    with its power, or with that of its new neighbour: then the rest of the run gives or takes the difference. Or the
    rest of a run takes what its last interval gave. Moves are to earlier hours; with `later`, to later ones too.
    """
    power, running = ((plan.charge_kw[0], plan.charging[0]), (plan.discharge_kw[0], plan.discharging[0]))[direction]
    idle = ~(plan.charging[0] | plan.discharging[0]) & night.at_home
    hours, n, found = night.hours, night.intervals, list(runs(running))
    for first, last in found:
        free, own = idle.copy(), np.arange(first, last)
        free[own] = True
        for shift in (*range(-first, 0), *(range(1, n - last + 1) if later else ())):
            if free[own + shift].all() and (np.abs(hours[own + shift] - hours[own]) < SAME_HOURS).all():
                yield direction, own, own + shift, power[own]
        for end in sorted({first, last - 1}):
            rest = own[own != end]
            if len(rest) and (later or end == last - 1):
                spread = power[end] * hours[end] / hours[rest].sum()
                yield direction, np.array([end]), rest, power[rest] + spread
            for neighbour, place in ((at, at + step) for run in found for at, step in ((run[0], -1), (run[1] - 1, 1))):
                if not 0 <= place < n or not idle[place] or (place > end and not later) or neighbour == end:
                    continue
                left, energy = np.array([end]), power[end] * hours[end]
                yield direction, left, np.array([place]), np.array([energy / hours[place]])
                if len(rest):
                    shared = np.append(rest, place) if neighbour in rest else rest
                    new_kw = power.copy()
                    new_kw[place] = power[neighbour]
                    new_kw[shared] += (energy - power[neighbour] * hours[place]) / hours[shared].sum()
                    taken = np.append(rest, place)
                    yield direction, left, taken, new_kw[taken]


def reshaped(night: Night, plan: Schedules, caps: Caps) -> Schedules:
    """Return schedules whose modes differ from a plan's, shape (1, n), by one move, whatever they cost.

    A run loses an interval at one end, gains one, or both, or several where running costs nothing by itself; an end
    moves from one run to another; and where starts are free, an end parts from its run, or whole runs that follow each
    other are left out. Powers are those of the plan, as far as they can be.
    """
    moves = [*_reshapings(night, plan, caps, 0), *_reshapings(night, plan, caps, 1)]
    if night.charger.start_worth_kwh == 0:
        moves += _left_out(plan)
    found = plan.some(np.zeros(len(moves), np.int64))
    powers, modes = (found.charge_kw, found.discharge_kw), (found.charging, found.discharging)
    for row, (direction, left, taken) in enumerate(moves):
        for each in (0, 1) if direction is None else (direction,):
            powers[each][row, left], modes[each][row, left] = 0.0, False
            if len(taken):
                powers[each][row, taken], modes[each][row, taken] = powers[each][row].max(), True
    return found


def _reshapings(
    night: Night, plan: Schedules, caps: Caps, direction: int
) -> Iterator[tuple[int | None, IntArray, IntArray]]:
    """Yield the direction, the intervals that are left, and those that are taken."""
    n, none = night.intervals, np.zeros(0, np.int64)
    running = (plan.charging[0], plan.discharging[0])[direction]
    may = (caps.may_charge, caps.may_discharge)[direction]
    free, found = may & ~(plan.charging[0] | plan.discharging[0]), list(runs(running))
    parts = night.charger.start_worth_kwh == 0  # an end may part from its run
    for first, last in found:
        for count in EDGES if night.charger.fixed_loss_kw > 0 else FREE_EDGES:
            head, tail = np.arange(first, first + count), np.arange(last - count, last)
            for left, taken in ((head, tail + count), (tail, head - count)):
                shorter = last - first > count
                if shorter:
                    yield direction, left, none
                if taken[0] >= 0 and taken[-1] < n and free[taken].all():
                    yield direction, none, taken
                    if shorter:
                        yield direction, left, taken
    for run in found:
        for end in sorted({run[0], run[1] - 1}):
            for place in (place for other in found if other != run or parts for place in (other[0] - 1, other[1])):
                if 0 <= place < n and free[place]:
                    yield direction, np.array([end]), np.array([place])


def _left_out(plan: Schedules) -> list[tuple[int | None, IntArray, IntArray]]:
    """Return moves that leave out runs, of both directions, which follow each other; most runs first."""
    both = sorted([*runs(plan.charging[0]), *runs(plan.discharging[0])])
    return [
        (None, np.concatenate([np.arange(*run) for run in both[first : first + count]]), np.zeros(0, np.int64))
        for count in range(len(both), 0, -1)
        for first in range(len(both) - count + 1)
    ]
