"""Why the car does not discharge tonight: the first obstacle to a discharge that pays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.base.arrays import FloatArray
from scheduler.nights.night import Night
from scheduler.plans.replay import Replayed
from scheduler.textio.format import clock_text, percent_text, power_text, price_text

POWERS_TRIED = 60
"""Discharge powers tried in each interval, from the lowest to the highest that is possible."""
LITTLE_KW = 0.01
"""A building that draws less than this draws nothing worth discharging for [kW]."""


@dataclass(frozen=True, slots=True)
class BestDischarge:
    """The discharge that gains most per kWh.

    Attributes
    ----------
    interval, power_kw : where, and at which power [kW].
    earns, costs : what a kWh discharged earns there, and what it costs [money per kWh].
    """

    interval: int
    power_kw: float
    earns: float
    costs: float


def why_no_discharge(night: Night, replayed: Replayed, currency: str = "") -> str:
    """Return why a plan never discharges, as a clause without a capital or a full stop.

    Parameters
    ----------
    night : the night of the plan.
    replayed : what the plan comes to.
    currency : that follows each price; without it prices are numbers alone.
    """
    car, charger, home = night.car, night.charger, night.at_home
    if not home.any():
        return "the car is away"
    limit = car.discharge_limit_kwh
    if limit == 0:
        return "it is not allowed to discharge"
    draw = np.maximum(0.0, night.load_kw - night.solar_kw)
    room = _room_for_export(night)
    most = np.minimum(charger.discharge_max_kw, draw + room) * home
    if most.max() < LITTLE_KW:
        return "the building draws nothing from the grid, and nothing can be exported"
    if most.max() < charger.discharge_min_kw:
        return (
            f"the building draws at most {power_text(float(draw[home].max()))}, below the charger's minimum power of "
            f"{power_text(charger.discharge_min_kw)}"
        )
    gentle, allowed = (
        _best_discharge(night, replayed, draw, most, least) for least in (LITTLE_KW, charger.discharge_min_kw)
    )
    if gentle.earns <= gentle.costs:
        return (
            f"a kWh discharged would at best earn {price_text(gentle.earns, currency)}, from "
            f"{_clock(night, gentle.interval)}, but cost {price_text(gentle.costs, currency)} with losses and wear"
        )
    if allowed.earns <= allowed.costs:
        least = f"the charger cannot discharge at less than {power_text(charger.discharge_min_kw)}"
        if not room[home].any():
            return f"{least}, which is more than the building draws when prices are high"
        return (
            f"{least}; when prices are best the building draws only {power_text(float(draw[gentle.interval]))}, and "
            f"the rest would be exported at {price_text(float(replayed.export_price[gentle.interval]), currency)}"
        )
    shortest = charger.discharge_min_kw * float(night.hours[home].min())
    if limit is not None and limit < shortest:
        return (
            f"the night's discharge limit of {limit:g} kWh is less than the charger discharges in one interval at its "
            "minimum power"
        )
    spare = float(replayed.stored_kwh[allowed.interval]) - car.floor_kwh
    if spare <= charger.discharge_min_kw * float(night.hours[allowed.interval]):
        return f"it holds too little above its floor of {car.floor_percent:g} % while prices are high"
    trip = next((trip for trip in night.trips if trip.depart > allowed.interval), None)
    if trip is not None:
        return (
            f"the trip at {clock_text(trip.trip.depart_at, night.timezone)} needs "
            f"{percent_text(car.percent(trip.target_kwh))}, and putting the energy back in time would cost more than "
            "discharging it earns"
        )
    return "the gain is smaller than the cost of another start of the charger"


def _best_discharge(
    night: Night, replayed: Replayed, draw_kw: FloatArray, most_kw: FloatArray, least_kw: float
) -> BestDischarge:
    """Return the best discharge over all intervals and powers from `least_kw` to each interval's `most_kw`."""
    best: BestDischarge | None = None
    for share in np.linspace(0, 1, POWERS_TRIED):
        power = least_kw + share * (most_kw - least_kw)
        possible = (most_kw >= least_kw) & (power > 0)
        power = np.where(possible, power, 1.0)
        used = np.minimum(power, draw_kw)
        earns = (used * replayed.import_price + (power - used) * replayed.export_price) / power
        costs = _cost(night, power, float(replayed.stored_kwh[-1]))
        interval = int(np.argmax(np.where(possible, earns - costs, -np.inf)))
        found = BestDischarge(interval, float(power[interval]), float(earns[interval]), float(costs[interval]))
        if best is None or found.earns - found.costs > best.earns - best.costs:
            best = found
    assert best is not None
    return best


def _room_for_export(night: Night) -> FloatArray:
    """Return the power that the car may export [kW], shape (n,)."""
    return night.export_limit_kw * (night.charger.discharge_to != "building")


def _cost(night: Night, power_kw: FloatArray, stored_at_end_kwh: float) -> FloatArray:
    """Return what a kWh discharged at each power costs [money per kWh], shape (n,).

    It costs the stored energy, with losses, and the wear of the cheapest segment that holds energy.
    """
    taken = 1 / night.charger.discharge_efficiency + night.charger.fixed_loss_kw / power_kw
    holding = night.initial_fill_kwh > 0
    wear = float(night.wear.price_per_kwh[holding].min()) if holding.any() else 0.0
    return taken * (night.price_left_at(stored_at_end_kwh) + night.wear_weight * wear)


def _clock(night: Night, interval: int) -> str:
    return clock_text(night.boundaries[interval].to_pydatetime(), night.timezone)
