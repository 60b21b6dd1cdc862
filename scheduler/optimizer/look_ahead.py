"""What energy left at the end of a night is worth, from the two days that follow it.

The nights that follow are one linear program: the compact one without its integers, on the usual trips and on what is
forecast, in hours. Solved at several stored energies it gives the worth of each, wear and all. The shallowest segments
of the battery are taken as full: a cycle that tonight begins is charged to tonight. Where cycles wear so much that it
matters how tonight leaves them, the worth is one of the energy in each segment. README.md beside this file says what
was compared with this and what each found.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise

import highspy
import numpy as np

from models.base.arrays import FloatArray, IntArray
from models.wear.segments import final_fill_kwh, initial_fill_kwh
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import SAME_KWH, SCHEDULE, Night
from scheduler.nights.request import LOOK_AHEAD, LOOK_AHEAD_BY_SEGMENT, Request
from scheduler.nights.stored_energy import EnergyUse, SegmentValue, StoredEnergyValue, UseKind
from scheduler.optimizer.certificate.mode_program import linear_highs
from scheduler.optimizer.compact import compact_matrix
from scheduler.optimizer.lexicographic import QuietHighs
from scheduler.optimizer.matrix_builder import MONEY, Matrix
from scheduler.optimizer.objectives import OBJECTIVES
from scheduler.textio.errors import InputFaults

STEP_MINUTES = 120
"""Longest interval of the nights that follow [min]."""
FIRST_PIECES, MOST_HALVINGS = 4, 2
"""The window is cut into so many pieces, and each that bends is halved so often."""
BENDS_KWH = 0.02
"""A worth this close to the straight line between its neighbours is on it, in kWh at the highest price."""
FIRST_WEARS, WEAR_RISES = 0.1, 0.2
"""By how much, as a share of the highest price, a kWh must wear the battery in the shallowest segment, and by how much
more in the deepest that the window allows, for the state of the running cycle to be worth the longer program."""
MOST_INTERVALS_BY_SEGMENT = 120
"""A longer night is left to the dynamic program: a week of hours would take the integers 20 s of CPU."""
MOST_PLANES = 16
"""How often at most the night is solved, relaxed, for the segments' worth to be found where it ends."""
SHORTEST = timedelta(hours=6)
"""Nights that follow for a shorter time than this say too little."""


def with_look_ahead(
    inputs: Inputs,
    evening: Request,
    night: Night,
    may_discharge: bool = True,
    until: datetime | None = None,
    explain: bool = False,
    by_segment: bool = True,
) -> Night:
    """Return a night whose end values stored energy by the days that follow.

    A site that gives its own `stored_energy_price_per_kwh` keeps it, and so does a night whose following days cannot be
    forecast the usual price.

    Parameters
    ----------
    inputs, evening, night : the site's inputs, the request, and the night built from them.
    may_discharge : whether the car may discharge on those days.
    until : latest end of the days that follow, or None for two days after the night's end.
    explain : also find what the energy is worth something for, which takes a little longer.
    by_segment : value the energy in each wear segment, where that matters.
    """
    if inputs.site.plan.stored_energy_price_per_kwh is not None:
        return night
    if by_segment and night.intervals <= MOST_INTERVALS_BY_SEGMENT and running_cycle_matters(night):
        following = _following(inputs, evening, night, until, LOOK_AHEAD_BY_SEGMENT)
        valued = None if following is None else with_segment_value(night, following, may_discharge, explain)
        if valued is not None:
            return valued
    following = _following(inputs, evening, night, until, LOOK_AHEAD)
    if following is None:
        return night
    value = value_at_beginning(following, may_discharge, explain)
    return night if value is None else replace(night, stored_energy=value)


def running_cycle_matters(night: Night) -> bool:
    """Return whether it matters to the days that follow how deep the cycle is that a night leaves behind.

    Where shallow cycles cost next to nothing, or deep ones no more than shallow ones, it does not.
    """
    depth = night.car.ceiling_kwh - night.car.floor_kwh
    begins = np.cumsum(night.wear.size_kwh) - night.wear.size_kwh
    price = night.wear_weight * night.wear.price_per_kwh[begins < max(depth, 1e-6) - 1e-6]
    if len(price) == 0:
        return False
    rises = price[-1] - price[0]
    return bool(price[0] > FIRST_WEARS * night.highest_price and rises > WEAR_RISES * night.highest_price)


def _following(
    inputs: Inputs, evening: Request, night: Night, until: datetime | None, look_ahead: timedelta
) -> Night | None:
    """Return the days that follow a night as one night in hours; None if they cannot be forecast."""
    site = inputs.site
    begin = night.boundaries[-1].to_pydatetime()
    last = begin + look_ahead
    forecast = evening.forecast
    if until is not None and last > until:
        last, forecast = (until, forecast) if until - begin >= SHORTEST else (last, "typical")
    plan = replace(site.plan, step_minutes=max(STEP_MINUTES, site.plan.step_minutes))
    asked = Request(
        now=begin,
        soc_percent=site.car.ceiling_percent,
        trips=tuple(trip for trip in evening.later_trips if begin <= trip.depart_at and trip.return_at <= last),
        wear_weight=evening.wear_weight,
        forecast=forecast,
        solar=evening.solar,
        outside_degc=evening.outside_degc,
        until=last,
        known_at=evening.known_at or evening.now,
    )
    try:
        following, _ = build_night(replace(inputs, site=replace(site, plan=plan, setting=SCHEDULE)), asked)
    except InputFaults:
        return None
    car = replace(following.car, discharge_limit_kwh=None)  # it holds for each night on its own
    full = initial_fill_kwh(night.wear, car.ceiling_kwh)
    return replace(following, car=car, demand=(), wear=night.wear, initial_fill_kwh=full)


def value_at_beginning(following: Night, may_discharge: bool = True, explain: bool = False) -> StoredEnergyValue | None:
    """Return the value of stored energy at the beginning of a night; None if it cannot be found.

    It is that of the night's linear relaxation, concave and rising from the floor to the ceiling. Under the floor,
    which is no energy to plan with, it rises by the highest price; above the ceiling it stays. Worth is what the night
    costs less, wear by cycling and by standing included, with the shallowest segments full at first.
    """
    floor, ceiling = following.car.floor_kwh, following.car.ceiling_kwh
    if ceiling - floor < 1e-6 or following.highest_price <= 0:
        return None
    program = _Program(following, may_discharge)
    found = _sampled(program.ahead, floor, ceiling, BENDS_KWH * following.highest_price)
    return None if found is None else _concave(found, program, explain)


@dataclass(frozen=True, slots=True, eq=False)
class _Ahead:
    """The cheapest way on from a stored energy [kWh].

    Attributes
    ----------
    worth : of all that follows [money]. values : of every column.
    fill_kwh : energy in each segment at first [kWh], shape (segments,).
    price_per_kwh : what a kWh more in each is worth [money per kWh], shape (segments,); and for any other energies, the
        worth is no more than these prices say.
    """

    stored_kwh: float
    worth: float
    values: FloatArray
    fill_kwh: FloatArray
    price_per_kwh: FloatArray


class _Program:
    """The nights that follow as a linear program whose beginning can be changed."""

    def __init__(self, night: Night, may_discharge: bool) -> None:
        self.night = night
        self.matrix = compact_matrix(night, may_discharge)
        first = [self.matrix.columns["stored_kwh"][0], *self.matrix.columns["segment_kwh"][: len(night.wear.size_kwh)]]
        self.first: IntArray = np.array(first, dtype=np.int32)
        self.highs = _relaxed(night, self.matrix)

    def ahead(self, stored_kwh: float, fill_kwh: FloatArray | None = None) -> _Ahead | None:
        """Return the cheapest way on from a stored energy [kWh]; None if the solver finds none.

        Parameters
        ----------
        fill_kwh : energy in each segment [kWh], shape (segments,); None: the shallowest are full.
        """
        fill = initial_fill_kwh(self.night.wear, stored_kwh) if fill_kwh is None else fill_kwh
        values = np.array([stored_kwh, *fill])
        self.highs.changeColsBounds(len(values), self.first, values, values)
        self.highs.run()
        if self.highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            return None
        worth, solution = -float(self.highs.getInfo().objective_function_value), self.highs.getSolution()
        dual = np.array(solution.col_dual)[self.first]
        return _Ahead(stored_kwh, worth, np.array(solution.col_value), fill, -(dual[0] + dual[1:]))


def highest_worth(following: Night) -> float:
    """Return more than which no kWh left can be worth [money per kWh]: the highest price of what it can replace."""
    return max(following.highest_price, float(following.export_price.max()), following.car.on_the_way_price_per_kwh)


def with_segment_value(night: Night, following: Night, may_discharge: bool, explain: bool) -> Night | None:
    """Return a night whose end values the energy in each wear segment; None if that cannot be found.

    The worth is concave in the energies of the segments, and the days that follow, solved at some of them, give a plane
    that is nowhere below it. The relaxed night is solved with the planes so far, and the days after it from where it
    ends, until the planes are right there. Then the worth is looked at around that end: the same night, with another
    end.
    """
    floor, ceiling = following.car.floor_kwh, following.car.ceiling_kwh
    if ceiling - floor < 1e-6 or following.highest_price <= 0:
        return None
    program, within = _Program(following, may_discharge), BENDS_KWH * following.highest_price
    planes = [program.ahead(kwh) for kwh in np.linspace(ceiling, floor, FIRST_PIECES + 1).tolist()]
    path = night.stored_now_kwh * np.ones(2)
    for _ in range(MOST_PLANES):
        known = [plane for plane in planes if plane is not None]
        if len(known) < len(planes):
            return None
        end = _relaxed_end(replace(night, segment_value=_segment_value(known, following)), may_discharge)
        if end is None:
            return None
        path, left, worth = end
        if not floor <= path[-1] <= ceiling:
            break
        there = program.ahead(float(path[-1]), left)
        planes.append(there)
        if there is None or worth - there.worth < within:
            break
    turns = _turns(path)

    def ending_with(stored_kwh: float) -> _Ahead | None:
        moves = np.diff([*turns, stored_kwh])
        into, out = np.maximum(moves, 0.0), np.maximum(-moves, 0.0)
        return program.ahead(stored_kwh, final_fill_kwh(night.wear, night.initial_fill_kwh, into, out))

    found = _sampled(ending_with, floor, ceiling, within)
    if found is None or any(plane is None for plane in planes):
        return None
    planes += found
    value = _segment_value([plane for plane in planes if plane is not None], following)
    return replace(night, stored_energy=_concave(found, program, explain), segment_value=value)


def _segment_value(planes: list[_Ahead], following: Night) -> SegmentValue:
    """Return the least of the planes; under the floor, no energy to plan with, a kWh is worth the highest price."""
    price = np.stack([plane.price_per_kwh for plane in planes])
    constant = np.array([plane.worth - plane.price_per_kwh @ plane.fill_kwh for plane in planes])
    most, floor = highest_worth(following), following.car.floor_kwh
    lowest = max((plane for plane in planes if plane.stored_kwh <= floor + 1e-6), key=lambda plane: plane.worth)
    steep = np.full((1, price.shape[1]), most)
    return SegmentValue(np.append(constant, lowest.worth - most * floor), np.concatenate([price, steep]))


def _relaxed_end(night: Night, may_discharge: bool) -> tuple[FloatArray, FloatArray, float] | None:
    """Return the relaxed night's stored energy at each boundary, that in each segment at its end, and its worth."""
    matrix = compact_matrix(night, may_discharge)
    highs = _relaxed(night, matrix)
    highs.run()
    if highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
        return None
    values = np.array(highs.getSolution().col_value)
    left = values[matrix.columns["segment_kwh"][-len(night.wear.size_kwh) :]]
    return values[matrix.columns["stored_kwh"]], left, float(values[matrix.columns["worth_at_end"][0]])


def _turns(path_kwh: FloatArray) -> list[float]:
    """Return where a path of stored energy turns, in order, from its beginning on; its end is left out [kWh]."""
    turns = [float(path_kwh[0])]
    for kwh in path_kwh[1:].tolist():
        if abs(kwh - turns[-1]) < SAME_KWH:
            continue
        if len(turns) >= 2 and (kwh > turns[-1]) == (turns[-1] > turns[-2]):
            turns[-1] = kwh
        else:
            turns.append(kwh)
    return turns[:-1] or turns


def _relaxed(night: Night, matrix: Matrix) -> QuietHighs:
    """Return HiGHS with a night's linear relaxation; what is missing at a departure costs the highest price."""
    missing, unready = (
        matrix.cost[OBJECTIVES.index(name)] for name in ("least_missing_at_departure", "least_missing_when_ready")
    )
    lp = matrix.lp
    lp.integrality_ = []
    lp.col_cost_ = matrix.cost[MONEY] + highest_worth(night) * (missing + unready)
    highs = linear_highs()
    highs.passModel(lp)
    return highs


def _sampled(
    ahead: Callable[[float], _Ahead | None], floor_kwh: float, ceiling_kwh: float, within: float
) -> list[_Ahead] | None:
    """Return the ways on from stored energies between floor and ceiling, closer where the worth bends."""
    at: dict[float, _Ahead] = {}
    wanted = np.linspace(ceiling_kwh, floor_kwh, FIRST_PIECES + 1).tolist()
    for halving in range(MOST_HALVINGS + 1):
        for kwh in wanted:
            found = ahead(kwh)
            if found is None:
                return None
            at[kwh] = found
        known = sorted(at)
        if halving == MOST_HALVINGS:
            break
        bent: set[float] = set()
        for before, here, after in zip(known, known[1:], known[2:], strict=False):
            straight = np.interp(here, [before, after], [at[before].worth, at[after].worth])
            if abs(at[here].worth - straight) > within:
                bent |= {before, here}
        wanted = [(low + high) / 2 for low, high in pairwise(known) if low in bent][::-1]
    return [at[kwh] for kwh in known]


def _concave(found: list[_Ahead], program: _Program, explain: bool) -> StoredEnergyValue:
    """Return the least concave function that is nowhere below the worths found, rising to the ceiling."""
    hull: list[_Ahead] = []
    for here in found:
        while len(hull) >= 2 and _slope(hull[-2], hull[-1]) <= _slope(hull[-1], here):
            hull.pop()
        hull.append(here)
    most = highest_worth(program.night)
    width = np.diff([0.0, *(each.stored_kwh for each in hull)])
    price = np.clip([most, *(_slope(low, high) for low, high in pairwise(hull))], 0.0, most)
    if width[0] < 1e-6:  # a floor at empty
        width, price = width[1:], price[1:]
    uses: tuple[EnergyUse | None, ...] = ()
    if explain:
        between = [_use(program, low, high) for low, high in pairwise(hull)]
        uses = (*([None] * (len(price) - len(between))), *between)
    return StoredEnergyValue(width, np.minimum.accumulate(price), uses)


def _slope(low: _Ahead, high: _Ahead) -> float:
    return (high.worth - low.worth) / (high.stored_kwh - low.stored_kwh)


def _use(program: _Program, low: _Ahead, high: _Ahead) -> EnergyUse | None:
    """Return what most of the worth between two stored energies comes from; None if nothing is paid for it."""
    night, columns = program.night, program.matrix.columns
    charge, discharge = (
        night.hours * (high.values[columns[name]] - low.values[columns[name]]) for name in ("charge_kw", "discharge_kw")
    )
    net = [
        night.load_kw - night.solar_kw + way.values[columns["charge_kw"]] - way.values[columns["discharge_kw"]]
        for way in (low, high)
    ]
    spared = night.hours * (np.maximum(0.0, net[0]) - np.maximum(0.0, net[1]))
    sold = night.hours * (np.maximum(0.0, -net[1]) - np.maximum(0.0, -net[0]))
    money: dict[tuple[UseKind, float], float] = {}
    first: dict[tuple[UseKind, float], int] = {}
    for interval in range(night.intervals):
        spares: UseKind = "charges-less" if -charge[interval] > discharge[interval] else "covers"
        each: list[tuple[UseKind, float, float]] = [
            (spares, float(spared[interval]), float(night.import_price[interval])),
            ("sells", float(sold[interval]), float(night.export_price[interval])),
        ]
        for kind, kwh, price in each:
            if kwh > 1e-6 and price > 0:
                key = (kind, round(price, 9))
                money[key] = money.get(key, 0.0) + kwh * price
                first.setdefault(key, interval)
    if not money:
        return None
    most = max(money, key=lambda key: money[key])
    return EnergyUse(most[0], most[1], night.boundaries[first[most]].to_pydatetime())
