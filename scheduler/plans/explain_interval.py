"""The arithmetic of one interval, to follow on a pocket calculator, and what a kW more or less would cost."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from models.site.connection import import_cap_kw
from models.wear.segments import taken_from_segments_kwh
from scheduler.optimizer.lexicographic import GAP_WORTH_KWH
from scheduler.optimizer.solve import total_at_power
from scheduler.plans.plan import Plan
from scheduler.plans.replay import battery_flows_kwh
from scheduler.textio.errors import single_fault
from scheduler.textio.format import number_text, percent_text, span_text
from scheduler.textio.parse_time import parse_moment

WHY_OPTION = "--why"
NEAR = 0.005
"""A power or energy this close to a limit is at it [kW], [kWh]."""


def explain_interval(plan: Plan, text: str) -> str:
    """Return the text for `--why`, for a moment as the owner gives it.

    Raises
    ------
    InputFaults : the moment cannot be read, or lies outside the plan.
    """
    return interval_text(plan, interval_at(plan, text))


def interval_at(plan: Plan, text: str) -> int:
    """Return the number of the interval in which a moment lies.

    Raises
    ------
    InputFaults : the moment cannot be read, or lies outside the plan.
    """
    night = plan.night
    begin, end = (night.boundaries[at].to_pydatetime() for at in (0, -1))
    moment = parse_moment(text, begin, night.timezone, WHY_OPTION)
    if moment >= end:
        raise single_fault(WHY_OPTION, f"{text} is after the end of this plan; expected a time inside it")
    return int(night.boundaries.searchsorted(pd.Timestamp(moment), side="right")) - 1


def interval_text(plan: Plan, interval: int) -> str:
    """Return the arithmetic of an interval, line by line, and what another power there would cost.

    Money is in the offer's currency, powers are in kW and energies in kWh.
    """
    night = plan.night
    begin, end = (night.boundaries[at].to_pydatetime() for at in (interval, interval + 1))
    lines = [
        f"Why, {span_text(begin, end, night.timezone)}: {_number(night.hours[interval])} h, {_action(plan, interval)}",
        "",
        *_meter(plan, interval),
        *_battery(plan, interval),
        *_wear(plan, interval),
        *_ageing(plan, interval),
        *_worth(plan, interval),
        "",
        *_limits(plan, interval),
        "",
        *_more_or_less(plan, interval),
    ]
    return "\n".join(lines)


def _number(value: float) -> str:
    """Return a number with up to four decimals."""
    return number_text(float(value), 4)


def _action(plan: Plan, interval: int) -> str:
    """Return what the charger does in the interval."""
    setpoints = plan.answer.setpoints
    if not plan.night.at_home[interval]:
        return "the car is away"
    if setpoints.charging[interval]:
        return f"charging at {_number(setpoints.charge_kw[interval])} kW"
    if setpoints.discharging[interval]:
        return f"discharging at {_number(setpoints.discharge_kw[interval])} kW"
    return "idle"


def _meter(plan: Plan, interval: int) -> Iterator[str]:
    """Yield the power balance at the meter, and what is bought or sold."""
    night, setpoints, replayed = plan.night, plan.answer.setpoints, plan.replayed
    load, solar, curtailed = night.load_kw[interval], night.solar_kw[interval], setpoints.curtailed_kw[interval]
    charge, discharge = setpoints.charge_kw[interval], setpoints.discharge_kw[interval]
    draw = replayed.import_kw[interval] - replayed.export_kw[interval]
    yield (
        f"Meter: load {_number(load)} + charge {_number(charge)} − discharge {_number(discharge)} − solar "
        f"({_number(solar)} − {_number(curtailed)} curtailed) = {_number(draw)} kW"
    )
    hours = _number(night.hours[interval])
    if draw >= 0:
        yield (
            f"Bought: {hours} h × {_number(draw)} kW × {_number(replayed.import_price[interval])} = "
            f"{_number(replayed.import_cost[interval])}"
        )
    else:
        yield (
            f"Sold: {hours} h × {_number(-draw)} kW × {_number(replayed.export_price[interval])} = "
            f"{_number(replayed.export_credit[interval])}"
        )


def _battery(plan: Plan, interval: int) -> Iterator[str]:
    """Yield what goes into or out of the battery, and what is stored before and after."""
    night, setpoints, charger = plan.night, plan.answer.setpoints, plan.night.charger
    hours = _number(night.hours[interval])
    fixed = _number(charger.fixed_loss_kw)
    before, after = (float(plan.replayed.stored_kwh[at]) for at in (interval, interval + 1))
    if setpoints.charging[interval]:
        yield (
            f"Into the battery: {hours} h × ({_number(charger.charge_efficiency)} × "
            f"{_number(setpoints.charge_kw[interval])} − {fixed}) = {_number(after - before)} kWh"
        )
    elif setpoints.discharging[interval]:
        yield (
            f"Out of the battery: {hours} h × ({_number(setpoints.discharge_kw[interval])} / "
            f"{_number(charger.discharge_efficiency)} + {fixed}) = {_number(before - after)} kWh"
        )
    car = night.car
    yield (
        f"Stored: {_number(before)} kWh ({percent_text(car.percent(before))}) to {_number(after)} kWh "
        f"({percent_text(car.percent(after))})"
    )


def _wear(plan: Plan, interval: int) -> Iterator[str]:
    """Yield the energy taken from each wear segment, and its price."""
    night, setpoints, replayed = plan.night, plan.answer.setpoints, plan.replayed
    into, out = battery_flows_kwh(night, setpoints, replayed.on_the_way_kwh)
    taken = taken_from_segments_kwh(night.wear, night.initial_fill_kwh, into, out)[interval]
    edges = np.concatenate([[0.0], np.cumsum(night.wear.size_kwh)]) / night.car.battery_kwh * 100
    parts = [
        f"{_number(kwh)} kWh × {_number(night.wear.price_per_kwh[segment])} "
        f"(depth {edges[segment]:.0f} to {edges[segment + 1]:.0f} %)"
        for segment, kwh in enumerate(taken)
        if kwh > 1e-9
    ]
    if parts:
        weight = "" if night.wear_weight == 1 else f", weight {night.wear_weight:g}"
        yield f"Wear: {' + '.join(parts)} = {_number(replayed.cycle_wear_cost[interval])}{weight}"


def _ageing(plan: Plan, interval: int) -> Iterator[str]:
    """Yield what calendar ageing costs in the interval, from its price at both ends."""
    night, replayed = plan.night, plan.replayed
    if night.calendar is None:
        return
    ends = night.calendar.cost(replayed.stored_kwh[interval : interval + 2])
    weight = "" if night.wear_weight == 1 else f", weight {night.wear_weight:g}"
    yield (
        f"Calendar ageing: {_number(night.hours[interval])} h × mean of {_number(ends[0])} and {_number(ends[1])} per "
        f"hour = {_number(replayed.calendar_wear_cost[interval])}{weight}"
    )


def _worth(plan: Plan, interval: int) -> Iterator[str]:
    """Yield what the energy that is stored or taken out is worth."""
    stored = plan.replayed.stored_kwh
    price = plan.night.price_left_at(float(stored[-1]))
    moved = float(stored[interval + 1] - stored[interval])
    if plan.night.at_home[interval] and abs(moved) > 1e-9:
        change = "stored" if moved > 0 else "taken out"
        worth = _number(abs(moved) * price)
        yield f"Value of energy {change}: {_number(abs(moved))} kWh × {_number(price)} stored-energy price = {worth}"


def _limits(plan: Plan, interval: int) -> Iterator[str]:
    """Yield the limits that bind in the interval."""
    night, setpoints, replayed = plan.night, plan.answer.setpoints, plan.replayed
    charger, car = night.charger, night.car
    charge, discharge = float(setpoints.charge_kw[interval]), float(setpoints.discharge_kw[interval])
    end = float(replayed.stored_kwh[interval + 1])
    cap = float(import_cap_kw(night.connection, night.load_kw, night.solar_kw)[interval])
    draw = max(0.0, float(night.load_kw[interval] - night.solar_kw[interval]))
    held = [
        trip for trip in night.trips if trip.ready <= interval + 1 <= trip.depart and abs(end - trip.target_kwh) < NEAR
    ]
    binding = {
        f"the charger's maximum, {charger.charge_max_kw:g} kW": charge > charger.charge_max_kw - NEAR,
        f"the charger's minimum, {charger.charge_min_kw:g} kW": 0 < charge < charger.charge_min_kw + NEAR,
        f"the charger's maximum, {charger.discharge_max_kw:g} kW discharging": discharge
        > charger.discharge_max_kw - NEAR,
        f"the charger's minimum, {charger.discharge_min_kw:g} kW discharging": 0
        < discharge
        < charger.discharge_min_kw + NEAR,
        f"the import limit, {cap:g} kW": charge > 0 and replayed.import_kw[interval] > cap - NEAR,
        f"the export limit, {night.export_limit_kw[interval]:g} kW": discharge > 0
        and replayed.export_kw[interval] > night.export_limit_kw[interval] - NEAR,
        "the offer's ban on charging from the grid": bool(night.only_solar[interval])
        and charge >= max(0.0, float(night.solar_kw[interval] - night.load_kw[interval])) - NEAR,
        "the building's draw": discharge > 0 and abs(discharge - draw) < NEAR,
        f"the floor, {car.floor_percent:g} %": discharge > 0 and abs(end - car.floor_kwh) < NEAR,
        f"the ceiling, {car.ceiling_percent:g} %": charge > 0 and abs(end - night.ceiling_kwh[interval + 1]) < NEAR,
        "a departure target": bool(held),
        f"the night's discharge limit, {car.discharge_limit_kwh} kWh": car.discharge_limit_kwh is not None
        and discharge > 0
        and float(night.hours @ setpoints.discharge_kw) > car.discharge_limit_kwh - NEAR,
    }
    found = [limit for limit, binds in binding.items() if binds]
    yield f"Limits reached here: {', '.join(found) if found else 'none'}"


def _more_or_less(plan: Plan, interval: int) -> Iterator[str]:
    """Yield how the total changes with a kW more or less here, if everything else is planned again."""
    night = plan.night
    if not night.at_home[interval]:
        return
    setpoint = float(plan.answer.setpoints.charge_kw[interval] - plan.answer.setpoints.discharge_kw[interval])
    here = total_at_power(night, plan.answer, interval, setpoint)
    gap = number_text(GAP_WORTH_KWH * night.highest_price, 4)
    yield f"Change of the total with another power here, everything else planned again (to within {gap}):"
    for other in _neighbours(plan, setpoint):
        total = total_at_power(night, plan.answer, interval, other)
        if total is None or here is None:
            yield f"  {_setpoint_text(other)}: not possible, or a trip would be served worse"
        else:
            difference = number_text(total - here, 4)
            yield f"  {_setpoint_text(other)}: {'' if difference.startswith('−') else '+'}{difference}"


def _neighbours(plan: Plan, setpoint_kw: float) -> list[float]:
    """Return setpoints a kW higher and a kW lower [kW], within what the charger can do; 0 for idle."""
    charger = plan.night.charger
    if setpoint_kw == 0:
        return [max(charger.charge_min_kw, 1.0), -max(charger.discharge_min_kw, 1.0)]
    sign = 1 if setpoint_kw > 0 else -1
    least = charger.charge_min_kw if sign > 0 else charger.discharge_min_kw
    most = charger.charge_max_kw if sign > 0 else charger.discharge_max_kw
    power = abs(setpoint_kw)
    less = power - 1 if power - 1 >= max(least, 1e-9) else 0.0
    more = [power + 1] if power + 1 <= most else [most] if most > power + NEAR else []
    return [sign * each for each in (*more, less)]


def _setpoint_text(setpoint_kw: float) -> str:
    """Return a setpoint as text."""
    if setpoint_kw == 0:
        return "idle"
    action = "charging" if setpoint_kw > 0 else "discharging"
    return f"{action} at {number_text(abs(setpoint_kw), 2)} kW"
