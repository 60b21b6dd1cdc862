"""One night's program as a Pyomo model: the plain statement, one function per law.

Indices: t an interval, b a boundary (interval t lies between boundaries t and t + 1), k a trip, j a segment of the
battery's depth. h_t hours, L_t load, S_t solar, p_t and r_t import and export price, p̂ the dearest import price.

    charge_kw c_t, discharge_kw d_t, import_kw g_t, export_kw x_t, curtailed_kw q_t        [kW], all >= 0
    charging u_t, discharging v_t                                                         binary, 0 while away
    stored_kwh e_b; segment_kwh s_jb, segment_in_kwh i_jt, segment_out_kwh o_jt           [kWh], all >= 0
    on_the_way_kwh w_k, missing_at_departure_kwh m_k, missing_when_ready_kwh n_k          [kWh], all >= 0

    charge_limits           c_min u_t <= c_t <= c_max u_t
    discharge_limits        d_min v_t <= d_t <= d_max v_t;   d_t <= max(0, L_t - S_t) where it serves the building only
    one_direction           u_t + v_t <= 1
    energy_balance          g_t - x_t = L_t + c_t - d_t - (S_t - q_t)
                            g_t <= max(import limit, L_t - S_t);   x_t <= export limit_t
    curtailment             q_t <= S_t if solar can be limited, else q_t <= max(0, S_t - L_t - export limit_t)
    curtail_only_surplus    where a price is below zero or amounts change later prices, and solar cannot be limited:
                            z_t binary, W = S_t - L_t - export limit_t,
                            q_t <= W z_t and q_t <= W - c_t + c_max (1 - z_t)
    import_or_export        where some r_t > some p_t or amounts change later prices: y_t binary,
                            g_t <= g_max y_t and x_t <= x_max (1 - y_t)
    charge_only_surplus     where the offer forbids charging from the grid: c_t <= max(0, S_t - L_t), and
                            c_t + q_t <= S_t - L_t while u_t = 1, where solar can be limited
    discharge_total         sum_t h_t d_t <= discharge limit, where given
    battery_balance         sum_j i_jt = h_t (η_c c_t - fixed u_t) + l_t + w_k in the last interval of trip k
                            sum_j o_jt = h_t (d_t / η_d + fixed v_t) + l_t + trip energy in the last interval of trip k
                            l_t >= 0 only for a charger whose least power does not cover its fixed loss
    segment_balance         s_j,t+1 = s_jt + i_jt - o_jt;   s_jb <= size_j;   s_j0 the initial fill
    stored_energy           e_b = sum_j s_jb
    calendar_ageing          a'_b >= slope_i e_b + intercept_i for each line i of the calendar price   [money per hour]
    no_discharge_below_floor     e_t+1 >= floor v_t
    no_charge_above_ceiling      e_t+1 <= ceiling_t+1 + (battery - ceiling_t+1) (1 - u_t)
    below_floor, above_ceiling   a_t >= floor - e_t+1,   o_t >= e_t+1 - ceiling, at home
    departure_target        e_b + m_k >= target_k at the departure;   e_b + n_k >= target_k from the ready time until it
    on_the_way              w_k >= trip energy_k + return reserve - e at departure, for a trip of more than 0 km
    starts                  f_t >= u_t - u_t-1,   f'_t >= v_t - v_t-1,   idle before now
    stored_at_end           ē <= e_end,   ē <= ceiling
    steadiness              |c_t - c_t-1| <= ċ_t + c_max (2 - u_t - u_t-1), and so for d

Offers with steps and demand charges have the laws of scheduler.optimizer.formulation_offers, a plan set by hand those
of scheduler.optimizer.formulation_manual as well.

Objectives, each exact before the next (scheduler.optimizer.solve):

    least_on_the_way        sum_k (K - k) w_k, k from 0: earlier trips weigh more
    least_missing_at_departure   sum_k m_k
    least_missing_when_ready     sum_k n_k
    least_money             sum_t h_t (p_t g_t - r_t x_t) + on-the-way price · sum_k w_k + weight · sum_jt price_j o_jt
                            + weight · sum_b (half the hours before and after b) · a'_b
                            + steps and demand charge (scheduler.optimizer.formulation_offers)
                            + sum_t h_t · factor · p̂ · (a_t + o_t) + start worth · p̂ · sum_t (f_t + f'_t)
                            - stored-energy price · (ē - min(e_0, ceiling))
    least_change            sum_t (ċ_t + ḋ_t), and of a plan set by hand a full change for every block
    charge_late_discharge_early   sum_t h_t c_t (hours from the middle of t to the end)
                                  + sum_t h_t d_t (hours from now to the middle of t)

The wear segments are those of Xu et al. 2018 (models.wear.segments): convex prices fill and empty them in order by
themselves.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pyomo.environ as pyo

from models.site.connection import import_cap_kw
from scheduler.nights.night import Night
from scheduler.optimizer.formulation_manual import blocks_begun, set_by_hand
from scheduler.optimizer.formulation_offers import money_of_offer, steps_and_demand
from scheduler.optimizer.objectives import charger_start_worth


def formulate(night: Night, may_discharge: bool = True) -> pyo.ConcreteModel:
    """The night's program; with may_discharge False every v_t is 0 (the charge-only alternative)."""
    model = pyo.ConcreteModel()
    model.intervals = pyo.RangeSet(0, night.intervals - 1)
    model.boundaries = pyo.RangeSet(0, night.intervals)
    model.segments = pyo.RangeSet(0, len(night.wear.size_kwh) - 1)
    model.trips = pyo.RangeSet(0, len(night.trips) - 1)
    _charger(model, night, may_discharge)
    _meter(model, night)
    steps_and_demand(model, night)
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
    """charge_limits, discharge_limits, one_direction, discharge_total."""
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
    """energy_balance, the connection's limits, curtailment, import_or_export."""
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
    """battery_balance, segment_balance, stored_energy."""
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
    """What an hour of standing costs: the highest of the calendar price's lines, at each boundary."""
    slope, intercept = (np.zeros(0), np.zeros(0)) if night.calendar is None else night.calendar.lines()
    model.calendar_lines = pyo.RangeSet(0, len(slope) - 1)
    model.ageing_per_hour = pyo.Var(model.boundaries, within=pyo.NonNegativeReals)

    @model.Constraint(model.boundaries, model.calendar_lines)
    def calendar_ageing(m: Any, b: int, line: int) -> Any:
        return m.ageing_per_hour[b] >= float(slope[line]) * m.stored_kwh[b] + float(intercept[line])


def _window(model: pyo.ConcreteModel, night: Night) -> None:
    """no_discharge_below_floor, no_charge_above_ceiling, and how far the car is outside its window at home."""
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
    """departure_target, on_the_way."""
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
    """Starts: a change to charging from not charging, or to discharging from not discharging."""
    model.charge_start = pyo.Var(model.intervals, within=pyo.NonNegativeReals)
    model.discharge_start = pyo.Var(model.intervals, within=pyo.NonNegativeReals)

    @model.Constraint(model.intervals)
    def charge_starts(m: Any, t: int) -> Any:
        return m.charge_start[t] >= m.charging[t] - (m.charging[t - 1] if t > 0 else 0)

    @model.Constraint(model.intervals)
    def discharge_starts(m: Any, t: int) -> Any:
        return m.discharge_start[t] >= m.discharging[t] - (m.discharging[t - 1] if t > 0 else 0)


def _steadiness(model: pyo.ConcreteModel, night: Night) -> None:
    """Changes of power inside runs: both intervals charge, or both discharge."""
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


def _objectives(model: pyo.ConcreteModel, night: Night) -> None:
    """The objectives in the order of their priority, named in OBJECTIVES."""
    car, hours, dearest = night.car, night.hours, night.highest_price
    count = len(night.trips)
    model.stored_at_end_kwh = pyo.Var(bounds=(0, car.ceiling_kwh))
    model.stored_at_end = pyo.Constraint(expr=model.stored_at_end_kwh <= model.stored_kwh[night.intervals])

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
        hours[t] * car.outside_window_factor * dearest * (model.below_floor_kwh[t] + model.above_ceiling_kwh[t])
        for t in model.home_intervals
    )
    starts = pyo.quicksum(model.charge_start[t] + model.discharge_start[t] for t in model.intervals)
    stored_energy = night.stored_energy_price * (model.stored_at_end_kwh - min(night.stored_now_kwh, car.ceiling_kwh))
    change = pyo.quicksum(model.charge_change_kw[t] + model.discharge_change_kw[t] for t in model.later_intervals)
    if night.setting.by_hand:
        most = max(night.charger.charge_max_kw, night.charger.discharge_max_kw)
        change += most * blocks_begun(model)
    middle = np.cumsum(hours) - hours / 2
    timing = pyo.quicksum(
        hours[t] * (float(hours.sum() - middle[t]) * model.charge_kw[t] + middle[t] * model.discharge_kw[t])
        for t in model.intervals
    )
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
        - stored_energy
    )
    model.least_change = pyo.Objective(expr=change)
    model.charge_late_discharge_early = pyo.Objective(expr=timing)
