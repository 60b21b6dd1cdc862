"""Certified schedules: bound and plan against the independent optimum, and the certificate against what it claims."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import linprog

from models.wear.segments import taken_from_segments_kwh
from scheduler.inputs.control_mode import Setting
from scheduler.inputs.site_inputs import read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.optimizer import solve as solving
from scheduler.optimizer.certificate import certified, dynamic_program
from scheduler.optimizer.certificate.certified import Part, Search, search_of, solve_free
from scheduler.optimizer.certificate.dynamic_problem import Limits, Prices, Weights
from scheduler.optimizer.certificate.dynamic_program import DynamicProgram
from scheduler.optimizer.certificate.lagrangian import Master, Wear
from scheduler.optimizer.certificate.mode_program import ModeProgram
from scheduler.optimizer.compact import compact_matrix
from scheduler.optimizer.lexicographic import GAP_WORTH_KWH, TIE_WORTH_KWH, NoPlanError
from scheduler.optimizer.setpoints import BRANCH_AND_BOUND, DYNAMIC_PROGRAM, Answer
from scheduler.optimizer.solve import solve, solve_compact
from scheduler.plans.replay import replay, verify
from tests.builders.nights import Drive, flat_night, plain_car, plain_charger
from tests.builders.places import SCENARIOS
from tests.builders.random_nights import random_night, small_night
from tests.builders.random_offers import random_offer_night
from tests.oracles.independent_matrix import independent_optimum

OFF = 2e-5
"""Earlier objectives of the independent optimum are held within 1e-5 kWh [kWh]."""


def _agrees(night: Night, may_discharge: bool = True) -> None:
    """The plan is no better than the independent optimum, the bound no higher, and the gap between them as told."""
    answer = solve(night, may_discharge)
    replayed = verify(night, answer)
    best = independent_optimum(night, may_discharge)
    price = night.highest_price
    loose = 4 * OFF * max(price, night.car.on_the_way_price_per_kwh, float(np.abs(night.export_price).max())) + 2e-4
    assert replayed.costs.total >= best.money_bound - loose
    assert replayed.costs.total <= best.money + (TIE_WORTH_KWH - GAP_WORTH_KWH) * price + answer.gap + loose
    assert answer.gap <= GAP_WORTH_KWH * price + 1e-9 or answer.status != "optimal"
    weights = np.arange(len(night.trips), 0, -1)
    assert float(weights @ replayed.on_the_way_kwh) == pytest.approx(best.on_the_way, abs=1e-4)
    assert float(replayed.missing_kwh.sum()) == pytest.approx(best.missing_at_departure, abs=1e-4)
    assert float(replayed.missing_when_ready_kwh.sum()) == pytest.approx(best.missing_when_ready, abs=1e-4)
    assert answer.bound <= best.money + loose
    assert answer.money <= answer.bound + answer.gap + (TIE_WORTH_KWH - GAP_WORTH_KWH) * price + 1e-5


@pytest.mark.seeds(range(203, 215, 2), range(203, 215))
def test_random_nights_agree_with_the_independent_optimum(seed: int) -> None:
    """Any key of the site: the same priorities, and money within the gap that is told."""
    _agrees(random_night(seed))


@pytest.mark.seeds(range(300, 310, 2), range(300, 310))
def test_charge_only_nights_agree_with_the_independent_optimum(seed: int) -> None:
    """So does the alternative that never discharges."""
    _agrees(random_night(seed), may_discharge=False)


@pytest.mark.seeds(range(0, 24, 4), range(0, 24, 2))
def test_limits_and_bans_of_the_offer_are_kept(seed: int) -> None:
    """Export limits by the clock and bans on charging from the grid, without tiers and demand charges."""
    _agrees(replace(random_offer_night(seed), tiers=(), demand=()))


@pytest.mark.seeds((0, 2, 8, 10, 16, 18), range(0, 24, 2))
def test_small_nights_agree(seed: int) -> None:
    """So do nights of few intervals, of which many have trips that cannot be served."""
    _agrees(small_night(seed))


def _limiting() -> dict[str, Night]:
    lossless = plain_charger(charge_min_kw=0.0, discharge_min_kw=0.0)
    prices = [0.40, 0.40, 0.30, 0.10, 0.10, 0.10, 0.30, 0.40]
    return {
        "no wear": flat_night(import_price=prices, wear_weight=0.0),
        "least power 0": flat_night(import_price=prices, charger=lossless),
        "starts are free": flat_night(import_price=prices, charger=plain_charger(start_worth_kwh=0.0)),
        "one interval": flat_night(1),
        "always away": flat_night(home_from=8),
        "a trip at once": flat_night(trips=[Drive(depart=0, comeback=4, distance_km=50, ready=0)]),
        "one after another": flat_night(import_price=prices, trips=[Drive(1, 3), Drive(3, 5), Drive(6, 8)]),
        "beyond the battery": flat_night(import_price=prices, trips=[Drive(3, 6, distance_km=400)]),
        "free power": flat_night(import_price=0.0, export_price=0.0),
        "export pays more": flat_night(import_price=prices, export_price=0.35),
        "nothing may be given": flat_night(import_price=prices, car=plain_car(discharge_limit_kwh=0.0)),
        "little may be given": flat_night(import_price=prices, car=plain_car(discharge_limit_kwh=2.5)),
    }


@pytest.mark.parametrize("name", _limiting())
def test_limiting_cases_agree(name: str) -> None:
    """Where something is nothing, or all there is."""
    _agrees(_limiting()[name])


def test_a_charger_with_no_least_power_may_stand_by_though_nothing_may_be_given() -> None:
    """A discharge limit of 0 forbids energy, not the mode: at no power the fixed loss drains a car that is too full."""
    _agrees(random_night(2051))


def test_where_the_integers_fail_the_plan_found_is_given_with_its_gap(monkeypatch: pytest.MonkeyPatch) -> None:
    """A trip of more than a battery: HiGHS may call rows that hold its shortages infeasible; the search has a plan."""

    def fails(night: Night, may_discharge: bool) -> Answer:
        raise NoPlanError("HiGHS stopped with: infeasible")

    monkeypatch.setattr(solving, "_branch_and_bound", fails)
    night = random_night(3028)
    answer = solve(night)
    best = independent_optimum(night)
    replayed = verify(night, answer)
    weights = np.arange(len(night.trips), 0, -1)
    assert float(weights @ replayed.on_the_way_kwh) == pytest.approx(best.on_the_way, abs=1e-4)
    ties = (TIE_WORTH_KWH - GAP_WORTH_KWH) * night.highest_price
    assert best.money_bound - 1e-3 <= replayed.costs.total <= best.money + ties + answer.gap + 1e-3
    assert answer.way == DYNAMIC_PROGRAM


def test_what_is_not_covered_is_left_to_the_compact_program() -> None:
    """Prices that depend on amounts, and plans set by hand, have no certificate of this kind."""
    assert solve_free(replace(flat_night(), setting=Setting(set_by="blocks", max_blocks=3))) is None
    tiered = next(night for night in map(random_offer_night, range(20)) if night.prices_depend_on_amounts)
    assert solve_free(tiered) is None


def _program(night: Night) -> DynamicProgram:
    return DynamicProgram(night, True, Weights(1.0, np.zeros(len(night.trips))))


@pytest.mark.parametrize("seed", range(400, 406))
def test_any_prices_give_a_bound(seed: int) -> None:
    """Whatever the prices, the bound is below the independent optimum where no trip is short."""
    night = random_night(seed)
    best = independent_optimum(night)
    if best.on_the_way + best.missing_at_departure + best.missing_when_ready > 1e-4:
        night = replace(night, trips=(), at_home=np.ones(night.intervals, dtype=np.bool_))
        best = independent_optimum(night)
    program = _program(night)
    wear, limits = Wear(night, program.unit), program.limits(nothing_short=True)
    random = np.random.default_rng(seed)
    limit = night.car.discharge_limit_kwh
    for scale in (0.0, 0.02, 0.2):
        stored = np.concatenate([[0.0], random.normal(0, scale, night.intervals)])
        price = Prices(stored, scale if limit is not None else 0.0)
        paths = program.backward([price], [limits], 1e-6).bound[0]
        bound = paths + wear.constant(stored) - price.given * (limit or 0.0)
        assert bound * program.unit <= best.money + 1e-4 + OFF * night.highest_price


@pytest.mark.parametrize("seed", range(500, 506))
def test_a_part_has_no_lower_bound_than_the_whole(seed: int) -> None:
    """With the same prices, bounds on stored energy never lower the bound, and one of two halves keeps it."""
    night = random_night(seed)
    program = _program(night)
    whole = program.limits(nothing_short=False)
    price = Prices(np.random.default_rng(seed).normal(0, 0.05, night.intervals + 1))
    boundary = night.intervals // 2
    middle = (whole.least_kwh[boundary] + whole.most_kwh[boundary]) / 2
    least, most = whole.least_kwh.copy(), whole.most_kwh.copy()
    least[boundary] = most[boundary] = middle
    halves = [Limits(whole.least_kwh, most), Limits(least, whole.most_kwh)]
    bound = program.backward([price], [whole], 1e-7).bound[0]
    parts = program.backward([price, price], halves, 1e-7).bound
    assert (parts >= bound - 1e-4).all()
    assert parts.min() == pytest.approx(bound, abs=1e-4)


@pytest.mark.parametrize("seed", range(12))
def test_the_constant_of_wear_is_its_linear_program(seed: int) -> None:
    """The constant is the least of wear less priced energy, by a linear program over all segments."""
    night = random_night(seed)
    wear, n, count = Wear(night, 1.0), night.intervals, len(night.wear.size_kwh)
    price = np.random.default_rng(seed).normal(0, 0.1, n + 1)
    held = np.arange(n * count).reshape(n, count)
    cost = np.concatenate([-np.repeat(price[1:], count), np.tile(wear.price, n)])
    rows, most = np.zeros((n * count, 2 * n * count)), np.zeros(n * count)
    for row in range(n * count):
        rows[row, row], rows[row, row + n * count] = -1.0, -1.0
        if row >= count:
            rows[row, held.ravel()[row - count]] = 1.0
        else:
            most[row] = -wear.fill[row]
    bounds = [(0.0, float(size)) for _ in range(n) for size in wear.size] + [(0.0, None)] * (n * count)
    best = linprog(cost, A_ub=rows, b_ub=most, bounds=bounds)
    assert wear.constant(price) == pytest.approx(best.fun, abs=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_no_replayed_wear_is_under_its_bound(seed: int) -> None:
    """Wear as the replay counts it is at least the price times stored energy plus the constant, for any powers."""
    night = replace(random_night(seed), trips=())
    wear = Wear(night, 1.0)
    random = np.random.default_rng(seed)
    for _ in range(10):
        price = np.concatenate([[0.0], random.normal(0, 0.1, night.intervals)])
        stored = np.concatenate([[night.stored_now_kwh], random.uniform(0, night.car.battery_kwh, night.intervals)])
        change = np.diff(stored)
        taken = taken_from_segments_kwh(
            night.wear, night.initial_fill_kwh, np.maximum(change, 0.0), np.maximum(-change, 0.0)
        )
        worn = night.wear_weight * float((taken @ night.wear.price_per_kwh).sum())
        assert worn >= price @ stored + wear.constant(price) - 1e-9


def test_money_in_a_small_unit_changes_nothing() -> None:
    """A currency of which it takes 17,000 for one of another gives the same plan."""
    night = random_night(37)
    many = 17_000.0
    scaled = replace(
        night,
        import_price=night.import_price * many,
        export_price=night.export_price * many,
        car=replace(night.car, on_the_way_price_per_kwh=night.car.on_the_way_price_per_kwh * many),
        wear=replace(night.wear, price_per_kwh=night.wear.price_per_kwh * many),
        stored_energy=night.stored_energy.scaled(many),
        calendar=None
        if night.calendar is None
        else replace(night.calendar, money_per_hour=night.calendar.money_per_hour * many),
    )
    plan, again = solve_free(night), solve_free(scaled)
    assert plan is not None
    assert again is not None
    assert again.bound / many == pytest.approx(plan.bound, abs=2 * GAP_WORTH_KWH * night.highest_price)
    totals = [replay(each, found.setpoints).costs.total for each, found in ((night, plan), (scaled, again))]
    assert totals[1] / many == pytest.approx(totals[0], abs=2 * TIE_WORTH_KWH * night.highest_price)


def _searched(night: Night, effort: int, monkeypatch: pytest.MonkeyPatch) -> tuple[Search, float, list[int]]:
    """Search with so much effort; return the search, its bound, and the effort spent before each pass."""
    before: list[int] = []
    one_pass = Search._one_pass

    def counted(search: Search, parts: list[Part]) -> dict[int, list[Prices]]:
        before.append(search.effort)
        return one_pass(search, parts)

    with monkeypatch.context() as patch:
        patch.setattr(certified, "EFFORT", effort)
        patch.setattr(certified, "SMALL_EFFORT", effort)
        patch.setattr(Search, "_one_pass", counted)
        found = search_of(night)
    assert found is not None
    return found[0], found[1], before


@pytest.mark.parametrize("seed", [4, 16, 57])
def test_more_effort_never_lowers_the_bound_nor_raises_the_cost(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Splitting keeps the bound of the whole for its parts, so that the least bound only rises; no pass begins late."""
    night = random_night(seed)
    bound, cost, parts = -np.inf, np.inf, []
    for effort in (1, 20_000, 60_000, 200_000):
        search, now, before = _searched(night, effort, monkeypatch)
        assert max(before) < effort or len(before) == 1
        assert now >= bound - 1e-9
        assert search.best_cost <= cost + 1e-9
        assert now <= search.best_cost
        bound, cost = now, search.best_cost
        parts.append(search.parts)
    assert parts[0] == 1 < parts[-1]


def test_the_same_night_is_searched_the_same_way(monkeypatch: pytest.MonkeyPatch) -> None:
    """No clock: effort, bound and cost of two searches are the same numbers."""
    first, bound, _ = _searched(random_night(16), 60_000, monkeypatch)
    again, same, _ = _searched(random_night(16), 60_000, monkeypatch)
    assert (first.effort, first.passes, first.parts) == (again.effort, again.passes, again.parts)
    assert (bound, first.best_cost) == (same, again.best_cost)


def test_no_prices_are_sought_for_a_pass_that_does_not_come(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the effort of one pass the search ends with plan and bound, and never solves for the next prices."""

    def never(*_: object) -> tuple[float, Prices]:
        raise AssertionError

    monkeypatch.setattr(Master, "solve", never)
    search, bound, before = _searched(random_night(16), 1, monkeypatch)
    assert before == [0]
    assert len(search.proof) == 1
    assert bound <= search.best_cost < np.inf


def test_rounding_of_large_values_makes_no_cells() -> None:
    """A shortage of 33 kWh is held by a price that makes values 100,000; their rounding must not be taken for bends."""
    inputs = read_inputs(SCENARIOS / "boatyard")
    evening = parse_request(RequestOptions(55, now="2026-05-12T17:30", trips=("06:00-21:00 310km",)), inputs)
    night = build_night(inputs, evening)[0]
    found = search_of(night)
    assert found is not None
    search, _ = found
    price = Prices(np.random.default_rng(1).normal(0, 0.02, night.intervals + 1))
    values = search.program.backward([price], [search.proof[0].limits], 1e-6)
    assert max(len(layer.edges) for layer in values.layers) < 1000
    answer = solve(night)
    assert answer.on_the_way_kwh.sum() == pytest.approx(32.8, abs=1e-4)
    assert answer.money == pytest.approx(solve_compact(night).money, abs=TIE_WORTH_KWH * night.highest_price)


def test_a_night_of_too_many_cells_goes_to_the_integers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Time and memory of a pass are bounded; the compact program plans what is beyond."""
    monkeypatch.setattr(dynamic_program, "MOST_CELLS", 5)
    assert solve(flat_night()).way == BRANCH_AND_BOUND


def _first_bound_holds(night: Night) -> None:
    """The first bound is no lower than the least money of the relaxed program [kWh at the highest price]."""
    program, modes = _program(night), ModeProgram(night, compact_matrix(night))
    modes.nothing_short(True)
    assert modes.run()
    prices = modes.prices(program.unit)
    values = program.backward([prices], [program.limits(nothing_short=True)], 1e-7)
    limit = night.car.discharge_limit_kwh or 0.0
    bound = values.bound[0] + Wear(night, program.unit).constant(prices.stored) - prices.given * limit
    assert bound >= modes.value() / program.unit - 1e-4


@pytest.mark.parametrize("soc_percent", [45, 60, 75])
def test_the_first_prices_bound_no_less_than_the_relaxed_program(soc_percent: float) -> None:
    """Its duals are the best prices there are for relaxed modes, and whole modes can only cost more."""
    inputs = read_inputs(SCENARIOS / "bookbindery")
    options = RequestOptions(soc_percent, now="2026-03-04T18:20", trips=("06:30-15:10 40km",))
    _first_bound_holds(build_night(inputs, parse_request(options, inputs))[0])


@pytest.mark.parametrize("seed", [4, 7, 25, 42, 62, 83, 87, 96, 100, 125, 140])
def test_prices_where_stored_energy_stays_the_same_bound_no_less_either(seed: int) -> None:
    """With ageing over time, a discharge limit, losses over the least power: moved prices are still duals."""
    _first_bound_holds(random_night(seed))
