"""The night without wear as a shortest path over stored energy and mode, exact on breakpoints.

Money is counted in kWh at the night's highest price here, so that nothing depends on the currency. Several problems,
which differ in prices and in bounds on stored energy, are gone through at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.base.arrays import FloatArray, IntArray
from scheduler.nights.night import Night
from scheduler.optimizer.certificate.dynamic_moves import CHARGE, DISCHARGE, Moves, caps_of, moves_of
from scheduler.optimizer.certificate.dynamic_values import FAR, SAME_KWH, Cells, Layer, Ways, lines_before, lowest

IDLE = 2
MODES = (CHARGE, DISCHARGE, IDLE)
ROOM_KWH = 1e-6
"""By how much bounds on stored energy are widened, so that no set of states is a single point [kWh]."""


@dataclass(frozen=True, slots=True, eq=False)
class Weights:
    """What is minimised: money, and the three shortages, each with its weight; on the way by trip, shape (trips,).

    What is missing before a departure counts where a trip is to be ready first, which is no more than where it is most;
    with `all_ready` at every boundary until the departure.
    """

    money: float
    on_the_way: FloatArray
    missing: float = 0.0
    unready: float = 0.0
    all_ready: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Prices:
    """Prices put on what couples the intervals: of stored energy, shape (n + 1,), and of energy given away."""

    stored: FloatArray
    given: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Limits:
    """Least and most stored energy at each boundary [kWh], shape (n + 1,)."""

    least_kwh: FloatArray
    most_kwh: FloatArray


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
        self.calendar_bends = self._calendar_bends()
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
        begin = np.array(pieces, dtype=np.int64)
        return Ways(np.array(lane), np.array(shift), np.array(money), np.array(given), begin, begin + 1)

    def _stops(self) -> list[Stop]:
        """Return the boundaries in time order, those together between which nothing can happen."""
        stops, first = [], 0
        for boundary in range(self.count + 1):
            if boundary < self.count and self.ways[boundary] is None and boundary not in self.ending:
                continue
            together = range(first, boundary + 1)
            bends = np.array(sorted({knot for each in together for knot in self._bends(each)}))
            bends = bends[np.append(bends[1:] - bends[:-1] > SAME_KWH, True)]
            worth = np.zeros(len(bends))
            for each in together:
                worth += self.standing_cost(each, bends)
            stops.append(Stop(first, boundary, bends, worth))
            first = boundary + 1
        return stops

    def _bends(self, boundary: int) -> list[float]:
        """Return where the cost of standing at a boundary may bend [kWh]."""
        night = self.night
        knots = [0.0, self.battery_kwh, *self.calendar_bends]
        if boundary and night.at_home[boundary - 1]:
            knots += [self.floor_kwh, self.ceiling_kwh, float(self.ceiling[boundary])]
        if boundary == self.count:
            knots.append(self.ceiling_kwh)
        if self.weights.missing or self.weights.unready:
            knots += [trip.target_kwh for trip in night.trips if trip.ready <= boundary <= trip.depart]
        return knots

    def _calendar_bends(self) -> list[float]:
        """Return where the price of standing bends [kWh]."""
        if self.night.calendar is None or not self.weights.money:
            return []
        slope, intercept = self.night.calendar.lines()
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
            now = min(night.stored_now_kwh, car.ceiling_kwh)
            money += night.stored_energy_price * (now - np.minimum(knots, car.ceiling_kwh))
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
        """
        problems = len(prices)
        stored = np.stack([each.stored for each in prices])
        given = np.array([each.given for each in prices])
        least = np.stack([each.least_kwh for each in limits])
        most = np.stack([each.most_kwh for each in limits])
        lanes = np.arange(problems) * self.lane
        ends = lanes + np.zeros(problems)
        cells = Cells(ends, ends + self.battery_kwh, np.zeros(problems), np.zeros(problems))
        layers: list[Layer] = []
        for number in range(len(self.stops) - 1, -1, -1):
            stop = self.stops[number]
            together = slice(stop.first, stop.last + 1)
            low = least[:, together].max(axis=1)
            high = most[:, together].min(axis=1)
            price = stored[:, together].sum(axis=1)
            low, high = np.minimum(low, high - 2 * SAME_KWH), high
            if stop.last == self.count:
                stood = self._stand(self._inside(cells, low, high), stop, price)
            elif stop.last in self.ending:
                stood = self._stand(self._inside(self._driven(stop.last, layers[-1], problems), low, high), stop, price)
            else:
                ways = self.ways[stop.last]
                assert ways is not None
                stood = self._decide(ways, layers[-1], stop, low, high, price, given, tolerance)
            layers.append(
                Layer(self._for_arrival(stood, stop, problems, float(low.min()), float(high.max())).thinned(tolerance))
            )
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

    def _stand(self, cells: Cells, stop: Stop, price: FloatArray) -> Cells:
        """Add what standing at a stop costs to the value; return it with one lane for each problem."""
        points = stop.bends
        if len(price) > 1:
            points = (points + (np.arange(len(price)) * self.lane)[:, None]).ravel()
        return self._stood(cells.cut_at(points) if len(cells.begin) else cells, stop, price, None)

    def _stood(self, cells: Cells, stop: Stop, price: FloatArray, number: IntArray | None) -> Cells:
        """Add what standing costs, as _stand does, to cells that no bend lies within."""
        begin, end = cells.begin, cells.end
        if len(price) > 1 or number is not None:
            lane = self._problem((begin + end) / 2) if number is None else number
            begin, end = begin - lane * self.lane, end - lane * self.lane
            each: FloatArray = price[lane % len(price)]
        else:
            each = price
        left = cells.left + np.interp(begin, stop.bends, stop.worth) + each * begin
        right = cells.right + np.interp(end, stop.bends, stop.worth) + each * end
        return Cells(cells.begin, cells.end, left, right)

    def _decide(
        self,
        ways: Ways,
        after: Layer,
        stop: Stop,
        low: FloatArray,
        high: FloatArray,
        price: FloatArray,
        given: FloatArray,
        tolerance: float,
    ) -> Cells:
        """Return the value before an interval in which something can be done.

        It is by the mode of the interval before, unless nothing could be done in that one.
        """
        problems = len(price)
        lanes = np.arange(problems) * self.lane
        steps = ways.shift_kwh + ways.lane * (problems * self.lane)
        borders = np.searchsorted(after.edges, np.arange(4) * (problems * self.lane) - self.lane / 2).tolist()
        parts = [after.edges[borders[m] : borders[m + 1]] - step for m, step in zip(ways.lane, steps, strict=True)]
        edges = np.concatenate([*parts, (stop.bends + lanes[:, None]).ravel(), lanes + low, lanes + high])
        edges.sort()
        if problems == 1:
            edges = edges[(edges >= low) & (edges <= high)]
        else:
            number = np.clip(self._problem(edges), 0, problems - 1)
            edges = edges[(edges >= lanes[number] + low[number]) & (edges <= lanes[number] + high[number])]
        edges = edges[np.append(edges[1:] - edges[:-1] > SAME_KWH, True)]
        begin, end = edges[:-1], edges[1:]
        if problems > 1:
            number = self._problem(edges)
            same = number[:-1] == number[1:]
            begin, end, number = begin[same], end[same], number[:-1][same]
        if given.any():
            left, right = self._with_given(ways, after, steps, begin, end, given)
        else:
            left, right = lines_before(after, steps, ways.money, ways, begin, end)
        kind = np.concatenate([ways.lane, ways.lane[ways.begin]])
        modes = [IDLE] if stop.first < stop.last else list(MODES)
        if len(modes) == 1 or self.start_worth == 0:
            extra = np.where(kind == IDLE, 0.0, self.start_worth)[:, None]
            cells = lowest(begin, end, left + extra, right + extra, tolerance)
        else:
            lines, count = left.shape
            extra = np.where((kind[:, None] == IDLE) | (kind[:, None] == np.arange(3)), 0.0, self.start_worth)
            left = (left[:, None, :] + extra[:, :, None]).reshape(lines, 3 * count)
            right = (right[:, None, :] + extra[:, :, None]).reshape(lines, 3 * count)
            by_mode = (np.arange(3) * (problems * self.lane))[:, None]
            cells = lowest((begin + by_mode).ravel(), (end + by_mode).ravel(), left, right, tolerance)
        if cells.left.max() > FAR / 2:
            cells = cells.only((cells.left < FAR / 2) & (cells.right < FAR / 2))
        if not len(cells.begin):
            return cells
        number = self._problem((cells.begin + cells.end) / 2)
        return self._stood(cells, stop, price, number)

    def _with_given(
        self, ways: Ways, after: Layer, steps: FloatArray, begin: FloatArray, end: FloatArray, given: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return lines as lines_before does, where problems put different prices on what is given away."""
        lanes = self._problem((begin + end) / 2)
        parts = []
        for problem, price in enumerate(given.tolist()):
            here = lanes == problem
            money = ways.money + price * ways.given_kwh
            parts.append(lines_before(after, steps, money, ways, begin[here], end[here]))
        return np.concatenate([part[0] for part in parts], axis=1), np.concatenate([part[1] for part in parts], axis=1)

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

    def _drive_cost(self, t: int, stored_kwh: FloatArray) -> FloatArray:
        """Return the cost of what a trip that ends in the interval charges on the way, shaped as stored_kwh."""
        number = self.ending[t]
        trip, car = self.night.trips[number], self.night.car
        charged = np.maximum(0.0, trip.energy_kwh + car.return_reserve_kwh - stored_kwh)
        through = np.minimum(charged, trip.energy_kwh) * float(self.night.wear.price_per_kwh[0])
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
        problems, night = len(values.prices), self.night
        price = values.prices[problem].given
        stored = np.full(self.count + 1, night.stored_now_kwh)
        modes = np.full(self.count, IDLE)
        cost, given, before, here = self.constant, 0.0, IDLE, night.stored_now_kwh
        for number, stop in enumerate(self.stops):
            stored[stop.first : stop.last + 1] = here
            cost += float(np.interp(here, stop.bends, stop.worth))
            if stop.first < stop.last:
                before = IDLE
            if stop.last == self.count:
                break
            if stop.last in self.ending:
                trip = night.trips[self.ending[stop.last]]
                cost += float(self._drive_cost(stop.last, np.array([here]))[0])
                here, before = max(here - trip.energy_kwh, night.car.return_reserve_kwh), IDLE
                continue
            ways = self.ways[stop.last]
            assert ways is not None
            start = np.where((ways.lane == IDLE) | (ways.lane == before), 0.0, self.start_worth)
            money = ways.money + start + price * ways.given_kwh
            place = here + problem * self.lane
            way, share, here = _best_way(values.layers[number + 1], ways, money, place, problems * self.lane)
            here = min(max(here - problem * self.lane, 0.0), self.battery_kwh)
            mode = int(ways.lane[way])
            modes[stop.last] = mode
            cost += float(start[way] + ways.money[way])
            given += float(ways.given_kwh[way])
            if share:
                cost += share * float(ways.money[way + 1] - ways.money[way])
                given += share * float(ways.given_kwh[way + 1] - ways.given_kwh[way])
            before = mode
        return Path(stored, modes, cost, given)


def _best_way(after: Layer, ways: Ways, money: FloatArray, place: float, lane: float) -> tuple[int, float, float]:
    """Return the cheapest way from a place: its number, how far it goes towards the next, and where it leads [kWh]."""
    steps = ways.shift_kwh + ways.lane * lane
    value = after.at(place + steps) + money
    way = int(value.argmin())
    best, share, end = float(value[way]), 0.0, place + float(ways.shift_kwh[way])
    if len(ways.begin):
        first = np.searchsorted(after.edges, place + steps[ways.begin])
        last = np.searchsorted(after.edges, place + steps[ways.until])
        slopes = ways.slopes(money)
        for begin, low, high, slope in zip(
            ways.begin.tolist(), first.tolist(), last.tolist(), slopes.tolist(), strict=True
        ):
            if low < high:
                far = after.edges[low:high] - (place + steps[begin])
                inside = after.nodes[low:high] + slope * far + money[begin]
                at = int(inside.argmin())
                if inside[at] < best:
                    best, way = float(inside[at]), begin
                    share = float(far[at] / (ways.shift_kwh[begin + 1] - ways.shift_kwh[begin]))
                    end = place + float(ways.shift_kwh[begin]) + float(far[at])
    return way, share, end
