"""What a block may do where the evening goes otherwise than forecast: how far it may discharge, or charge.

A plan knows one forecast. A block can say more than the forecast needs: it covers the building's whole draw, and not
only the mean that was forecast, until a state of charge at which it ends early. Until then a discharging block may give
more than was planned, as far as each kWh more is worth what it costs, and no departure falls short of its target if
everything after the block goes as it was set. A charger that can follow the sun takes the surplus as it comes, where
keeping it is worth more than its export.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from math import ceil, floor

import numpy as np

from models.base.arrays import BoolArray, FloatArray, runs
from models.wear.segments import final_fill_kwh
from scheduler.inputs.control_mode import CHARGING
from scheduler.nights.night import SAME_KWH, Night
from scheduler.optimizer.block import Block
from scheduler.optimizer.find_blocks import SAME_POWER_KW
from scheduler.optimizer.setpoints import Setpoints
from scheduler.plans.replay import Replayed, battery_flows_kwh
from scheduler.textio.format import clock_text, percent_text, power_text

SAME_PERCENT = 1e-6
"""States of charge closer than this are one [%]."""
SAME_PRICE = 1e-6
"""Prices closer than this are one [money per kWh]."""
SUN_KW = 0.01
"""Where less solar than this is forecast, the sun is down [kW]."""
SURPLUS_SHARE = 0.25
"""A forecast of less solar than this share of the least charging power makes no block: hardly a day would reach it."""
WHOLE_AMPS = 1e-9
"""A current this little under a whole number of amps is that number [A]."""


AT_THE_END = timedelta(minutes=5)
"""A stop that can be reached no earlier than this before the block's end needs no look."""


def with_recourse(night: Night, setpoints: Setpoints, replayed: Replayed, blocks: Iterable[Block]) -> tuple[Block, ...]:
    """Return a plan's blocks, with the power up to which each covers the building, and where it ends early.

    Parameters
    ----------
    night, setpoints, replayed : the night as forecast, its plan, and what that comes to.
    blocks : the plan's blocks, with the powers that the forecast needs.
    """
    into, out = battery_flows_kwh(night, setpoints, replayed.on_the_way_kwh)
    blocks = [_covers_if_selling_does_not_pay(night, setpoints, replayed, block) for block in blocks]
    follows_sun = _follows_sun(night, setpoints, replayed, into)
    blocks = _with_surplus_blocks(night, blocks, follows_sun)
    hoped_kwh = np.concatenate([[0.0], np.cumsum(into * follows_sun * setpoints.charging)])

    def fill_before(boundary: int) -> FloatArray:
        return final_fill_kwh(night.wear, night.initial_fill_kwh, into[:boundary], out[:boundary])

    found = (
        replace(block, until_percent=_until_percent(night, replayed, block))
        if block.action in CHARGING
        else replace(
            follows_whole_draw(night, setpoints, block),
            stop_percent=_stop_percent(night, setpoints, replayed, block, fill_before, hoped_kwh),
        )
        for block in blocks
    )
    return _as_few_as_can_be(night, found)


def _as_few_as_can_be(night: Night, blocks: Iterable[Block]) -> tuple[Block, ...]:
    """Return the blocks with those joined that cover the building in turn, where a kWh is no dearer later.

    The joint block ends where the later one does: every departure is as safe, and what an earlier hour takes more of
    saves as much as it would have saved later.
    """
    lowest, highest = (edge(night.possible_prices("import"), axis=0) for edge in (np.min, np.max))
    joined: list[Block] = []
    for block in blocks:
        before = joined[-1] if joined else block
        if (
            before.last == block.first
            and before.action == block.action == "cover"
            and abs(before.kw - block.kw) <= SAME_POWER_KW
            and lowest[before.intervals].min() >= highest[block.intervals].max() - SAME_PRICE
        ):
            joined[-1] = replace(before, last=block.last, stop_percent=block.stop_percent)
        else:
            joined.append(block)
    return tuple(joined)


def _covers_if_selling_does_not_pay(night: Night, setpoints: Setpoints, replayed: Replayed, block: Block) -> Block:
    """Return a block that discharges to replace what the building buys as one that covers the building.

    It sells nothing by the forecast but what the charger's least power gives beyond the draw, and selling a kWh would
    earn less than it is worth in the battery: a draw under the forecast must not make it sell. Blocks set by hand stay.
    """
    if block.action != "discharge" or night.setting.by_hand:
        return block
    at, charger = block.intervals, night.charger
    draw_kw = np.maximum(0.0, night.load_kw - night.solar_kw)[at]
    meant_kw = np.maximum(draw_kw, charger.discharge_min_kw)
    earned = float(night.possible_prices("export").max(axis=0)[at].max())
    kept = night.price_left_at(float(replayed.stored_kwh[-1])) / charger.discharge_efficiency
    if earned >= kept or bool(np.any(setpoints.discharge_kw[at] > meant_kw + SAME_POWER_KW)):
        return block
    return replace(block, action="cover")


def _follows_sun(night: Night, setpoints: Setpoints, replayed: Replayed, into_kwh: FloatArray) -> BoolArray:
    """Return where the charger is to take the surplus, shape (n,).

    That is wherever the sun may shine while it would stand idle and a kWh kept is worth more than its export, and where
    the plan charges with the surplus alone, unless a departure needs that energy: the sun may not shine.
    """
    nowhere = np.zeros(night.intervals, dtype=np.bool_)
    if not night.charger.can_follow_surplus or night.setting.by_hand:
        return nowhere
    surplus_kw = np.maximum(0.0, night.solar_kw - night.load_kw)
    hoped = setpoints.charging & (setpoints.charge_kw <= surplus_kw + SAME_POWER_KW)
    for trip in night.trips:
        held = replayed.stored_kwh[trip.ready : trip.depart + 1]
        if float((into_kwh * hoped)[: trip.depart].sum()) > float(held.min()) - trip.target_kwh:
            hoped[: trip.depart] = False
    worth = night.price_left_at(float(replayed.stored_kwh[-1]) + SAME_KWH) * _surplus_efficiency(night)
    idle = night.at_home & ~setpoints.charging & ~setpoints.discharging & (night.solar_kw >= SUN_KW)
    found = nowhere.copy()
    for first, last in runs(hoped | (idle & (worth > _surplus_price(night)))):
        if float(night.solar_kw[first:last].max()) >= SURPLUS_SHARE * night.charger.charge_min_kw:
            found[first:last] = True
    return found


def _with_surplus_blocks(night: Night, blocks: Iterable[Block], follows_sun: BoolArray) -> tuple[Block, ...]:
    """Return the blocks with those that take the surplus, cut where these begin and end; in time order."""
    kw = night.charger.charge_max_kw
    found = [Block(first, last, "surplus", kw, night.charger.amps(kw)) for first, last in runs(follows_sun)]
    for block in blocks:
        rest = np.zeros(night.intervals, dtype=np.bool_)
        rest[block.intervals] = ~follows_sun[block.intervals]
        found += [replace(block, first=first, last=last) for first, last in runs(rest)]
    return tuple(sorted(found, key=lambda block: block.first))


def _surplus_efficiency(night: Night) -> float:
    """Return the least share of a surplus that reaches the battery [-]: that at the least charging power."""
    charger = night.charger
    lost = charger.fixed_loss_kw / charger.charge_min_kw if charger.charge_min_kw > 0 else 0.0
    return max(0.0, charger.charge_efficiency - lost)


def _surplus_price(night: Night) -> FloatArray:
    """Return the most that a kWh of surplus would earn in each interval [money per kWh], shape (n,)."""
    return np.where(night.export_limit_kw > 0, night.possible_prices("export").max(axis=0), 0.0)


def follows_whole_draw(night: Night, setpoints: Setpoints, block: Block) -> Block:
    """Return a block that covers the building with the highest power that can be set, unless the plan wants less.

    It wants less where it leaves a part of the draw to the grid though the charger could give it, and where the night's
    discharge limit is used up: more in one hour would be less in another. Other blocks are returned as they are.
    """
    charger = night.charger
    if block.action != "cover" or wants_a_cap(night, setpoints, block):
        return block
    most_kw = charger.discharge_max_kw
    if night.setting.set_by == "current":
        most_kw = floor(charger.amps(most_kw) + WHOLE_AMPS) / charger.amps(1.0)
    return replace(block, kw=most_kw, amps=charger.amps(most_kw)) if most_kw > block.kw else block


def wants_a_cap(night: Night, setpoints: Setpoints, block: Block) -> bool:
    """Return whether a plan covers less of the draw in a block than the charger could, or gives all that it may."""
    limit, given_kw = night.car.discharge_limit_kwh, setpoints.discharge_kw[block.intervals]
    if limit is not None and float(night.hours @ setpoints.discharge_kw) >= limit - SAME_KWH:
        return True
    draw_kw = np.maximum(0.0, night.load_kw - night.solar_kw)[block.intervals]
    could_kw = np.minimum(draw_kw, night.charger.discharge_max_kw)
    return bool(np.any((could_kw - given_kw > SAME_POWER_KW) & setpoints.discharging[block.intervals]))


def look_at(night: Night, replayed: Replayed, blocks: Iterable[Block]) -> tuple[datetime | None, ...]:
    """Return for each block when its `stop_percent` could be reached at the earliest, UTC.

    That is at the power that is set all along, from what earlier blocks may have left. None where the block ends
    before, and where charger or car stop by themselves.

    Parameters
    ----------
    night, replayed : the night as forecast, and what its plan comes to. blocks : with their ends, in time order.
    """
    found: list[datetime | None] = []
    less_kwh = 0.0
    for block in blocks:
        if block.action in CHARGING or night.charger.can_stop_at_percent:
            found.append(None)
            continue
        stop_kwh = night.car.floor_kwh if block.stop_percent is None else night.car.kwh(block.stop_percent)
        spare_kwh = max(0.0, float(replayed.stored_kwh[block.first]) - less_kwh - stop_kwh)
        hours = spare_kwh / (block.kw / night.charger.discharge_efficiency + night.charger.fixed_loss_kw)
        begin, end = (night.boundaries[at].to_pydatetime() for at in (block.first, block.last))
        at = max(begin, (begin + timedelta(hours=hours)).replace(second=0, microsecond=0))
        found.append(at if block.stop_percent is not None and end - at > AT_THE_END else None)
        less_kwh = max(less_kwh, float(replayed.stored_kwh[block.last]) - stop_kwh)
    return tuple(found)


def look_text(night: Night, block: Block, at: datetime | None) -> str:
    """Return a sentence on when to look at the car for a block's stop, to follow another; "" for None."""
    if at is None or block.stop_percent is None:
        return ""
    when = clock_text(at, night.timezone, night.boundaries[block.first].to_pydatetime())
    left = percent_text(block.stop_percent)
    if block.action == "cover":
        return (
            f" Look at the car from {when}: if the building has drawn {power_text(block.kw)} all along, {left} is left "
            "by then. At that, set the charger to idle."
        )
    return f" Look at the car from {when}: it may be down to {left} by then. At that, set the charger to idle."


def _stop_percent(
    night: Night,
    setpoints: Setpoints,
    replayed: Replayed,
    block: Block,
    fill_before: Callable[[int], FloatArray],
    hoped_kwh: FloatArray,
) -> float | None:
    """Return the state of charge at which a discharging block ends [%]; None where that is the floor, as always.

    Parameters
    ----------
    fill_before : gives the energy in each wear segment at a boundary [kWh], shape (segments,).
    hoped_kwh : energy that the plan takes from the surplus before each boundary [kWh], shape (n + 1,).
    """
    planned_kwh = float(replayed.stored_kwh[block.last])
    more_kwh = _further_discharge_kwh(night, setpoints, replayed, block, fill_before, hoped_kwh)
    lowest, planned = (night.car.percent(kwh) for kwh in (planned_kwh - more_kwh, planned_kwh))
    if lowest <= night.car.floor_percent + SAME_PERCENT:
        return None
    whole = float(ceil(lowest - SAME_PERCENT))
    return whole if whole <= planned else lowest


def _further_discharge_kwh(
    night: Night,
    setpoints: Setpoints,
    replayed: Replayed,
    block: Block,
    fill_before: Callable[[int], FloatArray],
    hoped_kwh: FloatArray,
) -> float:
    """Return how much more than planned a block may take from the battery [kWh].

    Every kWh of it is worth its cost at the block's lowest price, no departure after it misses its target, and the
    night ends above the floor, whether or not it is put back and the sun shines.
    """
    stored = replayed.stored_kwh - np.maximum(0.0, hoped_kwh - hoped_kwh[block.last])
    spare = [float(stored[block.last]) - night.car.floor_kwh, float(stored[-1]) - night.car.floor_kwh]
    for trip in night.trips:
        if trip.depart >= block.last:
            held = stored[max(trip.ready, block.last) : trip.depart + 1]
            spare.append(float(held.min()) - trip.target_kwh)
    most = min(spare)
    if most <= SAME_KWH:
        return 0.0
    # the deepest segments that the plan reaches before it charges again are those that a kWh more comes from
    charges = block.last + np.flatnonzero(setpoints.charging[block.last :])
    held_kwh = np.cumsum(fill_before(int(charges[0]) if len(charges) else night.intervals))

    end_kwh = float(replayed.stored_kwh[-1])

    def cost(kwh: float) -> float:
        segment = min(int(np.searchsorted(held_kwh, kwh)), len(held_kwh) - 1)
        worn = night.wear_weight * float(night.wear.price_per_kwh[segment])
        return (night.price_left_at(end_kwh - kwh) + worn) / night.charger.discharge_efficiency

    at = block.intervals
    saved = night.possible_prices("import").min(axis=0)[at]
    if block.action == "discharge":
        saved = np.minimum(saved, night.possible_prices("export").min(axis=0)[at])
    cuts = [*held_kwh.tolist(), *(end_kwh - night.stored_energy.edges_kwh).tolist()]
    return _as_long_as(most, cuts, lambda kwh: cost(kwh) <= float(saved.min()))


def _until_percent(night: Night, replayed: Replayed, block: Block) -> float | None:
    """Return the state of charge at which a charging block ends [%]; None where that is the ceiling, as always."""
    stored, ceiling_kwh = replayed.stored_kwh, float(night.ceiling_kwh[block.last])
    planned_kwh = float(stored[block.last])
    efficiency = night.charger.charge_efficiency
    paid = float(night.possible_prices("import").max(axis=0)[block.intervals].max())
    if block.action == "surplus":
        efficiency, paid = _surplus_efficiency(night), float(_surplus_price(night)[block.intervals].max())

    def is_worth_it(kwh: float) -> bool:
        return night.price_left_at(float(stored[-1]) + kwh) * efficiency >= paid

    cuts = (night.stored_energy.edges_kwh - float(stored[-1])).tolist()
    more_kwh = _as_long_as(max(0.0, ceiling_kwh - planned_kwh), cuts, is_worth_it)
    highest, planned = (night.car.percent(kwh) for kwh in (planned_kwh + more_kwh, planned_kwh))
    if highest >= night.car.percent(ceiling_kwh) - SAME_PERCENT and ceiling_kwh <= night.car.ceiling_kwh + SAME_KWH:
        return None
    whole = float(floor(highest + SAME_PERCENT))
    return whole if whole >= planned else min(100.0, highest)  # rounding may leave it a hair over full


def _as_long_as(most_kwh: float, cuts_kwh: Iterable[float], holds: Callable[[float], bool]) -> float:
    """Return up to how much energy something holds, at most `most_kwh` [kWh], from 0 up in pieces between cuts."""
    edges = sorted({0.0, most_kwh, *(cut for cut in cuts_kwh if 0.0 < cut < most_kwh)})
    for begin, end in pairwise(edges):
        if not holds((begin + end) / 2):
            return begin
    return most_kwh
