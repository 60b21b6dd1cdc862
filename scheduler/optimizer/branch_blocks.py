"""Plans set by hand by branch and price: the cheapest found, and a bound that no plan can undercut.

The cheapest mixture of plans (block_mixture) costs no more than the cheapest plan. Its duals are prices at which blocks
are sought that would make it cheaper (cheapest_blocks); what those lack at these prices bounds every mixture, and so
every plan. Where the plans of the mixture differ, all plans are parted in two, each with its own mixture. The blocks of
a mixture's plans, at the best powers, are plans themselves. README.md beside this file says more.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, product
from typing import NamedTuple

import numpy as np

from models.base.arrays import BoolArray, FloatArray, runs
from scheduler.nights.night import Night
from scheduler.optimizer.block_mixture import BlockPowers, Mixture, PlanMoney
from scheduler.optimizer.cheapest_blocks import (
    CHARGE,
    DISCHARGE,
    FAR,
    SAME_KW,
    Barred,
    BlockChoices,
    HandBlock,
    Prices,
    cheapest_blocks,
)
from scheduler.optimizer.lexicographic import GAP_WORTH_KWH

EFFORT = 10000
"""Intervals that passes for the cheapest blocks may go through before a plan is given with the gap it has."""
MOST_PASSES = 100
"""Passes, at most, whatever the number of intervals."""
CLOSED_SHARE = 1 / 3
"""A part's mixture is good enough within this share of the gap."""
WHOLE = 1e-5
"""A share this close to 0 or 1 is 0 or 1."""
SHORT_KWH = 1e-5
"""A plan with no more shortage than this over the least is as well served [kWh]."""
REACH = 4
"""How far an edge of a block is moved at once to make a plan cheaper [intervals]."""
TRIED_MOVES = 5
"""Of so many moves that may gain most, the money is found."""
MOVES = 60
"""Of so many moves in total."""
TRIED_POWERS = 8
"""How often the powers of blocks with given edges are parted."""
TRIED_PARTS = 3
"""Of so many plans of a mixture, those with the largest shares, blocks are tried as a plan."""


class Rule(NamedTuple):
    """What a part demands at one interval and direction.

    Kinds: "set" and "not set", "begins" and "does not begin" there, "at most" and "at least" a choice of power, and
    "stands" and "does not stand" full or empty at the boundary before it since a block ended by itself.
    """

    kind: str
    direction: int
    interval: int
    choice: int = 0


class Part(NamedTuple):
    """Part of all plans: a bound of its money, the number it was made as, and its rules."""

    bound: float
    number: int
    rules: tuple[Rule, ...]


Edges = tuple[tuple[int, int, int, bool], ...]
"""Direction, first interval and end of each block, in time order, and whether it ends by itself."""


class FoundPlan(NamedTuple):
    """A plan: its money, its blocks with the power of each [kW], and the choices between which those powers are."""

    money: float
    blocks: tuple[tuple[HandBlock, float], ...]
    narrow: tuple[BlockPowers, ...]


@dataclass(slots=True)
class BlockSearch:
    """Search for the cheapest plan set by hand whose prices do not depend on amounts.

    Attributes
    ----------
    night : its money of ordinary size, its highest price over 0.
    choices : what may be set.
    least_short : the least of each kind of shortage, which plans must have [kWh].
    most_money : what a plan must be cheaper than.
    effort : intervals that passes may go through.
    most_passes : passes, at most.
    any_plan : whether the first plan cheaper than that will do.
    best : the cheapest plan found.
    """

    night: Night
    choices: BlockChoices
    least_short: Sequence[float] = (0.0, 0.0, 0.0)
    most_money: float = np.inf
    effort: int = EFFORT
    any_plan: bool = False
    most_passes: int = MOST_PASSES
    best: FoundPlan | None = None
    passed: int = 0
    moves: int = MOVES
    mixture: Mixture = field(init=False)
    plan_money: PlanMoney = field(init=False)
    tried: set[Edges] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.mixture = Mixture(self.night, self.choices, self.least_short)
        self.plan_money = PlanMoney(self.night, self.choices, self.least_short)
        self.mixture.add(())
        self.effort = min(self.effort, self.most_passes * self.night.intervals)

    @property
    def goal(self) -> float:
        """Return what a part must be able to cost less than to be looked into [money]."""
        return self.most_money - (0.0 if self.any_plan else self.gap - self.choices.most_timing_money)

    @property
    def gap(self) -> float:
        """Return the gap to be closed [money]."""
        return GAP_WORTH_KWH * self.choices.unit

    def run(self) -> float:
        """Search until the gap is closed or the effort spent.

        Returns
        -------
        What no plan costs less than [money], the worth of its timing included; at most `most_money`.
        """
        parts = [Part(-np.inf, 0, ())]
        closed, made = self.most_money, 0
        while parts:
            part = heapq.heappop(parts)
            if part.bound >= self.goal or self.passed >= self.effort:
                closed = min(closed, part.bound)
                if self.passed >= self.effort:
                    break
                continue
            bound, mixed = self._bounded(part)
            before = self.most_money
            for _, blocks in mixed[:TRIED_PARTS]:
                self._try(_edges(blocks))
            if self.any_plan and self.best is not None:
                return bound
            if self.most_money < before:
                self.improve()
            rules = self._split(mixed) if bound < self.goal else ()
            if not rules:
                closed = min(closed, bound)
                continue
            for rule in rules:
                made += 1
                heapq.heappush(parts, Part(bound, made, (*part.rules, rule)))
        return min([closed, self.most_money, *(part.bound for part in parts)])

    def _bounded(self, part: Part) -> tuple[float, list[tuple[float, tuple[HandBlock, ...]]]]:
        """Return a bound of a part and the plans in its cheapest mixture, with shares; none if it need not be split."""
        barred = barred_by(self.choices, part.rules)
        bound = part.bound
        self.mixture.keep([barred.allows(plan, self.choices.standing(plan) > 0) for plan in self.mixture.plans])
        while True:
            money, prices, share_price = self.mixture.solve()
            self.passed += self.choices.intervals
            found = cheapest_blocks(self.choices, prices, barred)
            if found is None:
                return np.inf, []
            cost, blocks = found
            bound = max(bound, money + min(0.0, cost - share_price))
            if bound >= self.goal:
                return bound, []
            near = money - bound <= CLOSED_SHARE * self.gap
            if near or self.passed >= self.effort or not self.mixture.add(blocks):
                return bound, self.mixture.parts()

    def improve(self) -> None:
        """Move edges of the best plan's blocks as long as that makes it cheaper."""
        better = True
        while better and self.best is not None and self.moves > 0:
            blocks = self.best.narrow
            self.plan_money.least(blocks)
            estimate = _Estimate(self.choices, *self.plan_money.prices())
            costs = sorted((estimate.of(edges), edges) for edges in _neighbours(self.choices, _edges(blocks)))
            good = [edges for cost, edges in costs if cost < self.most_money and edges not in self.tried][:TRIED_MOVES]
            self.moves -= len(good)
            better = any(self._try(edges) for edges in good)

    def _try(self, edges: Edges) -> bool:
        """Find the best powers of blocks with these edges; return whether they are the cheapest plan so far."""
        if edges in self.tried:
            return False
        self.tried.add(edges)
        before = self.most_money
        self._at_edges(edges)
        return self.most_money < before

    def _at_edges(self, edges: Edges) -> None:
        """Search the best powers of blocks with these edges: first mixtures of powers, then one power each near their
        means, and where those cost more, with the powers of one block parted at its mean."""
        waiting = [tuple(BlockPowers(*edge, self.choices.directions[edge[0]].common(*edge[1:3])) for edge in edges)]
        for _ in range(TRIED_POWERS):
            if not waiting:
                break
            blocks = waiting.pop()
            found = self.plan_money.least(blocks)
            if found is None or found[0] >= self.most_money:
                continue
            money, shares = found
            means = [self._mean(block, share) for block, share in zip(blocks, shares, strict=True)]
            settled = self._settled(tuple(self._near(*each) for each in zip(blocks, means, strict=True)))
            if settled > money + CLOSED_SHARE * self.gap:
                waiting += self._parted(blocks, shares, means)

    def _settled(self, blocks: tuple[BlockPowers, ...]) -> float:
        """Return the least money of blocks at one choice, or between two neighbours; keep it if it is the least."""
        found = self.plan_money.least(blocks)
        if found is None or self.plan_money.battery.excess_kwh > SHORT_KWH:
            return np.inf
        money, shares = found
        if money < self.most_money:
            self.most_money = money
            plan = []
            for block, share in zip(blocks, shares, strict=True):
                choice = int(block.choices[share.argmax()])
                found_block = HandBlock(block.direction, block.first, block.last, choice, block.by_itself)
                plan.append((found_block, self._mean(block, share)))
            self.best = FoundPlan(money, tuple(plan), blocks)
        return money

    def _mean(self, block: BlockPowers, shares: FloatArray) -> float:
        """Return the mean power of shares of a block's choices [kW]."""
        return float(shares @ self.choices.directions[block.direction].kw[block.choices])

    def _near(self, block: BlockPowers, mean_kw: float) -> BlockPowers:
        """Return the block at the two choices around a power, or at the nearest whole current."""
        kw = self.choices.directions[block.direction].kw[block.choices]
        if self.night.setting.set_by == "current":
            nearest = int(np.argmin(np.abs(kw - mean_kw)))
            return block._replace(choices=block.choices[nearest : nearest + 1])
        under = max(0, int(np.searchsorted(kw, mean_kw + SAME_KW, side="right")) - 1)
        return block._replace(choices=block.choices[under : under + 2])

    def _parted(
        self, blocks: tuple[BlockPowers, ...], shares: Sequence[FloatArray], means: Sequence[float]
    ) -> list[tuple[BlockPowers, ...]]:
        """Return the blocks twice, the powers of the one that mixes most parted at its mean; the nearer half last."""
        by_amps = self.night.setting.set_by == "current"
        widest, found = 0.0, []
        for number, (block, share, mean) in enumerate(zip(blocks, shares, means, strict=True)):
            kw = self.choices.directions[block.direction].kw[block.choices]
            spread = float(share @ np.abs(kw - mean))
            if len(kw) < (2 if by_amps else 3) or spread <= max(widest, SAME_KW):
                continue
            under = int(np.searchsorted(kw, mean, side="right")) - 1
            at = min(max(under, 0), len(kw) - 2) if by_amps else min(max(under, 1), len(kw) - 2)
            low, high = block.choices[: at + 1], block.choices[at + by_amps :]
            halves = (low, high) if share[at + 1 :].sum() > share[: at + 1].sum() else (high, low)
            widest = spread
            found = [(*blocks[:number], block._replace(choices=half), *blocks[number + 1 :]) for half in halves]
        return found

    def _split(self, mixed: list[tuple[float, tuple[HandBlock, ...]]]) -> tuple[Rule, ...]:
        """Return two rules of which every plan keeps one, where the plans of a mixture differ; none if they do not."""
        n = self.choices.intervals
        is_set, begins, stands = np.zeros((2, n)), np.zeros((2, n)), np.zeros((2, n + 1))
        for share, blocks in mixed:
            stands += share * self.choices.standing(blocks)
            for direction, first, last, *_ in blocks:
                is_set[direction, first:last] += share
                begins[direction, first] += share
        for amounts, kinds in (
            (stands, ("stands", "does not stand")),
            (is_set, ("set", "not set")),
            (begins, ("begins", "does not begin")),
        ):
            unsure = np.minimum(amounts, 1 - amounts)
            if unsure.max() > WHOLE:
                direction = int(unsure.max(axis=1).argmax())
                at = _middle(unsure[direction] >= unsure.max() - WHOLE)
                return Rule(kinds[0], direction, at), Rule(kinds[1], direction, at)
        return self._split_powers(mixed)

    def _split_powers(self, mixed: list[tuple[float, tuple[HandBlock, ...]]]) -> tuple[Rule, ...]:
        """Return two rules on the power of the block whose powers differ most in plans of the same blocks.

        Plans at two neighbouring powers mix to one at a power between them, unless powers are whole currents.
        """
        shares = np.array([share for share, _ in mixed])
        widest = 0.0
        found: tuple[Rule, ...] = ()
        by_amps = self.night.setting.set_by == "current"
        for number, (direction, first, _, _, _) in enumerate(mixed[0][1] if mixed else ()):
            kw = self.choices.directions[direction].kw
            used = np.array([blocks[number].choice for _, blocks in mixed])
            low, high = int(used.min()), int(used.max())
            mean = float(shares @ kw[used]) / float(shares.sum())
            spread = float(shares @ np.abs(kw[used] - mean))
            if high - low < (1 if by_amps else 2) or spread <= widest:
                continue
            under = int(np.searchsorted(kw, mean, side="right")) - 1
            at = min(max(under, low), high - 1) if by_amps else min(max(under, low + 1), high - 1)
            widest = spread
            found = (Rule("at most", direction, first, at), Rule("at least", direction, first, at + by_amps))
        return found


def barred_by(choices: BlockChoices, rules: Sequence[Rule]) -> Barred:
    """Return what a part with these rules leaves out."""
    barred = choices.nothing_barred()
    for kind, direction, interval, choice in rules:
        if kind in ("set", "begins"):
            barred.idle[interval] = True
            barred.choice[CHARGE + DISCHARGE - direction][interval] = True
        if kind == "begins":
            barred.going_on[direction, interval] = True
        elif kind == "stands":
            barred.else_than_standing[direction, interval] = True
        elif kind == "does not stand":
            barred.standing[direction, interval] = True
        elif kind == "does not begin":
            barred.begin[direction, interval] = True
        elif kind == "not set":
            barred.choice[direction][interval] = True
        elif kind == "at most":
            barred.choice[direction][interval, choice + 1 :] = True
        elif kind == "at least":
            barred.choice[direction][interval, :choice] = True
    return barred


def _edges(blocks: Sequence[HandBlock] | Sequence[BlockPowers]) -> Edges:
    return tuple((block.direction, block.first, block.last, block.by_itself) for block in blocks)


def _neighbours(choices: BlockChoices, edges: Edges) -> Iterator[Edges]:
    """Yield blocks one of which has other edges or another end, is missing or cut in two, or two of which meet
    elsewhere."""
    for moved in _moved(choices, edges):
        if _are_allowed(choices, moved):
            yield moved


def _moved(choices: BlockChoices, edges: Edges) -> Iterator[Edges]:
    """Yield the same, whether it is allowed or not."""
    reach = range(-REACH, REACH + 1)
    for number, (direction, first, last, by_itself) in enumerate(edges):
        yield (*edges[:number], *edges[number + 1 :])
        kinds = (by_itself, not by_itself) if choices.may_end_by_itself.any() else (by_itself,)
        for begin, end, kind in product(reach, reach, kinds):
            yield (*edges[:number], (direction, first + begin, last + end, kind), *edges[number + 1 :])
    if len(edges) < choices.most_blocks:
        for number, (direction, first, last, by_itself) in enumerate(edges):
            for meet in range(first + 1, last):
                parts = (direction, first, meet, False), (direction, meet, last, by_itself)
                yield (*edges[:number], *parts, *edges[number + 1 :])
    for number, ((one, first, meet, _), (other, begin, last, by_itself)) in enumerate(pairwise(edges)):
        for by in reach if meet == begin else ():
            parts = (one, first, meet + by, False), (other, meet + by, last, by_itself)
            yield (*edges[:number], *parts, *edges[number + 2 :])


def _are_allowed(choices: BlockChoices, edges: Edges) -> bool:
    """Return whether blocks are long enough, do not overlap, and begin and end where they may."""
    most = choices.intervals
    long_enough = all(0 <= first < last <= most and choices.reaches[first] <= last for _, first, last, _ in edges)
    if not long_enough or not all(earlier[2] <= later[1] for earlier, later in pairwise(edges)):
        return False
    followed = {first for _, first, _, _ in edges}
    if any(
        by_itself and (last in followed or not choices.may_end_by_itself[way, last])
        for way, _, last, by_itself in edges
    ):
        return False
    blocks = [HandBlock(direction, first, last, 0, by_itself) for direction, first, last, by_itself in edges]
    return choices.settings_money(blocks) < FAR * choices.unit


class _Estimate:
    """What blocks with given edges cost at least, at prices of power and running."""

    def __init__(self, choices: BlockChoices, other_money: float, prices: Prices) -> None:
        self.choices, self.other_money = choices, other_money
        self.total: list[FloatArray] = []
        self.standing = prices.standing
        for way, power, running in zip(choices.directions, prices.power, prices.running, strict=True):
            cost = way.money + power[:, None] * way.power + (running * way.runs)[:, None]
            cost = np.where(way.allowed, cost, FAR * choices.unit)
            self.total.append(np.concatenate([np.zeros((1, len(way.kw))), np.cumsum(cost, axis=0)]))

    def of(self, edges: Edges) -> float:
        """Return the least money of blocks with these edges."""
        blocks = [HandBlock(way, first, last, 0, by_itself) for way, first, last, by_itself in edges]
        costs = [float((self.total[way][last] - self.total[way][first]).min()) for way, first, last, _ in edges]
        costs.append(float((self.standing * self.choices.standing(blocks)).sum()))
        least = self.choices.starts_money(blocks) + self.choices.settings_money(blocks)
        return self.other_money + sum(costs) + least


def _middle(chosen: BoolArray) -> int:
    """Return the middle of the longest run of chosen intervals."""
    return max(((last - first, (first + last) // 2) for first, last in runs(chosen)), key=lambda run: run[0])[1]
