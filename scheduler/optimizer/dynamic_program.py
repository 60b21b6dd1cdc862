"""The night without wear as a shortest path over stored energy and mode, exact on breakpoints.

Money is counted in kWh at the night's highest price here, so that nothing depends on the currency.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from models.base.arrays import FloatArray, IntArray
from scheduler.nights.night import Night
from scheduler.optimizer.dynamic_moves import CHARGE, DISCHARGE, Moves, caps_of, moves_of
from scheduler.optimizer.dynamic_values import (
    FAR,
    SAME_KWH,
    Cells,
    Rows,
    cut_at,
    distinct,
    edges_before,
    lines_before,
    lowest,
    thinned,
    within,
)

IDLE = 2
ROOM_KWH = 1e-6
"""By how much bounds on stored energy are widened, so that no set of states is a single point [kWh]."""


@dataclass(frozen=True, slots=True, eq=False)
class Weights:
    """What is minimised: money, and the three shortages, each with its weight; by trip, shape (trips,)."""

    money: float
    on_the_way: FloatArray
    missing: float = 0.0
    unready: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Prices:
    """Prices put on what couples the intervals: of stored energy, shape (n + 1,), and of energy given away."""

    stored: FloatArray
    given: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Limits:
    """Least and most stored energy at each boundary [kWh], shape (n + 1,), and what each interval may do, (3, n)."""

    least_kwh: FloatArray
    most_kwh: FloatArray
    open: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """One way through the night.

    Attributes
    ----------
    stored_kwh : at the boundaries [kWh], shape (n + 1,).
    mode : CHARGE, DISCHARGE or IDLE in each interval, shape (n,).
    cost : without wear and without prices.
    given_kwh : energy out of the charger, AC side [kWh].
    """

    stored_kwh: FloatArray
    mode: IntArray
    cost: float
    given_kwh: float


@dataclass(frozen=True, slots=True, eq=False)
class Ways:
    """Ways of an interval in one mode, and the energy given away by each (ways,) and per kWh of each piece."""

    rows: Rows
    given_kwh: FloatArray
    given_slope: FloatArray

    def priced(self, price: float) -> Rows:
        """The ways with a price on what is given away."""
        if price == 0 or not self.given_kwh.any():
            return self.rows
        rows = self.rows
        money, slope = rows.money + price * self.given_kwh, rows.slope + price * self.given_slope
        return Rows(rows.shift_kwh, money, rows.begin, rows.until, slope)


@dataclass(slots=True, eq=False)
class Values:
    """Least cost from every state to the end, by the mode of the interval before."""

    program: DynamicProgram
    prices: Prices
    limits: Limits
    at: list[tuple[Cells, Cells, Cells]] = field(default_factory=list)

    @property
    def bound(self) -> float:
        """Least cost from now."""
        now = np.array([self.program.night.stored_now_kwh])
        return float(self.at[0][IDLE].at(now)[0]) + self.program.constant

    def path(self) -> Path:
        """A cheapest way from now to the end."""
        return self.program.forward(self)


class DynamicProgram:
    """Everything but wear, for any prices of stored energy and of discharged energy."""

    def __init__(self, night: Night, may_discharge: bool, weights: Weights) -> None:
        self.night, self.weights = night, weights
        self.unit = night.highest_price or 1.0
        self.scale = weights.money / self.unit
        self.count = night.intervals
        moves, idle = moves_of(night, caps_of(night, may_discharge))
        self.constant = float(idle.sum()) * self.scale
        self.start_worth = night.charger.start_worth_kwh * night.highest_price * self.scale
        self.ways = [self._ways(each, idle[t]) for t, each in enumerate(moves)]
        self.ending = {trip.comeback - 1: number for number, trip in enumerate(night.trips) if trip.energy_kwh > 0}
        self.ceiling = night.ceiling_kwh
        self.hours, self.hours_around = night.hours, night.hours_around
        self.bends = [self._bends(boundary) for boundary in range(self.count + 1)]
        self.worth = [self._worth(boundary, knots) for boundary, knots in enumerate(self.bends)]

    def _ways(self, moves: Moves | None, idle: float) -> tuple[Ways | None, Ways | None]:
        """What an interval can do, charging and discharging, at its money beyond that of idling."""
        if moves is None:
            return (None, None)
        found: list[Ways | None] = []
        for mode in (CHARGE, DISCHARGE):
            here = moves.mode == mode
            if not here.any():
                found.append(None)
                continue
            start, width = moves.start_kwh[here], moves.width_kwh[here]
            shift = np.append(start, start[-1] + width[-1])
            slope = moves.slope[here] * self.scale
            money = (moves.base[here] - idle) * self.scale
            money = np.append(money, money[-1] + slope[-1] * width[-1])
            given_slope = moves.given_slope[here]
            given = np.append(moves.given_kwh[here], moves.given_kwh[here][-1] + given_slope[-1] * width[-1])
            pieces = np.arange(len(start))
            if width[-1] <= SAME_KWH:
                shift, money, given, pieces = shift[:1], money[:1], given[:1], pieces[:0]
            rows = Rows(shift, money, pieces, pieces + 1, slope[: len(pieces)])
            found.append(Ways(rows, given, given_slope[: len(pieces)]))
        return (found[0], found[1])

    def _bends(self, boundary: int) -> FloatArray:
        """Where the cost of standing at a boundary may bend, from empty to full [kWh]."""
        night, car = self.night, self.night.car
        knots = [0.0, car.battery_kwh]
        if boundary and night.at_home[boundary - 1]:
            knots += [car.floor_kwh, car.ceiling_kwh]
        if boundary == self.count:
            knots.append(car.ceiling_kwh)
        if self.weights.missing or self.weights.unready:
            knots += [trip.target_kwh for trip in night.trips if boundary in (trip.ready, trip.depart)]
        if night.calendar is not None:
            slope, intercept = night.calendar.lines()
            rising = np.flatnonzero(np.diff(slope) > 0)
            knots += ((intercept[rising] - intercept[rising + 1]) / (slope[rising + 1] - slope[rising])).tolist()
            knots += (-intercept[slope != 0] / slope[slope != 0]).tolist()
        return distinct(np.sort(np.clip(knots, 0.0, car.battery_kwh)))

    def _worth(self, boundary: int, knots: FloatArray) -> FloatArray:
        """Cost of standing at the bends of a boundary."""
        night, car = self.night, self.night.car
        money = np.zeros(len(knots))
        if boundary and night.at_home[boundary - 1]:
            outside = np.maximum(0.0, car.floor_kwh - knots) + np.maximum(0.0, knots - car.ceiling_kwh)
            money += self.hours[boundary - 1] * car.outside_window_factor * night.highest_price * outside
        if night.calendar is not None:
            money += night.wear_weight * self.hours_around[boundary] * night.calendar.cost(knots)
        if boundary == self.count:
            now = min(night.stored_now_kwh, car.ceiling_kwh)
            money += night.stored_energy_price * (now - np.minimum(knots, car.ceiling_kwh))
        money *= self.scale
        for trip in night.trips:
            short = np.maximum(0.0, trip.target_kwh - knots)
            if boundary == trip.depart:
                money += self.weights.missing * short
            if boundary == trip.ready < trip.depart:
                money += self.weights.unready * short
        return money

    def limits(self, nothing_short: bool) -> Limits:
        """Stored energies that can be reached, and with which no trip is short of anything if that is asked."""
        night, car, count = self.night, self.night.car, self.count
        least, most = np.zeros(count + 1), np.full(count + 1, car.battery_kwh)
        if nothing_short:
            for trip in night.trips:
                before = slice(trip.ready, trip.depart + 1)
                least[before] = np.maximum(least[before], trip.target_kwh)
                if trip.energy_kwh > 0:
                    away = slice(trip.depart, trip.comeback)
                    least[away] = np.maximum(least[away], trip.energy_kwh + car.return_reserve_kwh)
        least -= ROOM_KWH
        low = high = night.stored_now_kwh
        least[0], most[0] = max(least[0], low - ROOM_KWH), high + ROOM_KWH
        for t in range(count):
            downs, ups = [low], [high]
            for mode, way in zip((CHARGE, DISCHARGE), self.ways[t], strict=True):
                if way:
                    down, up = way.rows.shift_kwh[[0, -1]].tolist()
                    downs.append(low + down if mode == CHARGE else max(low + down, min(low, car.floor_kwh)))
                    ups.append(high + up if mode == DISCHARGE else min(high + up, max(high, float(self.ceiling[t + 1]))))
            low, high = min(downs), max(ups)
            if t in self.ending:
                energy = night.trips[self.ending[t]].energy_kwh
                low, high = max(low - energy, car.return_reserve_kwh), max(high - energy, car.return_reserve_kwh)
            low, high = max(low, 0.0), min(high, car.battery_kwh)
            least[t + 1], most[t + 1] = max(least[t + 1], low - ROOM_KWH), min(most[t + 1], high + ROOM_KWH)
        modes = np.ones((3, count), dtype=np.bool_)
        return Limits(np.maximum(least, 0.0), np.minimum(most, car.battery_kwh), modes)

    def backward(self, prices: Prices, limits: Limits, tolerance: float) -> Values | None:
        """Least cost from every state to the end, with the prices; None if nothing is within the limits.

        Parameters
        ----------
        tolerance : by how much the values of one boundary may be below the exact ones, a few times over.
        """
        if (limits.least_kwh >= limits.most_kwh).any():
            return None
        values = Values(self, prices, limits)
        ends = np.array([limits.least_kwh[-1], limits.most_kwh[-1]])
        at = [self._all(self._stand(Cells(ends, np.zeros(1), np.zeros(1)), self.count, prices))]
        for t in range(self.count - 1, -1, -1):
            before = self._before(t, at[-1], prices, limits, tolerance)
            if before is None:
                return None
            at.append(before)
        values.at = at[::-1]
        return values if values.at[0][IDLE].left.min() < FAR / 2 else None

    def _before(
        self, t: int, after: tuple[Cells, Cells, Cells], prices: Prices, limits: Limits, tolerance: float
    ) -> tuple[Cells, Cells, Cells] | None:
        least, most = float(limits.least_kwh[t]), float(limits.most_kwh[t])
        groups = self._groups(t, after, prices.given, limits)
        if len(groups) == 1 and limits.open[IDLE, t]:
            one = self._driven(t, after[IDLE]) if t in self.ending else after[IDLE]
            inside = within(one, least, most)
            return None if inside is None else self._all(self._stand(inside, t, prices))
        parts = [edges_before(cells, rows) for _, cells, rows in groups]
        joined = np.sort(np.concatenate([*parts, self.bends[t], [least, most]]))
        edges = distinct(joined[(joined >= least) & (joined <= most)])
        if len(edges) < 2:
            edges = np.array([least, most])
        lines = [lines_before(cells, rows, edges) for _, cells, rows in groups]
        left, right = (np.concatenate([line[side] for line in lines]) for side in (0, 1))
        kind = np.repeat([group[0] for group in groups], [len(line[0]) for line in lines])
        low, high = np.minimum(left, FAR), np.minimum(right, FAR)
        if self.start_worth == 0:
            return self._all(self._stand(thinned(lowest(edges, low, high, tolerance), tolerance), t, prices))
        found = []
        for mode in (CHARGE, DISCHARGE, IDLE):
            extra = np.where((kind == mode) | (kind == IDLE), 0.0, self.start_worth)[:, None]
            best = lowest(edges, low + extra, high + extra, tolerance)
            found.append(self._stand(thinned(best, tolerance), t, prices))
        return (found[0], found[1], found[2])

    def _groups(
        self, t: int, after: tuple[Cells, Cells, Cells], given_price: float, limits: Limits
    ) -> list[tuple[int, Cells, Rows]]:
        """What an interval can do: the mode, the value of where it leads, and the ways there."""
        groups: list[tuple[int, Cells, Rows]] = []
        if limits.open[IDLE, t]:
            groups.append((IDLE, after[IDLE], STAY))
        for mode, ways in zip((CHARGE, DISCHARGE), self.ways[t], strict=True):
            if ways is None or not limits.open[mode, t]:
                continue
            least = self.night.car.floor_kwh if mode == DISCHARGE else 0.0
            most = float(self.ceiling[t + 1]) if mode == CHARGE else self.night.car.battery_kwh
            there = within(after[mode], least - SAME_KWH, most + SAME_KWH)
            if there is not None:
                groups.append((mode, there, ways.priced(given_price)))
        return groups

    @staticmethod
    def _all(cells: Cells) -> tuple[Cells, Cells, Cells]:
        return (cells, cells, cells)

    def _stand(self, cells: Cells, boundary: int, prices: Prices) -> Cells:
        """The value with what standing at the boundary costs."""
        cells = cut_at(cells, self.bends[boundary])
        money = np.interp(cells.edges, self.bends[boundary], self.worth[boundary])
        money += prices.stored[boundary] * cells.edges
        return Cells(cells.edges, cells.left + money[:-1], cells.right + money[1:])

    def _drive_cost(self, t: int, stored_kwh: FloatArray) -> FloatArray:
        """Cost of what a trip that ends in the interval charges on the way."""
        number = self.ending[t]
        trip, car = self.night.trips[number], self.night.car
        charged = np.maximum(0.0, trip.energy_kwh + car.return_reserve_kwh - stored_kwh)
        through = np.minimum(charged, trip.energy_kwh) * float(self.night.wear.price_per_kwh[0])
        money = self.scale * (car.on_the_way_price_per_kwh * charged + self.night.wear_weight * through)
        return np.asarray(money + self.weights.on_the_way[number] * charged)

    def _driven(self, t: int, after: Cells) -> Cells:
        """The value before the interval in which a trip ends."""
        trip, reserve = self.night.trips[self.ending[t]], self.night.car.return_reserve_kwh
        wanted = trip.energy_kwh + reserve
        above = within(after, reserve, self.night.car.battery_kwh)
        points = distinct(np.clip([0.0, reserve, wanted], 0.0, self.night.car.battery_kwh))
        money = self._drive_cost(t, points) + float(after.at(np.array([reserve]))[0])
        low = Cells(points, money[:-1], money[1:])
        if above is None or above.edges[-1] + trip.energy_kwh <= points[-1] + SAME_KWH:
            return low
        return Cells(
            np.concatenate([points[:-1], above.edges + trip.energy_kwh]),
            np.concatenate([low.left, above.left]),
            np.concatenate([low.right, above.right]),
        )

    def forward(self, values: Values) -> Path:
        """A cheapest way from now to the end."""
        stored = np.empty(self.count + 1)
        stored[0] = self.night.stored_now_kwh
        modes = np.full(self.count, IDLE)
        cost, given, before = self.constant, 0.0, IDLE
        cost += float(np.interp(stored[0], self.bends[0], self.worth[0]))
        for t in range(self.count):
            here = float(stored[t])
            if t in self.ending:
                trip = self.night.trips[self.ending[t]]
                stored[t + 1] = max(here - trip.energy_kwh, self.night.car.return_reserve_kwh)
                cost += float(self._drive_cost(t, np.array([here]))[0])
                before = IDLE
            else:
                best = (np.inf, IDLE, 0.0)
                for mode, cells, rows in self._groups(t, values.at[t + 1], values.prices.given, values.limits):
                    extra = 0.0 if mode in (IDLE, before) else self.start_worth
                    value, shift = _best_way(cells, rows, here)
                    if value + extra < best[0]:
                        best = (value + extra, mode, shift)
                _, mode, shift = best
                stored[t + 1] = here + shift
                modes[t] = mode
                if mode != IDLE:
                    ways = self.ways[t][mode]
                    assert ways is not None
                    cost += float(np.interp(shift, ways.rows.shift_kwh, ways.rows.money))
                    given += float(np.interp(shift, ways.rows.shift_kwh, ways.given_kwh))
                    cost += 0.0 if mode == before else self.start_worth
                before = mode
            cost += float(np.interp(stored[t + 1], self.bends[t + 1], self.worth[t + 1]))
        return Path(stored, modes, cost, given)


STAY = Rows(np.zeros(1), np.zeros(1), np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))
"""The way of an idle interval."""


def _best_way(after: Cells, rows: Rows, here: float) -> tuple[float, float]:
    """The least value of all ways from a stored energy, and its change of stored energy."""
    ends = here + rows.shift_kwh
    reach = (ends >= after.edges[0] - SAME_KWH) & (ends <= after.edges[-1] + SAME_KWH)
    value = np.where(reach, after.at(ends) + rows.money, FAR)
    found = int(value.argmin())
    best = (float(value[found]), float(rows.shift_kwh[found]))
    if len(rows.begin):
        nodes = after.nodes()
        for begin, until, slope in zip(rows.begin.tolist(), rows.until.tolist(), rows.slope.tolist(), strict=True):
            first, last = np.searchsorted(after.edges, ends[[begin, until]]).tolist()
            if first < last:
                inside = nodes[first:last] + slope * (after.edges[first:last] - ends[begin]) + rows.money[begin]
                at = int(inside.argmin())
                if inside[at] < best[0]:
                    best = (float(inside[at]), float(after.edges[first + at]) - here)
    return best
