"""The dynamic program against the independent statement, brute force and plain cases."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.wear.segments import initial_fill_kwh
from scheduler.nights.night import Night
from scheduler.optimizer.certificate.dynamic_problem import Prices, Weights
from scheduler.optimizer.certificate.dynamic_program import DynamicProgram
from scheduler.optimizer.certificate.dynamic_values import FAR, Lines, Ways, least_between, lowest
from scheduler.optimizer.certificate.stored_energy_value import value_of_stored_energy
from tests.builders.nights import flat_night, plain_charger
from tests.builders.random_nights import random_night, small_night
from tests.oracles.brute_force import brute_force
from tests.oracles.independent_matrix import independent_optimum


def _without_wear(night: Night) -> Night:
    return replace(night, wear_weight=0.0, car=replace(night.car, discharge_limit_kwh=None))


def _program(night: Night) -> DynamicProgram:
    return DynamicProgram(night, True, Weights(1.0, np.zeros(len(night.trips))))


def _free(night: Night) -> Prices:
    return Prices(np.zeros(night.intervals + 1))


@pytest.mark.seeds(range(6, 18, 2), range(6, 18))
def test_without_wear_it_is_the_optimum(seed: int) -> None:
    """With nothing short and no wear the value now is the independent optimum, and its path costs as much."""
    night = _without_wear(random_night(seed))
    program = _program(night)
    limits = program.limits(nothing_short=True)
    best = independent_optimum(night)
    short = best.on_the_way + best.missing_at_departure + best.missing_when_ready > 1e-4
    if (limits.least_kwh >= limits.most_kwh).any():
        assert short
        return
    values = program.backward([_free(night)], [limits], 1e-7)
    if values.bound[0] >= FAR:
        assert short
        return
    within = 2e-5 + 2e-4 * night.highest_price  # the other optimum's own gap, and the widened bounds
    assert not short
    assert values.bound[0] * program.unit == pytest.approx(best.money, abs=within)
    assert program.path(values, 0).cost == pytest.approx(values.bound[0], abs=1e-4)


@pytest.mark.parametrize("seed", range(0, 40, 5))
def test_problems_side_by_side_are_as_alone(seed: int) -> None:
    """Several problems in one pass have the values that each has alone."""
    night = random_night(seed)
    program = _program(night)
    limits = program.limits(nothing_short=False)
    random = np.random.default_rng(seed)
    prices = [Prices(random.uniform(-0.2, 0.2, night.intervals + 1), given) for given in (0.0, 0.1, 0.0)]
    together = program.backward(prices, [limits] * 3, 1e-7)
    for number, price in enumerate(prices):
        alone = program.backward([price], [limits], 1e-7)
        assert together.bound[number] == pytest.approx(alone.bound[0], abs=1e-4)
        path = program.path(together, number)
        total = path.cost + price.stored @ path.stored_kwh + price.given * path.given_kwh
        assert total == pytest.approx(alone.bound[0], abs=1e-3)


@pytest.mark.parametrize("seed", range(0, 30, 3))
def test_a_coarser_pass_is_never_above(seed: int) -> None:
    """Thinning takes from the bound and never adds to it, and no more than it says."""
    night = random_night(seed)
    program = _program(night)
    limits = program.limits(nothing_short=False)
    price = Prices(np.random.default_rng(seed).uniform(-0.2, 0.2, night.intervals + 1))
    fine = program.backward([price], [limits], 1e-9).bound[0]
    coarse = program.backward([price], [limits], 1e-3).bound[0]
    assert fine - 4e-3 * len(program.stops) <= coarse <= fine + 1e-6


@pytest.mark.seeds(range(0, 60, 8), range(0, 60, 4))
def test_worth_of_stored_energy_is_that_of_the_rest_of_the_night(seed: int) -> None:
    """At any boundary, the worth differs from state to state as brute force on the rest of the night says."""
    night = replace(_without_wear(small_night(seed)), calendar=None)
    night = replace(night, trips=())
    boundary = min(2, night.intervals - 2)
    points = value_of_stored_energy(night, boundary)
    car = night.car
    for share in (0.25, 0.5, 0.75):
        stored = car.floor_kwh + share * (car.ceiling_kwh - car.floor_kwh) + 0.0123
        rest = _rest(night, boundary, stored)
        worth = float(np.interp(stored, points[:, 0], points[:, 1]))
        now = night.stored_energy.worth(night.stored_now_kwh)
        then = night.stored_energy.worth(stored)
        # a start and the window are priced at the highest import price of the whole night in both
        assert -worth - now == pytest.approx(brute_force(rest).money - then, abs=1e-4)


def _rest(night: Night, boundary: int, stored_kwh: float) -> Night:
    """The night from a boundary on, with other energy stored; its highest price is the whole night's."""
    rest = replace(
        night,
        boundaries=night.boundaries[boundary:],
        at_home=night.at_home[boundary:],
        load_kw=night.load_kw[boundary:],
        solar_kw=night.solar_kw[boundary:],
        import_price=night.import_price[boundary:],
        export_price=night.export_price[boundary:],
        stored_now_kwh=stored_kwh,
        initial_fill_kwh=initial_fill_kwh(night.wear, stored_kwh),
    )
    if rest.highest_price > 0:
        ratio = night.highest_price / rest.highest_price
        car = replace(rest.car, outside_window_factor=rest.car.outside_window_factor * ratio)
        charger = replace(rest.charger, start_worth_kwh=rest.charger.start_worth_kwh * ratio)
        rest = replace(rest, car=car, charger=charger)
    return rest


def test_a_kwh_is_worth_what_it_saves() -> None:
    """With 1 kW of load, no feed-in and eight hours to go, the first 8 kWh over the floor save the import price."""
    night = flat_night(
        export_price=0.0, stored_energy_price=0.0, wear_weight=0.0, charger=plain_charger(start_worth_kwh=0.0)
    )
    points = value_of_stored_energy(night, 0)
    worth = np.interp([10.0, 14.0, 18.0, 30.0], points[:, 0], points[:, 1])
    assert worth[1] - worth[0] == pytest.approx(4 * 0.30)
    assert worth[2] - worth[0] == pytest.approx(8 * 0.30)
    assert worth[3] - worth[2] == pytest.approx(0.0)


def test_a_boundary_that_is_none_is_refused() -> None:
    """There is no boundary after the end."""
    with pytest.raises(ValueError, match="boundary 9"):
        value_of_stored_energy(flat_night(), 9)


@pytest.mark.parametrize("seed", range(0, 40, 5))
def test_a_pulled_path_is_nearer_and_no_cheaper(seed: int) -> None:
    """A pull takes the path towards what is asked, at its true cost, beside problems that are not pulled."""
    night = random_night(seed)
    program = _program(night)
    limits = program.limits(nothing_short=False)
    random = np.random.default_rng(seed)
    price = Prices(random.uniform(-0.1, 0.1, night.intervals + 1))
    towards = random.uniform(night.car.floor_kwh, night.car.ceiling_kwh, night.intervals + 1)
    pulled = replace(price, pull=0.05, towards=towards)
    values = program.backward([price, pulled, price], [limits] * 3, 1e-7)
    assert values.bound[2] == pytest.approx(values.bound[0], abs=1e-4)
    free, near = program.paths(values, [0, 1])
    away = [float(np.abs(path.stored_kwh[1:] - towards[1:]).sum()) for path in (free, near)]
    total = [path.cost + price.stored @ path.stored_kwh for path in (free, near)]
    assert away[1] <= away[0] + 1e-3
    assert total[1] >= values.bound[0] - 1e-4
    assert total[1] + 0.05 * away[1] <= total[0] + 0.05 * away[0] + 1e-3


def test_paths_side_by_side_are_as_alone() -> None:
    """The paths of several problems read off together are those read off one by one."""
    night = random_night(3)
    program = _program(night)
    limits = program.limits(nothing_short=False)
    random = np.random.default_rng(3)
    prices = [Prices(random.uniform(-0.2, 0.2, night.intervals + 1), given) for given in (0.0, 0.1, 0.2)]
    values = program.backward(prices, [limits] * 3, 1e-7)
    for number, path in enumerate(program.paths(values, [0, 1, 2])):
        alone = program.path(values, number)
        assert path.cost == pytest.approx(alone.cost, abs=1e-9)
        assert path.given_kwh == pytest.approx(alone.given_kwh, abs=1e-9)
        np.testing.assert_allclose(path.stored_kwh, alone.stored_kwh, atol=1e-9)


@pytest.mark.parametrize("tolerance", [0.0, 1e-3, 0.05])
def test_the_lowest_of_lines_is_never_above_them(tolerance: float) -> None:
    """In each lane the cells are the minimum of the lines with a start's worth, or chords a tolerance below it."""
    random = np.random.default_rng(5)
    ways = Ways.of([2, 0, 0, 1, 1], [0.0, 1.0, 2.0, -1.0, -2.0], [0.0] * 5, [0.0] * 5, [1, 3])
    edges = np.linspace(0.0, 10.0, 21)
    begin, end = edges[:-1], edges[1:]
    left, right = random.uniform(0, 1, (7, 20)), random.uniform(0, 1, (7, 20))
    nothing = np.zeros(20)
    start = 0.2
    lines = Lines(begin, end, left, right)
    cells = lowest(lines, (nothing, nothing), ways, start, np.array([0.0, 100.0, 200.0]), tolerance)
    kind = np.array([2, 0, 0, 0, 1, 1, 1])
    worst = 0.0
    for place in random.uniform(0, 10, 400):
        cell = int(np.searchsorted(edges, place)) - 1
        share = (place - begin[cell]) / (end[cell] - begin[cell])
        value = left[:, cell] * (1 - share) + right[:, cell] * share
        for mode in range(3):
            least = float((value + np.where((kind == 2) | (kind == mode), 0.0, start)).min())
            at = int(np.searchsorted(cells.begin, 100.0 * mode + place)) - 1
            along = (100.0 * mode + place - cells.begin[at]) / (cells.end[at] - cells.begin[at])
            found = float(cells.left[at] * (1 - along) + cells.right[at] * along)
            assert found <= least + 1e-9
            worst = max(worst, least - found)
    assert worst <= tolerance + 1e-9
    assert (worst > 1e-9) == (tolerance > 0)
    assert len(cells.begin) <= 3 * 20 * len(left)


def test_the_least_between_two_places_is_that_of_the_slice() -> None:
    """Against the least of each slice, with empty ones and ones to the end."""
    random = np.random.default_rng(1)
    value = random.normal(size=(3, 11))
    first, last = random.integers(0, 12, (3, 40)), random.integers(0, 12, (3, 40))
    found = least_between(value, first, last)
    for row in range(3):
        for k in range(40):
            part = value[row, first[row, k] : last[row, k]]
            assert found[row, k] == (part.min() if len(part) else FAR)
