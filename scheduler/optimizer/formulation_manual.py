"""Plans that a person sets, in the reference formulation: few blocks, none too short, each one power or whole current.

README.md beside this file holds the mathematics.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pyomo.environ as pyo

from scheduler.nights.night import Night


def set_by_hand(model: pyo.ConcreteModel, night: Night) -> None:
    """Add the constraints of the night's setting to a model that has the charger's."""
    charger = night.charger
    model.charge_block_begins = pyo.Var(model.intervals, within=pyo.Binary)
    model.discharge_block_begins = pyo.Var(model.intervals, within=pyo.Binary)
    if charger.discharge_to == "building":
        _cap(model, night)
        discharge_power, discharge_set = model.cap_kw, model.cap_is_set
    else:
        discharge_power, discharge_set = model.discharge_kw, model.discharging
    directions = (
        ("charge", model.charge_kw, model.charging, model.charge_block_begins, charger.charge_max_kw),
        ("discharge", discharge_power, discharge_set, model.discharge_block_begins, charger.discharge_max_kw),
    )
    for name, power, mode, begins, most in directions:
        _blocks(model, night, name, power, mode, begins, most)
        if night.setting.set_by == "current":
            _whole_amps(model, night, name, power, most)
    model.few_blocks = pyo.Constraint(expr=blocks_begun(model) <= night.setting.max_blocks)
    if night.counts_settings:
        _settings(model, night, model.charging, discharge_set)


def blocks_begun(model: pyo.ConcreteModel) -> Any:
    """Return how many blocks are set in total, as an expression."""
    return pyo.quicksum(model.charge_block_begins[t] + model.discharge_block_begins[t] for t in model.intervals)


def settings_made(model: pyo.ConcreteModel) -> Any:
    """Return how often a person sets the charger, as an expression."""
    return blocks_begun(model) + pyo.quicksum(model.ended_by_hand[b] for b in model.block_ends)


def _settings(model: pyo.ConcreteModel, night: Night, charging: Any, discharging: Any) -> None:
    """Add what a person sets: the begin of each block, and its end where nothing follows and it does not end by itself.

    charge_ends_once, discharge_ends_once, full_where_it_ends, empty_where_it_ends, ends_by_hand_else, and
    few_settings_at_night.
    """
    ends, battery_kwh = np.flatnonzero(night.end_is_set).tolist(), night.car.battery_kwh
    full_from_kwh, empty_until_kwh = night.full_from_kwh, night.empty_until_kwh
    model.block_ends = pyo.Set(initialize=ends)
    model.charge_ends_by_itself = pyo.Var(model.block_ends, within=pyo.Binary)
    model.discharge_ends_by_itself = pyo.Var(model.block_ends, within=pyo.Binary)
    model.ended_by_hand = pyo.Var(model.block_ends, bounds=(0, 1))

    def charge_end(m: Any, b: int) -> Any:
        return m.charge_block_begins[b] + charging[b - 1] - charging[b]

    def discharge_end(m: Any, b: int) -> Any:
        return m.discharge_block_begins[b] + discharging[b - 1] - discharging[b]

    @model.Constraint(model.block_ends)
    def charge_ends_once(m: Any, b: int) -> Any:
        return m.charge_ends_by_itself[b] <= charge_end(m, b)

    @model.Constraint(model.block_ends)
    def discharge_ends_once(m: Any, b: int) -> Any:
        return m.discharge_ends_by_itself[b] <= discharge_end(m, b)

    @model.Constraint(model.block_ends)
    def full_where_it_ends(m: Any, b: int) -> Any:
        return m.stored_kwh[b] >= float(full_from_kwh[b]) * m.charge_ends_by_itself[b]

    @model.Constraint(model.block_ends)
    def empty_where_it_ends(m: Any, b: int) -> Any:
        room = max(0.0, battery_kwh - empty_until_kwh)
        return m.stored_kwh[b] <= battery_kwh - room * m.discharge_ends_by_itself[b]

    @model.Constraint(model.block_ends)
    def ends_by_hand_else(m: Any, b: int) -> Any:
        begun = m.charge_block_begins[b] + m.discharge_block_begins[b]
        by_itself = m.charge_ends_by_itself[b] + m.discharge_ends_by_itself[b]
        return m.ended_by_hand[b] >= charge_end(m, b) + discharge_end(m, b) - begun - by_itself

    asleep = np.flatnonzero(~night.is_waking).tolist()
    begins = (model.charge_block_begins, model.discharge_block_begins)
    at_night = [begun[b] for begun in begins for b in asleep if b < night.intervals]
    at_night += [model.ended_by_hand[b] for b in asleep if night.end_is_set[b]]
    if at_night:
        model.few_settings_at_night = pyo.Constraint(expr=pyo.quicksum(at_night) <= night.setting.most_outside)


def _blocks(
    model: pyo.ConcreteModel, night: Night, name: str, power: Any, mode: Any, begins: Any, most_kw: float
) -> None:
    """Add one direction's blocks; its name comes before each constraint's.

    block_begins_when, block_only_when_set, one_power_no_rise, one_power_no_fall, long_enough_stays, long_enough_alone.
    """
    minutes = 60 * np.concatenate([[0.0], np.cumsum(night.hours)])
    too_soon = [
        (t, later)
        for t in range(night.intervals)
        for later in range(t + 1, night.intervals)
        if minutes[later] < minutes[t] + night.setting.min_block_minutes - 1e-6
    ]

    def began(m: Any, t: int) -> Any:
        return begins[t] >= mode[t] - (mode[t - 1] if t > 0 else 0)

    def only_when_set(m: Any, t: int) -> Any:
        return begins[t] <= mode[t]

    def no_rise_within(m: Any, t: int) -> Any:
        return power[t] - power[t - 1] <= most_kw * begins[t]

    def no_fall_within(m: Any, t: int) -> Any:
        return power[t - 1] - power[t] <= most_kw * (begins[t] + 1 - mode[t])

    def stays_set(m: Any, t: int, later: int) -> Any:
        return begins[t] <= mode[later]

    def no_other_begins(m: Any, t: int, later: int) -> Any:
        return begins[t] + begins[later] <= 1

    pairs = pyo.Set(initialize=too_soon, dimen=2)
    model.add_component(f"{name}_block_begins_when", pyo.Constraint(model.intervals, rule=began))
    model.add_component(f"{name}_block_only_when_set", pyo.Constraint(model.intervals, rule=only_when_set))
    model.add_component(f"{name}_one_power_no_rise", pyo.Constraint(model.later_intervals, rule=no_rise_within))
    model.add_component(f"{name}_one_power_no_fall", pyo.Constraint(model.later_intervals, rule=no_fall_within))
    model.add_component(f"{name}_too_soon", pairs)
    model.add_component(f"{name}_long_enough_stays", pyo.Constraint(pairs, rule=stays_set))
    model.add_component(f"{name}_long_enough_alone", pyo.Constraint(pairs, rule=no_other_begins))


def _whole_amps(model: pyo.ConcreteModel, night: Night, name: str, power: Any, most_kw: float) -> None:
    """Add charge_whole_amps or discharge_whole_amps."""
    kw_per_amp = 1 / night.charger.amps(1.0)
    amps = pyo.Var(model.intervals, within=pyo.NonNegativeIntegers, bounds=(0, int(most_kw / kw_per_amp + 1e-9)))

    def whole(m: Any, t: int) -> Any:
        return power[t] == kw_per_amp * amps[t]

    model.add_component(f"{name}_amps", amps)
    model.add_component(f"{name}_whole_amps", pyo.Constraint(model.intervals, rule=whole))


def _cap(model: pyo.ConcreteModel, night: Night) -> None:
    """Add the cap up to which a charger that serves the building alone follows it.

    follows_when_set, least_cap, most_cap, one_thing_set, no_more_than_the_cap, the_cap_where_the_draw_is_over,
    the_draw_where_it_is_under.
    """
    charger = night.charger
    draw = np.maximum(0.0, night.load_kw - night.solar_kw)
    most = charger.discharge_max_kw
    home = [int(at_home) for at_home in night.at_home]
    follows = [int(at_home and kw >= charger.discharge_min_kw) for at_home, kw in zip(home, draw, strict=True)]
    may_discharge = [model.discharging[t].ub > 0 for t in model.intervals]
    model.cap_kw = pyo.Var(model.intervals, bounds=(0, most))
    model.cap_is_set = pyo.Var(
        model.intervals, within=pyo.Integers, bounds=lambda _, t: (0, home[t] if may_discharge[t] else 0)
    )
    model.draw_is_under_the_cap = pyo.Var(model.intervals, within=pyo.Binary)

    @model.Constraint(model.intervals)
    def follows_when_set(m: Any, t: int) -> Any:
        return m.discharging[t] == follows[t] * m.cap_is_set[t]

    @model.Constraint(model.intervals)
    def least_cap(m: Any, t: int) -> Any:
        return m.cap_kw[t] >= charger.discharge_min_kw * m.cap_is_set[t]

    @model.Constraint(model.intervals)
    def most_cap(m: Any, t: int) -> Any:
        return m.cap_kw[t] <= most * m.cap_is_set[t]

    @model.Constraint(model.intervals)
    def one_thing_set(m: Any, t: int) -> Any:
        return m.charging[t] + m.cap_is_set[t] <= 1

    @model.Constraint(model.intervals)
    def no_more_than_the_cap(m: Any, t: int) -> Any:
        return m.discharge_kw[t] <= m.cap_kw[t]

    @model.Constraint(model.intervals)
    def the_cap_where_the_draw_is_over(m: Any, t: int) -> Any:
        if not follows[t]:
            return pyo.Constraint.Skip
        return m.discharge_kw[t] >= m.cap_kw[t] - most * m.draw_is_under_the_cap[t]

    @model.Constraint(model.intervals)
    def the_draw_where_it_is_under(m: Any, t: int) -> Any:
        reach = min(float(draw[t]), most)
        return m.discharge_kw[t] >= reach * m.discharging[t] - most * (1 - m.draw_is_under_the_cap[t])
