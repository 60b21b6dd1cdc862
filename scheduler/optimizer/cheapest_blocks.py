"""Blocks set by hand that cost least at given prices of power: a shortest path through the night, without the battery.

A block of one power costs, interval by interval, money at the meter and what the prices ask for its power and for its
running. All of it is piecewise linear in the power, so for every begin and end the cheapest power is a kink: the least
or the most power, or one at which the meter passes nothing or the export limit. On those powers one pass from the last
interval to the first finds the cheapest blocks, no more than allowed and none too short.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray
from models.site.connection import import_cap_kw
from scheduler.nights.night import Night
from scheduler.optimizer.compact_charger import Powers, charger_powers, whole_currents
from scheduler.optimizer.matrix_builder import MatrixBuilder
from scheduler.optimizer.objectives import charger_start_worth, hours_waited
from scheduler.optimizer.setpoints import setpoints_from_powers

CHARGE, DISCHARGE = 0, 1
FAR = 1e5
"""What a choice that is not allowed costs [kWh at the highest price]."""
TIMING_WORTH = 1e-7
"""What a kWh is worth that is charged or discharged an hour earlier, so that of equally cheap blocks the better timed
are taken [kWh at the highest price per kWh and hour]."""
MODES = 5
"""What may have been before a boundary: nothing; a block of charging or discharging that has come to its end; or the
car stands full or empty since one ended by itself."""
REACHED_KWH = 1e-6
"""Stored energy this near to a limit has reached it [kWh]."""
SAME_KW = 1e-7
"""Powers closer than this are one choice [kW]."""
SHORTER_MINUTES = 1e-6
"""How much shorter a block may be than the least length [min]."""


class HandBlock(NamedTuple):
    """A block in the intervals first to last - 1, at one of its direction's choices of power.

    Where a person would have to end it, it may end by itself instead: then the car must be full, or empty, by then.
    """

    direction: int
    first: int
    last: int
    choice: int
    by_itself: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Choices:
    """What may be set in one direction, in n intervals at K powers.

    Attributes
    ----------
    kw : the powers that may be set, rising [kW], shape (K,).
    allowed : whether each may be set in an interval, shape (n, K).
    power : what the charger then does [kW], shape (n, K).
    runs : whether it then runs, shape (n,); a charger that covers the building pauses at low draws.
    money : at the meter, less what idling costs there, and what the timing is worth, shape (n, K).
    resumes : what starting again after a pause inside a block counts for [money], shape (n,).
    """

    kw: FloatArray
    allowed: BoolArray
    power: FloatArray
    runs: BoolArray
    money: FloatArray
    resumes: FloatArray

    def common(self, first: int, last: int) -> IntArray:
        """Return the choices that are allowed in all intervals first to last - 1."""
        return np.flatnonzero(self.allowed[first:last].all(axis=0))


class Prices(NamedTuple):
    """Prices of each direction: of power and of running by interval, shape (2, n) each, and of standing full, or empty,
    after a block that ended by itself, by boundary, shape (2, n + 1)."""

    power: FloatArray
    running: FloatArray
    standing: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Barred:
    """What a part of all plans leaves out.

    Attributes
    ----------
    choice : of each direction, whether a power may not be set in an interval, shape (n, K).
    idle : whether something must be set, shape (n,).
    begin : whether no block of a direction may begin, shape (2, n).
    going_on : whether no block of a direction that began earlier may go on, shape (2, n).
    standing, else_than_standing : whether the car may not, or must, stand at a boundary full, or empty, since a block
        of a direction ended by itself, shape (2, n + 1).
    """

    choice: tuple[BoolArray, BoolArray]
    idle: BoolArray
    begin: BoolArray
    going_on: BoolArray
    standing: BoolArray
    else_than_standing: BoolArray

    def allows(self, blocks: Sequence[HandBlock], standing: BoolArray) -> bool:
        """Return whether the part has these blocks; `standing` as BlockChoices.standing, over 0."""
        if (self.standing & standing).any() or (self.else_than_standing & ~standing).any():
            return False
        idle = np.ones(len(self.idle), dtype=np.bool_)
        for direction, first, last, choice, _ in blocks:
            if self.begin[direction, first] or self.going_on[direction, first + 1 : last].any():
                return False
            if self.choice[direction][first:last, choice].any():
                return False
            idle[first:last] = False
        return not bool(self.idle[idle].any())


@dataclass(frozen=True, slots=True, eq=False)
class BlockChoices:
    """All blocks that a night allows.

    Attributes
    ----------
    directions : charging and discharging.
    reaches : where a block that begins with an interval ends at the earliest, shape (n,).
    start_worth : what one start counts for [money].
    begin_money : what it counts for that a person begins a block with an interval, shape (n,).
    end_money : and ends one at a boundary where nothing follows, shape (n + 1,).
    may_end_by_itself : whether one of a direction may end there by itself instead, shape (2, n + 1).
    home_until : boundary until which the car stays at home from each, shape (n + 1,).
    most_blocks : how many may be set.
    idle_money : at the meter if nothing is set [money].
    unit : money of a kWh at the highest price.
    most_timing_money : most that the timing of any blocks can count for [money].
    """

    directions: tuple[Choices, Choices]
    reaches: IntArray
    start_worth: float
    begin_money: FloatArray
    end_money: FloatArray
    may_end_by_itself: BoolArray
    home_until: IntArray
    most_blocks: int
    idle_money: float
    unit: float
    most_timing_money: float

    @property
    def ended_by_hand(self) -> BlockChoices:
        """Return the choices without blocks that end by themselves before the car departs or the night ends."""
        return replace(self, may_end_by_itself=np.zeros_like(self.may_end_by_itself))

    @property
    def intervals(self) -> int:
        """Return the number of intervals, n."""
        return len(self.reaches)

    @staticmethod
    def of(night: Night, may_discharge: bool = True) -> BlockChoices:
        """Return the choices of a night whose prices do not depend on amounts."""
        powers = charger_powers(MatrixBuilder(), night, may_discharge)
        n = night.intervals
        minutes = 60 * np.concatenate([[0.0], np.cumsum(night.hours)])
        length = night.setting.min_block_minutes - SHORTER_MINUTES
        reaches = np.searchsorted(minutes[:-1], minutes[:-1] + length)
        idle = _meter_money(night, np.zeros(n), np.zeros(n))
        directions = (_choices(night, powers, CHARGE, idle), _choices(night, powers, DISCHARGE, idle))
        asleep, far, worth = ~night.is_waking, FAR * night.highest_price, night.setting_worth
        most_kw = max(float(np.append(each.kw, 0.0).max()) for each in directions)
        return BlockChoices(
            directions,
            np.clip(reaches, np.arange(n) + 1, n),
            charger_start_worth(night),
            np.where(asleep[:-1], far, worth),
            np.where(night.end_is_set, np.where(asleep, far, worth), 0.0),
            _reached(night, directions) & night.end_is_set & night.counts_settings,
            _home_until(night),
            night.setting.max_blocks,
            float(idle.sum()),
            night.highest_price,
            float(_waiting_worth(night).sum()) * most_kw,
        )

    def nothing_barred(self) -> Barred:
        """Return the part that is all plans."""
        n = self.intervals
        charge, discharge = (np.zeros_like(each.allowed) for each in self.directions)
        none, no_end = np.zeros((2, n), dtype=np.bool_), np.zeros((2, n + 1), dtype=np.bool_)
        return Barred((charge, discharge), np.zeros(n, dtype=np.bool_), none, none.copy(), no_end, no_end.copy())

    def flows(self, blocks: Sequence[HandBlock]) -> FloatArray:
        """Return powers charged and discharged [kW], and whether it charges and discharges, shape (4, n)."""
        found = np.zeros((4, self.intervals))
        for direction, first, last, choice, _ in blocks:
            choices = self.directions[direction]
            found[direction, first:last] = choices.power[first:last, choice]
            found[2 + direction, first:last] = choices.runs[first:last]
        return found

    def standing(self, blocks: Sequence[HandBlock]) -> FloatArray:
        """Return whether the car stands full, or empty, at each boundary since a block of a direction ended by itself.

        It does until the next block begins, or it departs. Shape (2, n + 1), 1 or 0.
        """
        found = np.zeros((2, self.intervals + 1))
        for number, block in enumerate(blocks):
            if block.by_itself:
                until = blocks[number + 1].first if number + 1 < len(blocks) else self.intervals
                found[block.direction, block.last : min(until, int(self.home_until[block.last])) + 1] = 1.0
        return found

    def settings_money(self, blocks: Sequence[HandBlock]) -> float:
        """Return what it counts for that a person begins blocks, and ends those that do not end themselves [money]."""
        money = float(sum(self.begin_money[block.first] for block in blocks))
        for number, block in enumerate(blocks):
            follows = number + 1 < len(blocks) and blocks[number + 1].first == block.last
            if not follows and not block.by_itself:
                money += float(self.end_money[block.last])
        return money

    def starts_money(self, blocks: Sequence[HandBlock]) -> float:
        """Return what the starts of blocks count for [money]."""
        running = self.flows(blocks)[2:] > 0
        before = np.concatenate([np.zeros((2, 1), dtype=np.bool_), running[:, :-1]], axis=1)
        return self.start_worth * float((running & ~before).sum())

    def money(self, blocks: Sequence[HandBlock]) -> float:
        """Return what blocks cost at the meter beyond idling, their starts and their settings [money]."""
        meter = sum(float(self.directions[b.direction].money[b.first : b.last, b.choice].sum()) for b in blocks)
        return meter + self.starts_money(blocks) + self.settings_money(blocks)


def _reached(night: Night, directions: tuple[Choices, Choices]) -> BoolArray:
    """Return where the car can be full, and where it can be empty, at all, shape (2, n + 1).

    Full after charging all along, empty after discharging all along; after a drive either is taken as possible.
    """
    charger, hours, n = night.charger, night.hours, night.intervals
    charge_kw, discharge_kw = (
        np.where(way.allowed, way.power, 0.0).max(axis=1, initial=0.0) if len(way.kw) else np.zeros(n)
        for way in directions
    )
    into = hours * charger.charge_efficiency * charge_kw
    out = hours * (discharge_kw / charger.discharge_efficiency + charger.fixed_loss_kw * (discharge_kw > 0))
    most, least = (night.stored_now_kwh + np.concatenate([[0.0], np.cumsum(each)]) for each in (into, -out))
    least_covers = charger.charge_efficiency * charger.charge_min_kw >= charger.fixed_loss_kw
    found = np.stack([most >= night.full_from_kwh - REACHED_KWH, least <= night.empty_until_kwh + REACHED_KWH])
    if night.trips:
        found[:, night.trips[0].depart :] = True
    return found if least_covers else np.ones_like(found)


def _home_until(night: Night) -> IntArray:
    """Return until which boundary the car stays at home from each, shape (n + 1,)."""
    found = np.arange(night.intervals + 1)
    for t in range(night.intervals - 1, -1, -1):
        if night.at_home[t]:
            found[t] = found[t + 1]
    return found


def _choices(night: Night, powers: Powers, direction: int, idle: FloatArray) -> Choices:
    """Return one direction's choices; `idle` is the money at the meter without them, shape (n,)."""
    charger, n = night.charger, night.intervals
    covers = direction == DISCHARGE and charger.discharge_to == "building"
    if direction == CHARGE:
        least, most, may = powers.least_charge_kw, powers.most_charge_kw, powers.can_charge
    elif not covers:
        least, most, may = powers.least_discharge_kw, powers.most_discharge_kw, powers.can_discharge
    else:
        least, most = charger.discharge_min_kw, np.full(n, charger.discharge_max_kw)
        if night.setting.set_by == "current":
            least, most = whole_currents(charger, least, most)
        may = night.at_home & bool(powers.can_discharge.any()) & (most >= least)
    kw = _kinks(night, direction, least, np.where(may, most, -1.0))
    allowed = may[:, None] & (kw <= most[:, None] + SAME_KW / 10)
    draw = np.maximum(0.0, night.load_kw - night.solar_kw)
    runs = draw >= charger.discharge_min_kw if covers else np.ones(n, dtype=np.bool_)
    power = np.where(runs[:, None], np.minimum(draw[:, None], kw) if covers else kw, 0.0)
    money, none = np.zeros_like(power), np.zeros(n)
    for choice in range(len(kw)):
        given = np.where(allowed[:, choice], power[:, choice], 0.0)
        both = (given, none) if direction == CHARGE else (none, given)
        money[:, choice] = _meter_money(night, *both) - idle + _waiting_worth(night) * given
    before = np.concatenate([[False], runs[:-1]])
    return Choices(kw, allowed, power, runs, money, np.where(runs & ~before, charger_start_worth(night), 0.0))


def _kinks(night: Night, direction: int, least_kw: float, most_kw: FloatArray) -> FloatArray:
    """Return the whole currents, or all powers at which money may have a kink [kW], shape (K,).

    Parameters
    ----------
    most_kw : negative where nothing may be set [kW], shape (n,).
    """
    may = most_kw >= least_kw
    if not may.any():
        return np.zeros(0)
    highest = float(most_kw.max())
    if night.setting.set_by == "current":
        amps = night.charger.amps(1.0)
        return np.asarray(np.arange(round(least_kw * amps), round(highest * amps) + 1) / amps, dtype=np.float64)
    net, limit = (night.load_kw - night.solar_kw)[may], night.export_limit_kw[may]
    draws = [np.zeros_like(net), -limit]
    if night.solar_can_be_limited:
        solar = night.solar_kw[may]
        cap = import_cap_kw(night.connection, night.load_kw, night.solar_kw)[may]
        draws += [-solar, cap - solar, -solar - limit]
    sign = 1.0 if direction == CHARGE else -1.0
    found = np.concatenate([[least_kw], most_kw[may], *(sign * (draw - net) for draw in draws)])
    found = np.sort(found[(found >= least_kw) & (found <= highest)])
    return np.asarray(found[np.concatenate([[True], np.diff(found) > SAME_KW])], dtype=np.float64)


def _waiting_worth(night: Night) -> FloatArray:
    """Return what charging or discharging late counts for [money per kW], shape (n,)."""
    return np.asarray(TIMING_WORTH * night.highest_price * night.hours * hours_waited(night), dtype=np.float64)


def _meter_money(night: Night, charge_kw: FloatArray, discharge_kw: FloatArray) -> FloatArray:
    """Return what each interval costs at the meter, its solar curtailed as is cheapest [money], shape (n,)."""
    shares = (np.sign(charge_kw), np.sign(discharge_kw))
    curtailed_kw = setpoints_from_powers(night, charge_kw, discharge_kw, *shares).curtailed_kw
    draw = night.load_kw - night.solar_kw + charge_kw - discharge_kw + curtailed_kw
    price = np.where(draw > 0, night.import_price, night.export_price)
    return np.asarray(night.hours * price * draw, dtype=np.float64)


def cheapest_blocks(
    choices: BlockChoices, prices: Prices, barred: Barred
) -> tuple[float, tuple[HandBlock, ...]] | None:
    """Return the least cost of blocks at prices [money], beyond idling, and those blocks; None if the part has none."""
    passed = _Pass(choices, prices, barred)
    cost = passed.back()
    return None if cost >= passed.far / 2 else (cost, passed.blocks())


class _Pass:
    """One pass through the night.

    `later[t][m, j]` is the least cost from boundary t on, where nothing was set before (m = 0), a block of charging or
    discharging has come to its end (1, 2), or the car stands full or empty since one ended by itself (3, 4), and j more
    blocks may begin. `inside[k][t][j, i]` is the same inside a block of
    direction k at choice i that has reached its least length.
    """

    def __init__(self, choices: BlockChoices, prices: Prices, barred: Barred) -> None:
        self.choices, self.far = choices, FAR * choices.unit
        n, most = choices.intervals, choices.most_blocks
        self.later = np.zeros((n + 1, MODES, most + 1))
        self.idle = np.where(barred.idle, self.far, 0.0)
        self.is_home = choices.home_until[:-1] > np.arange(n)
        self.inside: list[FloatArray] = []
        self.going_on: list[FloatArray] = []
        self.total: list[FloatArray] = []
        self.first: list[FloatArray] = []
        self.open: list[BoolArray] = []
        must = barred.else_than_standing
        self.elsewhere = np.where(must.any(axis=0), self.far, 0.0)
        self.stands = prices.standing + np.where(barred.standing | must[::-1], self.far, 0.0)
        self.by_hand = choices.end_money + self.elsewhere
        self.by_itself = np.where(choices.may_end_by_itself, self.stands, self.far)
        for number, direction in enumerate(choices.directions):
            cost = direction.money + prices.power[number][:, None] * direction.power
            cost += (prices.running[number] * direction.runs)[:, None]
            cost = np.where(direction.allowed & ~barred.choice[number], cost, self.far)
            again = direction.resumes + np.where(barred.going_on[number], self.far, 0.0) + self.elsewhere[:-1]
            going_on = cost + again[:, None]
            self.going_on.append(going_on)
            self.total.append(np.concatenate([np.zeros((1, len(direction.kw))), np.cumsum(going_on, axis=0)]))
            self.first.append(np.where(barred.begin[number], self.far, 0.0) + choices.begin_money - again)
            self.inside.append(np.zeros((n + 1, most + 1, len(direction.kw))))
            self.open.append(np.asarray(direction.allowed.any(axis=1), dtype=np.bool_))

    def back(self) -> float:
        """Fill the values from the last boundary to the first; return the least cost of the night [money]."""
        n, later = self.choices.intervals, self.later
        later[n, :3] = self.elsewhere[n]
        later[n, 3:] = self.stands[:, n, None]
        for t in range(n, -1, -1):
            if t < n:
                best = np.minimum(*self._idle(t))
                for number, is_open in enumerate(self.open):
                    if is_open[t]:
                        begun = self._begun(number, t).min(axis=1)
                        best[:, 1:] = np.minimum(best[:, 1:], begun + self._start(number, t)[:, None])
                later[t] = best
            for number, inside in enumerate(self.inside):
                if t < n and inside.shape[2]:
                    ends = later[t, number + 1]
                    inside[t] = np.minimum(ends[:, None], self.going_on[number][t] + inside[t + 1])
        return float(later[0, 0, -1])

    def blocks(self) -> tuple[HandBlock, ...]:
        """Return the blocks of the least cost."""
        n, later = self.choices.intervals, self.later
        found: list[HandBlock] = []
        t, mode, left = 0, 0, self.choices.most_blocks
        while t < n:
            idle, standing = self._idle(t)[:, mode, left]
            if later[t, mode, left] >= min(idle, standing):
                stood = mode if mode > 2 or standing >= idle else mode + 2
                if standing < idle and mode in (1, 2):
                    found[-1] = found[-1]._replace(by_itself=True)
                t, mode = t + 1, (stood if standing < idle and self.is_home[t] else 0)
                continue
            options = []
            for number, is_open in enumerate(self.open):
                if is_open[t]:
                    begun = self._begun(number, t)[left - 1] + self._start(number, t)[mode]
                    options.append((float(begun.min()), number, int(begun.argmin())))
            _, number, choice = min(options)
            first, left, t = t, left - 1, int(self.choices.reaches[t])
            inside = self.inside[number]
            mode = number + 1
            while t < n and inside[t][left, choice] < later[t, mode, left]:
                t += 1
            found.append(HandBlock(number, first, t, choice))
        return tuple(found)

    def _begun(self, number: int, t: int) -> FloatArray:
        """Return the cost of a block that begins with t and of all after it, by blocks left before and choice."""
        total, end = self.total[number], self.choices.reaches[t]
        return np.asarray(total[end] - total[t] + self.first[number][t] + self.inside[number][end][:-1])

    def _idle(self, t: int) -> FloatArray:
        """Return what setting nothing in t costs, and all after it, without and with standing full or empty at t.

        By the mode before and by blocks left, shape (2, MODES, most blocks + 1).
        """
        found = np.full((2, MODES, self.later.shape[2]), self.far)
        later = self.later[t + 1] + self.idle[t]
        found[0, 0] = later[0] + self.elsewhere[t]
        found[0, 1:3] = later[0] + self.by_hand[t]
        for number in (CHARGE, DISCHARGE):
            stays = later[number + 3] if self.is_home[t] else later[0]
            found[1, number + 1] = stays + self.by_itself[number, t]
            found[1, number + 3] = stays + self.stands[number, t]
        return found

    def _start(self, number: int, t: int) -> FloatArray:
        """Return what beginning with t counts for, by the mode before, shape (MODES,)."""
        runs = self.choices.directions[number].runs
        worth = np.full(MODES, self.choices.start_worth if runs[t] else 0.0)
        if t > 0 and runs[t - 1]:
            worth[number + 1] = 0.0
        worth[:3] += self.elsewhere[t]
        worth[3:] += self.stands[:, t]
        return worth
