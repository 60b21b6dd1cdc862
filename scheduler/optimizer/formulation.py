"""One night's program as a Pyomo model: the reference formulation, one function per constraint.

README.md beside this file holds the mathematics, each symbol and constraint beside its component. Offers with tiered
prices and demand charges add scheduler.optimizer.formulation_offers, a plan set by hand
scheduler.optimizer.formulation_manual.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pyomo.environ as pyo

from models.site.connection import import_cap_kw
from scheduler.nights.night import Night
from scheduler.optimizer.formulation_manual import blocks_begun, set_by_hand, settings_made
from scheduler.optimizer.formulation_offers import money_of_offer, tiers_and_demand
from scheduler.optimizer.objectives import ABOVE_CEILING, charger_start_worth, hours_waited


def formulate(night: Night, may_discharge: bool = True) -> pyo.ConcreteModel:
    """Return the night's program; with may_discharge False every v_t is 0 (the charge-only alternative)."""
    model = pyo.ConcreteModel()
    model.intervals = pyo.RangeSet(0, night.intervals - 1)
    model.boundaries = pyo.RangeSet(0, night.intervals)
    model.segments = pyo.RangeSet(0, len(night.wear.size_kwh) - 1)
    model.trips = pyo.RangeSet(0, len(night.trips) - 1)
    _charger(model, night, may_discharge)
    _meter(model, night)
    tiers_and_demand(model, night)
    _battery(model, night)
    _calendar_ageing(model, night)
    _window(model, night)
    _trips(model, night)
    _starts(model)
    _steadiness(model, night)
    if night.setting.by_hand:
        set_by_hand(model, night)
    _objectives(model, night)
    return model


def _charger(model: pyo.ConcreteModel, night: Night, may_discharge: bool) -> None:
    """Add least_charge, most_charge, least_discharge, most_discharge, one_direction and discharge_total."""
    charger = night.charger
    home = [int(at_home) for at_home in night.at_home]
    most_charge_kw = night.most_charge_kw
    may_charge = [int(at_home and most_charge_kw[t] >= charger.charge_min_kw) for t, at_home in enumerate(home)]
    cap = np.full(night.intervals, charger.discharge_max_kw)
    if charger.discharge_to == "building":
        cap = np.minimum(cap, np.maximum(0.0, night.load_kw - night.solar_kw))
    model.charge_kw = pyo.Var(model.intervals, bounds=lambda _, t: (0, float(most_charge_kw[t]) * may_charge[t]))
    model.discharge_kw = pyo.Var(model.intervals, bounds=lambda _, t: (0, max(0.0, float(cap[t])) * home[t]))
    model.charging = pyo.Var(model.intervals, bounds=lambda _, t: (0, may_charge[t]), within=pyo.Integers)
    model.discharging = pyo.Var(
        model.intervals, bounds=lambda _, t: (0, home[t] * int(may_discharge)), within=pyo.Integers
    )

    @model.Constraint(model.intervals)
    def least_charge(m: Any, t: int) -> Any:
        return m.charge_kw[t] >= charger.charge_min_kw * m.charging[t]

    @model.Constraint(model.intervals)
    def most_charge(m: Any, t: int) -> Any:
        return m.charge_kw[t] <= charger.charge_max_kw * m.charging[t]

    @model.Constraint(model.intervals)
    def least_discharge(m: Any, t: int) -> Any:
        return m.discharge_kw[t] >= charger.discharge_min_kw * m.discharging[t]

    @model.Constraint(model.intervals)
    def most_discharge(m: Any, t: int) -> Any:
        return m.discharge_kw[t] <= charger.discharge_max_kw * m.discharging[t]

    @model.Constraint(model.intervals)
    def one_direction(m: Any, t: int) -> Any:
        return m.charging[t] + m.discharging[t] <= 1

    if night.car.discharge_limit_kwh is not None:
        model.discharge_total = pyo.Constraint(
            expr=pyo.quicksum(night.hours[t] * model.discharge_kw[t] for t in model.intervals)
            <= night.car.discharge_limit_kwh
        )


def _meter(model: pyo.ConcreteModel, night: Night) -> None:
    """Add the meter's constraints, within the connection's limits.

    energy_balance, curtail_only_when_chosen, curtail_only_surplus, charge_only_surplus, import_or_not, export_or_not.
    """
    load, solar, limit = night.load_kw, night.solar_kw, night.export_limit_kw
    import_cap = import_cap_kw(night.connection, load, solar)
    surplus = np.maximum(0.0, solar - load - limit)
    most_curtailed = solar if night.solar_can_be_limited else surplus
    model.import_kw = pyo.Var(model.intervals, bounds=lambda _, t: (0, float(import_cap[t])))
    model.export_kw = pyo.Var(model.intervals, bounds=lambda _, t: (0, float(limit[t])))
    model.curtailed_kw = pyo.Var(model.intervals, bounds=lambda _, t: (0, float(most_curtailed[t])))

    @model.Constraint(model.intervals)
    def energy_balance(m: Any, t: int) -> Any:
        return (
            m.import_kw[t] - m.export_kw[t]
            == float(load[t] - solar[t]) + m.charge_kw[t] - m.discharge_kw[t] + m.curtailed_kw[t]
        )

    imports, exports = night.possible_prices("import"), night.possible_prices("export")
    below_zero = np.minimum(imports.min(axis=0), exports.min(axis=0)) < 0
    pays_to_curtail = (
        (below_zero | night.amounts_now_change_prices_later) & (surplus > 0) & (not night.solar_can_be_limited)
    )
    model.forced_intervals = pyo.Set(initialize=[int(t) for t in np.flatnonzero(pays_to_curtail)])
    model.curtailing = pyo.Var(model.forced_intervals, within=pyo.Binary)

    @model.Constraint(model.forced_intervals)
    def curtail_only_when_chosen(m: Any, t: int) -> Any:
        return m.curtailed_kw[t] <= float(surplus[t]) * m.curtailing[t]

    @model.Constraint(model.forced_intervals)
    def curtail_only_surplus(m: Any, t: int) -> Any:
        room = night.charger.charge_max_kw * (1 - m.curtailing[t])
        return m.curtailed_kw[t] <= float(surplus[t]) - m.charge_kw[t] + room

    forbidden = night.only_solar & (solar > load) & night.solar_can_be_limited
    model.surplus_intervals = pyo.Set(initialize=[int(t) for t in np.flatnonzero(forbidden)])

    @model.Constraint(model.surplus_intervals)
    def charge_only_surplus(m: Any, t: int) -> Any:
        room = float(load[t]) * (1 - m.charging[t])
        return m.charge_kw[t] + m.curtailed_kw[t] <= float(solar[t] - load[t]) + room

    tempting = (exports.max(axis=0) > imports.min(axis=0)) | night.amounts_now_change_prices_later
    model.tempting_intervals = pyo.Set(initialize=[int(t) for t in np.flatnonzero(tempting)])
    model.importing = pyo.Var(model.tempting_intervals, within=pyo.Binary)

    @model.Constraint(model.tempting_intervals)
    def import_or_not(m: Any, t: int) -> Any:
        return m.import_kw[t] <= float(import_cap[t]) * m.importing[t]

    @model.Constraint(model.tempting_intervals)
    def export_or_not(m: Any, t: int) -> Any:
        return m.export_kw[t] <= float(limit[t]) * (1 - m.importing[t])


def _battery(model: pyo.ConcreteModel, night: Night) -> None:
    """Add into_the_battery, out_of_the_battery, segment_balance and stored_energy."""
    charger, hours, size = night.charger, night.hours, night.wear.size_kwh
    ending_trip = {trip.comeback - 1: k for k, trip in enumerate(night.trips)}
    model.on_the_way_kwh = pyo.Var(model.trips, within=pyo.NonNegativeReals)
    model.stored_kwh = pyo.Var(model.boundaries, bounds=(0, night.car.battery_kwh))
    model.segment_kwh = pyo.Var(model.segments, model.boundaries, bounds=lambda _, j, b: (0, float(size[j])))
    model.segment_in_kwh = pyo.Var(model.segments, model.intervals, within=pyo.NonNegativeReals)
    model.segment_out_kwh = pyo.Var(model.segments, model.intervals, within=pyo.NonNegativeReals)
    for j in model.segments:
        model.segment_kwh[j, 0].fix(float(night.initial_fill_kwh[j]))
    least_covers = charger.charge_efficiency * charger.charge_min_kw >= charger.fixed_loss_kw
    model.uncovered_loss_kwh = pyo.Var(model.intervals, bounds=(0, 0 if least_covers else None))

    @model.Constraint(model.intervals)
    def into_the_battery(m: Any, t: int) -> Any:
        charged = hours[t] * (charger.charge_efficiency * m.charge_kw[t] - charger.fixed_loss_kw * m.charging[t])
        charged += m.uncovered_loss_kwh[t]
        if t in ending_trip:
            charged += m.on_the_way_kwh[ending_trip[t]]
        return pyo.quicksum(m.segment_in_kwh[j, t] for j in m.segments) == charged

    @model.Constraint(model.intervals)
    def out_of_the_battery(m: Any, t: int) -> Any:
        taken = hours[t] * (m.discharge_kw[t] / charger.discharge_efficiency + charger.fixed_loss_kw * m.discharging[t])
        taken += m.uncovered_loss_kwh[t]
        if t in ending_trip:
            taken += night.trips[ending_trip[t]].energy_kwh
        return pyo.quicksum(m.segment_out_kwh[j, t] for j in m.segments) == taken

    @model.Constraint(model.segments, model.intervals)
    def segment_balance(m: Any, j: int, t: int) -> Any:
        return m.segment_kwh[j, t + 1] == m.segment_kwh[j, t] + m.segment_in_kwh[j, t] - m.segment_out_kwh[j, t]

    @model.Constraint(model.boundaries)
    def stored_energy(m: Any, b: int) -> Any:
        return m.stored_kwh[b] == pyo.quicksum(m.segment_kwh[j, b] for j in m.segments)


def _calendar_ageing(model: pyo.ConcreteModel, night: Night) -> None:
    """Add calendar_ageing: at each boundary an hour costs the highest of the calendar price's lines."""
    slope, intercept = (np.zeros(0), np.zeros(0)) if night.calendar is None else night.calendar.lines()
    model.calendar_lines = pyo.RangeSet(0, len(slope) - 1)
    model.ageing_per_hour = pyo.Var(model.boundaries, within=pyo.NonNegativeReals)

    @model.Constraint(model.boundaries, model.calendar_lines)
    def calendar_ageing(m: Any, b: int, line: int) -> Any:
        return m.ageing_per_hour[b] >= float(slope[line]) * m.stored_kwh[b] + float(intercept[line])


def _window(model: pyo.ConcreteModel, night: Night) -> None:
    """Add no_discharge_below_floor, no_charge_above_ceiling, below_floor and above_ceiling."""
    car, ceiling = night.car, night.ceiling_kwh
    model.home_intervals = pyo.Set(initialize=[int(t) for t in np.flatnonzero(night.at_home)])
    model.below_floor_kwh = pyo.Var(model.home_intervals, within=pyo.NonNegativeReals)
    model.above_ceiling_kwh = pyo.Var(model.home_intervals, within=pyo.NonNegativeReals)

    @model.Constraint(model.home_intervals)
    def no_discharge_below_floor(m: Any, t: int) -> Any:
        return m.stored_kwh[t + 1] >= car.floor_kwh * m.discharging[t]

    @model.Constraint(model.home_intervals)
    def no_charge_above_ceiling(m: Any, t: int) -> Any:
        beyond = car.battery_kwh - float(ceiling[t + 1])
        return m.stored_kwh[t + 1] <= float(ceiling[t + 1]) + beyond * (1 - m.charging[t])

    @model.Constraint(model.home_intervals)
    def below_floor(m: Any, t: int) -> Any:
        return m.below_floor_kwh[t] >= car.floor_kwh - m.stored_kwh[t + 1]

    @model.Constraint(model.home_intervals)
    def above_ceiling(m: Any, t: int) -> Any:
        return m.above_ceiling_kwh[t] >= m.stored_kwh[t + 1] - car.ceiling_kwh


def _trips(model: pyo.ConcreteModel, night: Night) -> None:
    """Add departure_target, ready_before_departure and on_the_way."""
    model.missing_at_departure_kwh = pyo.Var(model.trips, within=pyo.NonNegativeReals)
    model.missing_when_ready_kwh = pyo.Var(model.trips, within=pyo.NonNegativeReals)
    held = [(k, b) for k, trip in enumerate(night.trips) for b in range(trip.ready, trip.depart)]

    @model.Constraint(model.trips)
    def departure_target(m: Any, k: int) -> Any:
        trip = night.trips[k]
        return m.stored_kwh[trip.depart] + m.missing_at_departure_kwh[k] >= trip.target_kwh

    @model.Constraint(pyo.Set(initialize=held, dimen=2))
    def ready_before_departure(m: Any, k: int, b: int) -> Any:
        return m.stored_kwh[b] + m.missing_when_ready_kwh[k] >= night.trips[k].target_kwh

    @model.Constraint(model.trips)
    def on_the_way(m: Any, k: int) -> Any:
        trip = night.trips[k]
        if trip.energy_kwh == 0:
            return m.on_the_way_kwh[k] == 0
        wanted = trip.energy_kwh + night.car.return_reserve_kwh
        return m.on_the_way_kwh[k] >= wanted - m.stored_kwh[trip.depart]


def _starts(model: pyo.ConcreteModel) -> None:
    """Add charge_starts and discharge_starts: a change from not charging to charging, and so for discharging."""
    model.charge_start = pyo.Var(model.intervals, within=pyo.NonNegativeReals)
    model.discharge_start = pyo.Var(model.intervals, within=pyo.NonNegativeReals)

    @model.Constraint(model.intervals)
    def charge_starts(m: Any, t: int) -> Any:
        return m.charge_start[t] >= m.charging[t] - (m.charging[t - 1] if t > 0 else 0)

    @model.Constraint(model.intervals)
    def discharge_starts(m: Any, t: int) -> Any:
        return m.discharge_start[t] >= m.discharging[t] - (m.discharging[t - 1] if t > 0 else 0)


def _steadiness(model: pyo.ConcreteModel, night: Night) -> None:
    """Add charge_steadiness and discharge_steadiness: changes of power while both intervals run one way."""
    charger = night.charger
    model.later_intervals = pyo.RangeSet(1, night.intervals - 1)
    model.signs = pyo.Set(initialize=[-1, 1])
    model.charge_change_kw = pyo.Var(model.later_intervals, within=pyo.NonNegativeReals)
    model.discharge_change_kw = pyo.Var(model.later_intervals, within=pyo.NonNegativeReals)

    @model.Constraint(model.later_intervals, model.signs)
    def charge_steadiness(m: Any, t: int, sign: int) -> Any:
        outside_a_run = charger.charge_max_kw * (2 - m.charging[t] - m.charging[t - 1])
        return m.charge_change_kw[t] >= sign * (m.charge_kw[t] - m.charge_kw[t - 1]) - outside_a_run

    @model.Constraint(model.later_intervals, model.signs)
    def discharge_steadiness(m: Any, t: int, sign: int) -> Any:
        outside_a_run = charger.discharge_max_kw * (2 - m.discharging[t] - m.discharging[t - 1])
        return m.discharge_change_kw[t] >= sign * (m.discharge_kw[t] - m.discharge_kw[t - 1]) - outside_a_run


def _stored_energy(model: pyo.ConcreteModel, night: Night) -> Any:
    """Add stored_at_end; return what it is worth that the night ends with it and not with what it began with."""
    value = night.stored_energy
    model.value_pieces = pyo.RangeSet(0, len(value.width_kwh) - 1)
    model.stored_at_end_kwh = pyo.Var(model.value_pieces, bounds=lambda _, piece: (0, float(value.width_kwh[piece])))
    model.stored_at_end = pyo.Constraint(
        expr=pyo.quicksum(model.stored_at_end_kwh[piece] for piece in model.value_pieces)
        <= model.stored_kwh[night.intervals]
    )
    worth = pyo.quicksum(
        float(value.price_per_kwh[piece]) * model.stored_at_end_kwh[piece] for piece in model.value_pieces
    )
    return worth - value.worth(night.stored_now_kwh)


def _segment_value(model: pyo.ConcreteModel, night: Night) -> Any:
    """Add worth_in_segments; return what the segments at the end are worth more than those at the beginning."""
    value = night.segment_value
    assert value is not None
    model.planes = pyo.RangeSet(0, len(value.constant) - 1)
    model.worth_at_end = pyo.Var(within=pyo.Reals)

    @model.Constraint(model.planes)
    def worth_in_segments(m: Any, plane: int) -> Any:
        left = pyo.quicksum(
            float(value.price_per_kwh[plane, j]) * m.segment_kwh[j, night.intervals] for j in m.segments
        )
        return m.worth_at_end <= float(value.constant[plane]) + left

    return model.worth_at_end - value.worth(night.initial_fill_kwh)


def _objectives(model: pyo.ConcreteModel, night: Night) -> None:
    """Add the objectives in the order of their priority, named in OBJECTIVES."""
    car, hours, highest = night.car, night.hours, night.highest_price
    count = len(night.trips)
    energy = pyo.quicksum(
        hours[t] * (night.import_price[t] * model.import_kw[t] - night.export_price[t] * model.export_kw[t])
        for t in model.intervals
    )
    on_the_way = car.on_the_way_price_per_kwh * pyo.quicksum(model.on_the_way_kwh[k] for k in model.trips)
    wear = pyo.quicksum(
        float(night.wear.price_per_kwh[j]) * model.segment_out_kwh[j, t]
        for j in model.segments
        for t in model.intervals
    )
    around = night.hours_around
    ageing = pyo.quicksum(float(around[b]) * model.ageing_per_hour[b] for b in model.boundaries)
    outside_window = pyo.quicksum(
        hours[t] * car.outside_window_factor * highest * (model.below_floor_kwh[t] + model.above_ceiling_kwh[t])
        for t in model.home_intervals
    )
    starts = pyo.quicksum(model.charge_start[t] + model.discharge_start[t] for t in model.intervals)
    stored_energy = _segment_value(model, night) if night.segment_value is not None else _stored_energy(model, night)
    change = pyo.quicksum(model.charge_change_kw[t] + model.discharge_change_kw[t] for t in model.later_intervals)
    if night.setting.by_hand:
        most = max(night.charger.charge_max_kw, night.charger.discharge_max_kw)
        change += most * blocks_begun(model)
    waited = hours_waited(night)
    waiting = pyo.quicksum(
        hours[t] * float(waited[t]) * (model.charge_kw[t] + model.discharge_kw[t]) for t in model.intervals
    )
    above = pyo.quicksum(hours[t] * model.above_ceiling_kwh[t] for t in model.home_intervals)
    weights = range(count, 0, -1)
    model.least_on_the_way = pyo.Objective(
        expr=pyo.quicksum(weight * model.on_the_way_kwh[k] for weight, k in zip(weights, model.trips, strict=True))
    )
    model.least_missing_at_departure = pyo.Objective(
        expr=pyo.quicksum(model.missing_at_departure_kwh[k] for k in model.trips)
    )
    model.least_missing_when_ready = pyo.Objective(
        expr=pyo.quicksum(model.missing_when_ready_kwh[k] for k in model.trips)
    )
    model.least_money = pyo.Objective(
        expr=energy
        + money_of_offer(model, night)
        + on_the_way
        + night.wear_weight * (wear + ageing)
        + outside_window
        + charger_start_worth(night) * starts
        + (night.setting_worth * settings_made(model) if night.counts_settings else 0)
        - stored_energy
    )
    model.least_change = pyo.Objective(expr=change)
    model.ready_soonest = pyo.Objective(expr=waiting + ABOVE_CEILING * above)
