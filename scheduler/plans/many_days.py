"""Carry out settings on many days at once: what follow_settings and replay give for each, interval by interval.

A row is one day under one set of settings. Each interval is worked out for all rows together, so that many ways to set
the charger can be compared on many days in the time that a plan takes. Tests hold it against follow_settings and
replay.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.base.arrays import BoolArray, FloatArray
from models.site.connection import cheapest_curtailment_kw, grid_flows_kw, import_cap_kw, needed_curtailment_kw
from models.site.trips import on_the_way_kwh
from models.tariff.demand import DemandMonth
from models.tariff.tiers import PriceTier
from scheduler.nights.night import Night
from scheduler.optimizer.find_blocks import SAME_POWER_KW
from scheduler.plans.dispatch import NOTHING_KWH, Settings


@dataclass(frozen=True, slots=True, eq=False)
class CarriedOut:
    """What R rows come to.

    Attributes
    ----------
    total, cash : of each row, as of a replay [money], shape (R,).
    departure_kwh : stored energy at each departure [kWh], shape (R, trips).
    missing_kwh, missing_when_ready_kwh : energy short of the target at each departure, and at most between ready time
        and departure [kWh], shape (R, trips).
    """

    total: FloatArray
    cash: FloatArray
    departure_kwh: FloatArray
    missing_kwh: FloatArray
    missing_when_ready_kwh: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Powers:
    """Powers and stored energy of R rows, shapes (n, R), stored energy (n + 1, R); energy on the way (trips, R)."""

    charge_kw: FloatArray
    discharge_kw: FloatArray
    charge_share: FloatArray
    discharge_share: FloatArray
    stored_kwh: FloatArray
    on_the_way_kwh: FloatArray
    trip_kwh: FloatArray


def carry_out(
    night: Night,
    settings: Settings,
    load_kw: FloatArray,
    solar_kw: FloatArray,
    prices: tuple[FloatArray, FloatArray] | None = None,
) -> CarriedOut:
    """Return what settings come to on each of R rows.

    Parameters
    ----------
    night : the night of the settings' intervals; load and solar are those of the rows.
    settings : arrays of shape (n,), the same for all rows, or (R, n).
    load_kw, solar_kw : of each row [kW], shape (R, n).
    prices : import and export price of each row [money per kWh], shape (R, n); None: the night's.
    """
    bought_at, sold_at = (night.import_price[:, None], night.export_price[:, None])
    if prices is not None:
        bought_at, sold_at = prices[0].T, prices[1].T
    powers = _follow(night, settings, load_kw.T, solar_kw.T)
    hours = night.hours[:, None]
    net_kw = load_kw.T + powers.charge_kw - powers.discharge_kw - solar_kw.T
    curtailed_kw = _curtailed_kw(night, powers, load_kw.T, solar_kw.T, net_kw, (bought_at, sold_at))
    import_kw, export_kw = grid_flows_kw(net_kw, curtailed_kw)
    bought = (hours * import_kw * bought_at).sum(axis=0)
    sold = (hours * export_kw * sold_at).sum(axis=0)
    bought += sum(_tier_money(tier, hours * import_kw) for tier in night.tiers_of("import"))
    sold += sum(_tier_money(tier, hours * export_kw) for tier in night.tiers_of("export"))
    demand = sum((_demand_cost(month, night.hours, import_kw) for month in night.demand), np.zeros(len(load_kw)))
    emitted = np.zeros(len(load_kw))
    if night.grid_g_per_kwh is not None:
        emitted = night.emissions_price * (night.hours * night.grid_g_per_kwh) @ (import_kw - export_kw)
    worn, fill = _through_segments(night, powers)
    on_the_way = night.car.on_the_way_price_per_kwh * powers.on_the_way_kwh.sum(axis=0)
    cash = bought - sold - emitted + on_the_way + demand
    aged = np.zeros(len(load_kw))
    if night.calendar is not None:
        at = night.calendar.cost(powers.stored_kwh)
        aged = (hours * (at[1:] + at[:-1]) / 2).sum(axis=0)
    starts = _starts(powers.charge_share > 0) + _starts(powers.discharge_share > 0)
    highest = _highest_prices(night, prices)
    total = cash + emitted + night.wear_weight * (worn + aged) + highest * _outside_window(night, powers.stored_kwh)
    total += highest * starts * night.charger.start_worth_kwh - _worth_gained(night, powers, fill)
    shape = (len(night.trips), len(load_kw))
    departure, held = np.empty(shape), np.empty(shape)
    for number, trip in enumerate(night.trips):
        departure[number] = powers.stored_kwh[trip.depart]
        held[number] = powers.stored_kwh[trip.ready : trip.depart].min(axis=0, initial=trip.target_kwh)
    target = np.array([trip.target_kwh for trip in night.trips])[:, None]
    missing, unready = np.maximum(0.0, target - departure), np.maximum(0.0, target - held)
    return CarriedOut(total, cash, departure.T, missing.T, unready.T)


def _follow(night: Night, settings: Settings, load_kw: FloatArray, solar_kw: FloatArray) -> _Powers:
    """Return what the charger does in each row, as follow_settings has it; load and solar of shape (n, R)."""
    charger, car = night.charger, night.car
    shape = load_kw.shape
    each = {name: _by_interval(getattr(settings, name), shape) for name in Settings.__slots__}
    draw = np.maximum(0.0, load_kw - solar_kw)
    surplus = np.maximum(0.0, solar_kw - load_kw)
    room_in = import_cap_kw(night.connection, load_kw, solar_kw) - (load_kw - solar_kw)
    limit = night.export_limit_kw[:, None]
    room_out = draw if charger.discharge_to == "building" else draw + limit - np.minimum(surplus, limit)
    most_kw = np.full(shape, charger.charge_max_kw)
    most_kw = np.where(night.only_solar[:, None], np.minimum(most_kw, surplus), most_kw)
    follows_sun, covers = each["surplus_kw"] > 0, each["cover_kw"] > 0
    takes_surplus = follows_sun & ~(covers & (draw > 0))
    charges = takes_surplus | (each["charging"] & ~follows_sun)
    charge = np.minimum(each["surplus_kw"], surplus)
    charge = np.where(each["surplus_from_kw"] <= surplus, np.maximum(charge, charger.charge_min_kw), charge)
    charge = np.where(takes_surplus, charge, np.maximum(each["charge_kw"], charger.charge_min_kw))
    charge = np.minimum(np.minimum(charge, most_kw), room_in)
    hours = night.hours[:, None]
    gain = hours * (charger.charge_efficiency * charge - charger.fixed_loss_kw)
    charges &= (charge >= charger.charge_min_kw) & (charge > 0) & ((gain > 0) | ~takes_surplus)
    discharges = ~(takes_surplus | (each["charging"] & ~follows_sun)) & (each["discharging"] | covers)
    discharge = np.minimum(each["cover_kw"], draw)
    discharge = np.where(each["cover_from_kw"] <= draw, np.maximum(discharge, charger.discharge_min_kw), discharge)
    discharge = np.where(covers, discharge, each["discharge_kw"])
    lacks = charger.discharge_min_kw - discharge
    discharge = np.where((lacks > 0) & (lacks <= SAME_POWER_KW), charger.discharge_min_kw, discharge)
    discharge = np.minimum(np.minimum(discharge, charger.discharge_max_kw), room_out)
    discharges &= (discharge >= charger.discharge_min_kw) & (discharge > 0)
    taken = hours * (discharge / charger.discharge_efficiency + charger.fixed_loss_kw)
    at_home = night.at_home[:, None]
    charges, discharges = charges & at_home, discharges & at_home
    highest = np.minimum(night.ceiling_kwh[1:, None], each["until_kwh"])
    lowest = np.maximum(car.floor_kwh, each["stop_kwh"])
    stored = np.empty((shape[0] + 1, shape[1]))
    stored[0] = night.stored_now_kwh
    charge_share, discharge_share = np.zeros(shape), np.zeros(shape)
    on_the_way, trip_kwh = np.zeros((len(night.trips), shape[1])), np.zeros(shape)
    ending = {trip.comeback - 1: number for number, trip in enumerate(night.trips)}
    left = np.full(shape[1], np.inf if car.discharge_limit_kwh is None else car.discharge_limit_kwh)
    for interval in range(shape[0]):
        now = stored[interval].copy()
        if interval in ending:
            number = ending[interval]
            trip = night.trips[number]
            at_departure, km = stored[trip.depart], trip.trip.distance_km
            needed = on_the_way_kwh(car, km, 0.0, trip.consumption.middle)
            on_the_way[number] = np.maximum(0.0, needed - at_departure)
            trip_kwh[interval] = trip.energy_kwh
            now += on_the_way[number] - trip.energy_kwh
        if night.at_home[interval]:
            into, out = charges[interval], discharges[interval]
            part = np.where(into, _part(highest[interval] - now, gain[interval]), 0.0)
            charge_share[interval] = part
            now += np.where(part > 0, gain[interval] * part, 0.0)
            part = np.where(out, _part(now - lowest[interval], taken[interval]), 0.0)
            if car.discharge_limit_kwh is not None:
                given = hours[interval] * discharge[interval]
                part = np.minimum(part, np.where(out, _part(left, given), 0.0))
                left = left - given * part
            discharge_share[interval] = part
            now -= np.where(part > 0, taken[interval] * part, 0.0)
        stored[interval + 1] = now
    return _Powers(
        charge * charge_share, discharge * discharge_share, charge_share, discharge_share, stored, on_the_way, trip_kwh
    )


def _by_interval(values: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """Return settings of shape (n,) or (R, n) as (n, R)."""
    return values.T if values.ndim > 1 else np.broadcast_to(values[:, None], shape)


def _part(room_kwh: FloatArray, energy_kwh: FloatArray) -> FloatArray:
    """Return the share of an interval until the room is used up, 0 to 1, shape (R,)."""
    safe = np.where(energy_kwh > 0, energy_kwh, 1.0)
    part = np.where(energy_kwh <= room_kwh, 1.0, room_kwh / safe)
    return np.where(room_kwh <= NOTHING_KWH, 0.0, part)


def _curtailed_kw(
    night: Night,
    powers: _Powers,
    load_kw: FloatArray,
    solar_kw: FloatArray,
    net_kw: FloatArray,
    prices: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Return curtailed solar as setpoints_from_powers has it, with tiers that of each interval in turn [kW], (n, R)."""
    limit = night.export_limit_kw[:, None]
    needed = needed_curtailment_kw(limit, net_kw, solar_kw)
    if not night.solar_can_be_limited:
        return needed
    most = np.where(night.only_solar[:, None] & (powers.charge_kw > 0), np.maximum(needed, -net_kw), solar_kw)
    cap = import_cap_kw(night.connection, load_kw, solar_kw)
    if not night.tiers:
        return cheapest_curtailment_kw(limit, net_kw, most, cap, *prices)
    curtailed = np.zeros_like(net_kw)
    left = [np.full(net_kw.shape[1], tier.left_kwh) for tier in night.tiers]
    for at, hours in enumerate(night.hours.tolist()):
        price = {side: each[at] for side, each in zip(("import", "export"), prices, strict=True)}
        for tier, kwh in zip(night.tiers, left, strict=True):
            price[tier.side] = price[tier.side] + tier.difference[at] * (kwh > 0)
        curtailed[at] = cheapest_curtailment_kw(
            limit[at], net_kw[at], most[at], cap[at], price["import"], price["export"]
        )
        energy = dict(zip(("import", "export"), grid_flows_kw(net_kw[at], curtailed[at]), strict=True))
        left = [
            kwh - hours * energy[tier.side] if tier.holds[at] else kwh
            for tier, kwh in zip(night.tiers, left, strict=True)
        ]
    return curtailed


def _tier_money(tier: PriceTier, energy_kwh: FloatArray) -> FloatArray:
    """Return what a tier adds to each row's cost of import or credit for export [money], shape (R,)."""
    counted = np.where(tier.holds[:, None], energy_kwh, 0.0)
    within = np.diff(np.minimum(np.cumsum(counted, axis=0), tier.left_kwh), axis=0, prepend=0.0)
    return np.asarray(tier.difference @ within)


def _demand_cost(month: DemandMonth, hours: FloatArray, import_kw: FloatArray) -> FloatArray:
    """Return what each row adds to a month's demand charge [money], shape (R,)."""
    peak_kw = np.full(import_kw.shape[1], month.so_far_kw)
    for number in np.unique(month.mean_of[month.mean_of >= 0]).tolist():
        inside = month.mean_of == number
        peak_kw = np.maximum(peak_kw, hours[inside] @ import_kw[inside] / hours[inside].sum())
    return month.price_per_kw * (peak_kw - month.so_far_kw)


def _through_segments(night: Night, powers: _Powers) -> tuple[FloatArray, FloatArray]:
    """Return the cost of wear by cycling of each row [money], and the energy in each segment at the end [kWh].

    Returns
    -------
    Shapes (R,) and (segments, R).
    """
    charger, hours = night.charger, night.hours[:, None]
    into = charger.charge_efficiency * powers.charge_kw - charger.fixed_loss_kw * powers.charge_share
    out = powers.discharge_kw / charger.discharge_efficiency + charger.fixed_loss_kw * powers.discharge_share
    into, out = hours * into, hours * out + powers.trip_kwh
    for number, trip in enumerate(night.trips):
        into[trip.comeback - 1] += powers.on_the_way_kwh[number]
    put_in, taken_out = np.maximum(into, 0.0), out + np.maximum(-into, 0.0)
    size, price = night.wear.size_kwh[:, None], night.wear.price_per_kwh[:, None]
    held = np.repeat(night.initial_fill_kwh[:, None], into.shape[1], axis=1)
    cost = night.wear.price_per_kwh[0] * np.minimum(put_in, taken_out).sum(axis=0)
    more, less = np.maximum(put_in - taken_out, 0.0), np.maximum(taken_out - put_in, 0.0)
    for interval in range(len(into)):
        if more[interval].any():
            room = np.minimum(np.cumsum(size - held, axis=0), more[interval])
            held = held + np.diff(room, axis=0, prepend=0.0)
        if less[interval].any():
            taken = np.diff(np.minimum(np.cumsum(held, axis=0), less[interval]), axis=0, prepend=0.0)
            held = held - taken
            cost = cost + (price * taken).sum(axis=0)
    return cost, held


def _worth_gained(night: Night, powers: _Powers, fill_kwh: FloatArray) -> FloatArray:
    """Return what each row's stored energy at the end is worth beyond that at the beginning [money], shape (R,)."""
    if night.segment_value is not None:
        value = night.segment_value
        worth = (value.constant[:, None] + value.price_per_kwh @ fill_kwh).min(axis=0)
        return np.asarray(worth - value.worth(night.initial_fill_kwh))
    return night.stored_energy.worths(powers.stored_kwh[-1]) - night.stored_energy.worth(night.stored_now_kwh)


def _outside_window(night: Night, stored_kwh: FloatArray) -> FloatArray:
    """Return the cost of stored energy outside the window of each row, at a highest price of 1 [kWh], shape (R,)."""
    end, car = stored_kwh[1:], night.car
    outside = np.maximum(0.0, car.floor_kwh - end) + np.maximum(0.0, end - car.ceiling_kwh)
    return np.asarray((night.hours * night.at_home * car.outside_window_factor) @ outside)


def _highest_prices(night: Night, prices: tuple[FloatArray, FloatArray] | None) -> FloatArray | float:
    """Return the highest import price of the night, or of each row [money per kWh], shape (R,)."""
    if prices is None:
        return night.highest_price
    possible = [prices[0]]
    for tier in night.tiers_of("import"):
        possible.append(possible[-1] + tier.difference)
    return np.asarray(np.maximum(0.0, np.max([each.max(axis=1) for each in possible], axis=0)))


def _starts(running: BoolArray) -> FloatArray:
    """Return how often the charger starts in each row; it is idle before the first interval; shape (R,)."""
    before = np.concatenate([np.zeros((1, running.shape[1]), dtype=np.bool_), running[:-1]])
    return np.asarray((running & ~before).sum(axis=0), dtype=np.float64)
