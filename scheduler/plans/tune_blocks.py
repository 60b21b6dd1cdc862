"""Change what a plan sets where past days show that it pays: later, earlier, until another state of charge, or not.

A plan knows one forecast. Which blocks cost least over many days that could come cannot be told from it: charging may
wait for the end of the cheap hours, since by then the sun has come or not; a stop may lie lower where the energy is
put back cheaply; a block may not be worth its while. From a plan's blocks, changes are tried one at a time: each block
is left out, set to another action, ended at another state of charge, begun or ended an hour earlier or later, cut in
two or joined with the next, and each idle stretch is given something to do. All are carried out on all days at once.
The best is kept, until none costs less.

That is the sample average of stochastic programming, with the rules of recourse inside: on each day the charger does
what its blocks say, knowing no more than they do. A program that chooses each day's powers with that day known would
promise what no setting can keep. The search is local, and proves nothing; it begins from a plan that is proved for its
forecast, and only what is better on the days is taken.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from models.base.arrays import BoolArray, FloatArray, runs
from scheduler.inputs.control_mode import Action
from scheduler.nights.night import Night
from scheduler.nights.sampled_days import SampledDays
from scheduler.optimizer.block import Block
from scheduler.optimizer.find_blocks import SAME_POWER_KW
from scheduler.optimizer.setpoints import Setpoints, setpoints_from_powers
from scheduler.plans.departures import MISSED_KWH
from scheduler.plans.dispatch import Settings, follow_settings, settings_of_blocks
from scheduler.plans.many_days import carry_out
from scheduler.plans.recourse import WELL_UNDER

MOST_CHANGES = 12
"""Changes to a plan at most, one after another."""
LEVELS_APART = 5.0
"""States of charge that are tried as a block's end lie this far apart [%]."""
FINER = 2.0
"""States of charge this far from the best are tried too [%]."""
WORTH_A_CHANGE_KWH = 0.02
"""A change must save at least what this energy costs at the night's highest price [kWh]."""
WORTH_A_SETTING_KWH = 0.1
"""And what this energy costs for each setting more that a person makes [kWh]. One that spares a setting may cost what
WORTH_A_CHANGE_KWH costs."""
MOST_MORE_SETTINGS = 3
"""All changes together make no more settings than so many on top of the plan's own."""
STANDARD_ERRORS = 0.5
"""And by so many standard errors of the difference, so that a few odd days do not decide."""
FROM_KW = (0.1, 0.2, 0.3, 0.4)
SURPLUS_FROM_KW = (0.1, 0.4, 0.7, 1.0)
"""Draws and surpluses that are tried as those from which on a block follows them [kW], where well under the least
power."""
MOST_CELLS = 150_000
"""Days times changes times intervals that are carried out together; more take their turn: memory stays bounded."""
FOLLOWS_DRAW: tuple[Action, ...] = ("cover", "balance")
FOLLOWS_SUN: tuple[Action, ...] = ("surplus", "balance")


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """What P sets of blocks come to on S days.

    Attributes
    ----------
    total : [money], shape (P, S).
    short : share of days on which a departure is short [-], shape (P,).
    worst_kwh : energy short of each target, at departure and from its ready time on, if the building draws the most all
        along, without sun [kWh], shape (P, 2 x trips).
    """

    total: FloatArray
    short: FloatArray
    worst_kwh: FloatArray


def tuned(night: Night, blocks: Sequence[Block], days: SampledDays, most_short: float) -> tuple[Block, ...]:
    """Return a plan's blocks with the changes that make them cost less on past days.

    Parameters
    ----------
    night : the night of the blocks, with the prices and the worth of what is left.
    blocks : of the plan, in time order. days : past days like the night, two at least.
    most_short : share of days on which a departure may be short, if it is not short on more with `blocks` [-].

    Returns
    -------
    In time order; none lets a departure be shorter than `blocks` do if the building draws the most all along.
    """
    best = tuple(blocks)
    begun = scored(night, [best], days)
    total, allowed = begun.total[0], max(most_short, float(begun.short[0]))
    unwatched = None if night.charger.can_stop_at_percent else _short_unwatched(night, [best], days)[0]
    price, own = night.highest_price, settings_count(night, best)
    for _ in range(MOST_CHANGES):
        tried = [each for each in dict.fromkeys(_changes(night, best)) if not any(map(_ends_cross, each))]
        count = np.array([settings_count(night, each) for each in tried])
        tried = [each for each, settings in zip(tried, count, strict=True) if settings <= own + MOST_MORE_SETTINGS]
        if not tried:
            break
        found = scored(night, tried, days)
        saved = total - found.total
        error = saved.std(axis=1, ddof=1) / len(days) ** 0.5
        more = count[count <= own + MOST_MORE_SETTINGS] - settings_count(night, best)
        least = price * np.where(more < 0, WORTH_A_CHANGE_KWH * more, WORTH_A_CHANGE_KWH + WORTH_A_SETTING_KWH * more)
        gain = saved.mean(axis=1) - STANDARD_ERRORS * error - least
        is_safe = (found.short <= allowed) & (found.worst_kwh <= begun.worst_kwh[0] + MISSED_KWH / 10).all(axis=1)
        gain[~is_safe] = -np.inf
        chosen = _first_safe(night, tried, np.argsort(-gain, kind="stable"), gain, days, unwatched)
        if chosen is None:
            break
        best, total = tried[chosen], found.total[chosen]
    return best


def settings_count(night: Night, blocks: Sequence[Block]) -> int:
    """Return how often a person sets the charger: as each block begins, and idle where one ends and none follows.

    Nothing is set as the car leaves and as the night ends.
    """
    begins = {block.first for block in blocks}
    home = night.at_home
    return len(blocks) + sum(
        block.last not in begins and block.last < night.intervals and bool(home[block.last]) for block in blocks
    )


def as_planned(night: Night, blocks: Iterable[Block]) -> tuple[Setpoints, tuple[Block, ...]]:
    """Return what the charger does by its blocks if all comes as forecast, and the blocks with their ends told.

    A plan's charger runs for whole intervals. Where a block ends within one, at a state of charge, its mean power over
    the interval is planned, or over that and the one before where it is under the least power.

    Parameters
    ----------
    night, blocks : the night as forecast, and what is set.
    """
    blocks, charger = tuple(blocks), night.charger
    found = follow_settings(night, settings_of_blocks(night, blocks))
    lost, least = charger.fixed_loss_kw, (charger.charge_min_kw, charger.discharge_min_kw)
    charge_kw = _whole_kw(night.hours, found.charge_kw, found.charge_share, lost / charger.charge_efficiency, least[0])
    discharge_kw = _whole_kw(
        night.hours, found.discharge_kw, found.discharge_share, -lost * charger.discharge_efficiency, least[1]
    )
    charging, discharging = (np.asarray(kw > 0, dtype=np.float64) for kw in (charge_kw, discharge_kw))
    return (
        setpoints_from_powers(night, charge_kw, discharge_kw, charging, discharging),
        tuple(_with_end(night, block, found) for block in blocks),
    )


def _whole_kw(hours: FloatArray, mean_kw: FloatArray, share: FloatArray, more_kw: float, least_kw: float) -> FloatArray:
    """Return the powers with which the battery ends up the same though the charger runs for whole intervals [kW].

    Parameters
    ----------
    hours : length of each interval [h], shape (n,).
    mean_kw, share : mean power and part of each interval in which the charger runs, shape (n,).
    more_kw : power that makes up for the fixed loss of the rest of an interval [kW].
    least_kw : what is less is spread over the interval before too, or left out [kW].
    """
    whole = np.where(share > 0, mean_kw + more_kw * (1 - share), 0.0)
    for at in np.flatnonzero((share > 0) & (share < 1)).tolist():
        if whole[at] >= least_kw and whole[at] > 0:
            continue
        before = slice(at - 1, at + 1)
        both_kw = float(hours[before] @ whole[before] / hours[before].sum()) if at > 0 and share[at - 1] == 1 else 0.0
        whole[at] = 0.0
        if both_kw >= least_kw and both_kw > 0:
            whole[before] = both_kw
    return whole


def _with_end(night: Night, block: Block, found: Setpoints) -> Block:
    """Return a block with the state of charge at which it ends, where floor or ceiling end it by the forecast."""
    at, car = block.intervals, night.car
    if block.action == "charge" and block.until_percent is None and (found.charge_share[at] < 1).any():
        return replace(block, until_percent=min(100.0, car.percent(float(night.ceiling_kwh[block.last]))))
    if block.action == "discharge" and block.stop_percent is None and (found.discharge_share[at] < 1).any():
        return replace(block, stop_percent=car.floor_percent)
    return block


def _first_safe(
    night: Night,
    tried: Sequence[tuple[Block, ...]],
    order: np.ndarray,
    gain: FloatArray,
    days: SampledDays,
    unwatched: float | None,
) -> int | None:
    """Return the best change that saves, and after which nobody need look at the car more than before; or None."""
    for number in order.tolist():
        if gain[number] <= 0:
            return None
        if unwatched is None or _short_unwatched(night, [tried[number]], days)[0] <= unwatched:
            return int(number)
    return None


def scored(night: Night, tried: Sequence[tuple[Block, ...]], days: SampledDays) -> Scores:
    """Return what sets of blocks come to on past days.

    Parameters
    ----------
    tried : P sets of blocks.
    """
    count = len(days) + 1
    most_kw = np.full(night.intervals, max(days.most_load_kw, float(night.load_kw.max())))
    typical = (night.import_price, night.export_price)
    sampled = typical if days.prices is None else days.prices.of_all(night)
    of_days = ((days.load_kw, most_kw), (days.solar_kw, np.zeros_like(most_kw)), *zip(sampled, typical, strict=True))
    each_kind = [np.vstack([np.broadcast_to(rows, days.load_kw.shape), last]) for rows, last in of_days]
    at_once = max(1, MOST_CELLS // (count * night.intervals))
    total, short, worst = [], [], []
    for first in range(0, len(tried), at_once):
        some = tried[first : first + at_once]
        load_kw, solar_kw, bought_at, sold_at = (np.tile(rows, (len(some), 1)) for rows in each_kind)
        rows = carry_out(night, _rows(night, some, count), load_kw, solar_kw, (bought_at, sold_at))
        missing, unready = (
            each.reshape(len(some), count, len(night.trips)) for each in (rows.missing_kwh, rows.missing_when_ready_kwh)
        )
        total.append(rows.total.reshape(len(some), count)[:, :-1])
        short.append((missing[:, :-1] >= MISSED_KWH).any(axis=2).mean(axis=1))
        worst.append(np.concatenate([missing[:, -1], unready[:, -1]], axis=1))
    return Scores(np.concatenate(total), np.concatenate(short), np.concatenate(worst))


def _short_unwatched(night: Night, tried: Sequence[tuple[Block, ...]], days: SampledDays) -> FloatArray:
    """Return the share of days on which a departure is short if no stop is obeyed [-], shape (P,)."""
    without = [tuple(replace(block, stop_percent=None) for block in blocks) for blocks in tried]
    return scored(night, without, days).short


def _rows(night: Night, tried: Iterable[tuple[Block, ...]], count: int) -> Settings:
    """Return the settings of sets of blocks, each for so many days one after another, shape (P x count, n)."""
    each = [settings_of_blocks(night, blocks) for blocks in tried]
    return Settings(
        *(np.repeat(np.array([getattr(one, name) for one in each]), count, axis=0) for name in Settings.__slots__)
    )


def _changes(night: Night, blocks: tuple[Block, ...]) -> Iterator[tuple[Block, ...]]:
    """Yield sets of blocks that are one change away."""
    cuts = _cuts(night)
    for number, block in enumerate(blocks):
        others = (*blocks[:number], *blocks[number + 1 :])
        yield others
        for other in (*_other_actions(night, block), *_other_ends(night, block), *_other_powers(night, block)):
            yield _in_order(*others, other)
        yield from _moved_edges(night, blocks, number, cuts)
        for at in range(block.first + 1, block.last):
            if not cuts[at]:
                continue
            if block.action == "charge":
                yield _in_order(*others, _at_power(night, replace(block, first=at), night.charger.charge_max_kw))
            for other in _other_actions(night, block):
                yield _in_order(*others, replace(other, last=at), replace(block, first=at))
                yield _in_order(*others, replace(block, last=at), replace(other, first=at))
    for number, (before, after) in enumerate(pairwise(blocks)):
        if before.last == after.first:
            others = (*blocks[:number], *blocks[number + 2 :])
            for joint in (replace(before, last=after.last), replace(after, first=before.first)):
                yield _in_order(*others, joint)
            if before.action == after.action == "charge":
                longer = replace(after, first=before.first)
                yield _in_order(*others, _at_power(night, longer, max(before.kw, after.kw)))
    for first, last in _idle(night, blocks):
        for block in _something_to_do(night, first, last):
            yield _in_order(*blocks, block)


def _ends_cross(block: Block) -> bool:
    """Return whether a block that balances charges no further than to where it covers no more: nobody follows that."""
    stop, until = block.stop_percent, block.until_percent
    return stop is not None and until is not None and until <= stop


def _in_order(*blocks: Block) -> tuple[Block, ...]:
    return tuple(sorted(blocks, key=lambda block: block.first))


def _cuts(night: Night) -> BoolArray:
    """Return at which boundaries a block may begin or end anew: whole hours, and where a price changes, shape (n + 1,).

    Finer ones make a night of short intervals slow to look through, and nobody sets a charger to the quarter hour for
    what that brings.
    """
    minute = np.asarray(night.boundaries.tz_convert(night.timezone).minute)
    found = minute == 0
    for price in (night.import_price, night.export_price):
        found[1:-1] |= np.diff(price) != 0
    found[1:-1] |= np.diff(night.at_home.astype(np.int8)) != 0
    found[[0, -1]] = True
    return np.asarray(found, dtype=np.bool_)


def _moved_edges(night: Night, blocks: tuple[Block, ...], number: int, cuts: BoolArray) -> Iterator[tuple[Block, ...]]:
    """Yield the blocks with one that begins or ends at the cut before or after, at the cost of its neighbour."""
    block = blocks[number]
    at = np.flatnonzero(cuts)
    others = (*blocks[:number], *blocks[number + 1 :])
    for edge, begins in ((block.first, True), (block.last, False)):
        for moved in (at[at < edge][-1:], at[at > edge][:1]):
            if not len(moved):
                continue
            new = int(moved[0])
            other = replace(block, first=new) if begins else replace(block, last=new)
            between = slice(min(edge, new), max(edge, new))
            grows = begins == (new < edge)
            if other.first >= other.last or (grows and not night.at_home[between].all()):
                continue
            yield _in_order(other, *(left for each in others if (left := _without(each, other)) is not None))


def _without(block: Block, other: Block) -> Block | None:
    """Return what another block leaves of one, at its end or beginning; None if nothing."""
    if other.last <= block.first or other.first >= block.last:
        return block
    left = replace(block, last=other.first) if other.first > block.first else replace(block, first=other.last)
    return left if left.first < left.last else None


def _other_actions(night: Night, block: Block) -> Iterator[Block]:
    """Yield the block with another action."""
    for action in _actions(night):
        if action != block.action:
            yield _block(night, block.first, block.last, action, block.stop_percent if action in FOLLOWS_DRAW else None)


def _actions(night: Night) -> tuple[Action, ...]:
    """Return what a charger may be set to."""
    return ("cover", "charge", "surplus", "balance") if night.charger.can_follow_surplus else ("cover", "charge")


def _block(night: Night, first: int, last: int, action: Action, stop_percent: float | None = None) -> Block:
    """Return a block at the highest power that can be set."""
    charge, discharge = night.charger.charge_max_kw, night.charger.discharge_max_kw
    kw = {"cover": discharge, "balance": min(charge, discharge)}.get(action, charge)
    return _at_power(night, Block(first, last, action, kw, 0.0, stop_percent=stop_percent), kw)


def _at_power(night: Night, block: Block, kw: float) -> Block:
    """Return a block at another power [kW]."""
    return replace(block, kw=kw, amps=night.charger.amps(kw))


def _levels(night: Night) -> list[float]:
    """Return states of charge to try between floor and ceiling [%]."""
    car = night.car
    return np.arange(car.floor_percent + LEVELS_APART, car.ceiling_percent, LEVELS_APART).tolist()


def _other_ends(night: Night, block: Block) -> Iterator[Block]:
    """Yield the block with another state of charge at which it ends."""
    if block.action != "charge" and block.action != "surplus":
        for level in (None, *_levels(night), *_around(night, block.stop_percent)):
            if level != block.stop_percent:
                yield replace(block, stop_percent=level)
    if block.action not in ("cover", "discharge"):
        for level in (None, *_levels(night), *_around(night, block.until_percent)):
            if level != block.until_percent:
                yield replace(block, until_percent=level)


def _around(night: Night, percent: float | None) -> list[float]:
    """Return states of charge around one that are within floor and ceiling [%]."""
    if percent is None:
        return []
    car = night.car
    return [each for each in (percent - FINER, percent + FINER) if car.floor_percent < each < car.ceiling_percent]


def _other_powers(night: Night, block: Block) -> Iterator[Block]:
    """Yield the block at other powers, and from other draws and surpluses on."""
    charger = night.charger
    if block.action == "charge":
        for kw in (charger.charge_min_kw, charger.charge_max_kw / 2, charger.charge_max_kw):
            if abs(kw - block.kw) > SAME_POWER_KW and kw >= max(charger.charge_min_kw, SAME_POWER_KW):
                yield _at_power(night, block, kw)
    if block.action in FOLLOWS_DRAW and charger.discharge_to != "building":
        for from_kw in (None, *FROM_KW):
            if from_kw != block.from_kw and (from_kw is None or from_kw <= WELL_UNDER * charger.discharge_min_kw):
                yield replace(block, from_kw=from_kw)
    if block.action in FOLLOWS_SUN:
        for from_kw in (None, *SURPLUS_FROM_KW):
            if from_kw != block.surplus_from_kw and (from_kw is None or from_kw <= WELL_UNDER * charger.charge_min_kw):
                yield replace(block, surplus_from_kw=from_kw)


def _idle(night: Night, blocks: Iterable[Block]) -> Iterator[tuple[int, int]]:
    """Yield the stretches at home without a block, and the parts of each in which prices stay the same."""
    free = night.at_home.copy()
    for block in blocks:
        free[block.intervals] = False
    changes = np.flatnonzero(np.diff(night.import_price)) + 1
    for first, last in runs(free):
        edges = [first, *changes[(changes > first) & (changes < last)].tolist(), last]
        yield first, last
        if len(edges) > 2:
            yield from pairwise(edges)


def _something_to_do(night: Night, first: int, last: int) -> Iterator[Block]:
    """Yield blocks that an idle stretch could be."""
    for action in _actions(night):
        yield _block(night, first, last, action)
        for level in _levels(night)[::2]:
            if action in FOLLOWS_DRAW:
                yield _block(night, first, last, action, level)
            elif action == "charge":
                yield replace(_block(night, first, last, action), until_percent=level)
