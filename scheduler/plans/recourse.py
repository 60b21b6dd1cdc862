"""What a block may do where the evening goes otherwise than forecast: how far it may discharge, or charge.

A plan knows one forecast. A block can say more than the forecast needs: it covers the building's whole draw, and not
only the mean that was forecast, down to a draw under the charger's least power where that is worth it, until a state of
charge at which it ends early. Until then a discharging block may give more than was planned, as far as each kWh more is
worth what it costs, and no departure falls short of its target if everything after the block goes as it was set. A
charger that can follow the sun takes the surplus as it comes, where keeping it is worth more than its export, and where
the sun does not come it covers the building, if that is worth it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from math import ceil, floor
from zoneinfo import ZoneInfo

import numpy as np

from models.base.arrays import BoolArray, FloatArray, runs
from models.wear.segments import final_fill_kwh
from scheduler.inputs.control_mode import CHARGING, WAKING_HOURS, Action
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
"""A forecast of less solar than this share of the least charging power makes no block: hardly a day would reach it. Nor
does a forecast draw of less than this share of the least discharging power."""
LITTLE = 0.1
"""A block that sells no more than this share of what it gives is not meant to sell, and one that leaves no more than
this share of the draw is not meant to leave any [-]."""
LIKELY_LESS = 2.0
"""Where the forecast draw is this many times the least power, less than that power is hardly drawn [-]."""
MOSTLY_SUN = 0.5
"""Charging at the least power of which the surplus gives this share may be meant for the surplus [-]."""
WELL_UNDER = 0.75
"""A draw from which on covering pays is told if it is no more than this share of the least power [-]."""
CAP_KW = 0.1
"""Powers that need no look at night are whole multiples of this [kW]."""
WHOLE_AMPS = 1e-9
"""A current this little under a whole number of amps is that number [A]."""


AT_THE_END = timedelta(minutes=5)
"""A stop that can be reached no earlier than this before the block's end needs no look."""


def with_recourse(
    night: Night, setpoints: Setpoints, replayed: Replayed, blocks: Iterable[Block], may_discharge: bool = True
) -> tuple[Block, ...]:
    """Return a plan's blocks, with the power up to which each covers the building, and where it ends early.

    Parameters
    ----------
    night, setpoints, replayed : the night as forecast, its plan, and what that comes to.
    blocks : the plan's blocks, with the powers that the forecast needs.
    may_discharge : whether the car may cover the building where the plan does not.
    """
    into, out = battery_flows_kwh(night, setpoints, replayed.on_the_way_kwh)
    blocks = [_covers_if_selling_does_not_pay(night, setpoints, replayed, block) for block in blocks]
    follows_sun = _follows_sun(night, setpoints, replayed, into)
    hoped_kwh = np.concatenate([[0.0], np.cumsum(into * follows_sun * setpoints.charging)])

    def fill_before(boundary: int) -> FloatArray:
        return final_fill_kwh(night.wear, night.initial_fill_kwh, into[:boundary], out[:boundary])

    covers_too = np.zeros_like(follows_sun)
    if may_discharge:
        covers_too = _covers_too(night, setpoints, replayed, follows_sun, fill_before)
    found = []
    for block in _with_surplus_blocks(night, blocks, follows_sun, covers_too):
        if block.action in (*CHARGING, "balance"):
            block = replace(
                block,
                until_percent=_until_percent(night, replayed, block),
                surplus_from_kw=_surplus_from_kw(night, replayed, block),
            )
        if block.action not in CHARGING:
            block = replace(
                follows_whole_draw(night, setpoints, block),
                stop_percent=_stop_percent(night, setpoints, replayed, block, fill_before, hoped_kwh),
                from_kw=_from_kw(night, setpoints, replayed, block, fill_before),
            )
        found.append(block)
    return without_looks_at_night(night, setpoints, replayed, _as_few_as_can_be(night, found))


def without_looks_at_night(
    night: Night, setpoints: Setpoints, replayed: Replayed, blocks: tuple[Block, ...]
) -> tuple[Block, ...]:
    """Return the blocks with lower powers where a look at the car would fall into the night.

    A block that covers the building then covers it up to what cannot reach the stop before its end, as long as the
    forecast needs no more: the plan costs the same, and only what the building draws beyond the forecast is bought.
    """
    found = list(blocks)
    looks = zip(look_at(night, replayed, blocks), _spare_kwh(night, replayed, blocks), strict=True)
    for number, (at, spare_kwh) in enumerate(looks):
        block = blocks[number]
        if at is None or block.action != "cover" or not _is_at_night(night, at):
            continue
        hours = float(night.hours[block.intervals].sum()) - AT_THE_END / timedelta(hours=1)
        kw = night.charger.discharge_efficiency * (spare_kwh / hours - night.charger.fixed_loss_kw)
        kw = floor(kw / CAP_KW) * CAP_KW
        if night.setting.set_by == "current":
            kw = floor(night.charger.amps(kw) + WHOLE_AMPS) / night.charger.amps(1.0)
        if kw >= float(setpoints.discharge_kw[block.intervals].max()) - WHOLE_AMPS:
            found[number] = replace(block, kw=kw, amps=night.charger.amps(kw))
    return tuple(found)


def _is_at_night(night: Night, at: datetime) -> bool:
    """Return whether a person is likely asleep: outside the hours for settings, or outside waking hours."""
    first, last = night.setting.between or WAKING_HOURS
    local = at.astimezone(ZoneInfo(night.timezone))
    minute = 60 * local.hour + local.minute
    return not (first <= minute <= last if first <= last else minute >= first or minute <= last)


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
            begins = min((kw for kw in (before.from_kw, block.from_kw) if kw is not None), default=None)
            joined[-1] = replace(before, last=block.last, stop_percent=block.stop_percent, from_kw=begins)
        else:
            joined.append(block)
    return tuple(joined)


def _covers_if_selling_does_not_pay(night: Night, setpoints: Setpoints, replayed: Replayed, block: Block) -> Block:
    """Return a block that discharges to replace what the building buys as one that covers the building.

    Beyond the draw it gives little by the forecast but the charger's least power: hours of one power are steadier than
    hours that follow the draw. And selling a kWh would earn less than it is worth in the battery: a draw under the
    forecast must not make it sell, nor one over it go uncovered. Blocks set by hand stay.
    """
    if block.action != "discharge" or night.setting.by_hand:
        return block
    at, charger = block.intervals, night.charger
    draw_kw = np.maximum(0.0, night.load_kw - night.solar_kw)[at]
    meant_kw = np.maximum(draw_kw, charger.discharge_min_kw)
    earned = float(night.possible_prices("export").max(axis=0)[at].max())
    kept = night.price_left_at(float(replayed.stored_kwh[-1])) / charger.discharge_efficiency
    hours, given_kw = night.hours[at], setpoints.discharge_kw[at]
    sold_kwh = float(hours @ np.maximum(0.0, given_kw - meant_kw - SAME_POWER_KW))
    if earned >= kept or sold_kwh > LITTLE * float(hours @ given_kw):
        return block
    return replace(block, action="cover")


def _follows_sun(night: Night, setpoints: Setpoints, replayed: Replayed, into_kwh: FloatArray) -> BoolArray:
    """Return where the charger is to take the surplus, shape (n,).

    That is wherever the sun may shine while it would stand idle and a kWh kept is worth more than its export, and where
    the plan charges with the surplus alone, unless a departure needs that energy: the sun may not shine. What the plan
    buys because it cannot charge with less than the least power, and would not buy alone, does not count.
    """
    nowhere = np.zeros(night.intervals, dtype=np.bool_)
    if not night.charger.can_follow_surplus or night.setting.by_hand:
        return nowhere
    surplus_kw = np.maximum(0.0, night.solar_kw - night.load_kw)
    least_kw, kept = night.charger.charge_min_kw, night.price_left_at(float(replayed.stored_kwh[-1]))
    not_worth_buying = night.possible_prices("import").min(axis=0) > kept * night.charger.charge_efficiency
    for_the_sun = not_worth_buying & (surplus_kw >= MOSTLY_SUN * least_kw)
    meant_kw = np.where(for_the_sun, np.maximum(surplus_kw, least_kw), surplus_kw)
    hoped = setpoints.charging & (setpoints.charge_kw <= meant_kw + SAME_POWER_KW)
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


def _covers_too(
    night: Night,
    setpoints: Setpoints,
    replayed: Replayed,
    follows_sun: BoolArray,
    fill_before: Callable[[int], FloatArray],
) -> BoolArray:
    """Return where a charger that can follow the sun is to cover the building too, shape (n,): where none is planned.

    The sun may not come as forecast, and the building may draw more than its mean, which is often under the least
    power. What it then draws is covered where a kWh bought costs more than one from the battery; without sun by so much
    that a kWh pays a start too. Where the night's discharge limit is used up, more now would be less in another hour.
    """
    found = np.zeros_like(follows_sun)
    if not night.charger.can_follow_surplus or night.setting.by_hand or _gives_all_it_may(night, setpoints):
        return found
    saved = night.possible_prices("import").min(axis=0) * night.charger.discharge_efficiency
    starts = np.where(follows_sun, 0.0, night.charger.start_worth_kwh * night.highest_price)
    idle = night.at_home & ~setpoints.charging & ~setpoints.discharging
    for at in np.flatnonzero(follows_sun | idle).tolist():
        cost, _ = _cost_of_more(night, setpoints, replayed, at + 1, fill_before)
        found[at] = saved[at] > cost(SAME_KWH) + starts[at]
    draw_kw = np.maximum(0.0, night.load_kw - night.solar_kw)
    for first, last in runs(found & ~follows_sun):
        if float(draw_kw[first:last].max()) < SURPLUS_SHARE * night.charger.discharge_min_kw:
            found[first:last] = False
    return found


def _with_surplus_blocks(
    night: Night, blocks: Iterable[Block], follows_sun: BoolArray, covers_too: BoolArray
) -> tuple[Block, ...]:
    """Return the blocks with those that take the surplus or cover besides, cut where these begin; in time order."""
    charger = night.charger
    both_kw = min(charger.charge_max_kw, charger.discharge_max_kw)
    found: list[Block] = []
    choices: tuple[tuple[BoolArray, Action, float], ...] = (
        (follows_sun & ~covers_too, "surplus", charger.charge_max_kw),
        (follows_sun & covers_too, "balance", both_kw),
        (covers_too & ~follows_sun, "cover", charger.discharge_max_kw),
    )
    for where, action, kw in choices:
        found += [Block(first, last, action, kw, charger.amps(kw)) for first, last in runs(where)]
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
    """Return whether a plan clearly leaves draw that the charger could cover, or gives all that it may."""
    if _gives_all_it_may(night, setpoints):
        return True
    hours, given_kw = night.hours[block.intervals], setpoints.discharge_kw[block.intervals]
    draw_kw = np.maximum(0.0, night.load_kw - night.solar_kw)[block.intervals]
    could_kw = np.minimum(draw_kw, night.charger.discharge_max_kw) * setpoints.discharging[block.intervals]
    left_kw = np.where(could_kw - given_kw > SAME_POWER_KW, could_kw - given_kw, 0.0)
    return float(hours @ left_kw) > LITTLE * float(hours @ could_kw)


def _gives_all_it_may(night: Night, setpoints: Setpoints) -> bool:
    """Return whether a plan uses up the night's discharge limit."""
    limit = night.car.discharge_limit_kwh
    return limit is not None and float(night.hours @ setpoints.discharge_kw) >= limit - SAME_KWH


def look_at(night: Night, replayed: Replayed, blocks: Iterable[Block]) -> tuple[datetime | None, ...]:
    """Return for each block when its `stop_percent` could be reached at the earliest, UTC.

    That is at the power that is set all along, from what earlier blocks may have left. None where the block ends
    before, and where charger or car stop by themselves.

    Parameters
    ----------
    night, replayed : the night as forecast, and what its plan comes to. blocks : with their ends, in time order.
    """
    found: list[datetime | None] = []
    blocks = tuple(blocks)
    for block, spare_kwh in zip(blocks, _spare_kwh(night, replayed, blocks), strict=True):
        if block.action in CHARGING or night.charger.can_stop_at_percent:
            found.append(None)
            continue
        hours = spare_kwh / (block.kw / night.charger.discharge_efficiency + night.charger.fixed_loss_kw)
        begin, end = (night.boundaries[at].to_pydatetime() for at in (block.first, block.last))
        at = max(begin, (begin + timedelta(hours=hours)).replace(second=0, microsecond=0))
        found.append(at if block.stop_percent is not None and end - at > AT_THE_END else None)
    return tuple(found)


def _spare_kwh(night: Night, replayed: Replayed, blocks: Iterable[Block]) -> tuple[float, ...]:
    """Return for each block what it may discharge until its stop, after all that earlier ones may have [kWh]."""
    found, less_kwh = [], 0.0
    for block in blocks:
        if block.action in CHARGING:
            found.append(0.0)
            continue
        stop_kwh = night.car.floor_kwh if block.stop_percent is None else night.car.kwh(block.stop_percent)
        found.append(max(0.0, float(replayed.stored_kwh[block.first]) - less_kwh - stop_kwh))
        less_kwh = max(less_kwh, float(replayed.stored_kwh[block.last]) - stop_kwh)
    return tuple(found)


def look_text(night: Night, block: Block, at: datetime | None) -> str:
    """Return a sentence on when to look at the car for a block's stop, to follow another; "" for None."""
    if at is None or block.stop_percent is None:
        return ""
    when = clock_text(at, night.timezone, night.boundaries[block.first].to_pydatetime())
    left = percent_text(block.stop_percent)
    asleep = ""
    if _is_at_night(night, at):
        asleep = " If nobody is up then, set it to idle before: every departure is as safe, and the rest is bought."
    if block.action in ("cover", "balance"):
        return (
            f" Look at the car from {when}: if the building has drawn {power_text(block.kw)} all along, {left} is left "
            f"by then. At that, set the charger to idle.{asleep}"
        )
    return f" Look at the car from {when}: it may be down to {left} by then. At that, set the charger to idle.{asleep}"


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
    cost, cuts = _cost_of_more(night, setpoints, replayed, block.last, fill_before)
    at = block.intervals
    saved = night.possible_prices("import").min(axis=0)[at]
    if block.action == "discharge":
        saved = np.minimum(saved, night.possible_prices("export").min(axis=0)[at])
    return _as_long_as(most, cuts, lambda kwh: cost(kwh) / night.charger.discharge_efficiency <= float(saved.min()))


def _cost_of_more(
    night: Night,
    setpoints: Setpoints,
    replayed: Replayed,
    boundary: int,
    fill_before: Callable[[int], FloatArray],
) -> tuple[Callable[[float], float], list[float]]:
    """Return what a kWh taken from the battery costs after so many kWh more than planned, and where that changes [kWh].

    It is what the kWh would be worth at the end of the night, and the wear of taking it [money per kWh].

    Parameters
    ----------
    boundary : by when the kWh is taken. fill_before : as in _stop_percent.
    """
    # the deepest segments that the plan reaches before it charges again are those that a kWh more comes from
    charges = boundary + np.flatnonzero(setpoints.charging[boundary:])
    held_kwh = np.cumsum(fill_before(int(charges[0]) if len(charges) else night.intervals))
    end_kwh = float(replayed.stored_kwh[-1])

    def cost(kwh: float) -> float:
        segment = min(int(np.searchsorted(held_kwh, kwh)), len(held_kwh) - 1)
        return night.price_left_at(end_kwh - kwh) + night.wear_weight * float(night.wear.price_per_kwh[segment])

    return cost, [*held_kwh.tolist(), *(end_kwh - night.stored_energy.edges_kwh).tolist()]


def _from_kw(
    night: Night,
    setpoints: Setpoints,
    replayed: Replayed,
    block: Block,
    fill_before: Callable[[int], FloatArray],
) -> float | None:
    """Return the draw from which on a covering block is worth its least power [kW]; None: that power itself.

    At the least power, what the building does not draw is exported. From a certain draw on, what is not bought and
    what is exported are together worth more than the energy and the wear: over the block together, if it may draw any
    power as likely as another. That draw is told in whole tenths of a kilowatt, where the building is likely to draw
    less than the least power, and if it is well under that.
    """
    charger, at = night.charger, block.intervals
    least_kw = charger.discharge_min_kw
    draw_kw = np.maximum(0.0, night.load_kw - night.solar_kw)[at]
    if block.action not in ("cover", "balance") or charger.discharge_to == "building" or night.setting.by_hand:
        return None
    if float(draw_kw.min()) >= LIKELY_LESS * least_kw or _gives_all_it_may(night, setpoints):
        return None
    cost, _ = _cost_of_more(night, setpoints, replayed, block.last, fill_before)
    taken_kw = least_kw / charger.discharge_efficiency + charger.fixed_loss_kw
    saved, earned = (night.possible_prices(side).min(axis=0)[at] for side in ("import", "export"))
    earned = np.where(night.export_limit_kw[at] >= least_kw, earned, 0.0)
    per_kw, fixed = saved - earned, taken_kw * cost(SAME_KWH) - least_kw * earned
    hours = night.hours[at]
    if float(hours @ per_kw) <= 0:
        return None
    from_kw = float(hours @ fixed) / float(hours @ per_kw)
    return _well_under(least_kw, from_kw)


def _surplus_from_kw(night: Night, replayed: Replayed, block: Block) -> float | None:
    """Return the surplus from which on a block that takes it is worth the least power [kW]; None: that power itself.

    At the least power, what the surplus lacks is bought: as in _from_kw, in the other direction.
    """
    if block.action == "charge":
        return None
    charger, at = night.charger, block.intervals
    least_kw = charger.charge_min_kw
    stored_kw = charger.charge_efficiency * least_kw - charger.fixed_loss_kw
    kept = night.price_left_at(float(replayed.stored_kwh[-1]) + SAME_KWH)
    paid, sold = night.possible_prices("import").max(axis=0)[at], _surplus_price(night)[at]
    hours = night.hours[at]
    if float(hours @ (paid - sold)) <= 0:
        return None
    return _well_under(least_kw, float(hours @ (least_kw * paid - stored_kw * kept)) / float(hours @ (paid - sold)))


def _well_under(least_kw: float, from_kw: float) -> float | None:
    """Return a power in whole tenths, at least one [kW]; None where it is not well under the least power."""
    tenths = max(1, ceil(10 * from_kw - SAME_PERCENT)) / 10
    return tenths if tenths <= WELL_UNDER * least_kw else None


def _until_percent(night: Night, replayed: Replayed, block: Block) -> float | None:
    """Return the state of charge at which a charging block ends [%]; None where that is the ceiling, as always."""
    stored, ceiling_kwh = replayed.stored_kwh, float(night.ceiling_kwh[block.last])
    planned_kwh = float(stored[block.last])
    efficiency = night.charger.charge_efficiency
    paid = float(night.possible_prices("import").max(axis=0)[block.intervals].max())
    if block.action != "charge":
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
