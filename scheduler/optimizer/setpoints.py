"""Setpoints: what the charger, and where it can be limited the solar, is told to do in each interval."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray
from models.site.connection import (
    cheapest_curtailment_kw,
    grid_flows_kw,
    import_cap_kw,
    needed_curtailment_kw,
    net_draw_kw,
)
from scheduler.nights.night import Night
from scheduler.optimizer.block import Block

Way = Literal["dynamic-program", "branch-and-bound"]
"""How a plan and its bound were found: over stored energy and mode, at prices of stored energy; or by the integers of
the compact program."""
DYNAMIC_PROGRAM: Way = "dynamic-program"
BRANCH_AND_BOUND: Way = "branch-and-bound"
NO_POWER_KW = 1e-7
"""Below this a power is a rounding error [kW]."""


@dataclass(frozen=True, slots=True, eq=False)
class Setpoints:
    """Decisions for n intervals; all a replay needs.

    Attributes
    ----------
    charge_kw, discharge_kw : mean power at the AC side over the interval [kW], shape (n,).
    charge_share, discharge_share : part of the interval in which the charger charges, and discharges [0 to 1],
        shape (n,). Only a charger left to itself uses a part (the alternative `charge-on-return`); a plan's are 0 or 1.
    curtailed_kw : solar curtailed [kW], shape (n,).
    """

    charge_kw: FloatArray
    discharge_kw: FloatArray
    charge_share: FloatArray
    discharge_share: FloatArray
    curtailed_kw: FloatArray

    @property
    def gives_energy(self) -> bool:
        """Return whether it discharges at all."""
        return bool((self.discharge_kw > 0).any())

    @property
    def charging(self) -> BoolArray:
        """Return whether it charges in the interval, shape (n,)."""
        return self.charge_share > 0

    @property
    def discharging(self) -> BoolArray:
        """Return whether it discharges in the interval, shape (n,)."""
        return self.discharge_share > 0


@dataclass(frozen=True, slots=True, eq=False)
class ProvedPart:
    """A part of all plans, and prices that show that no plan in it costs less than its bound.

    Attributes
    ----------
    least_kwh, most_kwh : stored energy at each boundary of the plans in it [kWh], shape (n + 1,).
    stored_price : price put on stored energy at each boundary [money per kWh], shape (n + 1,).
    given_price : and on energy out of the charger [money per kWh].
    bound : least cost of a plan without wear, with these prices, plus the least of wear less what they put on stored
        energy, less the priced discharge limit [money].
    """

    least_kwh: FloatArray
    most_kwh: FloatArray
    stored_price: FloatArray
    given_price: float
    bound: float


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """What the solver claims; replay judges it.

    Attributes
    ----------
    setpoints : the decisions.
    stored_kwh : claimed stored energy at each boundary [kWh], shape (n + 1,).
    on_the_way_kwh, missing_kwh, missing_when_ready_kwh : claimed for each trip [kWh], shape (trips,).
    money : claimed value of the objective [money].
    status : "optimal", or what stopped the solver with a plan at hand.
    gap : bound on how much cheaper a plan could be than the cheapest found [money]. The plan itself may cost more than
        that one by what plans that count as equally cheap differ.
    bound : no plan that serves the trips as well costs less [money].
    way : how plan and bound were found, DYNAMIC_PROGRAM or BRANCH_AND_BOUND.
    seconds : time in formulation and solver [s].
    blocks : what a person sets, of a plan set by hand; None for a schedule.
    served_at_night : the trips that would leave worse served if a person set nothing outside the hours that the site
        gives; () where nothing is set outside them. settings_at_night : how many are.
    proof : of the bound, where it comes from the dynamic program and no trip is short of anything: parts that hold
        every plan between them. Anyone can work their bounds out again, by any means. Where branch and bound went on
        from there, the least of theirs is a little under the bound told.
    """

    setpoints: Setpoints
    stored_kwh: FloatArray
    on_the_way_kwh: FloatArray
    missing_kwh: FloatArray
    missing_when_ready_kwh: FloatArray
    money: float
    status: str
    gap: float
    bound: float
    way: Way
    seconds: float = 0.0
    blocks: tuple[Block, ...] | None = None
    proof: tuple[ProvedPart, ...] = ()
    served_at_night: tuple[int, ...] = ()
    settings_at_night: int = 0


def runs_with_power(
    night: Night, values: FloatArray, columns: dict[str, IntArray], power_name: str, mode_name: str
) -> tuple[FloatArray, BoolArray]:
    """Return the powers of one direction that a solver found, none below zero, and when the charger runs.

    Without a fixed loss a run may begin or end with intervals at no power; those are idle.

    Parameters
    ----------
    values : of all columns of the matrix.
    columns : numbers of the columns, by name.
    power_name, mode_name : of the direction, as "charge_kw" and "charging".

    Returns
    -------
    power_kw, running : powers [kW], and whether the charger runs, shape (n,) each.
    """
    running = np.round(values[columns[mode_name]]) > 0
    power_kw = np.where(running, np.maximum(values[columns[power_name]], 0.0), 0.0)
    if night.charger.fixed_loss_kw == 0:
        power_kw[power_kw < NO_POWER_KW] = 0.0
        edges = np.flatnonzero(np.diff(np.concatenate([[False], running, [False]]).astype(np.int8)))
        for first, last in edges.reshape(-1, 2):
            powered = first + np.flatnonzero(power_kw[first:last])
            running[first:last] = False
            if len(powered):
                running[powered[0] : powered[-1] + 1] = True
    return power_kw, running


def setpoints_from_powers(
    night: Night,
    charge_kw: FloatArray,
    discharge_kw: FloatArray,
    charge_share: FloatArray,
    discharge_share: FloatArray,
    chosen_kw: FloatArray | None = None,
) -> Setpoints:
    """Complete the charger's powers with the curtailment that follows from them.

    Where solar cannot be limited it is what can neither be used nor exported; where it can, the cheapest. Where a
    price depends on the amounts of other intervals, that is `chosen_kw`, or without it the cheapest of each interval
    in turn.

    Parameters
    ----------
    chosen_kw : curtailment that a solver chose [kW], shape (n,).
    """
    net_kw = net_draw_kw(night.load_kw, night.solar_kw, charge_kw, discharge_kw)
    needed_kw = needed_curtailment_kw(night.export_limit_kw, net_kw, night.solar_kw)
    if not night.solar_can_be_limited:
        curtailed_kw = needed_kw
    else:
        most_kw = np.where(night.only_solar & (charge_kw > 0), np.maximum(needed_kw, -net_kw), night.solar_kw)
        if not night.prices_depend_on_amounts:
            curtailed_kw = _cheapest_kw(night, net_kw, most_kw, night.import_price, night.export_price)
        elif chosen_kw is not None:
            curtailed_kw = np.clip(chosen_kw, needed_kw, np.maximum(needed_kw, most_kw))
        else:
            curtailed_kw = _in_turn_kw(night, net_kw, most_kw)
    return Setpoints(charge_kw, discharge_kw, charge_share, discharge_share, curtailed_kw)


def _cheapest_kw(
    night: Night, net_kw: FloatArray, most_kw: FloatArray, import_price: FloatArray, export_price: FloatArray
) -> FloatArray:
    import_cap = import_cap_kw(night.connection, night.load_kw, night.solar_kw)
    return cheapest_curtailment_kw(night.export_limit_kw, net_kw, most_kw, import_cap, import_price, export_price)


def _in_turn_kw(night: Night, net_kw: FloatArray, most_kw: FloatArray) -> FloatArray:
    """Return the cheapest curtailment of each interval in turn, at the price of its first kWh [kW], shape (n,)."""
    curtailed_kw = np.zeros(night.intervals)
    left = [tier.left_kwh for tier in night.tiers]
    for interval, hours in enumerate(night.hours):
        price = {"import": night.import_price.copy(), "export": night.export_price.copy()}
        for tier, kwh in zip(night.tiers, left, strict=True):
            if kwh > 0:
                price[tier.side] = price[tier.side] + tier.difference
        cheapest = _cheapest_kw(night, net_kw, most_kw, price["import"], price["export"])
        curtailed_kw[interval] = cheapest[interval]
        flows = grid_flows_kw(net_kw[interval : interval + 1], curtailed_kw[interval : interval + 1])
        energy = {"import": hours * float(flows[0][0]), "export": hours * float(flows[1][0])}
        left = [
            kwh - energy[tier.side] if tier.holds[interval] else kwh
            for tier, kwh in zip(night.tiers, left, strict=True)
        ]
    return curtailed_kw
