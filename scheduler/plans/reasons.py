"""One sentence per block: why it is there, and what keeps it from being larger."""

from __future__ import annotations

import numpy as np

from models.base.arrays import FloatArray
from models.site.charger import out_of_battery_kwh
from models.tariff.tiers import avoided_prices, price_ranges
from scheduler.nights.night import Night, NightTrip
from scheduler.optimizer.block import Block
from scheduler.optimizer.setpoints import Setpoints
from scheduler.plans.reasons_offers import NEAR_KW, NEAR_KWH, offer_charge_limit, offer_discharge_limit
from scheduler.plans.replay import Replayed
from scheduler.textio.format import (
    amount_text,
    clock_text,
    percent_text,
    power_text,
    price_range_text,
    price_text,
    sentence_case,
)


def block_reason(night: Night, setpoints: Setpoints, replayed: Replayed, block: Block, currency: str = "") -> str:
    """Return why the block is in the plan: one sentence on prices, losses, wear and limits.

    Parameters
    ----------
    currency : that follows each price; without it prices are numbers alone.
    """
    if block.action in ("surplus", "balance"):
        return _surplus_reason(night, setpoints, replayed, block, currency)
    if block.action == "charge":
        return _charge_reason(night, setpoints, replayed, block, currency)
    return _discharge_reason(night, setpoints, replayed, block, currency)


def _discharge_reason(night: Night, setpoints: Setpoints, replayed: Replayed, block: Block, currency: str) -> str:
    """Return what a discharging block saves and earns, what its energy costs, and what limits it."""
    at, hours = block.intervals, night.hours[block.intervals]
    discharge_kw = setpoints.discharge_kw[at]
    draw_kw = np.maximum(0.0, night.load_kw[at] - night.solar_kw[at])
    used, sold = hours * np.minimum(discharge_kw, draw_kw), hours * np.maximum(0.0, discharge_kw - draw_kw)
    parts = []
    if used.sum() > _worth_naming(sold):
        avoided = avoided_prices(night.import_price, night.tiers_of("import"), night.hours * replayed.import_kw)
        prices = price_range_text(avoided[at][used > 0].tolist(), currency)
        parts.append(f"replaces {amount_text(float(used.sum()))} bought at {prices}")
    if sold.sum() > _worth_naming(used):
        prices = price_range_text(replayed.export_price[at][sold > 0].tolist(), currency)
        parts.append(f"sells {amount_text(float(sold.sum()))} at {prices}")
    taken = float(out_of_battery_kwh(night.charger, hours, discharge_kw, setpoints.discharge_share[at]).sum())
    given = float(hours @ discharge_kw)
    gives = " and ".join(parts) or "discharges when that costs least"
    if given <= 0:
        if block.action == "discharge":
            return "Gives nothing by the forecast, since the car is down to where it stops by then."
        paid = price_range_text(night.import_price[at].tolist(), currency)
        return f"Gives nothing by the forecast; if the building draws more, it replaces what would be bought at {paid}."
    stored = night.price_left_at(float(replayed.stored_kwh[-1]))
    wear = night.wear_weight * float(replayed.cycle_wear_cost[at].sum()) / given
    costs = (
        f"stored energy is worth {price_text(stored, currency)} per kWh, so each kWh discharged costs "
        f"{price_text(stored * taken / given, currency)} with losses, and {price_text(wear, currency)} in "
        f"{'wear' if night.calendar is None else 'cycle wear'}"
    )
    return f"{sentence_case(gives)}; {costs}{_discharge_limit(night, setpoints, replayed, block, float(sold.sum()))}."


def _discharge_limit(night: Night, setpoints: Setpoints, replayed: Replayed, block: Block, sold_kwh: float) -> str:
    """Return what keeps the block from discharging more, or makes it exceed the building's draw; "" if nothing does."""
    at, charger, car = block.intervals, night.charger, night.car
    discharge_kw = setpoints.discharge_kw[at]
    by_offer = offer_discharge_limit(night, setpoints, replayed, block)
    if by_offer:
        return f"; {by_offer}"
    if np.all(discharge_kw <= charger.discharge_min_kw + NEAR_KW) and sold_kwh > NEAR_KWH:
        return f"; the charger cannot discharge at less than {power_text(charger.discharge_min_kw)}"
    if np.all(replayed.export_kw[at] >= night.export_limit_kw[at] - NEAR_KW) and sold_kwh > NEAR_KWH:
        return f"; the export limit of {_limit_text(night.export_limit_kw[at])} kW allows no more"
    if np.all(discharge_kw >= charger.discharge_max_kw - NEAR_KW):
        return "; the charger is at its maximum power"
    limit = car.discharge_limit_kwh
    at_the_limit = limit is not None and float(night.hours @ setpoints.discharge_kw) >= limit - NEAR_KWH
    capped = block.action == "cover" and block.kw < charger.discharge_max_kw - NEAR_KW
    if at_the_limit and (capped or not np.any(setpoints.discharging[block.last :])):
        return f"; the night's discharge limit of {limit:g} kWh allows no more"
    if np.any(setpoints.discharging[block.last :]):
        return _why_capped(night, setpoints, block) if capped else ""
    if abs(float(replayed.stored_kwh[block.last]) - car.floor_kwh) <= NEAR_KWH:
        return f"; it stops at the floor of {car.floor_percent:g} %"
    trip = _next_trip(night, block.last)
    if trip is None or np.any(setpoints.charging[block.last : trip.depart]):
        return _why_capped(night, setpoints, block) if capped else ""
    if abs(float(replayed.stored_kwh[trip.depart]) - trip.target_kwh) <= NEAR_KWH:
        return f"; more would leave too little for the trip at {clock_text(trip.trip.depart_at, night.timezone)}"
    return _why_capped(night, setpoints, block) if capped else ""


def _why_capped(night: Night, setpoints: Setpoints, block: Block) -> str:
    """Return why a block covers the building up to less than the charger's most."""
    draw_kw = np.maximum(0.0, night.load_kw - night.solar_kw)[block.intervals]
    if np.any(draw_kw - setpoints.discharge_kw[block.intervals] > NEAR_KW):
        return f"; beyond {power_text(block.kw)} stored energy and wear would cost more than it saves"
    return "; the charger is set in whole amps" if night.setting.set_by == "current" else ""


def _charge_reason(night: Night, setpoints: Setpoints, replayed: Replayed, block: Block, currency: str) -> str:
    """Return what a charging block buys and stores, what that is for, and what limits it."""
    at, hours = block.intervals, night.hours[block.intervals]
    charge_kw = setpoints.charge_kw[at]
    surplus_kw = np.maximum(0.0, night.solar_kw[at] - night.load_kw[at])
    from_solar, bought = (
        hours * np.minimum(charge_kw, surplus_kw),
        hours * np.maximum(0.0, charge_kw - surplus_kw),
    )
    parts = []
    if bought.sum() > _worth_naming(from_solar):
        parts.append(_bought_text(night, replayed, bought, at, currency))
    if from_solar.sum() > _worth_naming(bought):
        parts.append(_solar_text(night, replayed, from_solar, surplus_kw, at, currency))
    if not parts:
        held = percent_text(night.car.percent(float(replayed.stored_kwh[block.first])))
        return f"Charges little or nothing by the forecast, since the car holds {held} by then; on other evenings more."
    joint = ", and " if "," in parts[0] else " and "
    limit = _charge_limit(night, setpoints, replayed, block)
    return f"{sentence_case(joint.join(parts))}, {_purpose(night, replayed, block, currency)}{limit}."


def _surplus_reason(night: Night, setpoints: Setpoints, replayed: Replayed, block: Block, currency: str) -> str:
    """Return what taking the surplus stores by the forecast, what it would earn otherwise, and when it cannot be.

    A block that balances also says what it replaces where there is no surplus.
    """
    at = block.intervals
    planned = float(night.hours[at] @ setpoints.charge_kw[at])
    expected = f"about {amount_text(planned)} by the forecast" if planned > NEAR_KWH else "little by the forecast"
    sold = np.where(night.export_limit_kw[at] > 0, replayed.export_price[at], 0.0)
    worth = price_text(night.price_left_at(float(replayed.stored_kwh[-1])), currency)
    least = night.charger.charge_min_kw
    waits = f"; it stays idle while less than {power_text(least)} is left over" if least > 0 else ""
    covers = ""
    if block.action == "balance":
        paid = price_range_text(replayed.import_price[at].tolist(), currency)
        covers = f"; where the sun does not come, it replaces what the building would buy at {paid}"
    return (
        f"Stores what the building leaves of the solar, {expected}, worth {worth} per kWh where exporting it earns "
        f"{price_range_text(sold.tolist(), currency)}{waits}{covers}."
    )


def _worth_naming(other_kwh: FloatArray) -> float:
    """Return the least energy worth naming beside another [kWh]: any at all where there is no other."""
    return NEAR_KWH if other_kwh.sum() > NEAR_KWH else 0.0


def _solar_text(
    night: Night, replayed: Replayed, from_solar: FloatArray, surplus_kw: FloatArray, at: slice, currency: str
) -> str:
    """Return what would become of the stored solar otherwise: curtailed beyond the export limit, sold below it."""
    otherwise_lost = night.hours[at] * np.maximum(0.0, surplus_kw - night.export_limit_kw[at])
    saved = np.minimum(from_solar, otherwise_lost)
    unsold = from_solar - saved
    text = f"stores {amount_text(float(from_solar.sum()))} of solar"
    if unsold.sum() <= NEAR_KWH:
        return f"{text} that would otherwise be lost"
    prices = replayed.export_price[at][unsold > 0]
    if prices.max() < 0:
        earned = f"cost {price_range_text((-prices).tolist(), currency)} to export"
    else:
        earned = f"earn {price_range_text(prices.tolist(), currency)}"
    if saved.sum() <= NEAR_KWH:
        return f"{text} that would otherwise {earned}"
    return f"{text}, of which {amount_text(float(saved.sum()))} would otherwise be lost and the rest would {earned}"


def _bought_text(night: Night, replayed: Replayed, bought_kwh: FloatArray, at: slice, currency: str) -> str:
    """Return how much the block buys and at which prices."""
    low, high = price_ranges(night.import_price, night.tiers_of("import"), night.hours * replayed.import_kw)
    paid = np.concatenate([low[at][bought_kwh > 0], high[at][bought_kwh > 0]])
    text = f"buys {amount_text(float(bought_kwh.sum()))} at {price_range_text(paid.tolist(), currency)}"
    others = replayed.import_price[night.at_home]
    if paid.max() <= float(others.min()) + 1e-9 < float(others.max()):
        return f"{text}, the lowest price while the car is at home"
    return text


def _purpose(night: Night, replayed: Replayed, block: Block, currency: str) -> str:
    """Return what the charged energy is for."""
    begin, end = float(replayed.stored_kwh[block.first]), float(replayed.stored_kwh[block.last])
    trip = _next_trip(night, block.last)
    put_back = (
        f"to put back energy worth {price_text(night.price_left_at(float(replayed.stored_kwh[-1])), currency)} per kWh"
    )
    if trip is not None and float(replayed.stored_kwh[trip.depart]) - (end - begin) < trip.target_kwh - NEAR_KWH:
        departs = clock_text(trip.trip.depart_at, night.timezone)
        need = f"for the trip at {departs}, which needs {percent_text(night.car.percent(trip.target_kwh))}"
        return need if end <= trip.target_kwh + NEAR_KWH else f"{need}, and {put_back}"
    if begin < night.car.floor_kwh - NEAR_KWH:
        need = f"to bring the car back to its floor of {night.car.floor_percent:g} %"
        return need if end <= night.car.floor_kwh + NEAR_KWH else f"{need}, and {put_back}"
    return put_back


def _charge_limit(night: Night, setpoints: Setpoints, replayed: Replayed, block: Block) -> str:
    """Return what keeps the block from charging more; "" if nothing does."""
    at = block.intervals
    by_offer = offer_charge_limit(night, setpoints, replayed, block)
    if by_offer:
        return f"; {by_offer}"
    if np.all(setpoints.charge_kw[at] >= night.charger.charge_max_kw - NEAR_KW):
        return "; the charger is at its maximum power"
    draw = night.load_kw[at] - night.solar_kw[at] + setpoints.charge_kw[at]
    if np.all(draw >= night.connection.import_limit_kw - NEAR_KW):
        return f"; the import limit of {night.connection.import_limit_kw:g} kW allows no more"
    if np.all(setpoints.charge_kw[at] <= night.charger.charge_min_kw + NEAR_KW):
        return f"; the charger cannot charge at less than {power_text(night.charger.charge_min_kw)}"
    return ""


def _limit_text(limit_kw: FloatArray) -> str:
    """Return an export limit as text, without its unit: the lowest and the highest where it varies."""
    least, most = float(limit_kw.min()), float(limit_kw.max())
    return f"{least:g}" if least == most else f"{least:g} to {most:g}"


def _next_trip(night: Night, boundary: int) -> NightTrip | None:
    """Return the first trip that departs at or after a boundary."""
    return next((trip for trip in night.trips if trip.depart >= boundary), None)
