"""Stored energy, wear, the window and the trips in the compact formulation (scheduler.optimizer.compact)."""

from __future__ import annotations

import numpy as np

from models.base.arrays import FloatArray, IntArray
from scheduler.nights.night import Night
from scheduler.nights.stored_energy import SegmentValue
from scheduler.optimizer.compact_charger import Powers
from scheduler.optimizer.matrix_builder import INFINITE, MONEY, MatrixBuilder, Term
from scheduler.optimizer.objectives import ABOVE_CEILING, OBJECTIVES


def battery(writer: MatrixBuilder, night: Night, powers: Powers) -> None:
    """Add stored energy from boundary to boundary, wear, the window, and the trips.

    Boundaries between which nothing can happen have one state, and so the same columns.
    """
    charger, car, hours, n = night.charger, night.car, night.hours, night.intervals
    drives = np.array([trip.energy_kwh > 0 for trip in night.trips], dtype=np.bool_)
    on_the_way = writer.add_columns("on_the_way_kwh", len(night.trips), 0.0, np.where(drives, INFINITE, 0.0))
    least_covers = charger.charge_efficiency * charger.charge_min_kw >= charger.fixed_loss_kw
    inside_floor, inside_ceiling = _stays_over_floor(night, least_covers), _stays_under_ceiling(night)
    driven = np.zeros(n)
    brings = np.full(n, -1, dtype=np.int64)
    for number, trip in enumerate(night.trips):
        driven[trip.comeback - 1] = trip.energy_kwh
        brings[trip.comeback - 1] = on_the_way[number]
    moves = powers.can_charge | powers.can_discharge | (brings >= 0)
    state = np.concatenate([[0], np.cumsum(moves)])
    count = int(state[-1]) + 1
    lowest = np.full(count, car.floor_kwh if inside_floor else 0.0)
    highest = np.full(count, car.ceiling_kwh if inside_ceiling else car.battery_kwh)
    lowest[0] = highest[0] = night.stored_now_kwh
    stored = writer.add_columns("stored_kwh", count, lowest, highest)[state]
    writer.names["stored_kwh"] = stored
    _wear(writer, night, powers, stored, state, driven, brings, least_covers)
    plain, ends = np.flatnonzero(moves & (brings < 0)), np.flatnonzero(brings >= 0)
    for at in (plain, ends):
        terms: list[Term] = [
            (stored[at + 1], 1.0),
            (stored[at], -1.0),
            (powers.charge[at], -hours[at] * charger.charge_efficiency),
            (powers.charging[at], hours[at] * charger.fixed_loss_kw),
            (powers.discharge[at], hours[at] / charger.discharge_efficiency),
            (powers.discharging[at], hours[at] * charger.fixed_loss_kw),
        ]
        if at is ends:
            terms.append((brings[at], -1.0))
        writer.add_rows(terms, -driven[at], -driven[at])
    _calendar_ageing(writer, night, stored, state)
    _window(writer, night, powers, stored, inside_floor, inside_ceiling)
    _trips(writer, night, stored, on_the_way)
    if night.segment_value is not None:
        _segment_value(writer, night, night.segment_value)
        return
    value = night.stored_energy
    end = writer.add_columns("stored_at_end_kwh", len(value.width_kwh), 0.0, value.width_kwh)
    writer.add_rows([*((end[piece : piece + 1], 1.0) for piece in range(len(end))), (stored[-1:], -1.0)], upper=0.0)
    writer.cost(MONEY, end, -value.price_per_kwh)
    writer.offset[MONEY] += value.worth(night.stored_now_kwh)


def _wear(
    writer: MatrixBuilder,
    night: Night,
    powers: Powers,
    stored: IntArray,
    state: IntArray,
    driven: FloatArray,
    brings: IntArray,
    least_covers: bool,
) -> None:
    """Add energy in the segments, and what leaves them.

    Parameters
    ----------
    state : number of the state at each boundary, shape (n + 1,).
    driven : energy of the trip that ends in each interval [kWh], shape (n,).
    brings : column of what that trip charges on the way, shape (n,); -1 where none ends.
    """
    charger, steps, count = night.charger, int(state[-1]), len(night.wear.size_kwh)
    moving = np.flatnonzero(np.diff(state))  # intervals in which something can happen, shape (steps,)
    most = np.tile(night.wear.size_kwh, (steps + 1, 1))
    least = np.zeros((steps + 1, count))
    most[0] = least[0] = night.initial_fill_kwh
    held = writer.add_columns("segment_kwh", most.size, least.ravel(), most.ravel()).reshape(steps + 1, count)
    out = writer.add_columns("segment_out_kwh", steps * count, 0.0, INFINITE).reshape(steps, count)
    writer.cost(MONEY, out.ravel(), night.wear_weight * np.tile(night.wear.price_per_kwh, steps))
    sums: list[Term] = [(held[1:, segment], 1.0) for segment in range(count)]
    writer.add_rows([*sums, (stored[moving + 1], -1.0)], 0.0, 0.0, name="segments_add_up")

    passing = brings[moving] >= 0  # energy may enter and leave in one interval
    if not least_covers:
        passing = passing | night.at_home[moving]
    one_way, at = np.flatnonzero(~passing), np.flatnonzero(passing)
    before, after = held[:-1], held[1:]
    writer.add_rows(
        [(out[one_way].ravel(), 1.0), (before[one_way].ravel(), -1.0), (after[one_way].ravel(), 1.0)], lower=0.0
    )
    into = writer.add_columns("segment_in_kwh", len(at) * count, 0.0, INFINITE).reshape(len(at), count)
    terms: list[Term] = [
        (after[at].ravel(), 1.0),
        (before[at].ravel(), -1.0),
        (into.ravel(), -1.0),
        (out[at].ravel(), 1.0),
    ]
    writer.add_rows(terms, 0.0, 0.0)
    uncovered = writer.add_columns("uncovered_loss_kwh", len(at), 0.0, 0.0 if least_covers else INFINITE)
    leaves = np.full(steps, -1)  # row of what leaves, by step, right after that of what enters; -1 for none
    leaves[at] = writer.row_count + 1 + 2 * np.arange(len(at))
    writer.row_names["segments_leave"] = leaves
    for row, (step, interval) in enumerate(zip(at.tolist(), moving[at].tolist(), strict=True)):
        hours, ends = night.hours[interval], brings[interval : interval + 1]
        charge = np.array([powers.charge[interval], powers.charging[interval], uncovered[row]])
        given = np.array([powers.discharge[interval], powers.discharging[interval], uncovered[row]])
        gained = np.array([-hours * charger.charge_efficiency, hours * charger.fixed_loss_kw, -1.0])
        taken = np.array([-hours / charger.discharge_efficiency, -hours * charger.fixed_loss_kw, -1.0])
        ones, on_the_way = np.ones(count), ends[ends >= 0]
        entering = np.concatenate([ones, gained, -np.ones(len(on_the_way))])
        writer.add_row(np.concatenate([into[row], charge, on_the_way]), entering, 0.0, 0.0)
        leaving = np.concatenate([ones, taken])
        writer.add_row(np.concatenate([out[step], given]), leaving, driven[interval], driven[interval])


def _segment_value(writer: MatrixBuilder, night: Night, value: SegmentValue) -> None:
    """Add the worth of what is left by how it fills the segments: no more than any of the planes."""
    least, most = value.limits(night.wear.size_kwh)
    worth = writer.add_columns("worth_at_end", 1, least, most)
    left = writer.names["segment_kwh"][-len(night.wear.size_kwh) :]
    for constant, price in zip(value.constant.tolist(), value.price_per_kwh, strict=True):
        writer.add_row(np.concatenate([worth, left]), np.concatenate([[1.0], -price]), upper=constant)
    writer.cost(MONEY, worth, -1.0)
    writer.offset[MONEY] += value.worth(night.initial_fill_kwh)


def _calendar_ageing(writer: MatrixBuilder, night: Night, stored: IntArray, state: IntArray) -> None:
    """Add what an hour of standing costs in each state: the highest of the calendar price's lines."""
    if night.calendar is None:
        return
    slope, intercept = night.calendar.lines()
    hours = np.bincount(state, night.hours_around).astype(np.float64)
    per_hour, stored = writer.add_columns("ageing_per_hour", len(hours), 0.0, INFINITE), np.unique(stored)
    for line in range(len(slope)):
        writer.add_rows([(per_hour, 1.0), (stored, -slope[line])], lower=intercept[line])
    writer.cost(MONEY, per_hour, night.wear_weight * hours)


def _stays_over_floor(night: Night, least_covers: bool) -> bool:
    """Return whether nothing can take the car under its floor: it begins above, and the reserve is above it."""
    car = night.car
    drives = [trip for trip in night.trips if trip.energy_kwh > 0]
    return (
        least_covers
        and night.stored_now_kwh >= car.floor_kwh
        and (not drives or car.return_reserve_kwh >= car.floor_kwh)
        and bool(night.ceiling_kwh.min() >= car.floor_kwh)
    )


def _stays_under_ceiling(night: Night) -> bool:
    """Return whether nothing can take the car over its ceiling: it begins under it, and no trip needs more."""
    ceiling = night.car.ceiling_kwh
    return (
        night.stored_now_kwh <= ceiling
        and night.car.return_reserve_kwh <= ceiling
        and not any(trip.target_kwh > ceiling for trip in night.trips)
    )


def _window(
    writer: MatrixBuilder,
    night: Night,
    powers: Powers,
    stored: IntArray,
    inside_floor: bool,
    inside_ceiling: bool,
) -> None:
    """Forbid discharge below the floor and charge above the ceiling, and add the cost of being outside."""
    car = night.car
    home = np.flatnonzero(night.at_home)
    price = night.hours[home] * car.outside_window_factor * night.highest_price
    after = stored[home + 1]
    if not inside_floor:
        writer.add_rows([(after, 1.0), (powers.discharging[home], -car.floor_kwh)], lower=0.0)
        below = writer.add_columns("below_floor_kwh", len(home), 0.0, INFINITE)
        writer.add_rows([(below, 1.0), (after, 1.0)], lower=car.floor_kwh)
        writer.cost(MONEY, below, price)
    if not inside_ceiling:
        beyond = car.battery_kwh - night.ceiling_kwh[home + 1]
        writer.add_rows([(after, 1.0), (powers.charging[home], beyond)], upper=car.battery_kwh)
        above = writer.add_columns("above_ceiling_kwh", len(home), 0.0, INFINITE)
        writer.add_rows([(above, 1.0), (after, -1.0)], lower=-car.ceiling_kwh)
        writer.cost(MONEY, above, price)
        writer.cost(OBJECTIVES.index("ready_soonest"), above, ABOVE_CEILING * night.hours[home])


def _trips(writer: MatrixBuilder, night: Night, stored: IntArray, on_the_way: IntArray) -> None:
    """Add departure targets, what is charged on the way, and the first three objectives."""
    trips = len(night.trips)
    missing = writer.add_columns("missing_at_departure_kwh", trips, 0.0, INFINITE)
    unready = writer.add_columns("missing_when_ready_kwh", trips, 0.0, INFINITE)
    writer.cost(0, on_the_way, np.arange(trips, 0, -1.0))
    writer.cost(1, missing, 1.0)
    writer.cost(2, unready, 1.0)
    writer.cost(MONEY, on_the_way, night.car.on_the_way_price_per_kwh)
    for number, trip in enumerate(night.trips):
        one = slice(number, number + 1)
        departs = stored[trip.depart : trip.depart + 1]
        writer.add_rows([(departs, 1.0), (missing[one], 1.0)], lower=trip.target_kwh)
        before = stored[trip.ready : trip.depart]
        writer.add_rows([(before, 1.0), (np.repeat(unready[one], len(before)), 1.0)], lower=trip.target_kwh)
        if trip.energy_kwh > 0:
            wanted = trip.energy_kwh + night.car.return_reserve_kwh
            writer.add_rows([(on_the_way[one], 1.0), (departs, 1.0)], lower=wanted)
