"""Follow a plan in the night as it happened: the charger as it was set, the building and the sun as they were."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray
from models.site.connection import import_cap_kw
from models.site.trips import on_the_way_kwh
from scheduler.nights.night import Night
from scheduler.optimizer.block import Block
from scheduler.optimizer.find_blocks import SAME_POWER_KW
from scheduler.optimizer.setpoints import Setpoints, setpoints_from_powers

NOTHING_KWH = 1e-9
"""A battery this close to its floor or ceiling is there [kWh]."""


@dataclass(frozen=True, slots=True, eq=False)
class Settings:
    """What the charger is set to in each interval of a night as it happens, shapes (n,).

    Attributes
    ----------
    charging, discharging : the direction; neither where it is idle.
    charge_kw, discharge_kw : power as planned [kW].
    cover_kw : most power with which it covers the building [kW]; 0 where it runs at the power as planned.
    cover_from_kw : draw from which on it covers the building, at its least power if the draw is less [kW].
    surplus_kw : most power with which it takes the surplus, whatever was planned [kW]; 0 where it does not. With
        cover_kw too, it covers the building where there is none.
    surplus_from_kw : surplus from which on it takes it, at its least power if the surplus is less [kW].
    stop_kwh, until_kwh : stored energy at which discharging and charging end [kWh], if floor and ceiling do not end
        them before.
    """

    charging: BoolArray
    discharging: BoolArray
    charge_kw: FloatArray
    discharge_kw: FloatArray
    cover_kw: FloatArray
    cover_from_kw: FloatArray
    surplus_kw: FloatArray
    surplus_from_kw: FloatArray
    stop_kwh: FloatArray
    until_kwh: FloatArray

    def at(self, rows: IntArray) -> Settings:
        """Return what the charger is set to in other intervals, by the interval here that each is a part of."""
        return Settings(*(getattr(self, name)[rows] for name in self.__slots__))

    def until(self, count: int, later: Settings) -> Settings:
        """Return these settings for the first intervals, so many as counted, and later ones from there on."""

        def joined(name: str) -> np.ndarray:
            return np.concatenate([getattr(self, name)[:count], getattr(later, name)[count:]])

        return Settings(*(joined(name) for name in self.__slots__))


def settings_of(real: Night, planned: Night, setpoints: Setpoints, blocks: tuple[Block, ...]) -> Settings:
    """Return what the charger is set to in the night as it happens, by a plan; before and after the plan it is idle.

    Parameters
    ----------
    real : the night as it happens. Every boundary of the plan inside it is one of its own.
    planned, setpoints, blocks : the night as forecast, and its plan.
    """
    begins = real.boundaries[:-1].as_unit("s").asi8
    edges = planned.boundaries.as_unit("s").asi8
    at = np.minimum(np.searchsorted(edges[1:], begins, side="right"), planned.intervals - 1)
    under_way = (begins >= edges[0]) & (begins < edges[-1])
    by_blocks = settings_of_blocks(planned, blocks)
    # a block that ends at a state of charge runs at its power, whatever mean power the forecast has until then
    charges = by_blocks.charging & np.isfinite(by_blocks.until_kwh)
    discharges = by_blocks.discharging & (by_blocks.stop_kwh > 0)
    charge_kw = _power_of(charges, by_blocks.charge_kw, setpoints.charge_kw)
    discharge_kw = _power_of(discharges, by_blocks.discharge_kw, setpoints.discharge_kw)
    charging, discharging = setpoints.charging | charges, setpoints.discharging | discharges
    return Settings(
        charging[at] & under_way,
        discharging[at] & under_way,
        charge_kw[at],
        discharge_kw[at],
        by_blocks.cover_kw[at] * under_way,
        by_blocks.cover_from_kw[at],
        by_blocks.surplus_kw[at] * under_way,
        by_blocks.surplus_from_kw[at],
        by_blocks.stop_kwh[at],
        by_blocks.until_kwh[at],
    )


def _power_of(ends: BoolArray, block_kw: FloatArray, planned_kw: FloatArray) -> FloatArray:
    """Return the power of the block where it ends at a state of charge and differs from what is planned [kW]."""
    return np.where(ends & (np.abs(block_kw - planned_kw) > SAME_POWER_KW), block_kw, planned_kw)


def settings_of_blocks(planned: Night, blocks: Iterable[Block]) -> Settings:
    """Return what the charger is set to in the intervals of the plan by its blocks alone; elsewhere it is idle.

    Parameters
    ----------
    planned, blocks : the night as forecast, and what is set.
    """
    count, charger = planned.intervals, planned.charger
    charging, discharging = (np.zeros(count, dtype=np.bool_) for _ in range(2))
    charge_kw, discharge_kw, cover_kw, surplus_kw, stop_kwh = (np.zeros(count) for _ in range(5))
    until_kwh = np.full(count, np.inf)
    cover_from_kw = np.full(count, charger.discharge_min_kw)
    surplus_from_kw = np.full(count, charger.charge_min_kw)
    for block in blocks:
        at = block.intervals
        if block.stop_percent is not None:
            stop_kwh[at] = planned.car.kwh(block.stop_percent)
        if block.until_percent is not None:
            until_kwh[at] = planned.car.kwh(block.until_percent)
        if block.action == "charge":
            charging[at], charge_kw[at] = True, block.kw
        if block.action == "discharge":
            discharging[at], discharge_kw[at] = True, block.kw
        if block.action in ("cover", "balance"):
            cover_kw[at] = block.kw
            if block.from_kw is not None:
                cover_from_kw[at] = block.from_kw
        if block.action in ("surplus", "balance"):
            surplus_kw[at] = block.kw
            if block.surplus_from_kw is not None:
                surplus_from_kw[at] = block.surplus_from_kw
    return Settings(
        charging,
        discharging,
        charge_kw,
        discharge_kw,
        cover_kw,
        cover_from_kw,
        surplus_kw,
        surplus_from_kw,
        stop_kwh,
        until_kwh,
    )


def follow_plan(real: Night, planned: Night, setpoints: Setpoints, blocks: tuple[Block, ...]) -> Setpoints:
    """Return what the charger does in the night as it happened when one plan's settings are followed.

    With perfect foresight (a `recorded` forecast, and no blocks) the powers are those of the plan.

    Parameters
    ----------
    real, planned, setpoints, blocks : as in settings_of; both nights begin together.

    Returns
    -------
    Setpoints of the real night.
    """
    return follow_settings(real, settings_of(real, planned, setpoints, blocks))


def follow_settings(real: Night, settings: Settings) -> Setpoints:
    """Return what the charger does in the night as it happened.

    A block that covers the building follows the real draw up to its power, from the draw on that it is set to, one that
    takes the surplus the real surplus, and one that balances whichever there is; other powers stay as planned. They
    apply only while the car is really at home. The charger charges less where the import limit binds, and discharges no
    more than the building and the export limit take. It stops at the ceiling and at the floor, or before at the state
    of charge at which its block ends, and then runs for a part of the interval. Where less than its minimum power is
    possible, it stays idle. Only a trip that is really driven lifts the ceiling.

    Parameters
    ----------
    real : the night as it happened. settings : for its intervals.

    Returns
    -------
    Setpoints of the real night.
    """
    charger, car = real.charger, real.car
    draw_kw = np.maximum(0.0, real.load_kw - real.solar_kw)
    surplus_kw = np.maximum(0.0, real.solar_kw - real.load_kw)
    room_in_kw = import_cap_kw(real.connection, real.load_kw, real.solar_kw) - (real.load_kw - real.solar_kw)
    room_out_kw = draw_kw + real.export_limit_kw - np.minimum(surplus_kw, real.export_limit_kw)
    if charger.discharge_to == "building":
        room_out_kw = draw_kw
    ending = {trip.comeback - 1: trip for trip in real.trips}
    departures = {trip.depart for trip in real.trips}
    charge, discharge = np.zeros(real.intervals), np.zeros(real.intervals)
    charging, discharging = np.zeros(real.intervals), np.zeros(real.intervals)
    allowance = np.inf if car.discharge_limit_kwh is None else car.discharge_limit_kwh
    stored = at_departure = real.stored_now_kwh
    # numbers in lists: the loop goes through them one by one, which takes arrays three times as long
    stops_kwh, fills_to_kwh = settings.stop_kwh.tolist(), np.minimum(real.ceiling_kwh[1:], settings.until_kwh).tolist()
    room_in, room_out = np.minimum(real.most_charge_kw, room_in_kw).tolist(), room_out_kw.tolist()
    draw, surplus, every_hours = draw_kw.tolist(), surplus_kw.tolist(), real.hours.tolist()
    takes_kw, takes_from_kw = settings.surplus_kw.tolist(), settings.surplus_from_kw.tolist()
    covers_kw, covers_from_kw = settings.cover_kw.tolist(), settings.cover_from_kw.tolist()
    charges, charge_kw = settings.charging.tolist(), settings.charge_kw.tolist()
    discharges, discharge_kw = settings.discharging.tolist(), settings.discharge_kw.tolist()
    for interval, is_home in enumerate(real.at_home.tolist()):
        if interval in departures:
            at_departure = stored
        if interval in ending:
            trip = ending[interval]
            factor = trip.consumption.middle
            stored += on_the_way_kwh(car, trip.trip.distance_km, at_departure, factor) - trip.energy_kwh
        if not is_home:
            continue
        hours = every_hours[interval]
        follows_sun, covers = takes_kw[interval] > 0, covers_kw[interval] > 0
        takes_surplus = follows_sun and not (covers and draw[interval] > 0)
        if takes_surplus or (charges[interval] and not follows_sun):
            wanted = min(takes_kw[interval], surplus[interval])
            if takes_from_kw[interval] <= surplus[interval]:
                wanted = max(wanted, charger.charge_min_kw)
            if not takes_surplus:
                # a solver's rounding just below the minimum power does not make it stay idle
                wanted = max(charge_kw[interval], charger.charge_min_kw)
            kw = min(wanted, room_in[interval])
            gain = hours * (charger.charge_efficiency * kw - charger.fixed_loss_kw)
            part = _part(fills_to_kwh[interval] - stored, gain)
            if kw >= charger.charge_min_kw and kw > 0 and part > 0 and (gain > 0 or not takes_surplus):
                charge[interval], charging[interval] = kw * part, part
                stored += gain * part
        elif discharges[interval] or covers:
            wanted = discharge_kw[interval]
            if covers:
                wanted = min(covers_kw[interval], draw[interval])
                if covers_from_kw[interval] <= draw[interval]:
                    wanted = max(wanted, charger.discharge_min_kw)
            if 0 < charger.discharge_min_kw - wanted <= SAME_POWER_KW:
                wanted = charger.discharge_min_kw  # a draw just below the minimum power does not make it pause
            kw = min(wanted, charger.discharge_max_kw, room_out[interval])
            taken = hours * (kw / charger.discharge_efficiency + charger.fixed_loss_kw)
            part = min(_part(stored - max(car.floor_kwh, stops_kwh[interval]), taken), _part(allowance, hours * kw))
            if kw >= charger.discharge_min_kw and kw > 0 and part > 0:
                discharge[interval], discharging[interval] = kw * part, part
                stored -= taken * part
                allowance -= hours * kw * part
    return setpoints_from_powers(real, charge, discharge, charging, discharging)


def _part(room_kwh: float, energy_kwh: float) -> float:
    """Return the share of an interval until the room is used up, 0 to 1."""
    if room_kwh <= NOTHING_KWH:
        return 0.0
    return 1.0 if energy_kwh <= room_kwh else room_kwh / energy_kwh
