"""Why the car gives nothing tonight: the first obstacle on the way to a discharge that pays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.base.arrays import FloatArray
from scheduler.nights.night import Night
from scheduler.plans.replay import Replayed
from scheduler.textio.format import clock_text, percent_text, power_text, price_text

POWERS_TRIED = 60
"""Discharge powers tried in each interval between the least and the most."""
LITTLE_KW = 0.01
"""Power below which a building draws nothing worth giving [kW]."""


@dataclass(frozen=True, slots=True)
class BestDischarge:
    """The interval and power at which a kWh given gains most, what it earns there and what it costs [money per kWh]."""

    interval: int
    power_kw: float
    earns: float
    costs: float


def why_no_discharge(night: Night, replayed: Replayed) -> str:
    """One clause that says why this plan never discharges."""
    car, charger, home = night.car, night.charger, night.at_home
    if not home.any():
        return "the car is away"
    limit = car.discharge_limit_kwh
    if limit == 0:
        return "it is not allowed to give energy"
    draw = np.maximum(0.0, night.load_kw - night.solar_kw)
    room = _room_for_export(night)
    most = np.minimum(charger.discharge_max_kw, draw + room) * home
    if most.max() < LITTLE_KW:
        return "the building draws nothing from the grid, and nothing can be exported"
    if most.max() < charger.discharge_min_kw:
        return (
            f"the building draws at most {power_text(float(draw[home].max()))}, under the charger's least power of "
            f"{power_text(charger.discharge_min_kw)}"
        )
    gentle, allowed = (
        _best_giving(night, replayed, draw, most, least) for least in (LITTLE_KW, charger.discharge_min_kw)
    )
    if gentle.earns <= gentle.costs:
        return (
            f"no price pays for it, for a kWh given earns at best {price_text(gentle.earns)}, from "
            f"{_clock(night, gentle.interval)}, and costs {price_text(gentle.costs)} with losses and wear"
        )
    if allowed.earns <= allowed.costs:
        least = f"the charger cannot give less than {power_text(charger.discharge_min_kw)}"
        if not room[home].any():
            return f"{least}, more than the building draws when prices are good"
        return (
            f"{least}; when prices are best the building draws {power_text(float(draw[gentle.interval]))}, and the "
            f"rest would go to the grid at {price_text(float(replayed.export_price[gentle.interval]))}"
        )
    shortest = charger.discharge_min_kw * float(night.hours[home].min())
    if limit is not None and limit < shortest:
        return f"the night's discharge limit of {limit:g} kWh is less than the charger gives at its least power"
    spare = float(replayed.stored_kwh[allowed.interval]) - car.floor_kwh
    if spare <= charger.discharge_min_kw * float(night.hours[allowed.interval]):
        return f"it has too little above its floor of {car.floor_percent:g} % while prices are high"
    trip = next((trip for trip in night.trips if trip.depart > allowed.interval), None)
    if trip is not None:
        return (
            f"the trip at {clock_text(trip.trip.depart_at, night.timezone)} needs "
            f"{percent_text(car.percent(trip.target_kwh))}, and putting the energy back in time would cost more than "
            "giving it earns"
        )
    return "the gain would not cover another start of the charger"


def _best_giving(
    night: Night, replayed: Replayed, draw_kw: FloatArray, most_kw: FloatArray, least_kw: float
) -> BestDischarge:
    """The best of every interval and power from the least to the most that the interval allows."""
    best: BestDischarge | None = None
    for share in np.linspace(0, 1, POWERS_TRIED):
        power = least_kw + share * (most_kw - least_kw)
        possible = (most_kw >= least_kw) & (power > 0)
        power = np.where(possible, power, 1.0)
        used = np.minimum(power, draw_kw)
        earns = (used * replayed.import_price + (power - used) * replayed.export_price) / power
        costs = _cost(night, power)
        interval = int(np.argmax(np.where(possible, earns - costs, -np.inf)))
        found = BestDischarge(interval, float(power[interval]), float(earns[interval]), float(costs[interval]))
        if best is None or found.earns - found.costs > best.earns - best.costs:
            best = found
    assert best is not None
    return best


def _room_for_export(night: Night) -> FloatArray:
    """Power that the car may send to the grid [kW], shape (n,)."""
    return night.export_limit_kw * (night.charger.discharge_to != "building")


def _cost(night: Night, power_kw: FloatArray) -> FloatArray:
    """What a kWh given at a power costs: stored energy with losses, and wear of the cheapest segment in use."""
    taken = 1 / night.charger.discharge_efficiency + night.charger.fixed_loss_kw / power_kw
    holding = night.initial_fill_kwh > 0
    wear = float(night.wear.price_per_kwh[holding].min()) if holding.any() else 0.0
    return taken * (night.stored_energy_price + night.wear_weight * wear)


def _clock(night: Night, interval: int) -> str:
    return clock_text(night.boundaries[interval].to_pydatetime(), night.timezone)
