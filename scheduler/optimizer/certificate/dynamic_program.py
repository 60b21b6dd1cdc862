"""The night without wear as a shortest path over stored energy and mode, exact on breakpoints.

Money is counted in kWh at the night's highest price here, so that nothing depends on the currency. Several problems,
which differ in prices and in bounds on stored energy, are gone through at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.base.arrays import FloatArray, IntArray
from models.wear.calendar_ageing import CalendarPrice
from scheduler.nights.night import Night
from scheduler.optimizer.certificate.dynamic_moves import CHARGE, DISCHARGE, Moves, caps_of, moves_of
from scheduler.optimizer.certificate.dynamic_problem import Limits, Path, Prices, Weights
from scheduler.optimizer.certificate.dynamic_values import (
    FAR,
    SAME_KWH,
    Cells,
    Dear,
    Layer,
    Ways,
    least_between,
    lines_before,
    lowest,
)

IDLE = 2
MODES = (CHARGE, DISCHARGE, IDLE)
MOST_CELLS = 100_000
"""Most cells that the values of one stop may have, so that time and memory are bounded."""
ROOM_KWH = 1e-6
"""By how much bounds on stored energy are widened, so that no set of states is a single point [kWh]."""


class TooManyCellsError(Exception):
    """A pass has more cells than it may."""


@dataclass(frozen=True, slots=True, eq=False)
class Stop:
    """A boundary after which something can happen, with those right after it at which nothing could.

    Attributes
    ----------
    first, last : boundaries; stored energy is the same at all of them.
    bends, worth : what standing at all of them costs: stored energy, from empty to full [kWh], and cost there.
    """

    first: int
    last: int
    bends: FloatArray
    worth: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """What standing at a stop costs each of several problems.

    Attributes
    ----------
    price : of stored energy, shape (problems,).
    pull, towards : price of every kWh away from a stored energy, shape (problems,); no pull: None.
    """

    stop: Stop
    price: FloatArray
    pull: FloatArray | None
    towards: FloatArray

    def bends_on(self, lanes: FloatArray) -> FloatArray:
        """Return where the cost may bend, on the line, in lanes that begin at these places, shape (problems,)."""
        bends = self.stop.bends if len(lanes) == 1 else (self.stop.bends + lanes[:, None]).ravel()
        if self.pull is None:
            return bends
        pulled = self.pull > 0
        return np.concatenate([bends, (self.towards + lanes)[pulled]])

    def cost(self, stored_kwh: FloatArray, number: IntArray | None) -> FloatArray:
        """Return the cost at stored energies of problems with a number, or of the only one; shape of both."""
        price = self.price if number is None else self.price[number]
        cost = np.interp(stored_kwh, self.stop.bends, self.stop.worth)
        cost += price * stored_kwh
        if self.pull is not None:
            pull, towards = (self.pull, self.towards) if number is None else (self.pull[number], self.towards[number])
            cost += pull * np.abs(stored_kwh - towards)
        return np.asarray(cost)


@dataclass(frozen=True, slots=True, eq=False)
class Values:
    """Least cost from every state to the end, of several problems.

    Attributes
    ----------
    layers : by stop, in time order.
    bound : least cost from now of each problem, FAR where nothing is within the limits, shape (problems,).
    prices : of each problem.
    """

    layers: list[Layer]
    bound: FloatArray
    prices: Sequence[Prices]


_MODES, _ONE_LANE, _TRUE = np.array(MODES, dtype=np.float64), np.zeros(1), np.ones(1, dtype=np.bool_)


class DynamicProgram:
    """Everything but wear, for any prices of stored energy and of discharged energy."""

    def __init__(self, night: Night, may_discharge: bool, weights: Weights, like: DynamicProgram | None = None) -> None:
        """Make the program ready; `like` is one of the same night and freedom with other weights, to save time."""
        self.night, self.weights = night, weights
        self.highest_price = night.highest_price
        self.unit = self.highest_price or 1.0
        self.scale = weights.money / self.unit
        self.count = night.intervals
        self.battery_kwh = night.car.battery_kwh
        self.lane = 4 * self.battery_kwh
        moves, idle = moves_of(night, caps_of(night, may_discharge)) if like is None else like.moves
        self.moves: tuple[tuple[Moves | None, ...], FloatArray] = (moves, idle)
        self.idle_cost = idle * self.scale
        self.constant = float(self.idle_cost.sum())
        self.start_worth = night.charger.start_worth_kwh * self.highest_price * self.scale
        self.ways = [self._ways(each, idle[t]) for t, each in enumerate(moves)]
        self.ending = {trip.comeback - 1: number for number, trip in enumerate(night.trips) if trip.energy_kwh > 0}
        self.ceiling = night.ceiling_kwh
        self.hours, self.hours_around = night.hours, night.hours_around
        self.floor_kwh, self.ceiling_kwh = night.car.floor_kwh, night.car.ceiling_kwh
        self.calendar_bends = self.bends_of(night.calendar)
        self.stops = self._stops()
        self.decisions = sum(each is not None for each in self.ways)

    def _ways(self, moves: Moves | None, idle: float) -> Ways | None:
        """Return what an interval can do, at its money beyond that of idling; the first way is to idle."""
        if moves is None:
            return None
        lane, shift, money, given = [IDLE], [0.0], [0.0], [0.0]
        pieces: list[int] = []
        for mode in (CHARGE, DISCHARGE):
            here = np.flatnonzero(moves.mode == mode)
            for piece in here.tolist():
                start, width = float(moves.start_kwh[piece]), float(moves.width_kwh[piece])
                base = (float(moves.base[piece]) - idle) * self.scale
                if piece == here[0]:
                    lane.append(mode)
                    shift.append(start)
                    money.append(base)
                    given.append(float(moves.given_kwh[piece]))
                if width > SAME_KWH:
                    pieces.append(len(shift) - 1)
                    lane.append(mode)
                    shift.append(start + width)
                    money.append(base + float(moves.slope[piece]) * self.scale * width)
                    given.append(given[-1] + float(moves.given_slope[piece]) * width)
        return Ways.of(lane, shift, money, given, pieces)

    def _stops(self) -> list[Stop]:
        """Return the boundaries in time order, those together between which nothing can happen."""
        stops, first = [], 0
        for boundary in range(self.count + 1):
            if boundary < self.count and self.ways[boundary] is None and boundary not in self.ending:
                continue
            together = range(first, boundary + 1)
            bends = np.array(sorted({knot for each in together for knot in self.bends(each)}))
            bends = bends[np.append(bends[1:] - bends[:-1] > SAME_KWH, True)]
            worth = np.zeros(len(bends))
            for each in together:
                worth += self.standing_cost(each, bends)
            stops.append(Stop(first, boundary, bends, worth))
            first = boundary + 1
        return stops

    def bends(self, boundary: int) -> list[float]:
        """Return where the cost of standing at a boundary may bend [kWh]."""
        night = self.night
        knots = [0.0, self.battery_kwh, *self.calendar_bends]
        if boundary and night.at_home[boundary - 1]:
            knots += [self.floor_kwh, self.ceiling_kwh, float(self.ceiling[boundary])]
        if boundary == self.count:
            knots += [self.ceiling_kwh, *(float(edge) for edge in night.stored_energy.edges_kwh)]
        if self.weights.missing or self.weights.unready:
            knots += [trip.target_kwh for trip in night.trips if trip.ready <= boundary <= trip.depart]
        return knots

    def bends_of(self, calendar: CalendarPrice | None) -> list[float]:
        """Return where a price of standing bends [kWh]."""
        if calendar is None or not self.weights.money:
            return []
        slope, intercept = calendar.lines()
        rising = np.flatnonzero(np.diff(slope) > 0)
        knots = [(intercept[rising] - intercept[rising + 1]) / (slope[rising + 1] - slope[rising])]
        knots.append(-intercept[slope != 0] / slope[slope != 0])
        return [float(knot) for knot in np.clip(np.concatenate(knots), 0.0, self.battery_kwh)]

    def standing_cost(self, boundary: int, knots: FloatArray) -> FloatArray:
        """Return the cost of standing at stored energies [kWh] at a boundary, of their shape."""
        night, car = self.night, self.night.car
        money = np.zeros(len(knots))
        if boundary and night.at_home[boundary - 1]:
            outside = np.maximum(0.0, self.floor_kwh - knots) + np.maximum(0.0, knots - self.ceiling_kwh)
            money += self.hours[boundary - 1] * car.outside_window_factor * self.highest_price * outside
        if night.calendar is not None:
            money += night.wear_weight * self.hours_around[boundary] * night.calendar.cost(knots)
        if boundary == self.count:
            money += night.stored_energy.worth(night.stored_now_kwh) - night.stored_energy.worths(knots)
        money *= self.scale
        for trip in night.trips:
            short = np.maximum(0.0, trip.target_kwh - knots)
            if boundary == trip.depart:
                money += self.weights.missing * short
            if boundary == trip.ready < trip.depart or (self.weights.all_ready and trip.ready < boundary < trip.depart):
                money += self.weights.unready * short
        return money

    def limits(self, nothing_short: bool = False, served: tuple[bool, bool, bool] = (False, False, False)) -> Limits:
        """Return stored energies that can be reached, and with which no trip is short if that is asked.

        Parameters
        ----------
        served : of what no trip is short: on the way, at departures, when ready.
        """
        on_the_way, at_departure, when_ready = (True, True, True) if nothing_short else served
        night, car, count = self.night, self.night.car, self.count
        least, most = np.zeros(count + 1), np.full(count + 1, car.battery_kwh)
        for trip in night.trips:
            if when_ready:
                before = slice(trip.ready, trip.depart)
                least[before] = np.maximum(least[before], trip.target_kwh)
            if at_departure:
                least[trip.depart] = max(least[trip.depart], trip.target_kwh)
            if on_the_way and trip.energy_kwh > 0:
                away = slice(trip.depart, trip.comeback)
                least[away] = np.maximum(least[away], trip.energy_kwh + car.return_reserve_kwh)
        least -= ROOM_KWH
        low = high = night.stored_now_kwh
        least[0], most[0] = max(least[0], low - ROOM_KWH), high + ROOM_KWH
        for t in range(count):
            ways = self.ways[t]
            if ways is not None:
                downs, ups = [low], [high]
                for mode, shift in zip(ways.lane.tolist(), ways.shift_kwh.tolist(), strict=True):
                    downs.append(max(low + shift, min(low, car.floor_kwh)) if mode == DISCHARGE else low + shift)
                    top = max(high, float(self.ceiling[t + 1]))
                    ups.append(min(high + shift, top) if mode == CHARGE else high + shift)
                low, high = min(downs), max(ups)
            if t in self.ending:
                energy = night.trips[self.ending[t]].energy_kwh
                low, high = max(low - energy, car.return_reserve_kwh), max(high - energy, car.return_reserve_kwh)
            low, high = max(low, 0.0), min(high, car.battery_kwh)
            least[t + 1], most[t + 1] = max(least[t + 1], low - ROOM_KWH), min(most[t + 1], high + ROOM_KWH)
        return Limits(np.maximum(least, 0.0), np.minimum(most, car.battery_kwh))

    def backward(self, prices: Sequence[Prices], limits: Sequence[Limits], tolerance: float) -> Values:
        """Return the least cost from every state to the end, with the prices, one problem for each.

        Parameters
        ----------
        tolerance : by how much the values of one stop may be below the exact ones, a few times over.

        Raises
        ------
        TooManyCellsError : the values of one stop have more than MOST_CELLS.
        """
        problems = len(prices)
        stored = np.stack([each.stored for each in prices])
        given = np.array([each.given for each in prices])
        pull = np.array([each.pull for each in prices])
        towards = np.zeros_like(stored)
        for number, each in enumerate(prices):
            if each.towards is not None:
                towards[number] = each.towards
        pulled = bool(pull.any())
        least = np.stack([each.least_kwh for each in limits])
        most = np.stack([each.most_kwh for each in limits])
        lanes = np.arange(problems) * self.lane
        ends = lanes + np.zeros(problems)
        cells = Cells(ends, ends + self.battery_kwh, np.zeros(problems), np.zeros(problems))
        layers: list[Layer] = []
        first = np.array([stop.first for stop in self.stops])
        lows, highs = np.maximum.reduceat(least, first, axis=1), np.minimum.reduceat(most, first, axis=1)
        lows = np.minimum(lows, highs - 2 * SAME_KWH)
        price_of = np.add.reduceat(stored, first, axis=1)
        lowest_of, highest_of = lows.min(axis=0).tolist(), highs.max(axis=0).tolist()
        for number in range(len(self.stops) - 1, -1, -1):
            stop = self.stops[number]
            low, high = lows[:, number], highs[:, number]
            pulls = pull * (stop.last + 1 - stop.first) if pulled else None
            price = Standing(stop, price_of[:, number], pulls, towards[:, stop.last])
            if stop.last == self.count:
                stood = self._stand(self._inside(cells, low, high), price)
            elif stop.last in self.ending:
                stood = self._stand(self._inside(self._driven(stop.last, layers[-1], problems), low, high), price)
            else:
                ways = self.ways[stop.last]
                assert ways is not None
                stood = self._decide(ways, layers[-1], price, low, high, given, tolerance)
            arrival = self._for_arrival(stood, stop, problems, lowest_of[number], highest_of[number])
            layers.append(Layer(arrival.thinned(tolerance)))
            if len(layers[-1].edges) > MOST_CELLS:
                raise TooManyCellsError(f"{len(layers[-1].edges)} at boundary {stop.first}")
            if not len(stood.begin):
                break
        bound = np.full(problems, FAR)
        if len(layers) == len(self.stops):
            now = np.asarray(lanes + self.night.stored_now_kwh + IDLE * problems * self.lane, dtype=np.float64)
            bound = np.minimum(layers[-1].at(now) + self.constant, FAR)
            bound[bound > FAR / 2] = FAR
        return Values(layers[::-1], bound, prices)

    def _problem(self, places: FloatArray) -> IntArray:
        """Return the number of the lane of places on the line, of their shape."""
        return np.floor(places * (1 / self.lane) + 0.5).astype(np.int64)

    def _inside(self, cells: Cells, low: FloatArray, high: FloatArray) -> Cells:
        if len(low) == 1:
            return cells.within(low, high)
        number = self._problem((cells.begin + cells.end) / 2)
        return cells.within(number * self.lane + low[number], number * self.lane + high[number])

    def _stand(self, cells: Cells, standing: Standing) -> Cells:
        """Add what standing at a stop costs to the value; return it with one lane for each problem."""
        problems = len(standing.price)
        cells = (
            cells.cut_at(standing.bends_on(np.arange(problems, dtype=np.float64) * self.lane))
            if len(cells.begin)
            else cells
        )
        number = self._problem((cells.begin + cells.end) / 2) if problems > 1 else np.zeros(len(cells.begin), np.int64)
        left = cells.left + standing.cost(cells.begin - number * self.lane, number)
        right = cells.right + standing.cost(cells.end - number * self.lane, number)
        return Cells(cells.begin, cells.end, left, right)

    def _decide(
        self,
        ways: Ways,
        after: Layer,
        standing: Standing,
        low: FloatArray,
        high: FloatArray,
        given: FloatArray,
        tolerance: float,
    ) -> Cells:
        """Return the value before an interval in which something can be done.

        It is by the mode of the interval before, unless nothing could be done in that one.
        """
        problems, stop = len(given), standing.stop
        lanes = np.arange(problems, dtype=np.float64) * self.lane
        line = problems * self.lane
        steps = ways.shift_kwh + ways.lane * line
        borders = after.edges.searchsorted(np.arange(4) * line - self.lane / 2).tolist()
        parts = [after.edges[borders[m] : borders[m + 1]] - step for m, step in zip(ways.lane, steps, strict=True)]
        parts.append(standing.bends_on(lanes))
        edges = np.concatenate(parts)
        edges.sort()
        if problems == 1:
            np.minimum(np.maximum(edges, low, out=edges), high, out=edges)
            edges = edges[np.concatenate([edges[1:] - edges[:-1] > SAME_KWH, _TRUE])]
            begin, end = edges[:-1], edges[1:]
            number = None
            stood = standing.cost(edges, None)
            stand = stood[:-1], stood[1:]
        else:
            borders = edges.searchsorted(lanes[1:] - self.lane / 2).tolist()
            number = np.repeat(np.arange(problems), np.diff([0, *borders, len(edges)]))
            np.maximum(edges, (lanes + low)[number], out=edges)
            np.minimum(edges, (lanes + high)[number], out=edges)
            apart = np.concatenate([edges[1:] - edges[:-1] > SAME_KWH, _TRUE])
            edges, number = edges[apart], number[apart]
            stood = standing.cost(edges - lanes[number], number)
            same = np.flatnonzero(number[:-1] == number[1:])
            begin, end, stand, number = edges[same], edges[same + 1], (stood[same], stood[same + 1]), number[same]
        dear = None
        if given.any():
            of_edges = self._problem(after.edges) % problems
            dear = Dear(given if number is None else given[number], given[of_edges])
        lines = lines_before(after, steps, ways, begin, end, dear)
        by_mode = _ONE_LANE if stop.first < stop.last or self.start_worth == 0 else _MODES * line
        cells = lowest(lines, stand, ways, self.start_worth, by_mode, tolerance)
        if cells.left.max() > FAR / 2:
            cells = cells.only((cells.left < FAR / 2) & (cells.right < FAR / 2))
        return cells

    def _for_arrival(self, cells: Cells, stop: Stop, problems: int, low: float, high: float) -> Cells:
        """Return the value by mode of the interval before: three lanes of problems, no end where that mode may not."""
        if not len(cells.begin):
            return cells
        step = problems * self.lane
        begin, end, left, right = cells.begin, cells.end, cells.left, cells.right
        if float(end[-1]) < step:
            begin, end = (np.concatenate([each, each + step, each + 2 * step]) for each in (begin, end))
            left, right = np.tile(left, 3), np.tile(right, 3)
        cells = Cells(begin, end, left, right)
        ceiling, floor = float(self.ceiling[stop.first]), self.floor_kwh
        if low >= floor - SAME_KWH and high <= ceiling + SAME_KWH:
            return cells
        middle = (begin + end) / 2
        lane = self._problem(middle)
        local = middle - lane * self.lane
        beyond = ((lane < problems) & (local > ceiling)) | (
            (lane >= problems) & (lane < 2 * problems) & (local < floor)
        )
        return cells.only(~beyond) if beyond.any() else cells

    def through_price(self, t: int) -> float:
        """Return the wear of a kWh that passes through the battery while a trip is charged on the way [money per kWh].

        Parameters
        ----------
        t : interval in which the trip ends.
        """
        return float(self.night.wear.price_per_kwh[0])

    def _drive_cost(self, t: int, stored_kwh: FloatArray) -> FloatArray:
        """Return the cost of what a trip that ends in the interval charges on the way, shaped as stored_kwh."""
        number = self.ending[t]
        trip, car = self.night.trips[number], self.night.car
        charged = np.maximum(0.0, trip.energy_kwh + car.return_reserve_kwh - stored_kwh)
        through = np.minimum(charged, trip.energy_kwh) * self.through_price(t)
        money = self.scale * (car.on_the_way_price_per_kwh * charged + self.night.wear_weight * through)
        return np.asarray(money + self.weights.on_the_way[number] * charged)

    def _driven(self, t: int, after: Layer, problems: int) -> Cells:
        """Return the value before the interval in which a trip ends, one lane for each problem."""
        trip, reserve = self.night.trips[self.ending[t]], self.night.car.return_reserve_kwh
        points = np.unique(np.clip([0.0, reserve, trip.energy_kwh + reserve], 0.0, self.battery_kwh))
        base = IDLE * problems * self.lane
        found = []
        for problem in range(problems):
            lane = problem * self.lane
            home = after.at(np.array([base + lane + reserve]))
            money = self._drive_cost(t, points) + home
            first, last = np.searchsorted(
                after.edges, [base + lane + reserve + SAME_KWH, base + lane + self.battery_kwh + 1.0]
            ).tolist()
            edges = np.concatenate([[base + lane + reserve], after.edges[first:last]])
            begin, end = edges[:-1], edges[1:]
            cell = np.arange(first, last)
            left = after.intercept[cell] + after.slope[cell] * begin
            right = after.intercept[cell] + after.slope[cell] * end
            move = trip.energy_kwh - base
            found.append(Cells(points[:-1] + lane, points[1:] + lane, money[:-1], money[1:]))
            top = np.array(lane + self.battery_kwh)
            found.append(Cells(begin + move, end + move, left, right).within(np.array(-np.inf), top))
        cells = Cells(
            np.concatenate([each.begin for each in found]),
            np.concatenate([each.end for each in found]),
            np.concatenate([each.left for each in found]),
            np.concatenate([each.right for each in found]),
        )
        allowed = (cells.left < FAR / 2) & (cells.right < FAR / 2) & (cells.end - cells.begin > SAME_KWH)
        return cells.only(allowed)

    def path(self, values: Values, problem: int) -> Path:
        """Return a cheapest way from now to the end of one of the problems."""
        return self.paths(values, [problem])[0]

    def paths(self, values: Values, which: Sequence[int]) -> list[Path]:
        """Return a cheapest way from now to the end of some of the problems, which are gone through side by side."""
        problem = np.array(which)
        count, problems, night = len(which), len(values.prices), self.night
        lanes, line = problem * self.lane, problems * self.lane
        all_given = np.array([each.given for each in values.prices])
        price = all_given[problem]
        stored = np.full((count, self.count + 1), night.stored_now_kwh)
        modes = np.full((count, self.count), IDLE)
        cost, given = np.full(count, self.constant), np.zeros(count)
        before, here = np.full(count, IDLE), np.full(count, night.stored_now_kwh)
        for number, stop in enumerate(self.stops):
            stored[:, stop.first : stop.last + 1] = here[:, None]
            cost += np.interp(here, stop.bends, stop.worth)
            if stop.first < stop.last:
                before = np.full(count, IDLE)
            if stop.last == self.count:
                break
            if stop.last in self.ending:
                trip = night.trips[self.ending[stop.last]]
                cost += self._drive_cost(stop.last, here)
                here = np.maximum(here - trip.energy_kwh, night.car.return_reserve_kwh)
                before = np.full(count, IDLE)
                continue
            ways, after = self.ways[stop.last], values.layers[number + 1]
            assert ways is not None
            start = ((ways.lane != IDLE)[:, None] & (ways.lane[:, None] != before)) * self.start_worth
            way, far, more = _best_ways(after, ways, start, lanes + here, line, all_given, self.lane, price)
            here = np.minimum(np.maximum(here + ways.shift_kwh[way] + far, 0.0), self.battery_kwh)
            before = ways.lane[way]
            modes[:, stop.last] = before
            cost += start[way, np.arange(count)] + ways.money[way] + more[0]
            given += ways.given_kwh[way] + more[1]
        return [Path(stored[k], modes[k], float(cost[k]), float(given[k])) for k in range(count)]


def _best_ways(
    after: Layer,
    ways: Ways,
    start: FloatArray,
    place: FloatArray,
    line: float,
    all_given: FloatArray,
    lane: float,
    given: FloatArray,
) -> tuple[IntArray, FloatArray, tuple[FloatArray, FloatArray]]:
    """Return the cheapest way from each place.

    Parameters
    ----------
    start : what each way costs beyond its money, shape (ways, places).
    place : on the line, shape (places,). line : length of one lane for each problem. lane : that of one.
    all_given, given : price of energy given away of each problem, and of each place.

    Returns
    -------
    Its number, how far it goes towards the next [kWh], and the money and the energy given away on that stretch.
    """
    count, steps = len(ways.lane), ways.shift_kwh + ways.lane * line
    money = ways.money[:, None] + start + given * ways.given_kwh[:, None]
    ends = place + steps[:, None]
    last, first = after.edges.searchsorted(ends - SAME_KWH), after.edges.searchsorted(ends + SAME_KWH)
    value = np.minimum(
        after.intercept[last] + after.slope[last] * ends, after.intercept[first] + after.slope[first] * ends
    )
    value += money
    pieces = len(ways.begin)
    far, more_money, more_given = np.zeros(len(place)), np.zeros(len(place)), np.zeros(len(place))
    if not pieces:
        return value.argmin(axis=0), far, (more_money, more_given)
    first, last = first[ways.begin], last[ways.until]
    rise = ways.price[:, None] * after.edges
    price = ways.price[:, None]
    if all_given.any():
        of_edges = all_given[np.floor(after.edges / lane + 0.5).astype(np.int64) % len(all_given)]
        rise = rise + ways.given_price[:, None] * of_edges * after.edges
        price = price + ways.given_price[:, None] * given
    along = after.nodes[:-1] + rise
    inside = least_between(along, first, last) + money[ways.begin] - price * ends[ways.begin]
    best = np.concatenate([value, inside]).argmin(axis=0)
    for k in np.flatnonzero(best >= count).tolist():
        piece = int(best[k]) - count
        low = int(first[piece, k])
        at = low + int(along[piece, low : last[piece, k]].argmin())
        far[k] = after.edges[at] - ends[ways.begin[piece], k]
        best[k] = ways.begin[piece]
        more_money[k], more_given[k] = far[k] * ways.price[piece], far[k] * ways.given_price[piece]
    return best, far, (more_money, more_given)
