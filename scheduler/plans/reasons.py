"""One plain sentence a block: why it is there, and what keeps it from being more."""

from __future__ import annotations

import numpy as np

from models.base.arrays import FloatArray
from models.site.charger import out_of_battery_kwh
from models.tariff.tiers import avoided_prices, price_ranges
from scheduler.nights.night import Night, NightTrip
from scheduler.optimizer.block import Block
from scheduler.optimizer.setpoints import Setpoints
from scheduler.plans.reasons_offers import offer_charge_limit, offer_discharge_limit
from scheduler.plans.replay import Replayed
from scheduler.textio.format import (
    amount_text,
    clock_text,
    percent_text,
    power_text,
    price_range_text,
    price_text,
)

NEAR_KW = 0.03
NEAR_KWH = 0.03
"""A limit closer than this is what holds the plan back [kW], [kWh]."""


def block_reason(night: Night, setpoints: Setpoints, replayed: Replayed, block: Block) -> str:
    """Why this block, in one sentence of prices, losses, wear and limits."""
    if block.action == "charge":
        return _charge_reason(night, setpoints, replayed, block)
    return _discharge_reason(night, setpoints, replayed, block)


def _discharge_reason(night: Night, setpoints: Setpoints, replayed: Replayed, block: Block) -> str:
    at, hours = block.intervals, night.hours[block.intervals]
    discharge_kw = setpoints.discharge_kw[at]
    draw_kw = np.maximum(0.0, night.load_kw[at] - night.solar_kw[at])
    used, sold = hours * np.minimum(discharge_kw, draw_kw), hours * np.maximum(0.0, discharge_kw - draw_kw)
    parts = []
    if used.sum() > _worth_naming(sold):
        avoided = avoided_prices(night.import_price, night.tiers_of("import"), night.hours * replayed.import_kw)
        prices = price_range_text(avoided[at][used > 0].tolist())
        parts.append(f"replaces {amount_text(float(used.sum()))} bought at {prices}")
    if sold.sum() > _worth_naming(used):
        prices = price_range_text(replayed.export_price[at][sold > 0].tolist())
        parts.append(f"sells {amount_text(float(sold.sum()))} at {prices}")
    taken = float(out_of_battery_kwh(night.charger, hours, discharge_kw, setpoints.discharge_share[at]).sum())
    given = float(hours @ discharge_kw)
    gives = _joined(parts) or "empties the car while that costs least"
    if given <= 0:
        return f"{_capital(gives)}."
    stored = night.stored_energy_price
    wear = night.wear_weight * float(replayed.cycle_wear_cost[at].sum()) / given
    costs = (
        f"a kWh kept is worth {price_text(stored)}, so each kWh given costs {price_text(stored * taken / given)} "
        f"with losses and {price_text(wear)} in wear{'' if night.calendar is None else ' by cycling'}"
    )
    return f"{_capital(gives)}; {costs}{_discharge_limit(night, setpoints, replayed, block, float(sold.sum()))}."


def _discharge_limit(night: Night, setpoints: Setpoints, replayed: Replayed, block: Block, sold_kwh: float) -> str:
    """What keeps the block from giving more, or makes it give more than the building draws."""
    at, charger, car = block.intervals, night.charger, night.car
    discharge_kw = setpoints.discharge_kw[at]
    by_offer = offer_discharge_limit(night, setpoints, replayed, block)
    if by_offer:
        return f"; {by_offer}"
    if np.all(discharge_kw <= charger.discharge_min_kw + NEAR_KW) and sold_kwh > NEAR_KWH:
        return f"; the charger cannot give less than {power_text(charger.discharge_min_kw)}"
    if np.all(replayed.export_kw[at] >= night.export_limit_kw[at] - NEAR_KW) and sold_kwh > NEAR_KWH:
        return f"; the export limit of {_limit_text(night.export_limit_kw[at])} kW allows no more"
    if np.all(discharge_kw >= charger.discharge_max_kw - NEAR_KW):
        return "; the charger gives no more"
    if np.any(setpoints.discharging[block.last :]):
        return ""
    limit = car.discharge_limit_kwh
    if limit is not None and float(night.hours @ setpoints.discharge_kw) >= limit - NEAR_KWH:
        return f"; the night's discharge limit of {limit:g} kWh allows no more"
    if abs(float(replayed.stored_kwh[block.last]) - car.floor_kwh) <= NEAR_KWH:
        return f"; it stops at the floor of {car.floor_percent:g} %"
    trip = _next_trip(night, block.last)
    if trip is None or np.any(setpoints.charging[block.last : trip.depart]):
        return ""
    if abs(float(replayed.stored_kwh[trip.depart]) - trip.target_kwh) <= NEAR_KWH:
        return f"; more would leave the trip at {clock_text(trip.trip.depart_at, night.timezone)} short"
    return ""


def _charge_reason(night: Night, setpoints: Setpoints, replayed: Replayed, block: Block) -> str:
    at, hours = block.intervals, night.hours[block.intervals]
    charge_kw = setpoints.charge_kw[at]
    surplus_kw = np.maximum(0.0, night.solar_kw[at] - night.load_kw[at])
    from_solar, bought = (
        hours * np.minimum(charge_kw, surplus_kw),
        hours * np.maximum(0.0, charge_kw - surplus_kw),
    )
    parts = []
    if bought.sum() > _worth_naming(from_solar):
        parts.append(_bought_text(night, replayed, bought, at))
    if from_solar.sum() > _worth_naming(bought):
        parts.append(_solar_text(night, replayed, from_solar, surplus_kw, at))
    joint = ", and " if "," in parts[0] else " and "
    limit = _charge_limit(night, setpoints, replayed, block)
    return f"{_capital(joint.join(parts))}, {_purpose(night, replayed, block)}{limit}."


def _worth_naming(other_kwh: FloatArray) -> float:
    """Least energy to name beside the other one [kWh]; any is named if it is alone."""
    return NEAR_KWH if other_kwh.sum() > NEAR_KWH else 0.0


def _solar_text(night: Night, replayed: Replayed, from_solar: FloatArray, surplus_kw: FloatArray, at: slice) -> str:
    """What the stored solar would have been otherwise: curtailed beyond the export limit, sold below it."""
    otherwise_lost = night.hours[at] * np.maximum(0.0, surplus_kw - night.export_limit_kw[at])
    saved = np.minimum(from_solar, otherwise_lost)
    unsold = from_solar - saved
    words = f"stores {amount_text(float(from_solar.sum()))} of solar"
    if unsold.sum() <= NEAR_KWH:
        return f"{words} that would be lost"
    prices = replayed.export_price[at][unsold > 0]
    if prices.max() < 0:
        earned = f"cost {price_range_text((-prices).tolist())} to send"
    else:
        earned = f"earn {price_range_text(prices.tolist())}"
    if saved.sum() <= NEAR_KWH:
        return f"{words} that would {earned}"
    return f"{words}, of which {amount_text(float(saved.sum()))} would be lost and the rest would {earned}"


def _bought_text(night: Night, replayed: Replayed, bought_kwh: FloatArray, at: slice) -> str:
    low, high = price_ranges(night.import_price, night.tiers_of("import"), night.hours * replayed.import_kw)
    paid = np.concatenate([low[at][bought_kwh > 0], high[at][bought_kwh > 0]])
    words = f"buys {amount_text(float(bought_kwh.sum()))} at {price_range_text(paid.tolist())}"
    others = replayed.import_price[night.at_home]
    if paid.max() <= float(others.min()) + 1e-9 < float(others.max()):
        return f"{words}, the lowest price while the car is home"
    return words


def _purpose(night: Night, replayed: Replayed, block: Block) -> str:
    """What the charged energy is for."""
    begin, end = float(replayed.stored_kwh[block.first]), float(replayed.stored_kwh[block.last])
    trip = _next_trip(night, block.last)
    put_back = f"to put back energy worth {price_text(night.stored_energy_price)} a kWh"
    if trip is not None and float(replayed.stored_kwh[trip.depart]) - (end - begin) < trip.target_kwh - NEAR_KWH:
        departs = clock_text(trip.trip.depart_at, night.timezone)
        need = f"for the trip at {departs}, which needs {percent_text(night.car.percent(trip.target_kwh))}"
        return need if end <= trip.target_kwh + NEAR_KWH else f"{need}, and {put_back}"
    if begin < night.car.floor_kwh - NEAR_KWH:
        need = f"to bring the car back to its floor of {night.car.floor_percent:g} %"
        return need if end <= night.car.floor_kwh + NEAR_KWH else f"{need}, and {put_back}"
    return put_back


def _charge_limit(night: Night, setpoints: Setpoints, replayed: Replayed, block: Block) -> str:
    at = block.intervals
    by_offer = offer_charge_limit(night, setpoints, replayed, block)
    if by_offer:
        return f"; {by_offer}"
    if np.all(setpoints.charge_kw[at] >= night.charger.charge_max_kw - NEAR_KW):
        return "; the charger takes no more"
    draw = night.load_kw[at] - night.solar_kw[at] + setpoints.charge_kw[at]
    if np.all(draw >= night.connection.import_limit_kw - NEAR_KW):
        return f"; the import limit of {night.connection.import_limit_kw:g} kW allows no more"
    if np.all(setpoints.charge_kw[at] <= night.charger.charge_min_kw + NEAR_KW):
        return f"; the charger cannot charge at less than {power_text(night.charger.charge_min_kw)}"
    return ""


def _limit_text(limit_kw: FloatArray) -> str:
    """An export limit [kW], or the least and most of several."""
    least, most = float(limit_kw.min()), float(limit_kw.max())
    return f"{least:g}" if least == most else f"{least:g} to {most:g}"


def _next_trip(night: Night, boundary: int) -> NightTrip | None:
    return next((trip for trip in night.trips if trip.depart >= boundary), None)


def _joined(parts: list[str]) -> str:
    return " and ".join(parts)


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]
