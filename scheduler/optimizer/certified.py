"""A free schedule with its certificate: the cheapest plan found, and a bound that no plan can undercut."""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field, replace
from itertools import count

import numpy as np

from models.base.arrays import FloatArray
from scheduler.nights.night import Night
from scheduler.optimizer.compact import compact_matrix
from scheduler.optimizer.dynamic_program import DynamicProgram, Limits, Path, Prices, Weights
from scheduler.optimizer.lagrangian import Master, Wear
from scheduler.optimizer.mode_program import ModeProgram

GAP_KWH = 0.003
"""The plan is within the worth of this much energy at the highest price [kWh]."""
LOST_KWH = 3e-4
"""Most that thinning the values may take from the bound, over all boundaries, if each errs by its most [kWh]."""
CLOSED_KWH = 3e-4
"""A bound this close to the mixture of paths will not rise much [kWh]."""
EFFORT = 6000
"""Intervals of the dynamic program that may be gone through before a plan is given with the gap it has."""


@dataclass(order=True)
class Node:
    """Part of all plans: bounds on stored energy, and the best prices known for them."""

    bound: float
    number: int
    limits: Limits = field(compare=False)
    prices: Prices = field(compare=False)
    paths: list[Path] = field(compare=False)


@dataclass(slots=True)
class Search:
    """Branch and bound over stored energy."""

    night: Night
    program: DynamicProgram
    wear: Wear
    modes: ModeProgram
    best_cost: float = np.inf
    best_values: FloatArray | None = None
    effort: int = 0
    passes: int = 0
    nodes: int = 0
    tried: dict[bytes, float] = field(default_factory=dict)

    def certify(self, limits: Limits, prices: Prices) -> float:
        """Search until the gap is closed or the effort spent; gives the bound."""
        numbers = count()
        queue = [Node(-np.inf, next(numbers), limits, prices, [])]
        done = np.inf
        while queue:
            node = heapq.heappop(queue)
            if node.bound >= self.best_cost - GAP_KWH or self.spent:
                done = min(done, node.bound)
                continue
            self.nodes += 1
            bound, prices, paths, shares = self.close(node)
            if bound >= self.best_cost - GAP_KWH or shares is None or self.spent:
                done = min(done, bound)
                continue
            for part in self.branch(node.limits, paths, shares):
                inside = [path for path in paths if _keeps(path, part)]
                heapq.heappush(queue, Node(bound, next(numbers), part, prices, inside))
        return min(done, self.best_cost)

    @property
    def spent(self) -> bool:
        """Whether the effort is used up."""
        return self.effort >= EFFORT

    def close(self, node: Node) -> tuple[float, Prices, list[Path], FloatArray | None]:
        """Raise the bound of a part of all plans; the best prices, paths, and their shares in the best mixture."""
        limit = self.night.car.discharge_limit_kwh
        master = Master(self.wear, limit)
        for path in node.paths:
            master.add(path)
        tolerance = LOST_KWH / (4 * self.program.count)
        bound, best, trial = node.bound, node.prices, node.prices
        fresh = True
        while True:
            values = self.program.backward(trial, node.limits, tolerance)
            self.effort += int(self.night.at_home.sum())
            self.passes += 1
            if values is None:
                return np.inf, best, [], None
            here = values.bound + self.wear.constant(trial.stored) - (trial.given * limit if limit else 0.0)
            if here > bound or fresh:
                bound, best, fresh = max(here, bound), trial, False
            path = values.path()
            master.add(path)
            primal = self.try_modes(path)
            if bound >= self.best_cost - GAP_KWH or self.spent:
                return bound, best, master.paths, None
            if primal is not None and _keeps(primal, node.limits):
                master.add(primal)
            mixture, stored, given = master.solve()
            if mixture - bound <= CLOSED_KWH:
                return bound, best, master.paths, master.shares()
            trial = Prices((best.stored + stored) / 2, (best.given + given) / 2)

    def try_modes(self, path: Path) -> Path | None:
        """The cheapest plan at a path's modes; None if they are known or allow nothing."""
        modes = self.modes.modes_of(path)
        key = modes.tobytes()
        if key in self.tried:
            return None
        self.modes.fix(modes)
        if not self.modes.run():
            self.tried[key] = np.inf
            return None
        cost = self.modes.value() / self.program.unit
        self.tried[key] = cost
        if cost < self.best_cost:
            self.best_cost, self.best_values = cost, self.modes.values
        return self.modes.path(self.program.unit)

    def branch(self, limits: Limits, paths: list[Path], shares: FloatArray) -> list[Limits]:
        """Two parts: under and over the mean stored energy at the boundary where the mixture's paths differ most."""
        used = shares > 1e-9
        stored = np.stack([path.stored_kwh for path, use in zip(paths, used, strict=True) if use])
        share = shares[used] / shares[used].sum()
        mean = share @ stored
        spread = share @ np.abs(stored - mean)
        boundary = int(spread.argmax())
        if spread[boundary] < 1e-6:
            return []
        most, least = limits.most_kwh.copy(), limits.least_kwh.copy()
        most[boundary] = least[boundary] = mean[boundary]
        return [replace(limits, most_kwh=most), replace(limits, least_kwh=least)]


def _keeps(path: Path, limits: Limits) -> bool:
    """Whether a path is within limits."""
    inside = (path.stored_kwh >= limits.least_kwh - 1e-6) & (path.stored_kwh <= limits.most_kwh + 1e-6)
    return bool(inside.all())


def covers(night: Night) -> bool:
    """Whether the dynamic program holds everything of the night."""
    return not (night.setting.by_hand or night.prices_depend_on_amounts or night.stored_energy_price < 0)


def search_of(night: Night, may_discharge: bool = True) -> tuple[Search, float] | None:
    """The search and its bound, None if not covered or a trip must be short of something."""
    if not covers(night):
        return None
    limit = night.car.discharge_limit_kwh
    program = DynamicProgram(night, may_discharge and limit != 0, Weights(1.0, np.zeros(len(night.trips))))
    limits = program.limits(nothing_short=True)
    if (limits.least_kwh >= limits.most_kwh).any():
        return None
    modes = ModeProgram(night, compact_matrix(night, may_discharge))
    modes.nothing_short()
    if not modes.run():
        return None
    search = Search(night, program, Wear(night, program.unit), modes)
    bound = search.certify(limits, modes.prices(program.unit))
    return search, bound
